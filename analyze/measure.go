package analyze

import (
	"context"
	"math"
	"sync"

	"evenhand/analyze/align"
	"evenhand/analyze/fairness"
	"evenhand/analyze/loudness"
	"evenhand/analyze/noise"
	"evenhand/analyze/recording"
	"evenhand/analyze/result"
	"evenhand/analyze/spectrum"
	"evenhand/analyze/unit"
	"evenhand/analyze/weighting"
	"evenhand/analyze/work"
)

// bandSets are the fractional-octave bands of a session.
type bandSets struct{ third, sixth, twelfth []spectrum.Band }

func newBandSets() bandSets {
	return bandSets{
		third:   spectrum.Bands(3, result.AudibleFrom, result.AudibleTo),
		sixth:   spectrum.Bands(6, result.AudibleFrom, result.AudibleTo),
		twelfth: spectrum.Bands(12, result.AudibleFrom, result.AudibleTo),
	}
}

// measure runs every meter over the whole span of every take, in one pass each
// and in parallel.
func (s *Session) measure(ctx context.Context) error {
	tl := &s.Result.Timeline
	whole := tl.Spans[0]
	s.bands = newBandSets()
	total := int64(whole.Frames) * int64(len(s.takes))
	if s.dry != nil {
		total += int64(whole.Frames)
	}
	step := s.run.Stage("measuring", total)
	g, ctx := s.run.Group(ctx)
	for i := range s.takes {
		g.Go(func() error { return s.measureTake(ctx, i, step) })
	}
	if s.dry != nil {
		g.Go(func() error {
			r, err := work.Once(s.run, "noise", struct {
				Source recording.Heard
				First  int64
				Frames int64
				Quiet  []noise.Stretch
				Params noise.Params
			}{s.dry.Heard(), int64(whole.FirstFrame), int64(whole.Frames), s.Quiet, s.noiseParams()}, []*recording.Signal{s.dry}, func() (noise.Result, error) {
				return s.measureNoise(ctx, s.dry, int64(whole.FirstFrame), step)
			})
			s.DryNoise = &r
			return err
		})
	}
	if err := g.Wait(); err != nil {
		return err
	}
	s.setParameters()
	return nil
}

// takeFacts are what the meters find in one take.
type takeFacts struct {
	fairness.TakeFacts
	Measures []result.Measures // of each span, but for their names
}

// meter is one of the meters that a take passes through.
type meter struct {
	name string
	// start returns what is given every block of take i, and what then fills in what was
	// found.
	start func(s *Session, i int) (write func([][]float64) error, finish func(*takeFacts), err error)
}

// meters are all of them, in the order in which they fill in what they found: some rest on
// what others found before.
func meters() []meter {
	return []meter{
		{"noise", (*Session).startNoise},
		{"loudness", (*Session).startLoudness},
		{"spectra", (*Session).startSpectra},
	}
}

func (s *Session) measureTake(ctx context.Context, i int, step func(int64)) error {
	tl := &s.Result.Timeline
	whole := tl.Spans[0]
	sig := s.takes[i]
	in := struct {
		Meters []string
		Take   recording.Heard
		First  int64               // of the file
		Spans  []recording.Stretch // from there
		Quiet  []noise.Stretch     // from there
		Params noise.Params
	}{nil, sig.Heard(), s.firstFrame(i, whole), s.spans(), shifted(s.Quiet, -int64(whole.FirstFrame)), s.noiseParams()}
	for _, m := range meters() {
		in.Meters = append(in.Meters, m.name)
	}
	out, err := work.Once(s.run, "take", in, []*recording.Signal{sig}, func() (takeFacts, error) { return s.runMeters(ctx, i, step) })
	if err != nil {
		return err
	}
	for k := range out.Measures {
		out.Measures[k].Span = tl.Spans[k].Name
	}
	s.Takes[i].TakeFacts = out.TakeFacts
	s.Result.Takes[i].Measures = out.Measures
	return nil
}

// runMeters runs every meter over the whole span of take i.
func (s *Session) runMeters(ctx context.Context, i int, step func(int64)) (out takeFacts, err error) {
	tl := &s.Result.Timeline
	whole := tl.Spans[0]
	sig := s.takes[i]
	var writes []func([][]float64) error
	var finish []func(*takeFacts)
	for _, m := range meters() {
		write, done, err := m.start(s, i)
		if err != nil {
			return out, err
		}
		writes, finish = append(writes, write), append(finish, done)
	}
	r, err := sig.Open()
	if err != nil {
		return out, err
	}
	defer r.Close()
	err = r.Each(s.firstFrame(i, whole), int64(whole.Frames), func(_ int64, block [][]float64) error {
		step(int64(len(block[0])))
		if err := ctx.Err(); err != nil {
			return err
		}
		for _, write := range writes {
			if err := write(block); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return out, recording.InFile(sig.Path, err)
	}
	for _, done := range finish {
		done(&out)
	}
	return out, nil
}

// spans are the spans of the timeline in frames of the whole.
func (s *Session) spans() []recording.Stretch {
	tl := s.Result.Timeline
	out := []recording.Stretch{}
	for _, sp := range tl.Spans {
		out = append(out, recording.Stretch{First: int64(sp.FirstFrame - tl.Spans[0].FirstFrame), Frames: int64(sp.Frames)})
	}
	return out
}

func (s *Session) startNoise(i int) (func([][]float64) error, func(*takeFacts), error) {
	m, err := s.noiseMeter(s.takes[i], int64(s.Result.Timeline.Spans[0].FirstFrame))
	if err != nil {
		return nil, nil, err
	}
	return m.Write, func(out *takeFacts) {
		out.Noise = m.Finish()
		if out.Floor = s.Takes[i].Floor; out.Floor == nil {
			out.Floor = s.floorOf(s.takes[i], out.Noise)
		}
	}, nil
}

func (s *Session) startLoudness(i int) (func([][]float64) error, func(*takeFacts), error) {
	m, err := loudness.NewMeter(s.takes[i].Info.SampleRate, s.takes[i].Channels())
	if err != nil {
		return nil, nil, err
	}
	for _, sp := range s.spans() {
		m.Track(loudness.Range{First: sp.First, Frames: sp.Frames})
	}
	return m.Write, func(out *takeFacts) {
		for k, x := range m.Finish() {
			if k == 0 {
				out.Whole = x
			}
			if s.roundedAt != nil {
				var near fairness.NearGate
				near.Integrated, near.LoudnessRange = x.NearGate(func(gate unit.LUFS) unit.DB { return s.roundedAt(i, gate) })
				out.NearGate = append(out.NearGate, near)
			}
			out.Measures = append(out.Measures, loudnessOf(x, k == 0))
		}
	}, nil
}

func (s *Session) startSpectra(i int) (func([][]float64) error, func(*takeFacts), error) {
	rate := s.takes[i].Info.SampleRate
	m, err := spectrum.NewWelch(rate, s.takes[i].Channels(), spectrum.DefaultParams(rate))
	if err != nil {
		return nil, nil, err
	}
	for _, sp := range s.spans() {
		if err := m.Track(spectrum.Range{First: sp.First, Frames: sp.Frames}); err != nil {
			return nil, nil, err
		}
	}
	return m.Write, func(out *takeFacts) {
		// One spectrum at a time: many sections together would take much memory.
		k := 0
		for p := range m.Spectra() {
			var powers [3]spectrum.BandPowers
			for scale, bands := range s.bands.scales() {
				powers[scale] = p.BandPowers(bands)
			}
			out.Powers = append(out.Powers, powers)
			s.addSpectrum(&out.Measures[k], p, out.Floor)
			k++
		}
	}, nil
}

// loudnessOf turns one span's loudness into the result's form.
func loudnessOf(m loudness.Measurement, series bool) result.Measures {
	out := result.Measures{Warnings: result.Causes(m.Warnings)}
	out.AudioMeasures = result.AudioMeasures{
		Integrated: m.Integrated, MaxMomentary: m.MaxMomentary, MaxShortTerm: m.MaxShortTerm, Range: m.Range,
		TruePeak: m.TruePeak, SamplePeak: m.SamplePeak, RMS: m.RMS, Crest: m.Crest, PeakToLoudness: m.PeakToLoudness,
	}
	if series {
		out.Series = &result.Series{Step: m.Momentary.Step, Momentary: m.Momentary.Max, ShortTerm: m.ShortTerm.Max}
	}
	return out
}

// addSpectrum adds what one span's spectrum gives. Band levels follow once the gains are
// known; floor is that of the take as recorded.
func (s *Session) addSpectrum(out *result.Measures, p spectrum.PSD, floor []unit.DB) {
	out.EffectiveAverages, out.Warnings = unit.Number(p.Effective), append(out.Warnings, result.Causes(p.Warnings)...)
	out.Unweighted = unit.DB(unit.FromPower(p.Power(result.AudibleFrom, result.AudibleTo)))
	out.AWeighted = unit.DB(unit.FromPower(p.Weighted(weighting.APower, result.AudibleFrom, result.AudibleTo)))
	out.Weighted468 = unit.DB(unit.FromPower(p.Weighted(weighting.ITU468Power, result.AudibleFrom, result.AudibleTo)))
	recorded := result.ThirdOctaves{Levels: spectrum.Levels(p.Bands(s.bands.third), 0), Floor: floor}
	d := p.Describe(spectrum.DefaultFrame(), s.bands.third, recorded.Weights(bandsOf(s.bands.third)))
	out.Descriptors = result.Descriptors{Centroid: d.Centroid, Tilt: d.Tilt, Low: d.Low, Mid: d.Mid, High: d.High}
}

// noiseMeter returns a meter over the timeline's pauses for a recording that
// is read from the whole span's first frame on.
func (s *Session) noiseMeter(sig *recording.Signal, first int64) (*noise.Meter, error) {
	return noise.NewMeter(sig.Info.SampleRate, sig.Channels(), shifted(s.Quiet, -first), s.noiseParams())
}

func (s *Session) noiseParams() noise.Params {
	// The pauses keep their guard already: see activity.Params.
	return noise.Params{Mains: s.Manifest.Mains, From: result.AudibleFrom}
}

func shifted(in []noise.Stretch, by int64) []noise.Stretch {
	out := make([]noise.Stretch, len(in))
	for i, p := range in {
		out[i] = noise.Stretch{First: p.First + by, Frames: p.Frames}
	}
	return out
}

// measureNoise measures a recording's pauses alone.
func (s *Session) measureNoise(ctx context.Context, sig *recording.Signal, first int64, step func(int64)) (noise.Result, error) {
	whole := s.Result.Timeline.Spans[0]
	m, err := s.noiseMeter(sig, int64(whole.FirstFrame))
	if err != nil {
		return noise.Result{}, err
	}
	r, err := sig.Open()
	if err != nil {
		return noise.Result{}, err
	}
	defer r.Close()
	err = r.Each(first, int64(whole.Frames), func(_ int64, block [][]float64) error {
		step(int64(len(block[0])))
		if err := ctx.Err(); err != nil {
			return err
		}
		return m.Write(block)
	})
	if err != nil {
		return noise.Result{}, recording.InFile(sig.Path, err)
	}
	return m.Finish(), nil
}

// finishNoise fills in the takes' noise, as recorded and after matching.
func (s *Session) finishNoise(ctx context.Context) error {
	splits := make([]noise.SplitResult, len(s.takes))
	if s.dry != nil {
		err := s.run.Each(ctx, len(s.takes), func(i int) (err error) {
			if s.Takes[i].Noise.Measured {
				splits[i], err = s.splitNoise(i)
			}
			return err
		})
		if err != nil {
			return err
		}
	}
	if err := s.findMissing(ctx); err != nil {
		return err
	}
	for i := range s.Result.Takes {
		t := &s.Result.Takes[i]
		n := s.Takes[i].Noise
		out := result.Noise{
			Measured: n.Measured, Reason: result.Cause{Text: n.Reason}, Gated: n.Gated, Silent: n.Silent, GateReason: result.Cause{Text: n.GateReason},
			Duration: n.Duration, Mains: n.Mains, CarriedIn: unit.DBFS(nan()), Added: unit.DBFS(nan()),
			Third: []unit.DB{}, Warnings: result.Causes(n.Warnings),
		}
		out.AsRecorded = NoiseLevels(n, 0)
		out.AsMatched = NoiseLevels(n, t.Gain)
		if n.Measured {
			out.Third = spectrum.Levels(n.PSD.Bands(s.bands.third), t.Gain)
		}
		switch {
		case s.dry == nil:
			out.SplitReason.Text = result.Say("split.no-dry")
		case !n.Measured:
			out.SplitReason.Text = result.Say("split.not-measured")
		default:
			if gated, seen := noise.Gate(*s.DryNoise, n); gated && !out.Gated {
				out.Gated, out.GateReason.Text = true, seen
			}
			out.CarriedIn, out.Added, out.SplitReason.Text = splits[i].CarriedIn, splits[i].Added, splits[i].Reason
		}
		t.Noise = out
	}
	p := &s.Result.Parameters.Noise
	if p.Mains, p.MainsSource = s.Manifest.Mains, "stated"; p.Mains == 0 {
		p.Mains, p.MainsSource = s.foundMains(), "found"
		if p.Mains == 0 {
			p.MainsSource = "not found"
		}
	}
	return nil
}

// findMissing asks of every take whether the dry recording's noise is in it.
func (s *Session) findMissing(ctx context.Context) error {
	if s.dry == nil || s.DryNoise == nil || !s.DryNoise.Measured || s.DryNoise.Silent {
		return nil
	}
	return s.run.Each(ctx, len(s.takes), func(i int) (err error) {
		s.Takes[i].Missing, err = work.Once(s.run, "noise missing", s.besideDry(i), []*recording.Signal{s.dry, s.takes[i]}, func() (unit.DB, error) {
			dry, take, err := recording.OpenBoth(s.dry, s.takes[i])
			if err != nil {
				return 0, err
			}
			defer dry.Close()
			defer take.Close()
			return noise.Missing(noise.Signal{Source: dry, Pauses: s.Quiet}, noise.Signal{Source: take, Pauses: shifted(s.Quiet, s.Takes[i].Frame)}, s.Result.Timeline.SampleRate)
		})
		return err
	})
}

// foundMains is the mains frequency, to 10 Hz, that the hum of most takes has, the
// lower one of equals; 0 where none was found.
func (s *Session) foundMains() unit.Hertz {
	takes := map[unit.Hertz]int{}
	var most unit.Hertz
	for i := range s.Takes {
		n := s.Takes[i].Noise
		if n.MainsSource != "found" {
			continue
		}
		f := unit.Hertz(10 * math.Round(float64(n.Mains)/10))
		takes[f]++
		if best := takes[most]; takes[f] > best || takes[f] == best && f < most {
			most = f
		}
	}
	return most
}

// besideDry are the dry recording and a take, and their pauses: what is asked of both.
type besideDry struct {
	Dry, Take recording.Heard
	Quiet     []noise.Stretch // of the dry recording
	Offset    int64           // of the take's frames
	Whole     recording.Stretch
	Params    noise.Params
}

func (s *Session) besideDry(i int) besideDry {
	whole := s.Result.Timeline.Spans[0]
	return besideDry{s.dry.Heard(), s.takes[i].Heard(), s.Quiet, s.Takes[i].Frame, recording.Stretch{First: int64(whole.FirstFrame), Frames: int64(whole.Frames)}, s.noiseParams()}
}

func (s *Session) splitNoise(i int) (noise.SplitResult, error) {
	return work.Once(s.run, "noise added", s.besideDry(i), []*recording.Signal{s.dry, s.takes[i]}, func() (noise.SplitResult, error) {
		dry, take, err := recording.OpenBoth(s.dry, s.takes[i])
		if err != nil {
			return noise.SplitResult{}, err
		}
		defer dry.Close()
		defer take.Close()
		return noise.Split(
			noise.Signal{Source: dry, Pauses: s.Quiet, Result: *s.DryNoise},
			noise.Signal{Source: take, Pauses: shifted(s.Quiet, s.Takes[i].Frame), Result: s.Takes[i].Noise},
			s.Result.Timeline.SampleRate, s.noiseParams())
	})
}

// NoiseLevels returns the levels of a take's noise at a gain.
func NoiseLevels(n noise.Result, gain unit.DB) result.NoiseLevels {
	out := result.NoiseLevels{Unweighted: n.Unweighted, AWeighted: n.AWeighted, Weighted468: n.Weighted468, Hum: n.Hum, Hiss: n.Hiss, HumAWeighted: n.HumAWeighted}
	for _, level := range out.All() {
		*level += unit.DBFS(gain)
	}
	return out
}

// excerptSegments is how many short segments, spread over the whole span, pairs
// of takes are nulled over.
const excerptSegments = 96

// excerptMemory is what the excerpts may take that are held to be compared with
// others, in bytes: those of ten takes at 48 kHz.
const excerptMemory = 32 << 20

// compareTakes measures how alike the pairs of takes are, and how much of each is
// the dry recording. Of many takes it holds the excerpts of a few at a time and
// reads those that come after them again for each such group.
func (s *Session) compareTakes(ctx context.Context) error {
	pairs := s.pairs()
	s.Result.Likeness = make([]result.Likeness, len(pairs))
	place := map[[2]int]int{}
	for i, p := range pairs {
		place[p] = i
	}
	var dry func() (*align.Excerpt, error)
	if s.dry != nil {
		dry = s.excerpt(s.dry, 0)
	}
	groups := s.groups()
	reads := int64(0)
	for _, g := range groups {
		reads += int64(len(g.held) + len(g.others))
	}
	step := s.run.Stage("comparing", reads)
	seen := make([]bool, len(s.takes)) // whether it was compared with the dry recording
	read := func(i int) (excerpt func() (*align.Excerpt, error), err error) {
		defer step(1)
		lag := s.Result.Takes[i].Alignment.Applied
		excerpt = s.excerpt(s.takes[i], lag)
		if dry == nil || seen[i] {
			return excerpt, nil
		}
		seen[i] = true
		whole := s.Result.Timeline.Spans[0]
		in := struct {
			Dry, Take recording.Heard
			Lag       unit.Samples
			Whole     recording.Stretch
		}{s.dry.Heard(), s.takes[i].Heard(), lag, recording.Stretch{First: int64(whole.FirstFrame), Frames: int64(whole.Frames)}}
		s.Takes[i].OfDry, err = work.Once(s.run, "copy of the dry recording", in, []*recording.Signal{s.dry, s.takes[i]}, func() (align.Copy, error) {
			d, err := dry()
			if err != nil {
				return align.Copy{}, err
			}
			e, err := excerpt()
			if err != nil {
				return align.Copy{}, err
			}
			return e.CopyOf(d)
		})
		return excerpt, err
	}
	for _, group := range groups {
		held := make([]func() (*align.Excerpt, error), len(group.held))
		// compare compares take b with the first n that are held.
		compare := func(b int, e func() (*align.Excerpt, error), n int) error {
			for k, a := range group.held[:n] {
				at := place[[2]int{min(a, b), max(a, b)}]
				x, y := held[k], e
				if a > b {
					x, y = e, held[k]
				}
				var err error
				if s.Result.Likeness[at], err = s.likeness(pairs[at], x, y); err != nil {
					return err
				}
			}
			return nil
		}
		err := s.run.Each(ctx, len(held), func(k int) (err error) {
			held[k], err = read(group.held[k])
			return err
		})
		if err != nil {
			return err
		}
		if err := s.run.Each(ctx, len(held), func(k int) error { return compare(group.held[k], held[k], k) }); err != nil {
			return err
		}
		err = s.run.Each(ctx, len(group.others), func(k int) error {
			e, err := read(group.others[k])
			if err != nil {
				return err
			}
			return compare(group.others[k], e, len(held))
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// excerpt returns what reads, once, what a recording is compared by, the recording
// lag samples late.
func (s *Session) excerpt(sig *recording.Signal, lag unit.Samples) func() (*align.Excerpt, error) {
	return sync.OnceValues(func() (*align.Excerpt, error) {
		r, err := sig.Open()
		if err != nil {
			return nil, err
		}
		defer r.Close()
		whole := s.Result.Timeline.Spans[0]
		return align.NewExcerpt(r, lag, int64(whole.FirstFrame), int64(whole.Frames), excerptSegments)
	})
}

// likeness compares two takes by their excerpts.
func (s *Session) likeness(pair [2]int, a, b func() (*align.Excerpt, error)) (result.Likeness, error) {
	ta, tb := &s.Result.Takes[pair[0]], &s.Result.Takes[pair[1]]
	sa, sb := s.takes[pair[0]], s.takes[pair[1]]
	whole := s.Result.Timeline.Spans[0]
	in := struct {
		A, B       recording.Heard
		LagA, LagB unit.Samples
		Whole      recording.Stretch
		Polarity   int
	}{sa.Heard(), sb.Heard(), ta.Alignment.Applied, tb.Alignment.Applied, recording.Stretch{First: int64(whole.FirstFrame), Frames: int64(whole.Frames)}, polarityBetween(ta, tb)}
	m, err := work.Once(s.run, "likeness", in, []*recording.Signal{sa, sb}, func() (align.Likeness, error) {
		x, err := a()
		if err != nil {
			return align.Likeness{}, err
		}
		y, err := b()
		if err != nil {
			return align.Likeness{}, err
		}
		return x.Compare(y, in.Polarity)
	})
	l := result.Likeness{A: ta.Name, B: tb.Name, Residual: m.Residual, Coherence: m.Coherence}
	l.Spectral, l.Resolved = s.spectralDistance(pair[0], pair[1])
	return l, err
}

// polarityBetween returns the polarity of two takes to each other, 0 when that
// of one of them is uncertain.
func polarityBetween(a, b *result.Take) int {
	pa, pb := a.Alignment.PolarityToReference, b.Alignment.PolarityToReference
	switch {
	case pa == "uncertain" || pb == "uncertain":
		return 0
	case pa == pb:
		return 1
	}
	return -1
}
