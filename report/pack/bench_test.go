package pack

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"testing"
)

func BenchmarkWrite(b *testing.B) {
	for _, kind := range []string{"zip", "folder"} {
		b.Run("kind="+kind, func(b *testing.B) { benchmark(b, kind, true) })
	}
}

func BenchmarkCheck(b *testing.B) {
	for _, kind := range []string{"zip", "folder"} {
		b.Run("kind="+kind, func(b *testing.B) { benchmark(b, kind, false) })
	}
}

func benchmark(b *testing.B, kind string, writing bool) {
	const size = 16 << 20
	c := sample(b)
	c.Items = nil
	for i := range 4 {
		c.Items = append(c.Items, Item{Name: fmt.Sprintf("session/%d.wav", i), Data: bytes.Repeat([]byte{byte(i)}, size)})
	}
	path := filepath.Join(b.TempDir(), "bag")
	if kind == "zip" {
		path += ".zip"
	}
	write(b, path, c)
	b.SetBytes(4 * size)
	for b.Loop() {
		if !writing {
			if res := check(b, path); len(res.Faults) > 0 {
				b.Fatal(res.Faults)
			}
			continue
		}
		b.StopTimer()
		if err := os.RemoveAll(path); err != nil {
			b.Fatal(err)
		}
		b.StartTimer()
		write(b, path, c)
	}
}
