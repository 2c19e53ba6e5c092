package flacio

import (
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"testing"

	"evenhand/examples/oracle"
)

// TestForeignForms decodes forms of coding that the encoder here does not
// choose, as the flac program writes them: long and exhaustive predictors, many
// partitions, other block lengths, one Rice parameter a block.
func TestForeignForms(t *testing.T) {
	tool := oracle.Path(t, "flac")
	for _, form := range [][]string{
		{"-8", "-e", "-p", "--lax", "-l", "32", "-r", "0,15"},
		{"-b", "192", "-l", "12"}, {"-b", "1000", "-l", "0"}, {"-b", "16384", "-l", "3", "--lax"}, {"-b", "65535", "--lax"},
		{"-r", "0"}, {"-q", "5", "-l", "8"}, {"-M"}, {"--no-mid-side", "-S", "10x"},
	} {
		for _, bits := range []int{16, 24} {
			x := guitar(2, 40000, bits, 8)
			clear(x[1][5000:30000])
			dir := t.TempDir()
			raw, path := filepath.Join(dir, "a.raw"), filepath.Join(dir, "a.flac")
			if err := os.WriteFile(raw, interleave(x, bits), 0o644); err != nil {
				t.Fatal(err)
			}
			args := append(slices.Clone(form), "-s", "--force-raw-format", "--endian=little", "--sign=signed", "--channels=2",
				fmt.Sprintf("--bps=%d", bits), "--sample-rate=48000", "-o", path, raw)
			if out, err := exec.Command(tool, args...).CombinedOutput(); err != nil {
				t.Fatalf("%v: %v\n%s", form, err, out)
			}
			got, _, err := decode(path, 4096)
			if err != nil {
				t.Fatalf("%v, %d bits: %v", form, bits, err)
			}
			same(t, got, x)
		}
	}
}

// TestCut: each piece is a file that the flac program accepts and decodes to the
// very samples of its stretch.
func TestCut(t *testing.T) {
	tool := oracle.Path(t, "flac")
	for _, bits := range []int{16, 24} {
		x := guitar(2, 260*blockSize+77, bits, 3)
		dir := t.TempDir()
		path := filepath.Join(dir, "a.flac")
		encode(t, path, Spec{48000, 2, bits}, x, 30000)
		starts := []int64{0, blockSize, 3 * blockSize, 250 * blockSize, 260 * blockSize}
		name := func(k int) string { return filepath.Join(dir, fmt.Sprintf("%d.flac", k)) }
		d, err := Open(path)
		if err != nil {
			t.Fatal(err)
		}
		if err := d.Cut(starts, name); err != nil {
			t.Fatal(err)
		}
		buf := [][]float64{make([]float64, 5000), make([]float64, 5000)}
		for err == nil {
			_, err = d.Read(buf)
		}
		if err != io.EOF {
			t.Fatal(err)
		}
		if err := d.Close(); err != nil {
			t.Fatal(err)
		}
		for k, from := range starts {
			to := int64(len(x[0]))
			if k+1 < len(starts) {
				to = starts[k+1]
			}
			want := [][]int32{x[0][from:to], x[1][from:to]}
			got, info, err := decode(name(k), 4096)
			if err != nil || info.Frames != to-from {
				t.Fatalf("piece %d: %v, %+v", k, err, info)
			}
			same(t, got, want)
			out, err := exec.Command(tool, "-d", "-c", "-s", "--force-raw-format", "--endian=little", "--sign=signed", name(k)).Output()
			if err != nil || !slices.Equal(out, interleave(want, bits)) {
				t.Fatalf("piece %d: flac: %v", k, err)
			}
		}
	}
}

func TestCutRefuses(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "a.flac")
	encode(t, path, Spec{48000, 1, 16}, guitar(1, 3*blockSize, 16, 3), 4096)
	name := func(int) string { return filepath.Join(dir, "piece.flac") }
	for _, starts := range [][]int64{{1}, {blockSize}, {0, 100}, {0, blockSize, blockSize}, {0, 3 * blockSize}} {
		d, err := Open(path)
		if err != nil {
			t.Fatal(err)
		}
		err = d.Cut(starts, name)
		buf := [][]float64{make([]float64, 5000)}
		for err == nil {
			_, err = d.Read(buf)
		}
		if !errors.Is(err, ErrUse) {
			t.Errorf("%v: %v", starts, err)
		}
		if err := d.Close(); err != nil {
			t.Error(err)
		}
	}
}
