package again

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"evenhand/analyze/flacio"
	"evenhand/analyze/foreign"
	"evenhand/analyze/publish"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/analyze/work"
)

// File is a published file of a report, measured once more. The JSON
// has the fields of a take's published file that were measured.
type File struct {
	Name      string   `json:"name"`
	Published *figures `json:"published"`
	// Err says why the file could not be decoded; Pieces what is wrong with
	// the pieces that a player uses. "" for nothing.
	Err    string `json:"-"`
	Pieces string `json:"-"`
}

type figures struct {
	SHA256     string    `json:"sha256"`
	Bytes      int64     `json:"bytes"`
	Channels   int       `json:"channels"`
	SampleRate int       `json:"sample_rate_hz"`
	Encoding   string    `json:"encoding"`
	Frames     int64     `json:"frames"`
	Integrated unit.LUFS `json:"integrated_lufs"`
	TruePeak   unit.DBTP `json:"true_peak_dbtp"`
	SamplePeak unit.DBFS `json:"sample_peak_dbfs"`
	Deviation  unit.LU   `json:"deviation_lu"`
	Blend      *alone    `json:"blend,omitempty"`
}

// alone is what is found of the file of a microphone alone.
type alone struct {
	SHA256 string `json:"sha256"`
}

// Files decodes and measures every published file that a result names in the report
// folder dir, as it was measured after it was written, and makes sure that the pieces
// are of the file: where they begin in it, or of pieces that are files, their samples.
// Paths that lead out of dir are not opened. The error is ctx's.
func Files(ctx context.Context, dir string, res *result.Result, run work.Run) ([]File, error) {
	var out []File
	var files []*result.Published
	for i := range res.Takes {
		if p := res.Takes[i].Published; p != nil {
			out = append(out, File{Name: res.Takes[i].Name})
			files = append(files, p)
		}
	}
	step := run.Stage("measuring published audio", int64(len(out)))
	g, gctx := run.Group(ctx)
	for i := range out {
		g.Go(func() error {
			again, err := remeasure(gctx, dir, files[i], res.Match.Target)
			if err != nil {
				out[i].Err = err.Error()
			} else {
				out[i].Published = again
				err := checkPieces(gctx, dir, files[i])
				if err == nil {
					again.Blend, err = sumAlone(gctx, dir, files[i].Blend)
				}
				if err != nil {
					out[i].Pieces = err.Error()
				}
			}
			step(1)
			return gctx.Err()
		})
	}
	return out, g.Wait()
}

// inReport returns where a file is that a report names: a file, in the report's
// folder and behind no link.
func inReport(dir, path string) (string, error) {
	f, err := foreign.OpenIn(dir, path)
	if err != nil {
		return "", err
	}
	return f.Name(), f.Close()
}

// A FLAC file of a report may decode to mostFree bytes, or to mostTimes its own
// length: music, which has noise in it, never packs so well, and digital silence
// would be measured for days.
const (
	mostFree  = 256 << 20
	mostTimes = 200
)

// openPublished opens a published file that must have so many frames, before any
// is decoded.
func openPublished(dir, path string, frames int64) (*flacio.Decoder, error) {
	name, err := inReport(dir, path)
	if err != nil {
		return nil, err
	}
	st, err := os.Stat(name)
	if err != nil {
		return nil, err
	}
	d, err := flacio.Open(name)
	if err != nil {
		return nil, err
	}
	info := d.Info()
	most := max(mostFree, mostTimes*st.Size()) / int64(info.Channels*(info.Bits+7)/8)
	switch {
	case info.Frames != frames:
		err = fmt.Errorf("%s: it says that it has %d frames; the results say %d", path, info.Frames, frames)
	case frames > most:
		err = fmt.Errorf("%s: %d bytes that would decode to %d frames, more than audio can be packed", path, st.Size(), frames)
	default:
		return d, nil
	}
	return nil, errors.Join(err, d.Close())
}

func remeasure(ctx context.Context, dir string, p *result.Published, target unit.LUFS) (*figures, error) {
	d, err := openPublished(dir, p.Path, p.Frames)
	if err != nil {
		return nil, err
	}
	defer d.Close()
	info := d.Info()
	m, frames, err := publish.MeasureBlocks(ctx, d, info.SampleRate, info.Channels)
	if err != nil {
		return nil, err
	}
	again := &figures{
		Channels: info.Channels, SampleRate: info.SampleRate, Encoding: publish.EncodingName(info.Bits), Frames: frames,
		Integrated: m.Integrated, TruePeak: m.TruePeak, SamplePeak: m.SamplePeak, Deviation: unit.LU(m.Integrated - target),
	}
	again.SHA256, again.Bytes, err = foreign.SHA256File(ctx, filepath.Join(dir, filepath.FromSlash(p.Path)))
	return again, err
}

// sumAlone returns the hash of the file of a microphone alone; nil where the result has
// none to compare it with.
func sumAlone(ctx context.Context, dir string, b *result.BlendPlan) (*alone, error) {
	if b.File() == "" || b.SHA256 == "" {
		return nil, nil
	}
	name, err := inReport(dir, b.File())
	if err != nil {
		return nil, err
	}
	sum, _, err := foreign.SHA256File(ctx, name)
	return &alone{sum}, err
}
