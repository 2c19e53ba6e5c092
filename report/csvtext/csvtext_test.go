package csvtext

import "testing"

// The characters that begin a formula are those of the spreadsheets in use
// (common practice, no source).
func TestCellIsNoFormula(t *testing.T) {
	for in, want := range map[string]string{
		"=1+1": "'=1+1", "@SUM(A1)": "'@SUM(A1)", "+cmd|' /C calc'!A0": "'+cmd|' /C calc'!A0", "-2+3=x": "'-2+3=x", " =x": "' =x", "\t=x": "'\t=x",
		"-Kiln": "'-Kiln", "-": "'-", "+1=2": "'+1=2", "+1(2)": "'+1(2)",
		"-4 dB": "-4 dB", "+12 dBu": "+12 dBu", "+.5": "+.5", "− 4": "− 4", "": "", " ": " ", "noon": "noon", "a=b": "a=b",
	} {
		if got := Cell(in); got != want {
			t.Errorf("%q becomes %q, want %q", in, got, want)
		}
	}
}
