package report

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"testing"

	"github.com/chromedp/chromedp"

	"evenhand/analyze/loudness"
	"evenhand/examples/oracle/chromium"
)

// TestBrowserMeter measures tones with the page's own meter at every usual rate, and
// compares with the published level and with the program's meter. A stereo sine of
// 1000 Hz with peaks at −23 dBFS has −23.0 LUFS ±0.1 at any rate.
//
// Source: EBU Tech 3341 (11/2023), section 2.9, Table 1, case 1.
func TestBrowserMeter(t *testing.T) {
	if raced {
		t.Skip("nothing of it is concurrent")
	}
	script, err := os.ReadFile("../templates/meter.js")
	if err != nil {
		t.Fatal(err)
	}
	ctx := chromium.Start(t)
	for _, rate := range []int{44100, 48000, 88200, 96000, 176400, 192000} {
		for hz, want := range map[float64]float64{1000: -23, 60: math.NaN()} {
			expression := fmt.Sprintf(`globalThis.Evenhand = {}; %s; JSON.stringify((() => {
				const rate = %d, x = new Float64Array(4 * rate);
				for (let i = 0; i < x.length; i++) x[i] = Math.pow(10, -23 / 20) * Math.sin(2 * Math.PI * %g * i / rate);
				const m = Evenhand.Meter(rate, 2);
				m.write([x, x]);
				return m.integrated();
			})())`, script, rate, hz)
			text, err := chromedp.Run(ctx, chromedp.Evaluate[string](expression))
			if err != nil {
				t.Fatal(err)
			}
			var browser float64
			if err := json.Unmarshal([]byte(text), &browser); err != nil {
				t.Fatal(err)
			}
			x := make([]float64, 4*rate)
			for i := range x {
				x[i] = math.Pow(10, -23.0/20) * math.Sin(2*math.Pi*hz*float64(i)/float64(rate))
			}
			m, err := loudness.NewMeter(rate, 2)
			if err != nil {
				t.Fatal(err)
			}
			m.Track(loudness.Range{First: 0, Frames: int64(len(x))})
			if err := m.Write([][]float64{x, x}); err != nil {
				t.Fatal(err)
			}
			program := float64(m.Finish()[0].Integrated)
			if math.Abs(browser-program) > 0.0005 {
				t.Errorf("%g Hz at %d Hz: the page measures %.4f LUFS, the program %.4f", hz, rate, browser, program)
			}
			if !math.IsNaN(want) && math.Abs(browser-want) > 0.1 {
				t.Errorf("%g Hz at %d Hz: %.4f LUFS, published %.1f", hz, rate, browser, want)
			}
		}
	}
}
