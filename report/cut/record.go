package cut

import (
	"fmt"
	"math"
	"slices"

	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/picture"
)

// RecordFormat is the version of the layout of cut.json and key.json. It grows
// when a field changes its meaning or goes.
//
// Format 2: a part plays its file from Part.Source on, which was Part.First before, and
// fades keep the level for Part.Correlation, which was 1 before.
const RecordFormat = 2

// Record is everything that is known about an edit: cut.json. Slices are never
// nil. When takes are to be guessed it holds letters for names, and what tells
// them apart is in Key alone.
type Record struct {
	Format       int            `json:"format"`
	Tool         result.Tool    `json:"tool"`
	Title        string         `json:"title"`
	By           string         `json:"by"`
	Date         string         `json:"date"`
	Guess        bool           `json:"guess_which"`
	Report       string         `json:"report"`
	SampleRate   int            `json:"sample_rate_hz"`
	Bits         int            `json:"bits"`
	Channels     int            `json:"channels"`
	Frames       int64          `json:"frames"`
	Conversion   string         `json:"sample_rate_conversion"`
	FrameRate    string         `json:"frame_rate"`
	Fraction     string         `json:"frames_per_second"` // exact: "30000/1001"
	Start        string         `json:"start_timecode"`
	TimeRef      int64          `json:"time_reference_samples"` // since midnight
	Changes      string         `json:"changes_take"`           // "at sections", "every …" or "in turn, …"
	Lead         int64          `json:"title_samples"`          // silence before the first part
	Closing      int64          `json:"closing_samples"`        // silence after the last
	NotHeard     []string       `json:"not_heard"`              // takes that are files only
	Fade         int64          `json:"fade_samples"`
	FadeShape    string         `json:"fade_shape"`
	Reach        unit.Seconds   `json:"reach_s"`
	Placement    string         `json:"placement"`
	Alignment    string         `json:"alignment"`
	Target       unit.LUFS      `json:"target_lufs"`
	ReportTarget unit.LUFS      `json:"report_target_lufs"` // higher where a conversion raises peaks
	Ceiling      unit.DBTP      `json:"ceiling_dbtp"`
	TargetSource string         `json:"target_source"`
	Tolerance    unit.LU        `json:"tolerance_lu"`
	PeakMargin   unit.DB        `json:"peak_margin_db"` // how far above the ceiling a true peak may lie
	Sites        []Site         `json:"loudness_of_sites"`
	Parts        []Part         `json:"parts"`
	Chapters     []Chapter      `json:"chapters"`
	Audio        []AudioFile    `json:"audio"`
	Video        *VideoFile     `json:"video,omitempty"`
	Checks       []result.Check `json:"checks"`
	Notes        []string       `json:"notes"`
}

// Part is a stretch of the edit with one take. Samples count from the first
// sample of the edit. Outside its fades it holds the samples of File from Source on.
type Part struct {
	Take     string   `json:"take"` // name or letter
	File     string   `json:"file"`
	Picture  string   `json:"picture"` // "" where none was drawn
	Section  string   `json:"section"`
	Settings string   `json:"settings"` // what sets it apart; "" when takes are to be guessed
	First    int64    `json:"first_sample"`
	End      int64    `json:"end_sample"`    // the one after it
	Source   int64    `json:"source_sample"` // the one of File that is heard at First
	In       string   `json:"timecode_in"`
	Out      string   `json:"timecode_out"`
	FadeIn   [2]int64 `json:"fade_in_samples"`  // first, and the one after it; equal for none
	FadeOut  [2]int64 `json:"fade_out_samples"` // the same; the fade into the next part
	// Correlation is what the fade into the part is made for, from −0.5 to 1.
	Correlation unit.Number  `json:"fade_correlation"`
	Wanted      int64        `json:"wanted_sample"` // where the cut was to be
	InPause     bool         `json:"in_pause"`
	Level       unit.DBFS    `json:"level_at_cut_dbfs"` // of the louder take in the fade; null at the beginning
	Rise        unit.DB      `json:"rise_at_cut_db"`
	Loudness    *unit.LUFS   `json:"integrated_lufs,omitempty"` // as a clip of its own; nil when takes are to be guessed
	From        unit.Seconds `json:"from_s"`
	To          unit.Seconds `json:"to_s"`
}

// AudioFile is a file as measured again after writing. When takes are to be
// guessed, Measured is nil for those: their peaks would tell them apart.
type AudioFile struct {
	Path     string        `json:"path"`
	Take     string        `json:"take"` // "" for the edit
	SHA256   string        `json:"sha256"`
	Bytes    int64         `json:"bytes"`
	Frames   int64         `json:"frames"`
	Measured *FileMeasures `json:"measured,omitempty"`
}

// FileMeasures are a file's figures over its whole length.
type FileMeasures struct {
	Integrated unit.LUFS `json:"integrated_lufs"`
	Deviation  unit.LU   `json:"deviation_lu"` // from the target
	TruePeak   unit.DBTP `json:"true_peak_dbtp"`
	SamplePeak unit.DBFS `json:"sample_peak_dbfs"`
	Range      unit.LU   `json:"range_lu"`
}

// Key tells which take is which letter: key.json.
type Key struct {
	Format int         `json:"format"`
	Title  string      `json:"title"`
	Seed   uint64      `json:"seed"`
	Draw   string      `json:"draw"`
	Takes  []KeyTake   `json:"takes"` // in the order of their letters
	Checks []KeyChecks `json:"measured"`
}

// KeyTake is one answer.
type KeyTake struct {
	Letter   string  `json:"letter"`
	Take     string  `json:"take"`
	Device   string  `json:"device"`
	Settings string  `json:"settings"`
	Source   string  `json:"source_file"`
	Gain     unit.DB `json:"gain_db"`
}

// KeyChecks are what the record leaves out of a file.
type KeyChecks struct {
	Letter string `json:"letter"`
	File   string `json:"file"`
	FileMeasures
}

// Failed reports whether a check failed.
func (r *Record) Failed() bool {
	for _, c := range r.Checks {
		if c.Outcome == result.Failed {
			return true
		}
	}
	return false
}

func (p *plan) seconds(frame int64) unit.Seconds {
	return unit.Seconds(float64(frame) / float64(p.rate))
}

// timecode is the label of the camera's frame that a sample is in.
func (p *plan) timecode(sample int64) string {
	return p.fps.Label(p.start + p.fps.FrameAt(sample, p.rate))
}

func (p *plan) record() *Record {
	c := p.res.Comparison
	r := &Record{
		Format: RecordFormat, Tool: p.res.Tool, Title: c.Title, By: c.By, Date: c.Date,
		Guess: p.o.Shuffle, Report: p.o.Report,
		SampleRate: p.rate, Bits: bits, Channels: p.channels(), Frames: p.length, Conversion: p.conversion(),
		FrameRate: p.fps.String(), Fraction: p.fps.Fraction(), Start: p.fps.Label(p.start), TimeRef: p.fps.Sample(p.start, p.rate),
		Changes: "at sections", Fade: p.fade, FadeShape: "gains 1−g and g over √((1−g)² + g² + 2·r·g·(1−g)), g from 0 to 1, r the part's fade_correlation", Reach: p.o.Reach,
		Lead: p.lead, Closing: p.length - p.sound, NotHeard: append([]string{}, p.unheard...),
		Placement: "on a frame of the camera, in a pause where there is one, where the level of the takes and its rise are least",
		Alignment: "lags taken out to the nearest sample of the session's rate",
		Target:    p.target, ReportTarget: p.res.Match.Target, Ceiling: p.res.Parameters.Match.Ceiling, TargetSource: p.res.Parameters.Match.TargetSource,
		Tolerance: result.MatchTolerance, PeakMargin: peakTolerance,
		Parts: []Part{}, Audio: []AudioFile{}, Checks: p.checks(),
	}
	switch {
	case p.o.Turns:
		r.Changes = inTurnPrefix + p.inTurn()
	case !p.o.Every.zero():
		r.Changes = "every " + p.o.Every.Written
	}
	for i, x := range p.parts {
		v := p.voices[x.voice]
		out := Part{
			Take: v.shown, File: v.file, Section: x.section, First: x.cut, End: p.end(i), Source: x.source, Correlation: x.used,
			In: p.timecode(x.cut), Out: p.timecode(p.end(i)),
			Wanted: x.nominal, InPause: x.inPause, Level: x.level, Rise: x.rise,
			From: p.seconds(x.cut), To: p.seconds(p.end(i)),
		}
		if p.o.Pictures {
			out.Picture = picturePath(picture.Landscape, v.stem)
		}
		out.FadeIn[0], out.FadeIn[1] = p.fadeIn(i)
		out.FadeOut[0], out.FadeOut[1] = p.fadeOut(i)
		if !p.o.Shuffle {
			out.Settings = settingsLine(p.res, v.take)
			out.Loudness = &p.parts[i].loudness
		}
		r.Parts = append(r.Parts, out)
	}
	file := func(path, take string, m measured, figures bool) {
		f := AudioFile{Path: path, Take: take, SHA256: m.sha256, Bytes: m.bytes, Frames: m.info.Frames}
		if figures {
			x := p.figures(m)
			f.Measured = &x
		}
		r.Audio = append(r.Audio, f)
	}
	file(editFile, "", p.edit, true)
	for _, v := range p.voices {
		file(v.file, v.shown, v.measured, !p.o.Shuffle)
	}
	r.Sites = p.sites()
	var notes []string
	r.Chapters, notes = chapters(r)
	r.Notes = slices.Concat([]string{}, p.notes, notes)
	if n := oneFile(r.Sites); n != "" {
		r.Notes = append(r.Notes, n)
	}
	return r
}

func (p *plan) figures(m measured) FileMeasures {
	return FileMeasures{
		Integrated: m.Integrated, Deviation: unit.LU(m.Integrated - p.target),
		TruePeak: m.TruePeak, SamplePeak: m.SamplePeak, Range: m.Range,
	}
}

// checks says whether what was written is what was promised: the takes' files
// at the target, every file below the ceiling, all of one length.
func (p *plan) checks() []result.Check {
	ceiling := p.res.Parameters.Match.Ceiling
	most := ceiling + unit.DBTP(peakTolerance)
	worst, far := 0.0, ""
	peak, high := p.edit.TruePeak, editFile
	odd := ""
	if p.edit.info.Frames != p.length {
		odd = editFile
	}
	for _, v := range p.voices {
		d := float64(v.Integrated - p.target)
		if far == "" || !(math.Abs(d) <= math.Abs(worst)) {
			worst, far = d, v.file
		}
		if !(v.TruePeak <= peak) {
			peak, high = v.TruePeak, v.file
		}
		if v.info.Frames != p.frames {
			odd = v.file
		}
	}
	outcome := func(ok bool) result.Outcome {
		if ok {
			return result.Passed
		}
		return result.Failed
	}
	all := result.Check{
		ID: "length", Name: "Equal length", Group: "files", Outcome: outcome(odd == ""), Subject: odd,
		Reason: "every take's file has the same first sample and the same length, and the edit has that of its parts", Value: fmt.Sprintf("%d samples", p.frames),
		Measured: unit.Number(p.frames), Unit: "samples", Limit: "all equal", LimitSource: "the files are to be stacked",
		Why: "files that are stacked must stay together to the last sample",
	}
	match := result.Check{
		ID: "match", Name: "Level match of the takes' files", Group: "sound", Subject: far,
		Outcome: outcome(math.Abs(worst) <= float64(result.MatchTolerance)),
		Reason:  "greatest deviation of a take's file from the target, measured again after writing",
		Value:   unit.Signed(worst, 3) + " LU", Measured: unit.Number(worst), Unit: "LU",
		Limit: "±" + unit.Format(float64(result.MatchTolerance), 2) + " LU", LimitSource: "common practice, no source",
		Why: "the louder of two takes tends to be preferred",
	}
	tp := result.Check{
		ID: "ceiling", Name: "True peak", Group: "sound", Subject: high, Outcome: outcome(peak <= most),
		Reason: "highest true peak of any file, measured again after writing; conversion and fades may move it a little",
		Value:  unit.Format(float64(peak), 2) + " dBTP", Measured: unit.Number(peak), Unit: "dBTP",
		Limit: "at most " + unit.Format(float64(most), 2) + " dBTP", LimitSource: "the ceiling and 0.1 dB",
		Why: "peaks above full scale distort in players and lossy codecs",
	}
	if p.o.Shuffle {
		match.Subject, tp.Subject = "", ""
	}
	if match.Outcome == result.Failed {
		match.Do = "write the edit at the session's own rate"
	}
	if tp.Outcome == result.Failed {
		tp.Do = "state a lower ceiling under match in the manifest"
	}
	return []result.Check{all, match, tp}
}

func (p *plan) key() Key {
	k := Key{Format: RecordFormat, Title: p.res.Comparison.Title, Seed: p.o.Seed,
		Draw:  "the takes in the manifest's order; each place from the last on swapped with one drawn from those up to it; PCG-DXSM of (seed, 0), drawn again where the remainder would favour a place",
		Takes: []KeyTake{}, Checks: []KeyChecks{}}
	for _, v := range p.voices {
		t := p.res.Takes[v.take]
		k.Takes = append(k.Takes, KeyTake{v.shown, t.Name, t.Device, settingsLine(p.res, v.take), t.File, t.Gain + v.trim})
		k.Checks = append(k.Checks, KeyChecks{v.shown, v.file, p.figures(v.measured)})
	}
	return k
}
