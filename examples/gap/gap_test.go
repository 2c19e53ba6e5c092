package gap

import "testing"

func TestGaps(t *testing.T) {
	for _, bad := range []string{"starts – samples late", "– dB", "from 2 – to 4", "about –% of it", "– %", "not heard, because.", "no. Reason: .", "the gate ()", "A, , B", "clicks; ; hum", "(3 dB, )", "of: ."} {
		if In(bad) == "" {
			t.Errorf("no gap in %q", bad)
		}
	}
	for _, bad := range []string{"not measured: ", "gated, since", "A, B,", "it hums;"} {
		if AtEnd(bad) == "" {
			t.Errorf("%q is whole", bad)
		}
	}
	for _, good := range []string{"", "starts 3 samples late", "–", "2–4 dB", "a – b", "Not measured: no dry recording.", "because it hums", "A, B and C; D"} {
		if at := In(good) + AtEnd(good); at != "" {
			t.Errorf("%q in %q", at, good)
		}
	}
}
