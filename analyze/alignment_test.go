package analyze

import (
	"math"
	"math/rand/v2"
	"testing"

	"evenhand/analyze/align"
	"evenhand/analyze/fairness"
	"evenhand/analyze/parts"
	"evenhand/analyze/recording"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/analyze/wavio"
)

// TestAsNotes: whether the phase or the notes say where a take lies.
func TestAsNotes(t *testing.T) {
	for _, c := range []struct {
		name         string
		phase, notes unit.Samples
		phaseCertain bool
		notesCertain bool
		margin       unit.Number // decades
		want         bool
	}{
		{"both, alike", 100, 120, true, true, 50, false},
		{"certain notes beside the phase", 100, 300, false, true, 50, true},
		{"notes that scatter, 0.2 s beside a guess", -8566, 108, false, false, 52, true},
		{"notes that scatter, near a guess", 150, 76, false, false, 59, false},
		{"notes that say little", -8566, 108, false, false, 3, false},
		{"a certain phase", -8566, 108, true, false, 52, false},
	} {
		e := align.Estimate{Lag: c.phase, Certain: c.phaseCertain, Drift: unit.PPM(nan())}
		p := parts.Placement{Lag: c.notes, Certain: c.notesCertain, Margin: c.margin}
		if got := asNotes(e, p, 44100); got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

// TestPlaces: where a take is put, and how sure its place beside the anchor take is.
func TestPlaces(t *testing.T) {
	sure := func(lag unit.Samples) align.Estimate {
		return align.Estimate{Lag: lag, Certain: true, Drift: unit.PPM(nan()), Spread: 0.1, Windows: []align.WindowLag{{Weight: 1}}}
	}
	guess := func(lag unit.Samples) align.Estimate {
		return align.Estimate{Lag: lag, Drift: unit.PPM(nan())}
	}
	notes := func(lag unit.Samples) parts.Placement {
		return parts.Placement{Lag: lag, Error: 30, Certain: true}
	}
	none := parts.Placement{}
	for _, c := range []struct {
		name                  string
		anchor, dry, toAnchor align.Estimate
		anchorNotes, own      parts.Placement
		linked                *align.Estimate // by way of a third take
		lag                   unit.Samples
		by, besideBy          string
	}{
		{"all certain: by the anchor, since takes are more alike", sure(100), sure(161), sure(60), none, none, nil, 160, result.ByPhase, result.ByPhase},
		{"the anchor by its notes, near which its phase is kept: the take beside it for certain", guess(110), guess(1), sure(60), notes(100), none, nil, 170, result.ByNotes, result.ByPhase},
		{"the anchor a guess, the take certain: both by the take", guess(7), sure(160), sure(60), none, none, nil, 160, result.ByPhase, result.ByPhase},
		{"the anchor by notes, the take certain: both by the take", guess(7), sure(160), sure(60), notes(105), none, nil, 160, result.ByPhase, result.ByPhase},
		{"not comparable, each certain", sure(100), sure(160), guess(9), none, none, nil, 160, result.ByPhase, result.ByPhase},
		{"not comparable, the take by its notes", sure(100), guess(9), guess(9), none, notes(160), nil, 160, result.ByNotes, result.ByNotes},
		{"not comparable, the anchor by its notes", guess(100), sure(160), guess(9), notes(100), none, nil, 160, result.ByPhase, result.ByNotes},
		{"by way of another, each certain: each by itself", sure(100), sure(161), guess(9), none, none, &align.Estimate{Lag: 60}, 161, result.ByPhase, result.ByPhase},
		{"by way of another", sure(100), guess(9), guess(9), none, none, &align.Estimate{Lag: 60}, 160, result.ByPhase, result.ByPhase},
		{"by way of another, not by the notes", sure(100), guess(9), guess(9), none, notes(170), &align.Estimate{Lag: 60}, 160, result.ByPhase, result.ByPhase},
		{"nothing tells", guess(5), guess(9), guess(9), none, none, nil, 9, "", ""},
	} {
		s := &Session{Measured: fairness.Measured{Result: &result.Result{Takes: make([]result.Take, 3)}, Evidence: fairness.Evidence{Takes: []fairness.TakeEvidence{
			{ToDry: c.anchor, Notes: c.anchorNotes, Through: -1},
			{ToDry: c.dry, ToAnchor: c.toAnchor, Notes: c.own, Through: -1},
			{ToDry: guess(0), ToAnchor: sure(3), Through: -1},
		}}}, takes: []*recording.Signal{{}, {}, {}}, dry: &recording.Signal{Info: wavio.Info{SampleRate: 48000}}}
		if c.linked != nil {
			s.Takes[1].Through, s.Takes[1].Linked = 2, *c.linked
		}
		at, beside := s.applied(1, s.origin())
		if at.lag != c.lag || at.by != c.by || beside.by != c.besideBy {
			t.Errorf("%s: %.0f by %q, beside by %q; want %.0f by %q, beside by %q", c.name, float64(at.lag), at.by, beside.by, float64(c.lag), c.by, c.besideBy)
		}
		if a, _ := s.applied(0, s.origin()); beside.by == result.ByPhase && at.by != "" && at.lag-a.lag != 60 && c.linked == nil {
			t.Errorf("%s: %.0f samples behind the anchor take, which lies at %.0f", c.name, float64(at.lag-a.lag), float64(a.lag))
		}
	}
}

// TestLink: a take that cannot be compared with the anchor take lies beside it by
// way of one that can; lags add up, polarities multiply.
func TestLink(t *testing.T) {
	const rate = 48000
	r := rand.New(rand.NewPCG(3, 4))
	dry := make([]float64, 12*rate)
	for i := range dry {
		dry[i] = r.NormFloat64() * math.Exp(-6*float64(i%(rate/3+i/9))/rate)
	}
	later := func(frames int, sign float64) align.Source {
		x := make([]float64, len(dry)+frames)
		for i, v := range dry {
			x[i+frames] = sign * v
		}
		return align.NewMemory(rate, x)
	}
	base, err := align.NewFeature(align.NewMemory(rate, dry), align.Options{})
	if err != nil {
		t.Fatal(err)
	}
	s := &Session{Measured: fairness.Measured{Result: &result.Result{Takes: make([]result.Take, 3)}, Evidence: fairness.Evidence{Takes: make([]fairness.TakeEvidence, 3)}}, takes: []*recording.Signal{{}, {}, {}}, dry: &recording.Signal{Info: wavio.Info{SampleRate: rate}}}
	var features []*align.Feature
	held := s.newFeatures()
	held.base = func() (*align.Feature, error) { return base, nil }
	for _, x := range []align.Source{later(100, 1), later(250, -1), later(400, -1)} {
		f, err := base.Follow(x)
		if err != nil {
			t.Fatal(err)
		}
		held.takes[len(features)].once.Do(func() {})
		held.takes[len(features)].feature = f
		features = append(features, f)
	}
	for i := range 3 {
		if s.Takes[i].ToAnchor, err = between(features[0], features[i]); err != nil || !s.Takes[i].ToAnchor.Certain {
			t.Fatalf("take %d: %v, %s", i, err, s.Takes[i].ToAnchor.Reason)
		}
	}
	if err := s.link(held); err != nil || s.Takes[1].Through != -1 || s.Takes[2].Through != -1 {
		t.Errorf("linked without need: %v", err)
	}
	s.Takes[1].ToAnchor.Certain = false
	if err := s.link(held); err != nil {
		t.Fatal(err)
	}
	if e := s.Takes[1].Linked; s.Takes[1].Through != 2 || math.Abs(float64(e.Lag)-150) > 0.01 || e.Polarity != -1 {
		t.Errorf("by way of take %d: %.3f samples, polarity %d; want 2, 150, -1", s.Takes[1].Through, float64(e.Lag), e.Polarity)
	}
	// Notes that say another place are believed.
	s.Takes[0].ToDry, s.Takes[1].Notes = align.Estimate{Certain: true, Lag: 100}, parts.Placement{Certain: true, Lag: 250 + 0.01*rate}
	if err := s.link(held); err != nil || s.Takes[1].Through != -1 {
		t.Errorf("against the notes: by way of take %d, %v", s.Takes[1].Through, err)
	}
}
