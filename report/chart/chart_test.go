package chart

import (
	"encoding/xml"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"gonum.org/v1/plot/vg"
)

// wellFormed parses s as XML and fails on any style attribute.
func wellFormed(t *testing.T, s string) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(s))
	for {
		tok, err := d.Token()
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil {
			t.Fatalf("%v in %.200s", err, s)
		}
		if e, ok := tok.(xml.StartElement); ok {
			for _, a := range e.Attr {
				if a.Name.Local == "d" {
					pathParses(t, a.Value)
				}
				if a.Name.Local == "style" || strings.HasPrefix(a.Name.Local, "on") {
					t.Fatalf("attribute %s in %s", a.Name.Local, e.Name.Local)
				}
			}
		}
	}
}

// pathParses checks the grammar of path data: SVG 2, 9.3.
func pathParses(t *testing.T, d string) {
	t.Helper()
	number := regexp.MustCompile(`-?(\d+(\.\d+)?|\.\d+)`)
	// The two flags of an arc need nothing around them.
	d = regexp.MustCompile(`[aA][^A-Za-z]*`).ReplaceAllString(d, "")
	for _, part := range regexp.MustCompile(`[A-Za-z][^A-Za-z]*`).FindAllString(d, -1) {
		takes, known := map[byte]int{'m': 2, 'l': 2, 'h': 1, 'v': 1, 'c': 6, 'q': 4, 'z': 0}[part[0]|0x20]
		n := len(number.FindAllString(part, -1))
		if left := strings.Trim(number.ReplaceAllString(part[1:], ""), " ,"); !known || left != "" || takes == 0 && n > 0 || takes > 0 && (n == 0 || n%takes != 0) {
			t.Errorf("path %q: %q", d, part)
		}
	}
}

func TestPlotsAreWellFormedForAnyData(t *testing.T) {
	text := Text{By: "x", Title: `<b>&"`, Desc: `'"<`}
	inf, nan := math.Inf(1), math.NaN()
	for name, y := range map[string][]float64{"plain": {-10, -20, -30}, "silent": {-inf, -inf, -inf}, "unmeasured": {nan, nan, nan}, "mixed": {nan, -3, -inf}, "clipped": {40, -40, 13}, "empty": {}, "equal": {-5, -5, -5}, "huge": {1e300, -1e300, 0}} {
		x := []float64{0, 100, 20000}
		c := []Curve{{Name: "<a>", Take: 3, X: x, Y: y}}
		for kind, s := range map[string]string{
			"spectrum": Spectrum(text, c, []Pitch{{"<E2>", 82}, {"bad", nan}}, 20, 20000),
			"nonsense": Spectrum(text, c, nil, nan, -5),
			"differ":   NewDifferences(20, 20000, []Region{{"<low>", 500}, {"high", inf}}, 82).Wide(text, []Difference{{c[0], "a", []float64{1, nan, 3}, []bool{true}}}, 0) + NewDifferences(nan, 1, nil, nan).Small(text, Difference{Curve: c[0], Slug: "a"}),
			"loudness": Loudness(text, c, []Section{{"<s>", 0, 5}, {"bad", nan, inf}}, 0, 10),
			"backward": Loudness(text, c, nil, 10, 0),
			"overview": Overview(text, y, []Section{{"a section with a long name", 0, 1}}, 0, 10),
			"map":      Map(text, mapped(c[0]), "%") + Map(text, mapped(c[0]), "dBFS"),
			"response": Responses(text, []Response{{c[0], y, []float64{nan, 1, inf}}, {Curve: c[0]}}),
			"levels":   Levels(text, []Row{{Name: "<r>", Hollow: nan, Filled: -inf}, {Name: "b", Hollow: -20, Filled: -30}}),
		} {
			wellFormed(t, "<x>"+s+"</x>")
			for _, bad := range []string{"NaN", "Inf", "e+"} {
				if strings.Contains(s, bad) {
					t.Errorf("%s of %s data holds %s", kind, name, bad)
				}
			}
		}
	}
	wellFormed(t, Symbols())
	for _, f := range []float64{0, 0.5, 1, -3, 7, nan} {
		wellFormed(t, UsualKnob(f).Dial())
	}
}

// mapped puts the points of a curve on a map.
func mapped(c Curve) []Point {
	out := []Point{}
	for i, v := range c.Y {
		out = append(out, Point{c.Name, i, Range{v, v - 1, v + 1}, Range{c.X[i], math.NaN(), v}})
	}
	return out
}

// TestMap: what is right on the plot has the greater x, what is above it the greater y, and
// what has no place is not drawn.
func TestMap(t *testing.T) {
	nan := math.NaN()
	s := Map(Text{Title: "a"}, []Point{{"clean", 0, Range{1, 0.98, 1}, Range{0.1, 0.1, 0.2}}, {"fuzz", 1, Range{0.2, 0.1, 0.3}, Range{40, 38, 41}}, {"none", 2, Range{nan, 0, 1}, Range{1, 1, 1}}}, "%")
	at := map[string][2]float64{}
	for _, m := range regexp.MustCompile(`<title>(\w+)</title><path class="join" d="M(\S+) (\S+)H`).FindAllStringSubmatch(s, -1) {
		x, err := strconv.ParseFloat(m[2], 64)
		y, err2 := strconv.ParseFloat(m[3], 64)
		if err != nil || err2 != nil {
			t.Fatal(m)
		}
		at[m[1]] = [2]float64{x, y}
	}
	if len(at) != 2 || !(at["clean"][0] > at["fuzz"][0]) || !(at["clean"][1] > at["fuzz"][1]) { // y of SVG points down
		t.Errorf("%v", at)
	}
}

func TestPathIsShort(t *testing.T) {
	var p vg.Path
	p.Move(vg.Point{X: 1, Y: -2})
	p.Line(vg.Point{X: 1.5, Y: -2.5})
	p.Line(vg.Point{X: 11.5, Y: 7.55})
	p.Line(vg.Point{X: 11.5, Y: 7.55})
	p.Close()
	if got, want := pathData(p), "M1 2l.5.5 10-10.1z"; got != want && got != "M1 2l.5.5 10-10z" {
		t.Errorf("%q, want %q", got, want)
	}
}

func TestAxes(t *testing.T) {
	labels := func(a axis) string {
		out := []string{}
		for _, k := range a.ticks {
			if k.label != "" {
				out = append(out, k.label)
			}
		}
		return strings.Join(out, " ")
	}
	for _, c := range []struct{ got, want string }{
		{labels(frequencyAxis(22.4, 22400)), "31 63 125 250 500 1k 2k 4k 8k 16k"},
		{labels(frequencyAxis(100, 5000)), "125 250 500 1k 2k 4k"},
		{labels(levelAxis(72, []float64{-18, -71})), "−80 −70 −60 −50 −40 −30 −20 −10"},
		{labels(levelAxis(72, nil)), "−60 −50 −40 −30 −20 −10 0"},
		{labels(symmetricAxis(6)), "−6 −4 −2 0 2 4 6"},
		{labels(timeAxis(0, 48)), "0:00 0:10 0:20 0:30 0:40"},
		{labels(timeAxis(0, 3600)), "0:00 10:00 20:00 30:00 40:00 50:00 60:00"},
	} {
		if c.got != c.want {
			t.Errorf("%q, want %q", c.got, c.want)
		}
	}
}

func TestTakesLookDifferent(t *testing.T) {
	lines, all := map[string]int{}, map[mark]int{}
	for i := range 32 {
		m := markOf(i)
		if j, ok := lines[Class(i)]; ok {
			t.Errorf("takes %d and %d have the same line", i, j)
		}
		if j, ok := all[m]; ok {
			t.Errorf("takes %d and %d look the same", i, j)
		}
		lines[Class(i)], all[m] = i, i
	}
}

// Colour conversions and simulations for judging the palette.

func linear(hex string) [3]float64 {
	var out [3]float64
	for i := range out {
		v, _ := strconv.ParseUint(hex[1+2*i:3+2*i], 16, 8)
		s := float64(v) / 255
		// Source: IEC 61966-2-1 (sRGB).
		if s <= 0.04045 {
			out[i] = s / 12.92
		} else {
			out[i] = math.Pow((s+0.055)/1.055, 2.4)
		}
	}
	return out
}

func times(m [3][3]float64, v [3]float64) (out [3]float64) {
	for i := range out {
		out[i] = m[i][0]*v[0] + m[i][1]*v[1] + m[i][2]*v[2]
	}
	return out
}

// oklab converts linear sRGB. Source: B. Ottosson, "A perceptual color space
// for image processing", 2020 (matrices from memory).
func oklab(rgb [3]float64) [3]float64 {
	l := times([3][3]float64{{0.4122214708, 0.5363325363, 0.0514459929}, {0.2119034982, 0.6806995451, 0.1073969566}, {0.0883024619, 0.2817188376, 0.6299787005}}, rgb)
	for i := range l {
		l[i] = math.Cbrt(l[i])
	}
	return times([3][3]float64{{0.2104542553, 0.7936177850, -0.0040720468}, {1.9779984951, -2.4285922050, 0.4505937099}, {0.0259040371, 0.7827717662, -0.8086757660}}, l)
}

// deficiencies are complete colour-vision deficiencies as matrices on linear
// RGB. Source: Machado, Oliveira, Fernandes, "A physiologically-based model
// for simulation of color vision deficiency", IEEE TVCG 15 (2009), severity
// 1.0 (from memory; each row must sum to 1, so that grey stays grey).
var deficiencies = map[string][3][3]float64{
	"normal vision": {{1, 0, 0}, {0, 1, 0}, {0, 0, 1}},
	"protanopia":    {{0.152286, 1.052583, -0.204868}, {0.114503, 0.786281, 0.099216}, {-0.003882, -0.048116, 1.051998}},
	"deuteranopia":  {{0.367322, 0.860646, -0.227968}, {0.280085, 0.672501, 0.047413}, {-0.011820, 0.042940, 0.968881}},
	"tritanopia":    {{1.255528, -0.076749, -0.178779}, {-0.078411, 0.930809, 0.147602}, {0.004733, 0.691367, 0.303900}},
}

func TestPaletteForColourVision(t *testing.T) {
	for name, m := range deficiencies {
		for _, r := range m {
			if math.Abs(r[0]+r[1]+r[2]-1) > 2e-6 {
				t.Errorf("%s: row %v does not keep grey", name, r)
			}
		}
	}
	if g := oklab([3]float64{1, 1, 1}); math.Abs(g[0]-1) > 1e-4 || math.Abs(g[1]) > 1e-4 || math.Abs(g[2]) > 1e-4 {
		t.Errorf("white is %v in OKLab", g)
	}
	for _, p := range []struct {
		name    string
		colours [colours]string
	}{{"light", light()}, {"dark", dark()}} {
		for vision, m := range deficiencies {
			least := math.Inf(1)
			for i := range p.colours {
				for j := range i {
					a, b := oklab(clip(times(m, linear(p.colours[i])))), oklab(clip(times(m, linear(p.colours[j]))))
					least = math.Min(least, math.Sqrt((a[0]-b[0])*(a[0]-b[0])+(a[1]-b[1])*(a[1]-b[1])+(a[2]-b[2])*(a[2]-b[2])))
				}
			}
			t.Logf("%s, %s: least difference %.3f in OKLab", p.name, vision, least)
			if least < 0.11 { // about five just noticeable differences of 0.02
				t.Errorf("%s, %s: two colours differ by only %.3f in OKLab", p.name, vision, least)
			}
		}
	}
}

// grounds are the colours that the style sheet gives the grounds of plots, and lines are
// the lines without a take, in light, dark and print.
func styled(t *testing.T, names ...string) (out [3]map[string]string) {
	t.Helper()
	css, err := os.ReadFile(filepath.Join("..", "..", "templates", "style.css"))
	if err != nil {
		t.Fatal(err)
	}
	blocks := regexp.MustCompile(`:root\{[^}]*\}`).FindAllString(string(css), -1)
	if len(blocks) != len(out) {
		t.Fatalf("%d blocks of variables", len(blocks))
	}
	for i, b := range blocks {
		out[i] = map[string]string{}
		for _, n := range names {
			m := regexp.MustCompile(`--` + n + `:(#[0-9a-f]{3}(?:[0-9a-f]{3})?);`).FindStringSubmatch(b)
			if m == nil {
				t.Fatalf("no --%s in block %d", n, i)
			}
			if out[i][n] = m[1]; len(m[1]) == 4 {
				out[i][n] = "#" + strings.Repeat(m[1][1:2], 2) + strings.Repeat(m[1][2:3], 2) + strings.Repeat(m[1][3:], 2)
			}
		}
	}
	return out
}

// contrast of two colours. Source: WCAG 2.2, "contrast ratio" and "relative luminance".
func contrast(a, b string) float64 {
	luminance := func(hex string) float64 {
		c := linear(hex)
		return 0.2126*c[0] + 0.7152*c[1] + 0.0722*c[2]
	}
	x, y := luminance(a), luminance(b)
	return (math.Max(x, y) + 0.05) / (math.Min(x, y) + 0.05)
}

// Every line is seen on every ground that it can cross.
// Source: WCAG 2.2, success criterion 1.4.11: 3:1 for graphics.
func TestLinesOnEveryGround(t *testing.T) {
	if c := contrast("#ffffff", "#767676"); math.Abs(c-4.54) > 0.005 { // from memory, the well-known grey of 4.54:1
		t.Errorf("contrast %v", c)
	}
	grounds, lines := []string{"paper", "sec0", "sec1", "band"}, []string{"soft", "dim", "ink", "bad"}
	for i, of := range styled(t, append(grounds, lines...)...) {
		drawn := map[string]string{}
		for _, n := range lines {
			drawn[n] = of[n]
		}
		takes := light()
		if i == 1 {
			takes = dark()
		}
		for k, c := range takes {
			drawn[strconv.Itoa(k)] = c
		}
		least := math.Inf(1)
		for n, c := range drawn {
			for _, g := range grounds {
				r := contrast(c, of[g])
				if least = math.Min(least, r); r < 3 {
					t.Errorf("block %d: %s %s has contrast %.2f on %s", i, n, c, r, g)
				}
			}
		}
		t.Logf("block %d: least contrast %.2f", i, least)
	}
}

// A take has one hue in light and dark: within 25 degrees, of which eight takes have 45.
func TestHueStays(t *testing.T) {
	l, d := light(), dark()
	for i := range l {
		a, b := oklab(linear(l[i])), oklab(linear(d[i]))
		turn := math.Remainder(math.Atan2(a[2], a[1])-math.Atan2(b[2], b[1]), 2*math.Pi) * 180 / math.Pi
		t.Logf("take %d turns by %.0f degrees", i+1, turn)
		if math.Abs(turn) > 25 {
			t.Errorf("take %d: %s is %.0f degrees from %s", i+1, l[i], turn, d[i])
		}
		for _, c := range [][3]float64{a, b} {
			if math.Hypot(c[1], c[2]) < 0.05 {
				t.Errorf("take %d has no hue", i+1)
			}
		}
	}
}

func clip(c [3]float64) [3]float64 {
	for i := range c {
		c[i] = math.Max(0, math.Min(1, c[i]))
	}
	return c
}

// Names that begin alike are cut in the middle, so that no two rows look the
// same.
func TestShortenEach(t *testing.T) {
	for _, c := range []struct {
		n           int
		names, want []string
	}{
		{14, []string{"Moss", "A baritone of many strings"}, []string{"Moss", "A baritone of…"}},
		{14, []string{"Snapping, noon, dark", "Snapping, noon, bright", "Snapping, low, dark"},
			[]string{"Snapp…on, dark", "Snapp…, bright", "Snapping, low…"}},
		{14, []string{"Moving coil, edge", "Moving coil, edge, again"}, []string{"Movin…il, edge", "Movin…e, again"}},
		{8, []string{"Drive at 9 o'clock", "Drive at 11 o'clock", "Drive at 1 o'clock"}, []string{"…9 o'cl…", "…11 o'c…", "…1 o'cl…"}},
		{14, []string{"Moss", "Moss"}, []string{"Moss", "Moss"}},
		{6, []string{"Lead one one", "Lead one one one"}, []string{"…e", "… one"}},
	} {
		if got := shortenEach(c.names, c.n); !slices.Equal(got, c.want) {
			t.Errorf("%q in %d letters: %q, want %q", c.names, c.n, got, c.want)
		}
	}
}
