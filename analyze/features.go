package analyze

import (
	"errors"
	"math"
	"sync"

	"evenhand/analyze/align"
	"evenhand/analyze/parts"
	"evenhand/analyze/recording"
	"evenhand/analyze/unit"
)

// features are what alignment compares of the recordings. Each is read when it is
// first asked for, which it is not where the store has what comes of it.
type features struct {
	s       *Session
	base    func() (*align.Feature, error) // of the timeline's source
	takes   []takeFeature
	mu      sync.Mutex
	readers []*recording.Reader // all that are open
}

type takeFeature struct {
	once    sync.Once
	feature *align.Feature
	notes   parts.Placement // see placeByNotes
	reader  *recording.Reader
	err     error
}

func (s *Session) newFeatures() *features {
	f := &features{s: s, takes: make([]takeFeature, len(s.takes))}
	f.base = sync.OnceValues(func() (*align.Feature, error) {
		src, err := f.open(s.source())
		if err != nil {
			return nil, err
		}
		return align.NewFeature(src, align.Options{})
	})
	return f
}

func (f *features) open(sig *recording.Signal) (*recording.Reader, error) {
	r, err := sig.Open()
	if err == nil {
		f.mu.Lock()
		defer f.mu.Unlock()
		f.readers = append(f.readers, r)
	}
	return r, err
}

func (f *features) close() {
	for _, r := range f.readers {
		r.Close()
	}
}

// take returns the feature of take i, along the timeline's source.
func (f *features) take(i int) (*align.Feature, error) {
	x := &f.takes[i]
	x.once.Do(func() {
		base, err := f.base()
		if x.err = err; err != nil {
			return
		}
		if f.s.takes[i] == f.s.source() {
			x.feature = base
			return
		}
		if x.reader, x.err = f.open(f.s.takes[i]); x.err != nil {
			return
		}
		if x.feature, x.err = base.Follow(x.reader); x.err == nil {
			x.err = f.placeByNotes(base, x)
		}
	})
	return x.feature, x.err
}

// notes returns where the notes of take i begin; nothing where they were not asked.
func (f *features) notes(i int) (parts.Placement, error) {
	_, err := f.take(i)
	return f.takes[i].notes, err
}

// drop lets go of take i, which is not asked for again.
func (f *features) drop(i int) {
	x := &f.takes[i]
	if x.reader == nil {
		return
	}
	x.reader.Close()
	x.feature, x.reader, x.err = nil, nil, errors.New("the take was let go of")
}

// between estimates how much later take b is than take a; a is −1 for the
// timeline's source.
func (f *features) between(a, b int) (align.Estimate, error) {
	from, err := f.base()
	if a >= 0 && err == nil {
		from, err = f.take(a)
	}
	if err != nil {
		return align.Estimate{}, err
	}
	to, err := f.take(b)
	if err != nil {
		return align.Estimate{}, err
	}
	return between(from, to)
}

// placeByNotes looks where the notes of a take begin, where the comparison by
// phase is not beyond doubt: behind a circuit that distorts much, or for music
// that repeats, it can find another place. The place of the notes is then the
// one at which phases are compared.
func (f *features) placeByNotes(base *align.Feature, x *takeFeature) error {
	rate := f.s.source().Info.SampleRate
	e, err := between(base, x.feature)
	if err != nil || e.Certain && e.Confidence >= clearLag || e.Farther {
		return err
	}
	// The notes are looked for near where the phase has the take.
	lead := int64(0)
	if by := math.Round(float64(e.Lag)); math.Abs(by) > leadIn*float64(rate) {
		lead = int64(by)
	}
	beginnings, err := f.s.beginnings()
	if err != nil {
		return err
	}
	p, err := beginnings.Place(align.Moved(x.reader, lead))
	if err != nil {
		return err
	}
	p.Lag += unit.Samples(lead)
	x.notes = p
	if asNotes(e, p, rate) {
		x.feature, err = base.FollowNear(x.reader, p.Lag, e.Confidence)
	}
	return err
}
