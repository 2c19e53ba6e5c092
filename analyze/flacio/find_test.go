package flacio

import (
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
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

// lookFor reads a file to its end and returns where the blocks are that begin at the
// starts.
func lookFor(path string, starts []int64) ([]int64, error) {
	d, err := Open(path)
	if err != nil {
		return nil, err
	}
	defer d.Close()
	d.Find(starts)
	buf := make([][]float64, d.Info().Channels)
	for c := range buf {
		buf[c] = make([]float64, 5000)
	}
	for err == nil {
		_, err = d.Read(buf)
	}
	if err != io.EOF {
		return nil, err
	}
	return d.Offsets(), nil
}

// TestFind: blocks begin where the analysis of the flac program has them, in files of
// its own, whose header is longer, and in those of the encoder here.
func TestFind(t *testing.T) {
	tool := oracle.Path(t, "flac")
	block := regexp.MustCompile(`frame=(\d+)\s+offset=(\d+)`)
	for _, bits := range []int{16, 24} {
		x := guitar(2, 260*blockSize+77, bits, 3)
		dir := t.TempDir()
		ours, raw, theirs := filepath.Join(dir, "a.flac"), filepath.Join(dir, "a.raw"), filepath.Join(dir, "b.flac")
		encode(t, ours, Spec{48000, 2, bits}, x, 30000)
		if err := os.WriteFile(raw, interleave(x, bits), 0o644); err != nil {
			t.Fatal(err)
		}
		if out, err := exec.Command(tool, "-s", "-b", fmt.Sprint(blockSize), "--force-raw-format", "--endian=little", "--sign=signed", "--channels=2",
			fmt.Sprintf("--bps=%d", bits), "--sample-rate=48000", "-o", theirs, raw).CombinedOutput(); err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		for _, path := range []string{ours, theirs} {
			out, err := exec.Command(tool, "-a", "-s", "-c", path).Output()
			if err != nil {
				t.Fatal(err)
			}
			at := map[string]string{}
			for _, m := range block.FindAllStringSubmatch(string(out), -1) {
				at[m[1]] = m[2]
			}
			starts := []int64{0, 1, 3, 127, 128, 250, 260}
			for k := range starts {
				starts[k] *= blockSize
			}
			got, err := lookFor(path, starts)
			if err != nil || len(got) != len(starts) {
				t.Fatalf("%s: %v, %v", path, got, err)
			}
			for k, start := range starts {
				if want := at[fmt.Sprint(start/blockSize)]; fmt.Sprint(got[k]) != want {
					t.Errorf("%s: block %d at %d, the flac program has it at %q", path, start/blockSize, got[k], want)
				}
			}
		}
	}
}

func TestFindRefuses(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.flac")
	encode(t, path, Spec{48000, 1, 16}, guitar(1, 3*blockSize, 16, 3), 4096)
	for _, starts := range [][]int64{{1}, {0, 100}, {0, blockSize, blockSize}, {blockSize, 0}, {0, 3 * blockSize}} {
		if _, err := lookFor(path, starts); !errors.Is(err, ErrUse) {
			t.Errorf("%v: %v", starts, err)
		}
	}
	if got, err := lookFor(path, []int64{blockSize}); err != nil || len(got) != 1 {
		t.Errorf("%v, %v", got, err)
	}
}
