package csvtext

import "testing"

// The characters that begin a formula are those of the spreadsheets in use
// (common practice, no source).
func TestCellIsNoFormula(t *testing.T) {
	for in, want := range map[string]string{
		"=1+1": "'=1+1", "@SUM(A1)": "'@SUM(A1)", "+cmd|' /C calc'!A0": "'+cmd|' /C calc'!A0", "-2+3=x": "'-2+3=x", " =x": "' =x", "\t=x": "'\t=x",
		"-Leaning": "'-Leaning", "-": "'-", "+1=2": "'+1=2", "+1(2)": "'+1(2)",
		"+12+3": "'+12+3", "-4-1": "'-4-1", "-1*2 dB": "'-1*2 dB", "+A1": "'+A1", "-2^9": "'-2^9", "-1 & B2": "'-1 & B2", "+1%+1": "'+1%+1",
		"＝1+1": "'＝1+1", "＋1": "'＋1", "－Leaning": "'－Leaning", "＠SUM(A1)": "'＠SUM(A1)", "\u00a0=x": "'\u00a0=x", "\u200b=x": "'\u200b=x", "\ufeff=x": "'\ufeff=x",
		"-4,5 dB": "-4,5 dB", "+ 3 dB": "+ 3 dB", "-20": "-20", "+3 %": "+3 %", "-6dB": "-6dB",
		"-4 dB": "-4 dB", "+12 dBu": "+12 dBu", "+.5": "+.5", "− 4": "− 4", "": "", " ": " ", "noon": "noon", "a=b": "a=b",
	} {
		if got := Cell(in); got != want {
			t.Errorf("%q becomes %q, want %q", in, got, want)
		}
	}
}
