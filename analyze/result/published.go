package result

import (
	"evenhand/analyze/listening"
	"evenhand/analyze/unit"
)

// Published is a file of the report, measured again after writing.
type Published struct {
	Path       string    `json:"path"` // in the report folder, forward slashes
	SHA256     string    `json:"sha256"`
	Bytes      int64     `json:"bytes"`
	Encoding   string    `json:"encoding"` // "FLAC, 24-bit"
	Channels   int       `json:"channels"`
	SampleRate int       `json:"sample_rate_hz"`
	Frames     int64     `json:"frames"`
	Integrated unit.LUFS `json:"integrated_lufs" figure:"integrated, measured again (LUFS)"` // whole span, re-measured
	TruePeak   unit.DBTP `json:"true_peak_dbtp" figure:"true peak, measured again (dBTP)"`
	SamplePeak unit.DBFS `json:"sample_peak_dbfs" figure:"sample peak, measured again (dBFS)"`
	Deviation  unit.LU   `json:"deviation_lu" figure:"off the target (LU)"` // re-measured less target
	// Pieces are the stretches in which players load the file; see PublishOptions.
	Pieces []Piece    `json:"pieces,omitempty"`
	Blend  *BlendPlan `json:"blend,omitempty"` // two-microphone takes only
}

// Withheld is a take's matched audio that was made and measured like the
// published one but is not in the report.
type Withheld struct {
	Reason     string    `json:"reason"` // why it is not published
	Integrated unit.LUFS `json:"integrated_lufs" figure:"integrated, measured again (LUFS)"`
	TruePeak   unit.DBTP `json:"true_peak_dbtp" figure:"true peak, measured again (dBTP)"`
	SamplePeak unit.DBFS `json:"sample_peak_dbfs" figure:"sample peak, measured again (dBFS)"`
	Deviation  unit.LU   `json:"deviation_lu" figure:"off the target (LU)"` // from the target
}

// Warning is a doubt about a result.
type Warning struct {
	Where string `json:"where"` // a file or a take; "" for the whole
	Text
	// Message are the words, as those of Check, or what was said in words.
	Message string `json:"message,omitempty"`
}

// AudioID returns the name of a comparison's published audio: the SHA-256, in
// lower-case hexadecimal, of a line for each published take in order that holds
// the SHA-256 of its file. "" when none is published, or one that is not
// withheld is missing. Listening answers carry its first ten digits, so that
// they count for this audio only, and number the published takes alone.
func (r *Result) AudioID() string {
	sums := []string{}
	for _, t := range r.Takes {
		switch {
		case t.Published != nil:
			sums = append(sums, t.Published.SHA256)
		case t.Withheld == nil:
			return ""
		}
	}
	return audioID(sums)
}

// Heard returns the names of the takes whose audio is published, in order:
// those that a reader can listen to.
func (r *Result) Heard() []string {
	names := []string{}
	for _, t := range r.Takes {
		if t.Published != nil {
			names = append(names, t.Name)
		}
	}
	return names
}

// Ranked returns the takes that can be heard as listening answers know them.
func (r *Result) Ranked() []listening.Take {
	takes := []listening.Take{}
	for i := range r.Takes {
		if t := &r.Takes[i]; t.Published != nil {
			takes = append(takes, listening.Take{Name: t.Name, Aside: !t.Contestant()})
		}
	}
	return takes
}

// WithheldNames returns the names of the takes whose audio is withheld, in
// order.
func (r *Result) WithheldNames() []string {
	names := []string{}
	for _, t := range r.Takes {
		if t.Withheld != nil {
			names = append(names, t.Name)
		}
	}
	return names
}

// Piece is a stretch of a published take: Bytes bytes of the file at Path from Offset
// on, which are whole blocks of a FLAC file without its stream header. The pieces of a
// take follow each other without a gap to the end of the file, and begin at the same
// frames in all takes. In results of earlier versions each piece is a file of its own,
// with a header and a SHA-256, and Offset is 0.
type Piece struct {
	Path       string `json:"path"` // in the report folder, forward slashes
	Offset     int64  `json:"offset,omitempty"`
	FirstFrame int64  `json:"first_frame"`
	Frames     int64  `json:"frames"`
	SHA256     string `json:"sha256,omitempty"`
	Bytes      int64  `json:"bytes"`
}

// BlendPlan is what a player needs to blend the microphones of a take anew at
// the loudness of the match. At Position p, the amplitudes of the left and the
// right microphone as recorded are in the ratio 1−p to p: 0 is the left one
// alone, 1 the right one.
type BlendPlan struct {
	Side   string  `json:"side"`                       // the microphone that is alone in the file of Pieces
	Gain   unit.DB `json:"gain_db" figure:"gain (dB)"` // from its recording to that file
	Pieces []Piece `json:"pieces"`
	SHA256 string  `json:"sha256,omitempty"` // of that file; "" in results of earlier versions
	// Start is the position of the manifest's blend.
	Start unit.Number `json:"start_position" figure:"start position (0 to 1)"`
	// Steps are in rising order of Position from 0 to 1; Start is among them. A
	// position at which the microphones cancel is left out.
	Steps []BlendStep `json:"steps"`
}

// File returns the path of the file that the pieces are of; "" without a plan, and where
// each piece is a file of its own.
func (b *BlendPlan) File() string {
	if b == nil || len(b.Pieces) == 0 || b.Pieces[0].Offset == 0 {
		return ""
	}
	return b.Pieces[0].Path
}

// BlendStep is one position of a blend. Gain is what both microphones get
// beside their shares 1−p and p, from recording to target loudness over the
// whole span; Peak is the sample peak that the blend then has, which can be
// above 0 dBFS.
type BlendStep struct {
	Position unit.Number `json:"position" figure:"position (0 to 1)"`
	Gain     unit.DB     `json:"gain_db" figure:"gain (dB)"`
	Peak     unit.DBFS   `json:"sample_peak_dbfs" figure:"sample peak (dBFS)"`
}

// FileName is the name of a stored result, in a report.
const FileName = "results.json"

// AudioDir is the folder of the published audio in a report, with a forward
// slash when part of a path there.
const AudioDir = "audio"
