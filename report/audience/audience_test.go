package audience

import (
	"testing"

	"evenhand/analyze/listening"
)

func TestIntervalsThatEndNextToEven(t *testing.T) {
	for _, c := range []struct {
		s    listening.Share
		want string
	}{
		{listening.Share{Value: 0.7, Low: 0.55, High: 0.82}, "55 to 82"},
		{listening.Share{Value: 0.7, Low: 0.503, High: 0.82}, "50.3 to 82.0"}, // not "50 to 82"
		{listening.Share{Value: 0.6, Low: 0.58, High: 0.62}, "58.0 to 62.0"},
		{listening.Share{Value: 0.5, Low: 0.5, High: 0.75}, "50 to 75"},
	} {
		if got := between(c.s); got != c.want {
			t.Errorf("%v: %s, want %s", c.s, got, c.want)
		}
	}
}
