package analyze

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"sync"

	"evenhand/analyze/fairness"
	"evenhand/analyze/foreign"
	"evenhand/analyze/manifest"
	"evenhand/analyze/mistake"
	"evenhand/analyze/recording"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/analyze/wavio"
	"evenhand/analyze/work"
)

// fileUse is one use of a file that the manifest names.
type fileUse struct {
	path         string // as the manifest names it
	shown        string // as the result names it: no folders of the machine it was made on
	use          string
	redistribute bool
	audio        bool

	full    string                 // on disk
	samples func() (string, error) // on disk, see input
	was     fs.FileInfo            // before it was read
	file    result.File
	info    wavio.Info
	err     error // why it cannot be used
}

// fileList is every use of a file that a manifest names.
type fileList struct {
	all       []*fileUse
	dry, loop *fileUse // nil for none
	takes     []*fileUse
}

// listFiles lists the files of a comparison. What has several uses of one kind,
// a photo say, is listed once; every take is listed.
func listFiles(c *manifest.Comparison) fileList {
	l := fileList{all: []*fileUse{{path: c.Path, shown: filepath.Base(c.Path), use: "manifest", redistribute: true}}}
	l.add(c.About, "notes", false)
	l.dry = l.add(c.Performance.Dry, "dry", true)
	l.loop = l.add(c.Performance.Loopback, "loopback", true)
	for i := range c.Takes {
		l.takes = append(l.takes, l.add(&c.Takes[i].File, "take", true))
	}
	for i := range c.Chain {
		l.addDevice(&c.Chain[i])
	}
	for i := range c.Takes {
		for k := range c.Takes[i].Slots {
			l.addDevice(&c.Takes[i].Slots[k].Device)
		}
		l.addPhoto(c.Takes[i].Photo)
		if m := c.Takes[i].Mics; m != nil {
			for _, m := range []*manifest.Mic{&m.Left, &m.Right} {
				l.add(m.File, "device file", false)
				l.addPhoto(m.Photo)
			}
		}
	}
	return l
}

// add returns the file's entry, nil for no file.
func (l *fileList) add(f *manifest.File, use string, audio bool) *fileUse {
	if f == nil {
		return nil
	}
	for _, u := range l.all {
		if u.path == f.Path && u.use == use && use != "take" {
			return u
		}
	}
	u := &fileUse{path: f.Path, shown: filepath.ToSlash(f.Path), use: use, redistribute: f.Redistribute, audio: audio}
	l.all = append(l.all, u)
	return u
}

func (l *fileList) addDevice(d *manifest.Device) {
	l.add(d.File, "device file", false)
	l.addPhoto(d.Photo)
}

func (l *fileList) addPhoto(p *manifest.Photo) {
	if p != nil {
		l.add(&p.File, "photo", false)
	}
}

// readFiles opens, checks and hashes every file that the manifest names.
func (s *Session) readFiles(ctx context.Context) error {
	l := listFiles(s.Manifest)
	step := s.run.Stage("reading", int64(len(l.all)))
	g, gctx := s.run.Group(ctx)
	for _, u := range l.all {
		g.Go(func() error {
			defer step(1)
			return s.readFile(gctx, u, func() (wavio.Info, string, error) { return recording.Open(ctx, u.full, s.scratch.Next) })
		})
	}
	if err := g.Wait(); err != nil {
		return err
	}
	if err := s.takeFiles(l.all); err != nil {
		return err
	}
	if err := s.openRecordings(l); err != nil {
		return err
	}
	return s.readNotes()
}

// readFile looks into a recording's header and hashes a file. What is wrong with
// the file is kept in it; the error is ctx's. unpack unpacks a FLAC file: it is asked
// at once, unless the store says that the file is whole.
func (s *Session) readFile(ctx context.Context, u *fileUse, unpack func() (wavio.Info, string, error)) error {
	c := s.Manifest
	u.full = manifest.OnDisk(c.Dir, u.path)
	if u.use == "manifest" {
		u.full = u.path
	}
	// A failure is that of opening it, which says more.
	u.was, _ = os.Stat(u.full)
	if u.audio {
		if u.info, u.err = recording.Inspect(u.full); u.err != nil {
			return ctx.Err()
		}
	}
	sum, n, err := foreign.SHA256File(ctx, u.full)
	if errors.Is(err, fs.ErrNotExist) && !u.audio && s.absent != nil {
		if f := s.absent(u.path); f != nil {
			u.file = result.File{Path: u.shown, Use: u.use, SHA256: f.SHA256, Bytes: f.Bytes, Redistribute: u.redistribute}
			return nil
		}
	}
	if err != nil {
		u.err = err
		return ctx.Err()
	}
	u.file = result.File{Path: u.shown, Use: u.use, SHA256: sum, Bytes: n, Redistribute: u.redistribute}
	if u.err = (recording.Input{Path: u.full, Was: u.was}).Unchanged(); u.err == nil && u.use == "manifest" && c.SHA256 != "" && c.SHA256 != sum {
		u.err = &recording.ChangedError{Path: u.full}
	}
	if u.audio && u.info.Container == recording.Container && u.err == nil {
		var frames int64
		u.samples = sync.OnceValues(func() (string, error) {
			info, samples, err := unpack()
			frames = info.Frames
			return samples, err
		})
		u.info.Frames, u.err = work.Once(s.run, "length", sum, nil, func() (int64, error) {
			_, err := u.samples()
			return frames, err
		})
	}
	if u.err != nil {
		return ctx.Err()
	}
	if u.audio {
		u.file.Audio = audioFormat(u.info)
	}
	return nil
}

// takeFiles puts the files that were read into the result. The error lists all
// that cannot be used.
func (s *Session) takeFiles(list []*fileUse) error {
	var bad []error
	for _, u := range list {
		if n := u.info.Frames; u.err == nil && (u.use == "take" || u.use == "dry") && u.info.Duration() < minShared {
			count := fmt.Sprintf("%d samples", n)
			if n == 1 {
				count = "1 sample"
			}
			u.err = fmt.Errorf("%s: it has %s (%.2f s); at least %.0f s are needed; export all of it", u.full, count, float64(u.info.Duration()), float64(minShared))
		}
		if u.err != nil {
			bad = append(bad, u.err)
			continue
		}
		s.Result.Files = append(s.Result.Files, u.file)
		s.inputs = append(s.inputs, recording.Input{Path: u.full, Was: u.was})
		for _, w := range u.info.Warnings {
			s.Result.Warnings = append(s.Result.Warnings, result.Warning{Where: u.path, Message: w})
		}
	}
	if bad != nil {
		return &mistake.Error{Problems: bad}
	}
	return nil
}

// openRecordings makes signals of the recordings, all of one sample rate. The
// error lists all that cannot be compared.
func (s *Session) openRecordings(l fileList) error {
	c := s.Manifest
	var bad []error
	open := func(u *fileUse, channels []int, blend []unit.DB) *recording.Signal {
		sig, err := recording.NewSignal(u.full, u.info, channels, blend)
		if err != nil {
			bad = append(bad, err)
			return nil
		}
		sig.SHA256 = u.file.SHA256
		sig.Input.Was, sig.Input.Samples = u.was, u.samples
		return sig
	}
	if l.dry != nil {
		s.dry = open(l.dry, monoChannels(l.dry.info), nil)
	}
	if l.loop != nil {
		s.loopback = open(l.loop, monoChannels(l.loop.info), nil)
	}
	wide := false
	for i, u := range l.takes {
		var blend []unit.DB
		if m := c.Takes[i].Mics; m != nil {
			blend = []unit.DB{m.Left.Blend, m.Right.Blend}
		}
		sig := open(u, c.Takes[i].Channels, blend)
		s.takes = append(s.takes, sig)
		wide = wide || sig != nil && sig.Channels() == 2
	}
	if bad != nil {
		return &mistake.Error{Problems: bad}
	}
	if s.dry != nil {
		r := recordingOf(s.dry)
		s.Dry = &r
	}
	for _, sig := range s.takes {
		s.Takes = append(s.Takes, fairness.NewTakeEvidence(recordingOf(sig)))
	}
	s.Anchor = s.anchorOf(s.anchorSum)
	s.Result.Parameters.PairsWith = s.pairsWithOf()
	rate := s.source().Info.SampleRate
	for i, u := range l.takes {
		if u.info.SampleRate != rate {
			bad = append(bad, fmt.Errorf("%s: the sample rate is %d Hz, the %s has %d Hz; all recordings of a comparison need one rate: %s",
				u.path, u.info.SampleRate, s.SourceName(), rate, rateAdvice(s.source(), s.takes[i])))
		}
	}
	if l.loop != nil && l.loop.info.SampleRate != rate {
		bad = append(bad, fmt.Errorf("%s: the sample rate is %d Hz, the other recordings have %d Hz; export it again at %d Hz", l.loop.path, l.loop.info.SampleRate, rate, rate))
	}
	if bad != nil {
		return &mistake.Error{Problems: bad}
	}
	for i, sig := range s.takes {
		s.Result.Takes[i].Widened = wide && sig.Widen()
		s.Result.Takes[i].Signal = sig.Label
	}
	s.Result.Timeline.SampleRate = rate
	return nil
}

func audioFormat(i wavio.Info) *result.AudioFormat {
	return &result.AudioFormat{
		Container:  i.Container,
		Encoding:   i.Encoding,
		SampleRate: i.SampleRate,
		Channels:   i.Channels,
		Frames:     i.Frames,
		Duration:   i.Duration(),
	}
}

// maxNotes is the largest notes file that is read.
const maxNotes = 64 << 10

func (s *Session) readNotes() error {
	about := s.Manifest.About
	if about == nil {
		return nil
	}
	if !about.Redistribute {
		s.tell(about.Path, "notes.withheld")
		return nil
	}
	if s.isAbsent(about.Path) {
		return nil
	}
	path := manifest.OnDisk(s.Manifest.Dir, about.Path)
	b, err := readNotes(path)
	if err != nil {
		return &mistake.Error{Problems: []error{err}}
	}
	if len(b) > maxNotes {
		return mistake.Errorf("%s: the notes have more than %d bytes, the most that a page shows; shorten them, or link to the rest", about.Path, maxNotes)
	}
	s.Result.Comparison.About = string(b)
	return nil
}

func readNotes(path string) ([]byte, error) {
	f, err := foreign.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, maxNotes+1))
}

// NamedFiles returns the paths of all files that a comparison names beside its
// manifest, as they are written there.
func NamedFiles(c *manifest.Comparison) []string {
	var out []string
	for _, u := range listFiles(c).all {
		if u.use != "manifest" {
			out = append(out, u.path)
		}
	}
	return out
}

// isAbsent tells whether a path of the manifest is known to be missing.
func (s *Session) isAbsent(path string) bool {
	if s.absent == nil || s.absent(path) == nil {
		return false
	}
	_, err := os.Stat(manifest.OnDisk(s.Manifest.Dir, path))
	return errors.Is(err, os.ErrNotExist)
}
