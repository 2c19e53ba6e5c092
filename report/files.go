package report

import (
	"fmt"

	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/tables"
)

// withheldWords names a file that may not be passed on, and what follows for
// its audio.
func withheldWords(f result.File) string {
	if f.Use == "take" {
		return f.Path + " (nor the take’s matched audio)"
	}
	return f.Path
}

// filesView is what was read and what is published.
type filesView struct {
	Read      table
	Written   table
	Withheld  []string
	Downloads []fact // path and words
	Tool      string
	Format    int
}

func (b *builder) files() filesView {
	v := filesView{Withheld: []string{}, Downloads: []fact{{Name: result.FileName, Value: "every number, parameter and hash"}}, Tool: b.tool(), Format: b.res.Format}
	if len(b.opts.Manifest) > 0 {
		v.Downloads = append(v.Downloads, fact{Name: manifestName, Value: "the manifest, as read"})
	}
	if b.opts.sheet != "" {
		v.Downloads = append(v.Downloads, fact{Name: b.opts.sheet, Value: "the settings, to start the next comparison from"})
	}
	for _, f := range tables.Of(b.res) {
		v.Downloads = append(v.Downloads, fact{Name: f.Path, Value: f.Words})
	}
	rows := []row{}
	for _, f := range b.res.Files {
		format := "–"
		if a := f.Audio; a != nil {
			format = fmt.Sprintf("%s, %s, %d Hz, %s, %s", a.Container, a.Encoding, a.SampleRate, plural(a.Channels, "channel", "channels"), a.Duration)
		}
		pub := "allowed"
		if !f.Redistribute {
			pub = "not allowed"
			v.Withheld = append(v.Withheld, withheldWords(f))
		}
		rows = append(rows, row{Cells: []cell{{Text: f.Path, Head: true, Refs: b.notes.about(f.Path)}, {Text: f.Use, Class: "t"}, {Text: format, Class: "t"}, {Text: fmt.Sprint(f.Bytes)}, {Text: pub, Class: "t"}, {Text: f.SHA256, Class: "hash"}}})
	}
	v.Read = newTable("Files that were read", heads("File", "<Use", "<Format", "Bytes", "<Redistribution", "<SHA-256"), rows).Alike()
	rows = []row{}
	for _, t := range b.res.Takes {
		if p := t.Published; p != nil {
			rows = append(rows, row{Cells: []cell{{Text: p.Path, Head: true}, {Text: fmt.Sprintf("%s, %d Hz, %s", p.Encoding, p.SampleRate, plural(p.Channels, "channel", "channels")), Class: "t"}, {Text: unit.Format(float64(p.Integrated), 2)}, {Text: unit.Signed(float64(p.Deviation), 3)}, {Text: unit.Format(float64(p.TruePeak), 2)}, {Text: fmt.Sprint(p.Bytes)}, {Text: p.SHA256, Class: "hash"}}})
		}
	}
	v.Written = newTable("Files that are published here, measured again", heads("File", "<Format", "Integrated, LUFS", "Off target, LU", "True peak, dBTP", "Bytes", "<SHA-256"), rows).Alike()
	return v
}
