package publish

import (
	"math"
	"os"
	"path/filepath"
	"testing"

	"evenhand/analyze/flacio"
	"evenhand/analyze/recording"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/analyze/wavio"
	"evenhand/analyze/work"
)

// TestDitherOfSilence writes digital silence with 16 bits: what the file holds is the
// noise of rounding with triangular dither, a quarter of a squared step. A full-scale
// sine has half the power of a full-scale square wave, so that is 6.02·16 + 1.76 − 4.77
// = 93.3 dB below the sine.
//
// Source: S. P. Lipshitz, R. A. Wannamaker and J. Vanderkooy, Quantization and Dither:
// A Theoretical Survey, J. Audio Eng. Soc. 40 (1992), and the rule of 6.02·n + 1.76 dB
// for a sine's ratio to quantisation noise (both from memory).
func TestDitherOfSilence(t *testing.T) {
	const rate, seconds = 48000, 4
	dir := t.TempDir()
	name := filepath.Join(dir, "silence.wav")
	w, err := wavio.Create(name, wavio.Spec{SampleRate: rate, Channels: 1, Bits: 24})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Write([][]float64{make([]float64, rate*seconds)}); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	info, err := wavio.Inspect(name)
	if err != nil {
		t.Fatal(err)
	}
	sig, err := recording.NewSignal(name, info, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	sig.SHA256 = "0123456789abcdef"
	files := map[int][]byte{}
	for _, workers := range []int{1, 4} {
		out := filepath.Join(dir, "out", string(rune('0'+workers)))
		plan := Plan{
			Timeline: result.Timeline{SampleRate: rate, Spans: []result.Span{{Frames: rate * seconds}}},
			Takes:    []Take{{Name: "Silence", Slug: "silence", Signal: sig, Bits: 16}, {Name: "Deep", Slug: "deep", Signal: sig, Bits: 24}},
		}
		made, err := plan.Write(t.Context(), out, false, work.Run{Workers: workers})
		if err != nil {
			t.Fatal(err)
		}
		if got := Depth(made[0].Published.Encoding); got != 16 {
			t.Errorf("%s: %d bits", made[0].Published.Encoding, got)
		}
		if files[workers], err = os.ReadFile(filepath.Join(out, filepath.FromSlash(made[0].Published.Path))); err != nil {
			t.Fatal(err)
		}
		power := func(k int) float64 {
			d, err := flacio.Open(filepath.Join(out, filepath.FromSlash(made[k].Published.Path)))
			if err != nil {
				t.Fatal(err)
			}
			defer d.Close()
			sum, n := 0.0, 0
			err = recording.EachBlock(t.Context(), d, 1, func(block [][]float64) error {
				for _, v := range block[0] {
					sum += v * v
				}
				n += len(block[0])
				return nil
			})
			if err != nil {
				t.Fatal(err)
			}
			return sum / float64(n)
		}
		if got, want := unit.FromPower(power(0))-unit.FromPower(0.5), -93.32; math.Abs(got-want) > 0.05 {
			t.Errorf("the dither is %.3f dB below a sine of full scale, want %.2f", got, want)
		}
		if p := power(1); p != 0 {
			t.Errorf("24 bits of silence have a power of %g", p)
		}
	}
	if string(files[1]) != string(files[4]) {
		t.Error("another number of workers gives other bytes")
	}
}

// TestDitherLevel: the A-weighted level of noise that is white to half the rate, by the
// weights of the table at the centres of third octaves.
//
// Source: IEC 61672-1:2013, Table 3 (from memory).
func TestDitherLevel(t *testing.T) {
	table := []float64{-50.5, -44.7, -39.4, -34.6, -30.2, -26.2, -22.5, -19.1, -16.1, -13.4, -10.9, -8.6, -6.6, -4.8, -3.2, -1.9, -0.8, 0,
		0.6, 1.0, 1.2, 1.3, 1.2, 1.0, 0.5, -0.1, -1.1, -2.5, -4.3, -6.6, -9.3} // 20 Hz to 20 kHz
	for _, rate := range []int{44100, 48000, 96000} {
		power := 0.0
		for i, db := range table {
			centre := 1000 * math.Pow(10, float64(i-17)/10)
			low, high := centre*math.Pow(10, -0.05), min(centre*math.Pow(10, 0.05), 20000)
			power += math.Pow(10, db/10) * (high - low) / float64(rate/2)
		}
		want := -93.32 - 3.01 + 10*math.Log10(power) // rms of an amplitude of 1, as levels of noise are
		if got := float64(DitherLevel(rate)); math.Abs(got-want) > 0.1 {
			t.Errorf("%d Hz: %.2f dBFS, want %.2f", rate, got, want)
		}
	}
}

func TestDepth(t *testing.T) {
	for encoding, want := range map[string]int{EncodingName(16): 16, EncodingName(24): 24, "FLAC, 8-bit": 0, "": 0, "FLAC, 16-bit ": 0} {
		if got := Depth(encoding); got != want {
			t.Errorf("%q: %d bits, want %d", encoding, got, want)
		}
	}
}
