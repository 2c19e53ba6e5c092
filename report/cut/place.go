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

// placeCuts moves every cut from where it is wanted to where it is heard least.
func (p *plan) placeCuts(ctx context.Context, dir string) error {
	wanted := make([]int64, len(p.parts)+1)
	for i, x := range p.parts {
		wanted[i] = x.nominal
	}
	wanted[len(p.parts)] = p.frames
	reach := int64(math.Round(float64(p.o.Reach) * float64(p.rate)))
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
		profiles, first, err := p.profiles(dir, [2]int{p.parts[i-1].voice, x.voice}, candidates)
		if err != nil {
			return err
		}
		best, quiet := math.Inf(1), false
		for _, c := range candidates {
			inPause := p.inPause(c-half, c+half)
			if quiet && !inPause {
				continue
			}
			level, rise := math.Inf(-1), 0.0
			for _, f := range profiles {
				level = math.Max(level, f.level(c-half-first, c+half-first))
				rise = math.Max(rise, f.rise(c-half-first, c+half-first, p.rate))
			}
			cost := level + rise
			if reach > 0 {
				cost += distanceCost * math.Abs(float64(c-x.nominal)) / float64(reach)
			}
			if cost < best || inPause && !quiet {
				best, quiet = cost, inPause
				x.cut, x.inPause, x.level, x.rise = c, inPause, unit.DBFS(level), unit.DB(rise)
			}
		}
	}
	return nil
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

// inPause reports whether frames from to to−1 of the edit lie in one pause of
// the performance.
func (p *plan) inPause(from, to int64) bool {
	for _, q := range p.res.Timeline.Pauses {
		if from >= p.frameOf(int64(q.FirstFrame), true) && to <= p.frameOf(int64(q.FirstFrame+q.Frames), false) {
			return true
		}
	}
	return false
}

// profile holds sums of squares: sum[k] is that of frames before k, the mean
// over the channels.
type profile struct{ sum []float64 }

// profiles reads two voices around the candidates and returns the frame that
// the profiles begin at.
func (p *plan) profiles(dir string, voices [2]int, candidates []int64) (out [2]profile, first int64, err error) {
	margin := p.fade + int64(4*float64(riseWindow)*float64(p.rate))
	first = max(0, candidates[0]-margin)
	end := min(p.frames, candidates[len(candidates)-1]+margin)
	for i, v := range voices {
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
		out[i] = profile{sum}
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
