package analyze

import (
	"context"
	"errors"
	"io/fs"
	"math"

	"golang.org/x/sync/errgroup"

	"evenhand/analyze/align"
	"evenhand/analyze/faults"
	"evenhand/analyze/loudness"
	"evenhand/analyze/manifest"
	"evenhand/analyze/mistake"
	"evenhand/analyze/recording"
	"evenhand/analyze/unit"
	"evenhand/analyze/wavio"
)

// scan is one file as it is on disk: every channel that is used, not the signal
// that is compared.
type scan struct {
	name string // as shown: "dry recording", "loopback", a take's name
	use  string // as File.Use
	take int    // −1 for none
	*signal
	channels []int // of the file, from 1: what the take's channels: names, else all
	fileFacts
}

// fileFacts are what is found in the channels of one file.
type fileFacts struct {
	Peaks  []channelPeak
	Faults faults.Result
}

type channelPeak struct {
	Sample unit.DBFS
	True   unit.DBTP
}

// highest returns the place in channels of the one with the highest true peak.
func (f *scan) highest() (channel int, p channelPeak) {
	p = channelPeak{unit.DBFS(math.Inf(-1)), unit.DBTP(math.Inf(-1))}
	for c, x := range f.Peaks {
		if x.True > p.True {
			channel, p = c, x
		}
	}
	return channel, p
}

// micPair is how the two microphones of a take lie to each other: the right
// one against the left.
type micPair struct {
	described bool // as two microphones
	compared  bool
	estimate  align.Estimate
}

// deviceFile is a file of a device that is audio: an impulse response.
type deviceFile struct {
	path string
	info wavio.Info
}

// scanFiles reads every recording once more as it is on disk. It goes on beside
// other steps, so it changes nothing that they use and reports no progress.
func (s *Session) scanFiles(ctx context.Context) error {
	add := func(name, use string, take int, sig *signal) {
		if sig == nil {
			return
		}
		f := &scan{name: name, use: use, take: take, signal: sig}
		if take >= 0 {
			f.channels = s.Manifest.Takes[take].Channels
		}
		if f.channels == nil {
			for c := range f.info.Channels {
				f.channels = append(f.channels, c+1)
			}
		}
		s.scans = append(s.scans, f)
	}
	add("dry recording", "dry", -1, s.dry)
	add("loopback", "loopback", -1, s.loopback)
	for i, sig := range s.takes {
		add(s.Result.Takes[i].Name, "take", i, sig)
	}
	s.mics = make([]micPair, len(s.takes))
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(max(1, s.workers/2)) // other steps have the rest
	for _, f := range s.scans {
		g.Go(func() (err error) {
			in := fileChannels{f.sha256, f.channels}
			if f.fileFacts, err = once(s, "faults", in, []*signal{f.signal}, func() (fileFacts, error) { return f.read(ctx) }); err != nil {
				return inFile(f.path, err)
			}
			return nil
		})
	}
	for _, f := range s.scans {
		if f.take < 0 || len(f.channels) != 2 {
			continue
		}
		pair := &s.mics[f.take]
		pair.described, pair.compared = s.Manifest.Takes[f.take].Mics != nil, true
		g.Go(func() (err error) {
			in := struct {
				File   fileChannels
				Middle bool
			}{fileChannels{f.sha256, f.channels}, !pair.described}
			pair.estimate, err = once(s, "microphones", in, []*signal{f.signal}, func() (align.Estimate, error) { return s.compareMics(f) })
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

// read measures one file.
func (f *scan) read(ctx context.Context) (out fileFacts, err error) {
	r, err := f.input.open()
	if err != nil {
		return out, err
	}
	defer r.Close()
	n := len(f.channels)
	meters, used := make([]*loudness.Peaks, n), make([][]float64, n)
	for c := range meters {
		if meters[c], err = loudness.NewPeaks(f.info.SampleRate); err != nil {
			return out, err
		}
	}
	found := faults.NewMeter(f.info.SampleRate, n, faults.Params{})
	err = recording.EachBlock(ctx, r, f.info.Channels, func(block [][]float64) error {
		for c, m := range meters {
			used[c] = block[f.channels[c]-1]
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
		var p channelPeak
		p.Sample, p.True = m.Finish()
		out.Peaks = append(out.Peaks, p)
	}
	out.Faults = found.Finish()
	return out, nil
}

// micReach is the greatest delay between two microphones that is looked for:
// that of 17 m of air.
const micReach = unit.Seconds(0.05)

// compareMics finds how much later the right channel of a take is.
func (s *Session) compareMics(f *scan) (align.Estimate, error) {
	var parts [2]align.Source
	for k := range parts {
		sig, err := newSignal(f.path, f.info, f.channels[k:k+1], nil)
		if err != nil {
			return align.Estimate{}, err
		}
		sig.input = f.input
		r, err := sig.open()
		if err != nil {
			return align.Estimate{}, err
		}
		defer r.Close()
		if parts[k] = r; !s.mics[f.take].described {
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
	s.irs = map[string]deviceFile{}
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
		s.irs[f.Path] = deviceFile{f.Path, info}
	}
	return nil
}
