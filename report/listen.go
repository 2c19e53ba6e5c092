package report

import (
	"html/template"
	"math"
	"strings"

	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/chart"
	"evenhand/report/settings"
	"evenhand/report/settings/panel"
	"evenhand/report/view"
)

// listenView is the listening area.
type listenView struct {
	Overview figure
	Takes    []listenTake
	Alike    []string    // what is the same for all takes
	Missing  bool        // no audio was published
	Player   *playerData // nil without pieces: the page then has plain players only
	Beside   *besideView // nil for none
}

type listenTake struct {
	Label    label
	Class    string // its colour and dash
	First    bool   // shown until a reader chooses
	Device   string
	Role     string
	Part     string // its role and what it is most, each in one word, for the button
	Line     string // how it differs, in a sentence
	Dials    []listenDial
	Inside   string // what is folded
	Size     string // of the file
	Signal   string
	Gain     string
	Level    string
	Path     string
	Encoding string
	Mics     int
	MicWords string
	Notes    view.Folded
	Polarity string // "" when the same as the reference's
	Withheld string // why the audio is not published; "" when it is
	Player   int    // number of the take in the player, see newPlayerData
}

// listenDial is a control of the device under test.
type listenDial struct {
	Drawing     template.HTML
	Value, Name string
}

func (b *builder) listen(beside *besideView) listenView {
	v := listenView{Takes: []listenTake{}, Missing: true, Overview: b.overview(), Player: newPlayerData(b.res), Beside: beside}
	player := 0
	for i, t := range b.res.Takes {
		l := listenTake{Label: b.labels[i], Class: chart.Class(i), Role: partWords(&t), Part: b.partWord(&t), Line: b.toneLine(t.Name), Dials: b.dials(i), Signal: t.Signal, Gain: gainWords(t.Gain), Notes: view.Fold(t.Notes), Mics: len(t.Mics)}
		if e := t.EqualChannels; e != nil {
			l.Signal += ", " + e.String()
		}
		if t.Device != t.Name {
			l.Device = t.Device
		}
		if t.Alignment.PolarityToReference == "inverted" {
			l.Polarity = "polarity inverted against the reference"
		}
		mics := []string{}
		for _, m := range t.Mics {
			s := m.Side + ": " + m.Name + ", " + m.Blend.String()
			if m.Position != "" {
				s += ", " + m.Position
			}
			mics = append(mics, s)
		}
		l.MicWords = strings.Join(mics, "; ")
		if p := t.Published; p != nil {
			v.Missing = false
			l.Path, l.Encoding = p.Path, p.Encoding
			l.Level = unit.Format(float64(p.Integrated), 2) + " LUFS, " + p.TruePeak.String()
			l.Player, l.First, l.Size = player, player == 0, byteWords(p.Bytes)
			player++
		}
		if t.Withheld != nil {
			l.Withheld = "Not published: the author of this page may not pass the recording on. Its numbers and its hash are here all the same."
		}
		l.Inside = insideWords(&l)
		v.Takes = append(v.Takes, l)
	}
	v.Alike = alikeTakes(v.Takes)
	return v
}

// partWord says in a word what part a take plays that its name does not say, "repeat" for
// one that repeats another, and whether it is the brightest or the darkest; "" for none.
func (b *builder) partWord(t *result.Take) string {
	out := []string{}
	word := t.Role
	if t.RepeatOf != "" {
		word = "repeat"
	}
	if word != "" && !named(t, word) {
		out = append(out, word)
	}
	if lo, hi := brightest(b.brightness()); hi != nil && t.Name == hi.Name {
		out = append(out, "brightest")
	} else if lo != nil && t.Name == lo.Name {
		out = append(out, "darkest")
	}
	return strings.Join(out, ", ")
}

// dials are the controls of the device under test as they stood in a take.
func (b *builder) dials(take int) []listenDial {
	out := []listenDial{}
	for _, s := range b.res.Settings.Slots {
		if s.Slot != b.res.Comparison.Slot {
			continue
		}
		for _, r := range s.Rows {
			if !r.Control || take >= len(r.Values) || r.Values[take].Absent {
				continue
			}
			x := r.Values[take]
			out = append(out, listenDial{settings.Drawing(manifest.ValueKind(x.Kind), panel.Knob(x)), orElse(x.Written, "not stated"), r.Name})
		}
	}
	return out
}

// insideWords names what is folded below a take.
func insideWords(l *listenTake) string {
	s := "Level"
	if l.Mics > 0 {
		s += ", microphones"
	}
	if l.Polarity != "" {
		s += ", polarity"
	}
	if l.Path != "" {
		s += ", download"
	}
	return s
}

// byteWords prints a size in decimal units.
func byteWords(n int64) string {
	if n < 100_000 {
		return unit.Format(float64(n)/1000, 1) + " kB"
	}
	return unit.Format(float64(n)/1e6, 1) + " MB"
}

// gainWords says what the match did to a take's level: a figure with a sign alone
// could be read as the take's loudness.
func gainWords(gain unit.DB) string {
	switch amount := dB(float64(gain)); {
	case math.IsNaN(float64(gain)):
		return "Level not matched"
	case amount == dB(0):
		return "Level unchanged"
	case gain < 0:
		return "Turned down " + amount
	default:
		return "Turned up " + amount
	}
}

// alikeTakes takes out of the takes what all of them have alike.
func alikeTakes(takes []listenTake) []string {
	out := []string{}
	if len(takes) < 2 {
		return out
	}
	for _, field := range []func(*listenTake) *string{
		func(l *listenTake) *string { return &l.Signal },
		func(l *listenTake) *string { return &l.Encoding },
		func(l *listenTake) *string { return &l.MicWords },
	} {
		first := *field(&takes[0])
		same := first != ""
		for i := range takes {
			same = same && *field(&takes[i]) == first
		}
		if !same {
			continue
		}
		out = append(out, first)
		for i := range takes {
			*field(&takes[i]) = ""
		}
	}
	return out
}

// overview is the picture of the performance in the listening area.
func (b *builder) overview() figure {
	f := figure{ID: "overview", Title: "The performance", Legend: []label{}, Words: []string{}}
	from, to := b.span()
	rows := []row{}
	names := []string{}
	for _, s := range b.sections() {
		names = append(names, s.Name)
		rows = append(rows, row{Cells: append([]cell{{Text: s.Name, Head: true}}, cells(s.From.String(), s.To.String())...)})
	}
	f.Table = newTable("Sections", heads("Section", "From", "To"), rows)
	if len(b.res.Timeline.Overview) > 0 {
		desc := "Peak level over time; the figures are in results.json."
		if len(names) > 0 {
			desc = "Peak level over time with the sections " + listUpTo(names, 12) + "."
		}
		f.SVG = svg(chart.Overview(chart.Text{Title: "Overview of the performance", Desc: desc}, floats(b.res.Timeline.Overview), b.chartSections(), from, to))
	}
	return f
}
