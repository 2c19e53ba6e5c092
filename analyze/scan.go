package analyze

import (
	"context"
	"errors"
	"io/fs"

	"golang.org/x/sync/errgroup"

	"evenhand/analyze/align"
	"evenhand/analyze/fairness"
	"evenhand/analyze/faults"
	"evenhand/analyze/loudness"
	"evenhand/analyze/manifest"
	"evenhand/analyze/mistake"
	"evenhand/analyze/recording"
	"evenhand/analyze/unit"
	"evenhand/analyze/wavio"
	"evenhand/analyze/work"
)

// scanFiles reads every recording once more as it is on disk. It goes on beside
// other steps, so it changes nothing that they use and reports no progress.
func (s *Session) scanFiles(ctx context.Context) error {
	signals := map[*fairness.FileEvidence]*recording.Signal{}
	add := func(name, use string, take int, sig *recording.Signal) {
		if sig == nil {
			return
		}
		f := &fairness.FileEvidence{Name: name, Use: use, Take: take, Recording: recordingOf(sig)}
		if take >= 0 {
			f.Channels = s.Manifest.Takes[take].Channels
		}
		if f.Channels == nil {
			for c := range f.Info.Channels {
				f.Channels = append(f.Channels, c+1)
			}
		}
		s.Files, signals[f] = append(s.Files, f), sig
	}
	add("dry recording", "dry", -1, s.dry)
	add("loopback", "loopback", -1, s.loopback)
	for i, sig := range s.takes {
		add(s.Result.Takes[i].Name, "take", i, sig)
	}
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(max(1, s.run.Limit()/2)) // other steps have the rest
	for _, f := range s.Files {
		sig := signals[f]
		channels := fileChannels{f.SHA256, f.Channels}
		g.Go(func() (err error) {
			f.FileFacts, err = work.Once(s.run, "faults", channels, []*recording.Signal{sig}, func() (fairness.FileFacts, error) { return scanFile(ctx, sig.Input, f.Info, f.Channels) })
			if err != nil {
				return recording.InFile(f.Path, err)
			}
			return nil
		})
		if f.Take < 0 || len(f.Channels) != 2 {
			continue
		}
		pair := &s.Takes[f.Take].Mics
		pair.Described, pair.Compared = s.Manifest.Takes[f.Take].Mics != nil, true
		in := struct {
			File   fileChannels
			Middle bool
		}{channels, !pair.Described}
		g.Go(func() (err error) {
			pair.Estimate, err = work.Once(s.run, "microphones", in, []*recording.Signal{sig}, func() (align.Estimate, error) { return compareMics(sig, f.Channels, in.Middle) })
			return err
		})
	}
	if err := g.Wait(); err != nil {
		return err
	}
	return s.inspectDeviceFiles()
}

// fileChannels are channels of a file, from 1.
type fileChannels struct {
	SHA256   string
	Channels []int
}

// scanFile measures channels of one file.
func scanFile(ctx context.Context, file recording.Input, info wavio.Info, channels []int) (out fairness.FileFacts, err error) {
	r, err := file.Open()
	if err != nil {
		return out, err
	}
	defer r.Close()
	n := len(channels)
	meters, used := make([]*loudness.Peaks, n), make([][]float64, n)
	for c := range meters {
		if meters[c], err = loudness.NewPeaks(info.SampleRate); err != nil {
			return out, err
		}
	}
	found := faults.NewMeter(info.SampleRate, n, faults.Params{})
	err = recording.EachBlock(ctx, r, info.Channels, func(block [][]float64) error {
		for c, m := range meters {
			used[c] = block[channels[c]-1]
			if err := m.Write(used[c]); err != nil {
				return err
			}
		}
		return found.Write(used)
	})
	if err != nil {
		return out, err
	}
	for _, m := range meters {
		var p fairness.ChannelPeak
		p.Sample, p.True = m.Finish()
		out.Peaks = append(out.Peaks, p)
	}
	out.Faults = found.Finish()
	return out, nil
}

// micReach is the greatest delay between two microphones that is looked for:
// that of 17 m of air.
const micReach = unit.Seconds(0.05)

// compareMics finds how much later the second of two channels is, or only in the middle
// of the recording.
func compareMics(sig *recording.Signal, channels []int, onlyMiddle bool) (align.Estimate, error) {
	var parts [2]align.Source
	for k := range parts {
		one, err := recording.NewSignal(sig.Path, sig.Info, channels[k:k+1], nil)
		if err != nil {
			return align.Estimate{}, err
		}
		one.Input = sig.Input
		r, err := one.Open()
		if err != nil {
			return align.Estimate{}, err
		}
		defer r.Close()
		if parts[k] = r; onlyMiddle {
			parts[k] = middle{r}
		}
	}
	return align.Find(parts[0], parts[1], align.Options{MaxLag: micReach})
}

// middle is the middle of a recording, at most middleSpan: enough to see that channels
// are out of step, which stays the same throughout.
type middle struct{ align.Source }

const middleSpan = 10 // s

func (m middle) Len() int64 { return min(m.Source.Len(), int64(middleSpan*m.Rate())) }

func (m middle) ReadAt(dst []float64, first int64) (int, error) {
	from := (m.Source.Len() - m.Len()) / 2
	// Beyond its ends there is silence, as beyond those of a recording.
	before := max(0, min(int64(len(dst)), -first))
	end := max(before, min(int64(len(dst)), m.Len()-first))
	clear(dst[:before])
	clear(dst[end:])
	return m.Source.ReadAt(dst[before:end], from+first+before)
}

// inspectDeviceFiles reads the headers of impulse responses. Files that are no
// audio, such as models, are left alone.
func (s *Session) inspectDeviceFiles() error {
	s.Responses = map[string]wavio.Info{}
	for _, f := range s.Result.Files {
		if f.Use != "device file" || !manifest.NamesRecording(f.Path) {
			continue
		}
		info, err := recording.Inspect(manifest.OnDisk(s.Manifest.Dir, f.Path))
		if errors.Is(err, fs.ErrNotExist) {
			continue // known from an earlier report alone: see Options.Absent
		}
		if err != nil {
			return &mistake.Error{Problems: []error{err}}
		}
		s.Responses[f.Path] = info
	}
	return nil
}

// noteEqualChannels writes down which takes are mono on two channels.
func (s *Session) noteEqualChannels() {
	for _, f := range s.Files {
		if f.Take >= 0 {
			s.Result.Takes[f.Take].EqualChannels = f.EqualChannels()
		}
	}
}
