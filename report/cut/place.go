package cut

import (
	"context"
	"math"

	"evenhand/analyze/unit"
)

const (
	// riseWindow is the time on each side that a rise is measured over, and how
	// far around the fade one is looked for.
	riseWindow = unit.Seconds(0.005)
	// distanceCost is what a candidate at the end of the reach costs, in dB.
	distanceCost = 1
	// riseFloor keeps rises within hiss and hum from counting, as a mean square:
	// −60 dB.
	riseFloor = 1e-6
)

// place says where each part begins and what it plays.
func (p *plan) place(ctx context.Context, dir string) error {
	if p.o.Turns {
		return p.placeTurns(ctx, dir)
	}
	return p.placeCuts(ctx, dir)
}

// reach is how far a cut may be moved, in samples.
func (p *plan) reach() int64 { return int64(math.Round(float64(p.o.Reach) * float64(p.rate))) }

// placeCuts moves every cut from where it is wanted to where it is heard least.
func (p *plan) placeCuts(ctx context.Context, dir string) error {
	wanted := make([]int64, len(p.parts)+1)
	for i, x := range p.parts {
		wanted[i] = x.nominal
	}
	wanted[len(p.parts)] = p.sound
	reach := p.reach()
	half := p.fade / 2
	for i := 1; i < len(p.parts); i++ {
		if err := ctx.Err(); err != nil {
			return err
		}
		x := &p.parts[i]
		// Half way to its neighbours at most, so that fades stay apart.
		lo := max(x.nominal-reach, (wanted[i-1]+x.nominal)/2+half+1)
		hi := min(x.nominal+reach, (x.nominal+wanted[i+1])/2-half-1)
		candidates := p.candidates(lo, hi, x.nominal)
		for k := range candidates {
			candidates[k] -= p.lead // in the takes' files
		}
		best, err := p.quietest(dir, []int{p.parts[i-1].voice, x.voice}, candidates, x.nominal-p.lead)
		if err != nil {
			return err
		}
		x.cut, x.source, x.inPause, x.level, x.rise = p.lead+best.at, best.at, best.inPause, best.level, best.rise
	}
	return nil
}

// spot is a place for a cut.
type spot struct {
	at      int64 // frame of the takes' files
	inPause bool
	level   unit.DBFS // of the loudest voice during the fade
	rise    unit.DB   // greatest rise of any around the fade
}

// quietest returns the candidate, in frames of the takes' files, where a fade between
// the voices is heard least.
func (p *plan) quietest(dir string, voices []int, candidates []int64, wanted int64) (spot, error) {
	profiles, first, err := p.profiles(dir, voices, candidates)
	if err != nil {
		return spot{}, err
	}
	half, reach := p.fade/2, p.reach()
	best, out := math.Inf(1), spot{}
	for _, c := range candidates {
		inPause := p.inPause(c-half, c+half)
		if out.inPause && !inPause {
			continue
		}
		level, rise := math.Inf(-1), 0.0
		for _, f := range profiles {
			level = math.Max(level, f.level(c-half-first, c+half-first))
			rise = math.Max(rise, f.rise(c-half-first, c+half-first, p.rate))
		}
		cost := level + rise
		if reach > 0 {
			cost += distanceCost * math.Abs(float64(c-wanted)) / float64(reach)
		}
		if cost < best || inPause && !out.inPause {
			best, out = cost, spot{c, inPause, unit.DBFS(level), unit.DB(rise)}
		}
	}
	return out, nil
}

// candidates are the beginnings of the camera's frames from lo to hi, in
// samples; with none there, the one nearest to what is wanted.
func (p *plan) candidates(lo, hi, wanted int64) []int64 {
	var out []int64
	for k := p.fps.FrameAt(lo, p.rate); ; k++ {
		s := p.fps.Sample(k, p.rate)
		if s > hi {
			break
		}
		if s >= lo {
			out = append(out, s)
		}
	}
	if out == nil {
		k := p.fps.FrameAt(wanted, p.rate)
		a, b := p.fps.Sample(k, p.rate), p.fps.Sample(k+1, p.rate)
		if b-wanted < wanted-a {
			a = b
		}
		out = append(out, a)
	}
	return out
}

// inPause reports whether frames from to to−1 of the takes' files lie in one pause of
// the performance.
func (p *plan) inPause(from, to int64) bool { return p.pauseUntil(from, to) > 0 }

// pauseUntil returns the end of the pause that frames from to to−1 of the takes' files
// lie in, 0 for none.
func (p *plan) pauseUntil(from, to int64) int64 {
	for _, q := range p.res.Timeline.Pauses {
		if end := p.frameOf(int64(q.FirstFrame+q.Frames), false); from >= p.frameOf(int64(q.FirstFrame), true) && to <= end {
			return end
		}
	}
	return 0
}

// profile holds sums of squares: sum[k] is that of frames before k, the mean
// over the channels.
type profile struct{ sum []float64 }

// profiles reads voices around the candidates and returns the frame that
// the profiles begin at.
func (p *plan) profiles(dir string, voices []int, candidates []int64) (out []profile, first int64, err error) {
	margin := p.fade + int64(4*float64(riseWindow)*float64(p.rate))
	first = max(0, candidates[0]-margin)
	end := min(p.frames, candidates[len(candidates)-1]+margin)
	for _, v := range voices {
		r, err := p.open(dir, v)
		if err != nil {
			return out, 0, err
		}
		x, err := r.load(first, end)
		r.Close()
		if err != nil {
			return out, 0, err
		}
		sum := make([]float64, len(x[0])+1)
		for k := range x[0] {
			var e float64
			for c := range x {
				e += x[c][k] * x[c][k]
			}
			sum[k+1] = sum[k] + e/float64(len(x))
		}
		out = append(out, profile{sum})
	}
	return out, first, nil
}

// mean returns the mean square of frames from to to−1, as far as they are there.
func (f profile) mean(from, to int64) float64 {
	last := int64(len(f.sum) - 1)
	from, to = min(max(from, 0), last), min(max(to, 0), last)
	if to <= from {
		return 0
	}
	return math.Max(0, f.sum[to]-f.sum[from]) / float64(to-from)
}

// level returns the level of frames from to to−1 in dB; a sine of full scale
// is at −3.01, silence at −120.
func (f profile) level(from, to int64) float64 { return decibels(f.mean(from, to)) }

// rise returns the greatest rise of level, in dB, from one riseWindow to the
// next at any place from riseWindow before the frames to riseWindow after them.
func (f profile) rise(from, to int64, rate int) float64 {
	w := max(1, int64(math.Round(float64(riseWindow)*float64(rate))))
	step := max(1, int64(rate/1000))
	most := 0.0
	for at := from - w; at <= to+w; at += step {
		before, after := f.mean(at-w, at)+riseFloor, f.mean(at, at+w)+riseFloor
		most = math.Max(most, 10*math.Log10(after/before))
	}
	return most
}
