package align

import (
	"fmt"
	"testing"

	"evenhand/analyze/unit"
)

// minute is 60 s of noise-excited music, quick to make.
func minute(rate int) []float64 {
	x := make([]float64, 60*rate)
	var n int64
	s := endless{rate, int64(len(x)), 0, 0, &n}
	if _, err := s.ReadAt(x, 0); err != nil {
		panic(err)
	}
	return x
}

// BenchmarkSession is the alignment of eight takes of 60 s against the dry
// recording and against the first take.
func BenchmarkSession(b *testing.B) {
	for _, rate := range []int{48000, 96000} {
		b.Run(fmt.Sprintf("rate=%d/takes=8", rate), func(b *testing.B) {
			x := minute(rate)
			dry := NewMemory(rate, x)
			var takes []Source
			for i := range 8 {
				takes = append(takes, NewMemory(rate, driven(x[31*i:], float64(2+5*i))))
			}
			for b.Loop() {
				f, err := NewFeature(dry, Options{})
				if err != nil {
					b.Fatal(err)
				}
				var gs []*Feature
				for _, s := range takes {
					g, err := f.Follow(s)
					if err != nil {
						b.Fatal(err)
					}
					gs = append(gs, g)
				}
				for i, g := range gs {
					if _, err := Between(f, g); err != nil {
						b.Fatal(err)
					}
					if i == 0 {
						continue
					}
					if e, err := Between(gs[0], g); err != nil || !e.Certain {
						b.Fatal(err, e)
					}
				}
			}
			b.ReportMetric(9*60*float64(b.N)/b.Elapsed().Seconds(), "audio_s/s")
		})
	}
}

// BenchmarkExcerpt prepares 60 s; BenchmarkCompare compares two that are.
func BenchmarkExcerpt(b *testing.B) {
	const rate = 48000
	m := NewMemory(rate, minute(rate))
	for _, lag := range []float64{12, 12.4} {
		b.Run(fmt.Sprintf("rate=%d/lag=%g", rate, lag), func(b *testing.B) {
			for b.Loop() {
				if _, err := NewExcerpt(m, unit.Samples(lag), 0, 59*rate, 96); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(60*float64(b.N)/b.Elapsed().Seconds(), "audio_s/s")
		})
	}
}

func BenchmarkCompare(b *testing.B) {
	const rate = 48000
	x := minute(rate)
	m, err := NewExcerpt(NewMemory(rate, x), 0, 0, 59*rate, 96)
	if err != nil {
		b.Fatal(err)
	}
	n, err := NewExcerpt(NewMemory(rate, driven(x, 5)), 12, 0, 59*rate, 96)
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, err := m.Compare(n, 0); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(60*float64(b.N)/b.Elapsed().Seconds(), "audio_s/s")
}
