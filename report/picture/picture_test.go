package picture

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"evenhand/analyze/fairness"
	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/chart"
)

// comparison is a result with as much as the pictures show: takes of these names that
// differ in the treble, each with so many controls.
func comparison(controls int, names ...string) Source {
	res := &result.Result{}
	res.Comparison = result.Comparison{Title: "Circuits for a baritone", By: "Fern Street Recording", Date: "2026-03-14", Varies: "fuzz", Slot: "fuzz", Reference: names[0]}
	res.Timeline.Spans = []result.Span{{Name: "whole"}}
	for k := range 30 {
		centre := unit.Hertz(1000 * math.Pow(10, float64(k-16)/10))
		res.Spectrum.Third = append(res.Spectrum.Third, result.Band{Centre: centre, Low: centre * 0.89, High: centre * 1.12})
	}
	rows := []result.SettingRow{{Name: "device", Differs: true, Varied: true}}
	kinds := []manifest.ValueKind{manifest.Clock, manifest.Scaled, manifest.Switch, manifest.Physics, manifest.Percent, manifest.Unset}
	for c := range controls {
		rows = append(rows, result.SettingRow{Name: fmt.Sprintf("control %d", c+1), Control: true, Differs: true})
	}
	s := Source{Res: res, What: fmt.Sprintf("%d takes of one dry recording of one performance. What is compared is the fuzz.", len(names)), Address: "https://example.org/baritone/fuzzes/"}
	for i, n := range names {
		levels, floor, diff := []unit.DB{}, []unit.DB{}, result.Difference{Span: "whole", Take: n}
		for k := range 30 {
			d := unit.DB(math.Max(0, float64(k-12)) * math.Sin(float64(i)) / 2)
			levels, floor = append(levels, -30+d), append(floor, -90)
			diff.Third.Difference = append(diff.Third.Difference, d)
			diff.Third.HalfWidth = append(diff.Third.HalfWidth, 1)
			diff.Third.Resolved = append(diff.Third.Resolved, math.Abs(float64(d)) > 1)
		}
		res.Takes = append(res.Takes, result.Take{Name: n, Floor: floor, Measures: []result.Measures{{AudioMeasures: result.AudioMeasures{Span: "whole", Third: levels}}}})
		if i > 0 {
			res.Spectrum.Differences = append(res.Spectrum.Differences, diff)
		}
		rows[0].Values = append(rows[0].Values, result.SettingValue{Written: n, Stated: true})
		for c := range controls {
			v := result.SettingValue{Written: fmt.Sprintf("%d o'clock", 1+(c+i)%12), Kind: string(kinds[c%len(kinds)]), Fraction: unit.Number(float64((c+i)%11) / 10), Stated: true}
			if kinds[c%len(kinds)] == manifest.Unset {
				v.Stated = false
			}
			rows[c+1].Values = append(rows[c+1].Values, v)
		}
		s.Takes, s.Names, s.Heard = append(s.Takes, i), append(s.Names, n), append(s.Heard, i)
	}
	res.Settings.Slots = []result.SlotSettings{{Slot: "fuzz", Rows: rows}}
	s.Checks = []result.Check{{ID: fairness.IDPerformance, Name: "Performance", Outcome: result.Passed}, {ID: "polarity", Name: "Polarity", Subject: names[1], Outcome: result.Caution, Value: "inverted"}}
	return s
}

func names(n int, format string) []string {
	out := []string{}
	for i := range n {
		out = append(out, fmt.Sprintf(format, i+1))
	}
	return out
}

// The long names have 60 letters.
const longName = "The splitting circuit with transistors of another batch, %02d a"

// sources are what pictures are looked at for; EVENHAND_SHOTS names a folder to look at them in.
func sources() map[string]Source {
	guess := comparison(3, names(4, "Circuit %d")...)
	guess.Guess = true
	guess.Names = []string{"A", "B", "C", "D"}
	bare := comparison(0, names(3, "Circuit %d")...)
	bare.Res.Spectrum.Differences, bare.Address, bare.Checks = nil, "", nil
	bare.Res.Comparison = result.Comparison{Varies: "fuzz"}
	strange := comparison(4, "雷", "Ωmega", "Ж", "Über")
	strange.Res.Comparison.Title = "雷 and others"
	return map[string]Source{
		"four": comparison(4, names(4, "Circuit %d")...), "long": comparison(14, names(16, longName)...),
		"guess": guess, "bare": bare, "strange": strange,
	}
}

// each draws all pictures of a source, in order.
func each(t *testing.T, s Source, f func(name string, shape Shape, take int, p Image)) {
	t.Helper()
	for _, shape := range Shapes() {
		for i := range s.Takes {
			if i > 1 {
				continue
			}
			p, err := s.Take(shape, i)
			if err != nil {
				t.Fatal(err)
			}
			f(fmt.Sprintf("%s-%d", shape, i+1), shape, i, p)
		}
	}
	for _, shape := range Cards() {
		for name, draw := range map[string]func(Shape) (Image, error){"title": s.Title, "closing": s.Closing} {
			p, err := draw(shape)
			if err != nil {
				t.Fatal(err)
			}
			f(string(shape)+"-"+name, shape, -1, p)
		}
	}
}

// Every picture has its size, keeps its edges free, is the same when it is drawn again and has a text
// alternative; what is shortened or unknown is told whole.
func TestPictures(t *testing.T) {
	shots := os.Getenv("EVENHAND_SHOTS")
	for kind, s := range sources() {
		t.Run(kind, func(t *testing.T) {
			again := map[string][]byte{}
			if kind == "four" {
				each(t, s, func(name string, shape Shape, take int, p Image) { again[name] = p.PNG })
			}
			each(t, s, func(name string, shape Shape, take int, p Image) {
				if was, ok := again[name]; ok && !bytes.Equal(was, p.PNG) {
					t.Errorf("%s: two pictures of one take", name)
				}
				if shots != "" {
					if err := os.WriteFile(filepath.Join(shots, kind+"-"+name+".png"), p.PNG, 0o666); err != nil {
						t.Fatal(err)
					}
				}
				img, err := png.Decode(bytes.NewReader(p.PNG))
				if err != nil {
					t.Fatal(err)
				}
				wide, high := shape.Size()
				if img.Bounds() != image.Rect(0, 0, wide, high) || len(p.PNG) > 250_000 {
					t.Errorf("%s: %v, %d bytes", name, img.Bounds(), len(p.PNG))
				}
				// Source: EBU R 95: 5 % of each side (from memory).
				safe := image.Rect(wide/20, high/20, wide-wide/20, high-high/20)
				paper := color.Color(color.White)
				if shape == LowerThird {
					paper = color.Transparent
				}
				if n := drawnOutside(img, safe, paper); n > 0 {
					t.Errorf("%s: %d points are drawn outside the safe area", name, n)
				}
				if n := drawnOutside(img, image.Rectangle{}, paper); n < 2000 {
					t.Errorf("%s: only %d points are drawn", name, n)
				}
				if len(p.Alt) < 4 || !strings.HasSuffix(p.Alt, ".\n") && !strings.HasSuffix(p.Alt, "/\n") || strings.Contains(strings.TrimSuffix(p.Alt, "\n"), "\n") {
					t.Errorf("%s: the alternative is %q", name, p.Alt)
				}
				for _, x := range p.Shortened {
					if strings.Contains(x, "…") {
						t.Errorf("%s: %q is not whole", name, x)
					}
				}
				if take >= 0 && !s.Guess && kind != "strange" && !strings.HasPrefix(p.Alt, s.Names[take]+".") {
					t.Errorf("%s: the alternative is %q", name, p.Alt)
				}
				if (p.Unknown != nil) != (kind == "strange" && regexp.MustCompile(`-1$|title|closing|^(landscape|portrait)-\d$`).MatchString(name)) {
					t.Errorf("%s: unknown letters in %q", name, p.Unknown)
				}
			})
		})
	}
}

// drawnOutside counts points outside an area that are not paper.
func drawnOutside(img image.Image, area image.Rectangle, paper color.Color) int {
	n := 0
	indexed := img.(*image.Paletted)
	free := map[uint8]bool{}
	for i, c := range indexed.Palette {
		free[uint8(i)] = color.NRGBA64Model.Convert(c) == color.NRGBA64Model.Convert(paper)
	}
	for y := range img.Bounds().Dy() {
		for x := range img.Bounds().Dx() {
			if !(image.Point{X: x, Y: y}).In(area) && !free[indexed.ColorIndexAt(x, y)] {
				n++
			}
		}
	}
	return n
}

// A take's picture has its hue as on the page, and no picture of a take to be guessed has any.
func TestHues(t *testing.T) {
	hues := func(s Source, take int) (out []int) {
		p, err := s.Take(Landscape, take)
		if err != nil {
			t.Fatal(err)
		}
		img, err := png.Decode(bytes.NewReader(p.PNG))
		if err != nil {
			t.Fatal(err)
		}
		count := map[color.RGBA]int{}
		for y := range img.Bounds().Dy() {
			for x := range img.Bounds().Dx() {
				count[color.RGBAModel.Convert(img.At(x, y)).(color.RGBA)]++
			}
		}
		for k := range 8 {
			if count[rgb(t, chart.Hue(k))] > 200 {
				out = append(out, k)
			}
		}
		return out
	}
	s := sources()["four"]
	for take := range s.Takes {
		if got := hues(s, take); !slices.Equal(got, []int{take}) {
			t.Errorf("take %d has the hues %v", take+1, got)
		}
	}
	if got := hues(sources()["guess"], 1); got != nil {
		t.Errorf("to be guessed: hues %v", got)
	}
}

func rgb(t *testing.T, hex string) color.RGBA {
	t.Helper()
	c := color.RGBA{A: 255}
	if _, err := fmt.Sscanf(hex, "#%02x%02x%02x", &c.R, &c.G, &c.B); err != nil {
		t.Fatal(err)
	}
	return c
}

// Letters have 4.5:1 against the paper, marks and lines of takes 3:1.
// Source: WCAG 2.2, success criteria 1.4.3 and 1.4.11 and the definition of contrast ratio.
func TestContrast(t *testing.T) {
	luminance := func(hex string) float64 {
		c := rgb(t, hex)
		channel := func(v uint8) float64 {
			x := float64(v) / 255
			if x <= 0.04045 {
				return x / 12.92
			}
			return math.Pow((x+0.055)/1.055, 2.4)
		}
		return 0.2126*channel(c.R) + 0.7152*channel(c.G) + 0.0722*channel(c.B)
	}
	against := func(hex string) float64 { return (luminance(chart.Paper) + 0.05) / (luminance(hex) + 0.05) }
	for _, c := range []string{chart.Ink, chart.Dim, chart.Outcome("passed"), chart.Outcome("caution"), chart.Outcome("failed"), chart.Outcome("unmeasured")} {
		if got := against(c); got < 4.5 {
			t.Errorf("letters in %s: %.2f", c, got)
		}
	}
	for take := range 8 {
		if got := against(chart.Hue(take)); got < 3 {
			t.Errorf("take %d: %.2f", take, got)
		}
	}
}

// A picture whose text is shortened returns the whole text.
func TestShortened(t *testing.T) {
	s := sources()["long"]
	p, err := s.Take(LowerThird, 0)
	if err != nil {
		t.Fatal(err)
	}
	if !slices.ContainsFunc(p.Shortened, func(x string) bool { return strings.HasPrefix(x, "control 1 ") && strings.Contains(x, "control 14") }) {
		t.Errorf("shortened: %q", p.Shortened)
	}
	if p, err = sources()["four"].Take(Landscape, 1); err != nil || p.Shortened != nil {
		t.Errorf("short texts: %q, %v", p.Shortened, err)
	}
	want := "Circuit 2. Settings: control 1 2 o'clock, control 2 3 o'clock, control 3 4 o'clock, control 4 5 o'clock. Difference from Circuit 1 in dB, by frequency in Hz. Dark grey: not resolved or not heard. Light grey: other takes. The greatest difference that is resolved and heard is +"
	if !strings.HasPrefix(p.Alt, want) {
		t.Errorf("the alternative is %q", p.Alt)
	}
}
