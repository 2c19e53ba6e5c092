package unit

import (
	"encoding/json"
	"math"
	"testing"
)

func TestFormat(t *testing.T) {
	for _, c := range []struct {
		got, want string
	}{
		{LUFS(-23.04).String(), "−23.0 LUFS"},
		{LUFS(math.Inf(-1)).String(), "−∞ LUFS"},
		{LUFS(math.NaN()).String(), "– LUFS"},
		{DB(0.04).String(), "0.0 dB"},
		{DB(-0.04).String(), "0.0 dB"},
		{DB(3).String(), "+3.0 dB"},
		{DBTP(-1).String(), "−1.0 dBTP"},
		{Hertz(61.735).String(), "61.7 Hz"},
		{Hertz(440).String(), "440 Hz"},
		{Hertz(1258.9254).String(), "1.26 kHz"},
		{Hertz(12589).String(), "12.6 kHz"},
		{Hertz(999.7).String(), "1.00 kHz"},
		{Seconds(62.46).String(), "1:02.5"},
		{Seconds(59.96).String(), "1:00.0"},
		{Seconds(-0.04).String(), "0:00.0"},
		{Seconds(-61).String(), "−1:01.0"},
		{Samples(-312.4).String(), "−312.40 samples"},
		{Signed(math.Inf(1), 1), "∞"},
	} {
		if c.got != c.want {
			t.Errorf("got %q, want %q", c.got, c.want)
		}
	}
}

// TestDecimalsBeside: what is beyond a limit does not look equal to it.
func TestDecimalsBeside(t *testing.T) {
	for _, c := range []struct {
		v, limit float64
		want     int
	}{{0.2004, 0.2, 4}, {-0.2004, 0.2, 4}, {0.3, 0.2, 2}, {0.2, 0.2, 2}, {0.1996, 0.2, 4}, {0.2 + 1e-12, 0.2, 6}, {math.NaN(), 0.2, 2}} {
		if got := DecimalsBeside(c.v, c.limit, 2); got != c.want {
			t.Errorf("%v beside %v: %d decimals, want %d", c.v, c.limit, got, c.want)
		}
	}
}

func TestWithin(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		v, half float64
		want    string
	}{
		{-0.06, 0.5, "−0.1 ± 0.5"}, {4.2, 12.01, "+4.2 ± 12.1"}, {0.014, 0.061, "+0.01 ± 0.07"}, {0.1, 0.1, "+0.1 ± 0.1"},
		{0, 0, "0.00 ± 0.01"}, {0, 0.0001, "0.00 ± 0.01"}, {1, nan, "+1.0"}, {nan, 1, "–"},
	} {
		if got := Within(c.v, c.half); got != c.want {
			t.Errorf("Within(%g, %g) = %q, want %q", c.v, c.half, got, c.want)
		}
	}
}

func TestJSON(t *testing.T) {
	type all struct {
		A LUFS
		B DB
		C Seconds
		D Hertz
	}
	in := all{LUFS(math.Inf(-1)), DB(math.NaN()), 1.23456789, 1000}
	b, err := json.Marshal(in)
	if err != nil {
		t.Fatal(err)
	}
	if want := `{"A":"-inf","B":null,"C":1.234568,"D":1000}`; string(b) != want {
		t.Errorf("got %s, want %s", b, want)
	}
	var out all
	if err := json.Unmarshal(b, &out); err != nil {
		t.Fatal(err)
	}
	if !math.IsInf(float64(out.A), -1) || !math.IsNaN(float64(out.B)) || out.C != 1.234568 {
		t.Errorf("got %v", out)
	}
	if b, _ := json.Marshal(DB(-0.00001)); string(b) != "0" {
		t.Errorf("negative zero stored as %s", b)
	}
	if err := json.Unmarshal([]byte(`"loud"`), &out.A); err == nil {
		t.Error("a word was taken for a level")
	}
}

// TestDecibels: factors of two, from the definition of the decibel (ISO 80000-8,
// from memory): 20·lg 2 = 6.0206 and 10·lg 2 = 3.0103.
func TestDecibels(t *testing.T) {
	for _, c := range []struct{ got, want float64 }{
		{FromAmplitude(2), 6.0205999},
		{FromAmplitude(-2), 6.0205999},
		{FromPower(2), 3.0103000},
		{ToAmplitude(6.0205999), 2},
		{ToPower(3.0103), 2},
	} {
		if math.Abs(c.got-c.want) > 1e-6 {
			t.Errorf("got %v, want %v", c.got, c.want)
		}
	}
	if !math.IsInf(FromPower(0), -1) || !math.IsInf(FromAmplitude(0), -1) {
		t.Error("silence must be −Inf")
	}
}
