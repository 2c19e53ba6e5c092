package loudness

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"os/exec"
	"regexp"
	"strconv"
	"testing"

	"evenhand/examples/oracle"
)

// ffmpeg's ebur128 filter is the oracle: integrated loudness and range to
// 0.01 (its histogram), true peak to 0.001 of full scale. It keeps the plain
// numerator of stage 2 at all rates, which the comparison allows for, and
// interpolates with another filter: compared within 0.1 dB on noise without
// much above an eighth of the rate, 0.25 dB at 48 kHz, where the filter of
// BS.1770 Annex 2 itself is up to 0.21 dB off (see Oversampling).
func TestAgainstFFmpeg(t *testing.T) {
	path := oracle.Path(t, "ffmpeg")
	for _, rate := range []int{44100, 48000, 88200, 96000} {
		for name, x := range map[string][][]float64{
			"noise":  softened(noise(rate, 2, 5, 0.4)),
			"mono":   softened(noise(rate, 1, 4, 0.4)),
			"bursts": softened(bursts(rate)),
			"driven": music(rate, 2, 6, 30, 0.9), // 31 windows: its rank of the 95th percentile is then Tech 3342's
		} {
			t.Run(fmt.Sprintf("%s %d", name, rate), func(t *testing.T) {
				integrated, lra, peak := ffmpegReads(t, path, rate, x)
				m := measure(t, rate, x)[0]
				t.Logf("ours − ffmpeg: integrated %+.4f LU, range %+.4f LU, true peak %+.4f dB",
					float64(m.Integrated)-integrated, float64(m.Range)-lra, float64(m.TruePeak)-peak)
				_, pass := kWeighting(float64(rate))
				near(t, "integrated", float64(m.Integrated)-20*math.Log10(pass.b0), integrated, 0.012)
				near(t, "range", float64(m.Range), lra, 0.02)
				tol := 0.1
				if rate == 48000 {
					tol = 0.25
				}
				near(t, "true peak", float64(m.TruePeak), peak, tol)
			})
		}
	}
}

// softened takes off the top of the spectrum: −24 dB at a quarter of the rate.
func softened(x [][]float64) [][]float64 {
	for _, v := range x {
		for range 4 {
			p, q := 0.0, 0.0
			for i, r := range v {
				v[i] = (p + 2*q + r) / 4
				p, q = q, r
			}
		}
	}
	return x
}

// bursts is noise switched between levels around both gates; no window comes
// within ffmpeg's 0.01 LU of a gate.
func bursts(rate int) [][]float64 {
	x := noise(rate, 2, 12, 0.3)
	for c := range x {
		for i := range x[c] {
			switch (i * 2 / rate) % 8 {
			case 0, 1, 2:
			case 3, 4:
				x[c][i] *= 0.4
			case 5:
				x[c][i] *= 0.05
			default:
				x[c][i] *= 1e-4
			}
		}
	}
	return x
}

func ffmpegReads(t *testing.T, path string, rate int, x [][]float64) (integrated, lra, peak float64) {
	t.Helper()
	raw := make([]byte, 0, len(x)*len(x[0])*8)
	for i := range x[0] {
		for c := range x {
			raw = binary.LittleEndian.AppendUint64(raw, math.Float64bits(x[c][i]))
		}
	}
	cmd := exec.Command(path, "-hide_banner", "-f", "f64le", "-ar", strconv.Itoa(rate), "-ac", strconv.Itoa(len(x)), "-i", "-",
		"-af", "ebur128=peak=true:metadata=1,ametadata=mode=print:file=-", "-f", "null", "-")
	cmd.Stdin = bytes.NewReader(raw)
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("ffmpeg: %v", err)
	}
	last := func(key string) float64 {
		all := regexp.MustCompile(regexp.QuoteMeta(key)+`=(\S+)`).FindAllSubmatch(out, -1)
		if len(all) == 0 {
			t.Fatalf("ffmpeg printed no %s", key)
		}
		v, err := strconv.ParseFloat(string(all[len(all)-1][1]), 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	return last("lavfi.r128.I"), last("lavfi.r128.LRA"), 20 * math.Log10(last("lavfi.r128.true_peak"))
}
