package resample

import (
	"errors"
	"fmt"
	"math"
	"testing"
)

// convert runs a whole mono signal through a converter in blocks of size.
func convert(t testing.TB, from, to int, x []float64, size int) []float64 {
	t.Helper()
	c, err := New(from, to, 1)
	if err != nil {
		t.Fatal(err)
	}
	var out []float64
	emit := func(b [][]float64) error {
		out = append(out, b[0]...)
		return nil
	}
	for at := 0; at < len(x); at += size {
		if err := c.Write([][]float64{x[at:min(at+size, len(x))]}, emit); err != nil {
			t.Fatal(err)
		}
	}
	if err := c.Finish(emit); err != nil {
		t.Fatal(err)
	}
	if want := c.Frames(int64(len(x))); int64(len(out)) != want {
		t.Fatalf("%d → %d Hz: %d frames became %d, Frames says %d", from, to, len(x), len(out), want)
	}
	return out
}

func tone(rate int, hz, phase float64, n int) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = math.Sin(2*math.Pi*hz*float64(i)/float64(rate) + phase)
	}
	return x
}

// db returns a root mean square relative to a full-scale sine's, in dB.
func db(x []float64) float64 {
	var s float64
	for _, v := range x {
		s += v * v
	}
	return 10*math.Log10(s/float64(len(x))+1e-40) + 3.0103
}

// pairs are usual conversions. Measured when this was written, in dB below a
// full-scale tone: ripple, images and delay together −127.1 to −127.7, worst at
// the very edge of the pass band; aliases −128.4 to −128.7, worst at half the
// lower rate.
var pairs = []struct{ from, to int }{
	{44100, 48000},
	{48000, 44100},
	{96000, 48000},
	{88200, 48000},
	{192000, 48000},
	{48000, 96000},
	{96000, 44100},
	{32000, 48000},
}

// tones is how many frequencies are tried per pair: fewer under the race
// detector, which finds nothing more in the others.
func tones() int {
	if raced {
		return 3
	}
	return 24
}

// A tone in the pass band comes out as the same tone on the new grid: the
// difference holds pass-band ripple, every image and any error of the delay.
// The limit asked for is 100 dB; the design leaves 20 dB more.
func TestTonesInPassBand(t *testing.T) {
	for _, p := range pairs {
		low := float64(min(p.from, p.to))
		worst, where := -400.0, 0.0
		n := p.from / 5
		for k := range tones() {
			// Close to the edge as well: the last is at the edge itself.
			hz := PassBand(p.from, p.to) * (1 - math.Pow(float64(tones()-1-k)/float64(tones()), 2))
			phase := 0.3 * float64(k)
			got := convert(t, p.from, p.to, tone(p.from, hz, phase, n), 1000)
			want := tone(p.to, hz, phase, len(got))
			edge := int(0.02 * float64(p.to))
			diff := make([]float64, 0, len(got))
			for i := edge; i < len(got)-edge; i++ {
				diff = append(diff, got[i]-want[i])
			}
			if d := db(diff); d > worst {
				worst, where = d, hz
			}
		}
		t.Logf("%6d → %6d Hz: ripple, images and delay %.1f dB at %.0f Hz (%.4f of the lower rate)", p.from, p.to, worst, where, where/low)
		if worst > -120 {
			t.Errorf("%d → %d Hz: a tone at %.1f Hz differs from the ideal by %.1f dB; want below −120", p.from, p.to, where, worst)
		}
	}
}

// A tone from the stop band on must not come out at all: it would be an alias.
func TestAliases(t *testing.T) {
	for _, p := range pairs {
		if p.to >= p.from {
			continue
		}
		worst, where := -400.0, 0.0
		stop, nyquist := StopBand(p.from, p.to), float64(p.from)/2
		for k := range tones() {
			hz := stop + (nyquist-stop)*math.Pow(float64(k)/float64(tones()), 2)
			got := convert(t, p.from, p.to, tone(p.from, hz, 0.7, p.from/5), 1<<14)
			edge := int(0.02 * float64(p.to))
			if d := db(got[edge : len(got)-edge]); d > worst {
				worst, where = d, hz
			}
		}
		t.Logf("%6d → %6d Hz: aliases %.1f dB at %.0f Hz", p.from, p.to, worst, where)
		if worst > -120 {
			t.Errorf("%d → %d Hz: a tone at %.1f Hz leaves an alias of %.1f dB; want below −120", p.from, p.to, where, worst)
		}
	}
}

// An exponential sweep over the pass band comes out as the sweep itself.
func TestSweep(t *testing.T) {
	sweep := func(rate int, n int, top, seconds float64) []float64 {
		x := make([]float64, n)
		rise := math.Log(top / 20)
		for i := range x {
			s := float64(i) / float64(rate)
			x[i] = math.Sin(2 * math.Pi * 20 * seconds / rise * (math.Exp(s/seconds*rise) - 1))
		}
		return x
	}
	for _, p := range pairs[:5] {
		if raced && p.from != 44100 {
			continue
		}
		const seconds = 1
		top := 0.97 * PassBand(p.from, p.to)
		got := convert(t, p.from, p.to, sweep(p.from, p.from*seconds, top, seconds), 4097)
		want := sweep(p.to, len(got), top, seconds)
		edge := int(0.02 * float64(p.to))
		diff := make([]float64, 0, len(got))
		for i := edge; i < len(got)-edge; i++ {
			diff = append(diff, got[i]-want[i])
		}
		if d := db(diff); d > -110 {
			t.Errorf("%d → %d Hz: the sweep differs by %.1f dB; want below −110", p.from, p.to, d)
		}
	}
}

// An impulse on an instant that both grids share comes out symmetric about it:
// linear phase with the delay taken out exactly.
func TestImpulseSymmetric(t *testing.T) {
	for _, p := range pairs {
		c, err := New(p.from, p.to, 1)
		if err != nil {
			t.Fatal(err)
		}
		at := int(c.down) * (1 + 2000/int(c.down))
		mid := at / int(c.down) * int(c.up)
		x := make([]float64, 2*at+1)
		x[at] = 1
		y := convert(t, p.from, p.to, x, 333)
		for i := 0; i <= mid && mid+i < len(y); i++ {
			if d := math.Abs(y[mid-i] - y[mid+i]); d > 1e-15 {
				t.Fatalf("%d → %d Hz: frames %d before and after the impulse differ by %g", p.from, p.to, i, d)
			}
		}
	}
}

// The block size changes nothing, and each channel goes its own way.
func TestBlocksAndChannels(t *testing.T) {
	const from, to, n = 44100, 48000, 9001
	left, right := tone(from, 997, 0, n), tone(from, 5003, 1, n)
	want := convert(t, from, to, left, n)
	for _, size := range []int{1, 7, 160, 5000} {
		got := convert(t, from, to, left, size)
		for i := range want {
			if got[i] != want[i] {
				t.Fatalf("blocks of %d: frame %d is %g, want %g", size, i, got[i], want[i])
			}
		}
	}
	c, _ := New(from, to, 2)
	var both [2][]float64
	emit := func(b [][]float64) error {
		both[0], both[1] = append(both[0], b[0]...), append(both[1], b[1]...)
		return nil
	}
	if err := errors.Join(c.Write([][]float64{left, right}, emit), c.Finish(emit)); err != nil {
		t.Fatal(err)
	}
	other := convert(t, from, to, right, 100)
	for i := range want {
		if both[0][i] != want[i] || both[1][i] != other[i] {
			t.Fatalf("frame %d differs between a stereo and two mono conversions", i)
		}
	}
}

// Rates with no small common ratio have no table of phases and come out alike.
func TestOddRatio(t *testing.T) {
	const from, to, hz = 47999, 48000, 3000.0
	got := convert(t, from, to, tone(from, hz, 0, 4000), 4000)
	want := tone(to, hz, 0, len(got))
	for i := 500; i < len(got)-500; i++ {
		if d := math.Abs(got[i] - want[i]); d > 1e-6 {
			t.Fatalf("frame %d is %g off", i, d)
		}
	}
}

// Memory stays bounded however long the stream is.
func TestBufferBounded(t *testing.T) {
	c, _ := New(192000, 48000, 1)
	block := [][]float64{make([]float64, 100000)}
	emit := func([][]float64) error { return nil }
	for range 4 {
		if err := c.Write(block, emit); err != nil {
			t.Fatal(err)
		}
	}
	if n := cap(c.buf[0]); n > 40000 {
		t.Errorf("the buffer has grown to %d frames", n)
	}
}

func TestRefused(t *testing.T) {
	for _, bad := range [][3]int{{7999, 48000, 1}, {48000, 384001, 1}, {48000, 44100, 0}} {
		if _, err := New(bad[0], bad[1], bad[2]); err == nil {
			t.Errorf("New(%v) gives no error", bad)
		}
	}
	c, _ := New(48000, 44100, 2)
	none := func([][]float64) error { return nil }
	if err := c.Write(make([][]float64, 1), none); !errors.Is(err, ErrUse) {
		t.Errorf("one channel for two: %v", err)
	}
	if err := c.Write([][]float64{{1}, {1, 2}}, none); !errors.Is(err, ErrUse) {
		t.Errorf("ragged block: %v", err)
	}
	stop := errors.New("stop")
	if err := c.Write([][]float64{make([]float64, 5000), make([]float64, 5000)}, func([][]float64) error { return stop }); !errors.Is(err, stop) {
		t.Errorf("emit's error becomes %v", err)
	}
	if err := c.Finish(none); err != nil {
		t.Error(err)
	}
	if err := c.Write([][]float64{{1}, {1}}, none); !errors.Is(err, ErrUse) {
		t.Errorf("write after the end: %v", err)
	}
}

func BenchmarkConvert(b *testing.B) {
	for _, p := range pairs[:5] {
		b.Run(fmt.Sprintf("from=%d/to=%d/ch=2", p.from, p.to), func(b *testing.B) {
			x := tone(p.from, 440, 0, p.from)
			emit := func([][]float64) error { return nil }
			c, _ := New(p.from, p.to, 2)
			for b.Loop() {
				if err := c.Write([][]float64{x, x}, emit); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "audio_s/s")
		})
	}
}
