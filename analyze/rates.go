package analyze

import (
	"fmt"

	"evenhand/analyze/clock"
	"evenhand/analyze/recording"
)

// rateRatio tells how fast a recording runs against another.
func rateRatio(a, b *recording.Signal) (clock.Ratio, error) {
	ra, rb, err := recording.OpenBoth(a, b)
	if err != nil {
		return clock.Ratio{}, err
	}
	defer ra.Close()
	defer rb.Close()
	return clock.RateRatio(ra, rb)
}

// rateAdvice says what to do about a recording whose sample rate is not that of
// the others: when its music keeps pace in spite of another label it was
// converted or recorded so, otherwise the label is wrong.
func rateAdvice(reference, other *recording.Signal) string {
	if reference == nil || other == nil {
		return "export this one again at the rate of the others"
	}
	export := fmt.Sprintf("export this one again at %d Hz", reference.Info.SampleRate)
	r, err := rateRatio(reference, other)
	switch {
	case err != nil || !r.Certain:
		return export
	case r.Ratio == 1:
		return export + "; its music keeps pace, so the label is right"
	}
	return fmt.Sprintf("its music takes %.4f times as long, so its label is wrong (%s): export it again from its session", r.Ratio, r.Name)
}
