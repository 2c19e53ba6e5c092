package report

import (
	"net/url"
	"path"
	"slices"
	"strings"
	"unicode/utf8"

	"evenhand/analyze/result"
	"evenhand/report/chart"
	"evenhand/report/fair"
	"evenhand/report/verdict"
)

const previewName = "preview.png"

// mostDescribed is how many letters the description of the page has at most. A link to
// the page shows only the beginning of a longer one: common practice, no source.
const mostDescribed = 200

// linkView is what a link to the page is shown with, in the terms of the Open Graph
// protocol. Its addresses must be whole: without the author's there are none.
// Source: The Open Graph protocol, "Basic Metadata" and "Structured Properties".
type linkView struct {
	Description   string
	URL           string // of the page; "" when the author does not state it
	Image, Alt    string // of the picture, with URL
	Width, Height int
}

func (b *builder) link() linkView {
	v := linkView{Description: b.description(), Width: chart.PreviewWidth, Height: chart.PreviewHeight}
	if v.URL = pageAddress(b.res.Comparison.URL); v.URL != "" {
		v.Image = v.URL[:strings.LastIndex(v.URL, "/")+1] + previewName
		p := b.preview()
		v.Alt = strings.Join(append([]string{fullStop(p.Title), p.Verdict}, p.Axes...), " ")
	}
	return v
}

// pageAddress is the address that the page's own links start from: that of a folder ends
// with a slash, even if the author left it out. It is "" for what is not a web address,
// which only results of foreign origin can have.
func pageAddress(written string) string {
	u, err := url.Parse(written)
	if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" {
		return ""
	}
	u.User, u.RawQuery, u.ForceQuery, u.Fragment, u.RawFragment = nil, "", false, "", ""
	p := u.EscapedPath()
	if e := path.Ext(p); !strings.HasSuffix(p, "/") && e != ".html" && e != ".htm" {
		u = u.JoinPath("/")
	}
	return u.String()
}

// description says in one sentence what was compared, and the verdict. It names fewer
// takes where there is no room, then no causes of the verdict; the verdict itself is
// always whole.
func (b *builder) description() string {
	v := verdict.Of(b.res.Checks)
	contents := []string{}
	for _, most := range []int{8, 4, 2} {
		contents = append(contents, b.comparedUpTo(most)+" "+v.Text)
	}
	for _, most := range []int{8, 4, 2, 0} {
		contents = append(contents, b.comparedUpTo(most)+" "+v.Brief())
	}
	for _, s := range contents {
		if s = oneLine(s); utf8.RuneCountInString(s) <= mostDescribed {
			return s
		}
	}
	end := " " + oneLine(v.Brief())
	what := []rune(oneLine(b.comparedUpTo(0)))
	return strings.TrimRight(string(what[:mostDescribed-1-utf8.RuneCountInString(end)]), " ,.:") + "…" + end
}

func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }

func fullStop(s string) string {
	if strings.HasSuffix(s, ".") || strings.HasSuffix(s, "!") || strings.HasSuffix(s, "?") {
		return s
	}
	return s + "."
}

// preview is what the picture of a link shows: how the takes that compete differ, or
// their loudness over time where no difference is resolved and heard.
func (b *builder) preview() chart.Preview {
	v := verdict.Of(b.res.Checks)
	p := chart.Preview{
		Title: b.res.Comparison.Heading(), Verdict: v.Text, Brief: v.Brief(),
		Class: fair.OutcomeOf(v.Outcome).Class,
	}
	differ := false
	for _, d := range b.differences(b.wholeName()) {
		if !b.ranked(d.Take) || d.Take == b.res.Comparison.Reference {
			continue
		}
		sure := emphasised(d.Third, b.res.AudibleIn(d))
		differ = differ || slices.Contains(sure, true)
		p.Curves = append(p.Curves, chart.Curve{Name: d.Take, Take: b.index(d.Take), X: centres(b.res.Spectrum.Third), Y: floats(d.Third.Difference)})
		p.Sure = append(p.Sure, sure)
	}
	if differ {
		p.Log = true
		p.Axes = []string{"Difference from " + b.againstWords() + " in dB, by frequency in Hz.", "Grey: not resolved or not heard."}
		return p
	}
	p.Curves, p.Sure = []chart.Curve{}, nil
	from, _ := b.span()
	for i, t := range b.res.Takes {
		if m, ok := t.Whole(); ok && t.Contestant() && m.Series != nil && m.Series.Step > 0 {
			c := loudnessCurve(t.Name, i, matchedLoudness(m.Series, t.Gain), float64(m.Series.Step), from)
			if slices.ContainsFunc(c.Y, chart.Finite) {
				p.Curves = append(p.Curves, c)
			}
		}
	}
	if len(p.Curves) > 0 {
		p.Axes = []string{"Short-term loudness in LUFS after matching, over time."}
	}
	return p
}

// preview draws the picture of a result.
func preview(res *result.Result) ([]byte, error) { return (&builder{res: res}).preview().PNG() }
