package analyze

import (
	"evenhand/analyze/activity"
	"evenhand/analyze/align"
	"evenhand/analyze/clock"
	"evenhand/analyze/loudness"
	"evenhand/analyze/noise"
	"evenhand/analyze/result"
	"evenhand/analyze/spectrum"
	"evenhand/analyze/unit"
)

// setParameters writes down every setting that a reader needs to repeat the
// measurements, from the packages that used them.
func (s *Session) setParameters() {
	rate := s.Result.Timeline.SampleRate
	p := &s.Result.Parameters
	mono := "a mono file counts as one channel, 3.01 LU below the same signal in both"
	if s.takes[0].Channels() == 2 {
		mono = "some takes have two channels, so mono ones count as two equal channels"
	}
	p.Loudness = result.LoudnessParameters{
		Standard:    "ITU-R BS.1770-5 (11/2023); EBU Tech 3341 and 3342 (11/2023)",
		GatingBlock: 0.4, GatingHop: 0.1, AbsoluteGate: -70, RelativeGate: -10,
		MomentaryHop: 0.01, ShortTermHop: 0.1, RangeHop: 0.1,
		MonoConvention: mono,
		TruePeakFactor: loudness.Oversampling(rate),
	}
	sp := spectrum.DefaultParams(rate)
	frame := spectrum.DefaultFrame()
	bin := float64(rate) / float64(sp.Length)
	p.Spectrum = result.SpectrumParameters{
		Method: "Welch's averaged periodogram, one-sided density, powers of all channels added",
		Window: "Hann, periodic", Length: sp.Length, Hop: sp.Hop,
		Resolution: unit.Hertz(bin), ENBW: unit.Hertz(1.5 * bin), Detrend: "none",
		BandStandard: "IEC 61260-1:2014, base ten, exact mid-band frequencies",
		Confidence:   pageConfidence, BandConfidence: unit.Number(s.confidence),
		LowMid: frame.LowMid, MidHigh: frame.MidHigh,
		From: result.AudibleFrom, To: result.AudibleTo,
		DescriptorFrom: frame.From, DescriptorTo: frame.To, TiltFrom: frame.TiltFrom, TiltTo: frame.TiltTo,
		HeardWithin: result.HeardWithin, OverFloor: result.OverFloor, LowestString: lowestString(s.Result.Comparison.Tuning),
	}
	a := activity.DefaultParams()
	p.Noise = result.NoiseParameters{
		MinimumPause: a.MinPause, Guard: a.Guard, Threshold: a.Margin,
		Bandwidth: "20 Hz to 20 kHz, or to half the sample rate",
		Harmonics: noise.MaxHarmonics,
	}
	o := align.DefaultOptions(rate)
	p.Alignment = result.AlignmentParameters{
		CoarseBlock: align.CoarseBlock, MaxLag: o.MaxLag, FineBand: [2]unit.Hertz{o.Low, o.High},
		FineWindow: align.FineWindow(rate), FineWindows: o.Windows, Clocks: clock.Method(),
		Anchor: s.Result.Takes[s.Anchor].Name,
	}
}
