package align

import (
	"errors"
	"math"
	"reflect"
	"sync"
	"testing"

	"evenhand/analyze/unit"
	"evenhand/examples/campaign"
)

func TestNothingToCompare(t *testing.T) {
	campaign.Serial(t)
	const r = low
	x := dry()
	for name, c := range map[string]struct {
		a, b   []float64
		reason string
	}{
		"second silent": {x, make([]float64, len(x)), "place.silent-there"},
		"first silent":  {make([]float64, len(x)), x, "place.silent"},
		"short":         {x, x[:r/2], "place.short"},
		"empty":         {nil, x, "place.short"},
		"noise":         {x, hissy(scaled(x, 1e-9), 1, 120), "place.unclear"},
	} {
		e := find(t, r, c.a, c.b, Options{})
		if e.Certain || e.Polarity != 0 || e.Reason.Found != c.reason {
			t.Errorf("%s: %+v", name, e)
		}
	}
}

type broken struct{ *Memory }

var errDisk = errors.New("disk on fire")

func (broken) ReadAt([]float64, int64) (int, error) { return 0, errDisk }

func TestErrors(t *testing.T) {
	x := NewMemory(low, make([]float64, 2*low))
	if _, err := Find(x, NewMemory(44100, nil), Options{}); !errors.Is(err, ErrRates) {
		t.Errorf("rates: %v", err)
	}
	if _, err := excerpts(x, NewMemory(44100, nil), 0, 1, 0, 9); !errors.Is(err, ErrRates) {
		t.Errorf("rates: %v", err)
	}
	for _, o := range []Options{{MaxLag: -1}, {MaxLag: 61}, {MaxLag: unit.Seconds(math.NaN())}, {MaxDrift: 2000}, {Low: 5}, {Low: 4000}, {Windows: 3}, {Windows: 65}} {
		if _, err := NewFeature(x, o); !errors.Is(err, ErrOptions) {
			t.Errorf("%+v: %v", o, err)
		}
	}
	if _, err := NewFeature(broken{x}, Options{}); !errors.Is(err, errDisk) {
		t.Errorf("reading: %v", err)
	}
	f, err := NewFeature(NewMemory(low, dry()), Options{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.Follow(broken{x}); !errors.Is(err, errDisk) {
		t.Errorf("reading: %v", err)
	}
	if _, err := NewFeature(NewMemory(0, nil), Options{}); err == nil {
		t.Error("rate 0 was accepted")
	}
	g, err := f.Follow(NewMemory(low, dry()))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := g.Follow(x); err == nil {
		t.Error("a follower was followed")
	}
	if _, err := Between(f, f); err == nil {
		t.Error("a timeline was compared with itself")
	}
	other, err := NewFeature(x, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Between(other, g); err == nil {
		t.Error("two timelines were mixed")
	}
}

// TestDeterministic: the same estimates whatever runs at once.
func TestDeterministic(t *testing.T) {
	x := dry()[:10*low]
	f, err := NewFeature(NewMemory(low, x), Options{})
	if err != nil {
		t.Fatal(err)
	}
	y := NewMemory(low, hissy(driven(x, 9), 8, -30))
	var wg sync.WaitGroup
	out := make([]Estimate, 4)
	for i := range out {
		wg.Go(func() {
			g, err := f.Follow(y)
			if err == nil {
				out[i], err = Between(f, g)
			}
			if err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	for _, e := range out[1:] {
		if !reflect.DeepEqual(e, out[0]) {
			t.Errorf("%+v\n%+v", e, out[0])
		}
	}
}
