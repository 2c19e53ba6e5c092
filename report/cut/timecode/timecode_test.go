package timecode

import (
	"errors"
	"math/big"
	"testing"
)

func rate(t *testing.T, name string) Rate {
	t.Helper()
	r, err := Parse(name)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// Source of all labels: SMPTE ST 12-1 (from memory): the counting rules, and
// the counts that follow from them, worked out by hand.
func TestLabels(t *testing.T) {
	for _, c := range []struct {
		rate  string
		frame int64
		label string
	}{
		{"23.976", 0, "00:00:00:00"},
		{"23.976", 24*3600 - 1, "00:59:59:23"},
		{"23.976", 24 * 3600, "01:00:00:00"},
		{"24", 23, "00:00:00:23"},
		{"24", 24*86400 - 1, "23:59:59:23"},
		{"25", 25*61 + 3, "00:01:01:03"},
		{"29.97", 1800, "00:01:00:00"},
		{"29.97", 107892, "00:59:56:12"}, // an hour of the clock, not dropping
		{"30", 1799, "00:00:59:29"},
		{"50", 49, "00:00:00:49"},
		{"59.94", 3600, "00:01:00:00"},
		{"60", 60*3600*2 + 59, "02:00:00:59"},
		// Two numbers are left out of minute 1 …
		{"29.97df", 1799, "00:00:59;29"},
		{"29.97df", 1800, "00:01:00;02"},
		{"29.97df", 3597, "00:01:59;29"},
		{"29.97df", 3598, "00:02:00;02"},
		// … and none of minute 10: 17982 frames are ten minutes.
		{"29.97df", 17981, "00:09:59;29"},
		{"29.97df", 17982, "00:10:00;00"},
		{"29.97df", 17983, "00:10:00;01"},
		{"29.97df", 17982 + 1800, "00:11:00;02"},
		// 107892 frames are an hour, 2589408 a day.
		{"29.97df", 107892, "01:00:00;00"},
		{"29.97df", 2589407, "23:59:59;29"},
		{"29.97df", 2589408, "00:00:00;00"},
		{"29.97df", -1, "23:59:59;29"},
		// Four numbers at 59.94.
		{"59.94df", 3599, "00:00:59;59"},
		{"59.94df", 3600, "00:01:00;04"},
		{"59.94df", 35963, "00:09:59;59"},
		{"59.94df", 35964, "00:10:00;00"},
		{"59.94df", 215784, "01:00:00;00"},
	} {
		r := rate(t, c.rate)
		if got := r.Label(c.frame); got != c.label {
			t.Errorf("%s: frame %d is %s, want %s", c.rate, c.frame, got, c.label)
		}
		want := (c.frame%r.Day() + r.Day()) % r.Day()
		if got, err := r.Frame(c.label); err != nil || got != want {
			t.Errorf("%s: %s is frame %d (%v), want %d", c.rate, c.label, got, err, want)
		}
	}
}

// Every label of an hour leads back to its frame, labels only grow, and as
// many are left out as the standard says: 2 (or 4) in 54 minutes of 60.
func TestEveryFrameOfAnHour(t *testing.T) {
	for _, name := range Names() {
		r := rate(t, name)
		before := ""
		for n := int64(0); n < r.Day()/24; n++ {
			l := r.Label(n)
			back, err := r.Frame(l)
			if err != nil || back != n {
				t.Fatalf("%s: frame %d is %s, which is frame %d (%v)", name, n, l, back, err)
			}
			if l <= before {
				t.Fatalf("%s: %s follows %s", name, l, before)
			}
			before = l
		}
		if got := r.Label(r.Day() / 24); got[:8] != "01:00:00" || got[9:] != "00" {
			t.Errorf("%s: after an hour of labels comes %s", name, got)
		}
	}
	for name, left := range map[string]int64{"29.97df": 2 * 54, "59.94df": 4 * 54} {
		r := rate(t, name)
		if got := r.nominal*3600 - r.Day()/24; got != left {
			t.Errorf("%s: %d numbers are left out of an hour, want %d", name, got, left)
		}
	}
}

// An hour of drop-frame labels lasts 3599.9964 s: 107892 frames of 1001/30000 s.
func TestDropFrameFollowsTheClock(t *testing.T) {
	for _, name := range []string{"29.97df", "59.94df"} {
		r := rate(t, name)
		hour := new(big.Rat).Mul(big.NewRat(r.Day()/24, 1), big.NewRat(r.den, r.num))
		if want := big.NewRat(35999964, 10000); hour.Cmp(want) != 0 {
			t.Errorf("%s: an hour of labels lasts %s s, want %s", name, hour.FloatString(6), want.FloatString(6))
		}
	}
}

func TestSamplesPerFrame(t *testing.T) {
	// 2002 samples a frame at 23.976 and 48 kHz, exactly; 1601.6 at 29.97, so
	// 8008 every five; 800.8 at 59.94.
	for _, c := range []struct {
		rate          string
		frame, sample int64
		hz            int
	}{
		{"23.976", 1, 2002, 48000},
		{"23.976", 86400, 172972800, 48000},
		{"24", 1, 2000, 48000},
		{"25", 1, 1920, 48000},
		{"29.97", 1, 1602, 48000},
		{"29.97", 2, 3203, 48000},
		{"29.97", 5, 8008, 48000},
		{"29.97df", 107892, 172799827, 48000}, // 172 799 827.2
		{"30", 1, 1600, 48000},
		{"50", 1, 960, 48000},
		{"59.94", 5, 4004, 48000},
		{"60", 1, 800, 48000},
		{"24", 1, 1838, 44100}, // 1837.5, halves up
	} {
		r := rate(t, c.rate)
		if got := r.Sample(c.frame, c.hz); got != c.sample {
			t.Errorf("%s at %d Hz: frame %d begins at sample %d, want %d", c.rate, c.hz, c.frame, got, c.sample)
		}
		if got := r.FrameAt(c.sample, c.hz); got != c.frame {
			t.Errorf("%s at %d Hz: sample %d is in frame %d, want %d", c.rate, c.hz, c.sample, got, c.frame)
		}
		if got := r.FrameAt(c.sample-1, c.hz); got != c.frame-1 {
			t.Errorf("%s at %d Hz: sample %d is in frame %d, want %d", c.rate, c.hz, c.sample-1, got, c.frame-1)
		}
	}
}

// Against fractions of any size: within half a sample over a whole day.
func TestSampleAgainstBigFractions(t *testing.T) {
	half := big.NewRat(1, 2)
	for _, name := range Names() {
		r := rate(t, name)
		for _, hz := range []int{44100, 48000, 96000, 384000} {
			for _, frame := range []int64{1, 7, r.Day() / 24, r.Day()/24 - 1, r.Day() - 1} {
				exact := new(big.Rat).Mul(big.NewRat(frame*int64(hz), 1), big.NewRat(r.den, r.num))
				got := new(big.Rat).SetInt64(r.Sample(frame, hz))
				diff := new(big.Rat).Sub(got, exact)
				if diff.Abs(diff).Cmp(half) > 0 {
					t.Errorf("%s at %d Hz: frame %d is %s samples off", name, hz, frame, diff.FloatString(3))
				}
				if back := r.FrameAt(r.Sample(frame, hz), hz); back != frame {
					t.Errorf("%s at %d Hz: frame %d comes back as %d", name, hz, frame, back)
				}
			}
		}
	}
}

// What editors write for a rate: common practice, no source. The fractions are those
// of SMPTE ST 12-1 (from memory).
func TestLabelsOfEditors(t *testing.T) {
	for name, want := range map[string]string{
		"23.98": "23.976 24000/1001", "23.976": "23.976 24000/1001", "24000/1001": "23.976 24000/1001", "23.98 NDF": "23.976 24000/1001",
		"29.97": "29.97 30000/1001", "29.97 NDF": "29.97 30000/1001", "30000/1001": "29.97 30000/1001", "29.97 DF": "29.97df 30000/1001",
		"59.94": "59.94 60000/1001", "59.94DF": "59.94df 60000/1001", "25": "25 25/1", "60/1": "60 60/1",
	} {
		if r, err := Parse(name); err != nil || r.String()+" "+r.Fraction() != want {
			t.Errorf("%q is %s %s, %v; want %s", name, r, r.Fraction(), err, want)
		}
	}
}

func TestRefused(t *testing.T) {
	for _, name := range []string{"", "23.9", "23.98df", "24df", "0", "-25", "25/2", "24000/1000", "Inf"} {
		if r, err := Parse(name); !errors.Is(err, ErrRate) {
			t.Errorf("%q is %s, %v", name, r, err)
		}
	}
	df := rate(t, "29.97df")
	for _, l := range []string{"", "1:2:3", "00:00:00:30", "24:00:00:00", "00:60:00:00", "00:00:60:00", "00:01:00;00", "00:01:00:01", "12:59:00;01", "00:00:00:-1", "0:0:0:0:0", "00::00:00", "aa:00:00:00", "000:00:00:00"} {
		if n, err := df.Frame(l); !errors.Is(err, ErrLabel) {
			t.Errorf("%q gives frame %d, %v", l, n, err)
		}
	}
	// The same label exists where nothing is left out.
	if _, err := rate(t, "29.97").Frame("00:01:00:00"); err != nil {
		t.Error(err)
	}
}

func FuzzFrame(f *testing.F) {
	f.Add("01:00:00:00", uint8(4))
	f.Add("00:01:00;02", uint8(4))
	f.Fuzz(func(t *testing.T, label string, which uint8) {
		r := rates()[int(which)%len(rates())]
		n, err := r.Frame(label)
		if err != nil {
			return
		}
		if n < 0 || n >= r.Day() {
			t.Fatalf("%q is frame %d of a day of %d", label, n, r.Day())
		}
		if again, err := r.Frame(r.Label(n)); err != nil || again != n {
			t.Fatalf("%q is frame %d, whose label %s is frame %d (%v)", label, n, r.Label(n), again, err)
		}
	})
}
