package cut

import (
	"fmt"
	"strings"

	"evenhand/analyze/fairness"
	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/verdict"
)

// describe returns the text for beneath the video.
func (p *plan) describe(r *Record) string {
	c := p.res.Comparison
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	line("%s", oneLine(c.Title))
	if by := strings.TrimSpace(strings.Join(nonEmpty(c.By, c.Date), ", ")); by != "" {
		line("%s", oneLine(by))
	}
	line("")
	var names []string
	for _, v := range p.voices {
		names = append(names, oneLine(v.shown))
	}
	same := p.same()
	if p.o.Shuffle {
		line("Guess which: %d takes of %s, called %s. What is compared is the %s. Which is which stands in a separate key.", len(names), same, manifest.List(names), c.Varies)
	} else {
		line("%d takes of %s: %s. What is compared is the %s.", len(names), same, manifest.List(names), c.Varies)
	}
	if p.unheard != nil {
		line("Not heard in this edit: %s.", oneLine(manifest.List(p.unheard)))
	}
	if i := instrument(c); i != "" {
		line("Played on: %s.", i)
	}
	if c.SetBy != "" && !p.o.Shuffle {
		line("Settings were chosen: %s.", oneLine(c.SetBy))
	}
	line("")
	line("HOW IT WAS MATCHED")
	line("Every take has the same loudness over the whole performance: %s integrated after ITU-R BS.1770, within ±%s LU. No true peak passes %s by more than %s dB.",
		unit.LUFS(r.Target), unit.Format(float64(r.Tolerance), 2), r.Ceiling, unit.Format(float64(r.PeakMargin), 1))
	changed := "gain is all that was changed"
	if p.resampled() {
		changed = "gain and sample rate are all that was changed"
	}
	line("The takes are aligned to the nearest sample and " + changed + ". A take has one gain throughout, so single parts of it may be louder or softer than in another.")
	if i := p.invertedTakes(); i != "" {
		line("%s", i)
	}
	line("Changes of take (%s) are crossfades of %s ms that keep the level, placed where they are heard least.", r.Changes, unit.Format(1000*float64(p.fade)/float64(p.rate), 0))
	line("Audio: %d Hz, %d bits.", r.SampleRate, r.Bits)
	if r.Report != "" {
		line("")
		line("Measurements, settings and the audio to check it all: %s", r.Report)
	}
	if !p.o.Shuffle {
		line("")
		line("WHAT DIFFERS")
		for _, v := range p.voices {
			s := underTest(p.res, v.take)
			if s == "" {
				s = "nothing is written down"
			}
			line("%s: %s", oneLine(v.shown), s)
		}
	}
	if held := heldEqual(p.res); held != nil {
		line("")
		line("WHAT IS EQUAL, IN SIGNAL ORDER")
		for _, h := range held {
			line("%s", h)
		}
	}
	if found := p.checksFound(); found != nil {
		line("")
		line("WHAT THE CHECKS FOUND")
		for _, f := range found {
			line("%s", oneLine(f))
		}
	}
	line("")
	line("CHAPTERS")
	b.WriteString(chapterLines(r.Chapters))
	if c.Disclosure != "" {
		line("")
		line("DISCLOSURE")
		line("%s", oneLine(c.Disclosure))
	}
	line("")
	line("CAUTION")
	line("Start at a low listening level: driven guitar is dense, and long loud listening harms hearing.")
	if cautions := manifest.Cautions(p.s.Manifest.Devices()); cautions != nil {
		line("If you repeat this: %s", strings.Join(cautions, "\n"))
	}
	line("Video sites process sound: a small difference that can be heard in the files may be gone here.")
	if rest := missing(p.shortened, b.String()); rest != nil {
		line("")
		line("SHORTENED IN THE PICTURES")
		for _, s := range rest {
			line("%s", s)
		}
	}
	return b.String()
}

// missing returns the texts that another does not hold, each in a line.
func missing(texts []string, in string) []string {
	var out []string
	for _, s := range texts {
		if s = oneLine(s); !strings.Contains(in, s) {
			out = append(out, s)
		}
	}
	return out
}

// invertedTakes says which takes are upside down, since that is not turned
// round here; "" for none. Of takes to be guessed it does not say which.
func (p *plan) invertedTakes() string {
	var names []string
	for _, v := range p.voices {
		if p.res.Takes[v.take].Alignment.PolarityToReference == "inverted" {
			names = append(names, oneLine(v.shown))
		}
	}
	switch n := len(names); {
	case n == 0:
		return ""
	case p.o.Shuffle:
		return fmt.Sprintf("Of inverted polarity against the reference, and left so: %d of the takes.", n)
	}
	return "Of inverted polarity against the reference, and left so: " + manifest.List(names) + "."
}

// toldChecks is how many checks the description tells one by one.
const toldChecks = 8

// askedChecks are the comparison's checks without the level match, which is measured again
// from the edit's own files.
func (p *plan) askedChecks() []result.Check {
	var out []result.Check
	for _, c := range p.res.Checks {
		if c.ID != fairness.IDMatch {
			out = append(out, c)
		}
	}
	return out
}

// checksFound is the verdict of the comparison's checks with the answers that
// failed or ask for caution; nil when none were made. When takes are to be guessed
// nothing is said about a single one.
func (p *plan) checksFound() []string {
	checks := p.askedChecks()
	if len(checks) == 0 {
		return nil
	}
	counts := fmt.Sprintf("The checks of this comparison: %s.", verdict.Counts(checks))
	if p.o.Shuffle {
		return []string{counts}
	}
	out := []string{verdict.Of(checks).Text, counts}
	told := 0
	for _, f := range verdict.Findings(checks) {
		for _, c := range f.Checks {
			if f.Outcome == result.NotMeasured {
				continue
			}
			s := string(f.Outcome) + ": " + strings.Join(nonEmpty(c.Name, c.Subject), ", ")
			if c.Value != "" {
				s += ": " + c.Value
			}
			if c.Limit != "" {
				s += " (limit " + c.Limit + ")"
			}
			if told++; told <= toldChecks {
				out = append(out, s)
			}
		}
	}
	if told > toldChecks {
		out = append(out, fmt.Sprintf("and %d more", told-toldChecks))
	}
	return out
}

func nonEmpty(s ...string) []string {
	var out []string
	for _, x := range s {
		if strings.TrimSpace(x) != "" {
			out = append(out, x)
		}
	}
	return out
}

func instrument(c result.Comparison) string {
	parts := nonEmpty(c.Instrument, c.Pickup)
	if c.Tuning != "" {
		parts = append(parts, "tuned "+c.Tuning)
	}
	return oneLine(strings.Join(parts, ", "))
}

// heldEqual lists the slots with what does not differ between takes there; what
// the comparison varies is not among it.
func heldEqual(res *result.Result) []string {
	var out []string
	for _, slot := range res.Settings.Slots {
		device := ""
		var rest []string
		for _, r := range slot.Rows {
			if r.Differs || r.Varied || len(r.Values) == 0 || !r.Values[0].Stated || r.Name == "notes" && !r.Control {
				continue
			}
			if r.Name == "device" && !r.Control {
				device = r.Values[0].Written
				continue
			}
			rest = append(rest, r.Name+" "+r.Values[0].Written)
		}
		if device == "" && rest == nil {
			continue
		}
		line := slot.Slot
		if device != "" {
			line += ": " + device
		}
		if rest != nil {
			line += " (" + strings.Join(rest, ", ") + ")"
		}
		out = append(out, oneLine(line))
	}
	if m := blended(res.Takes[0]); m != "" && !micsDiffer(res) {
		out = append(out, "microphones: "+m)
	}
	return out
}
