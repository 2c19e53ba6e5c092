package studio

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"sync"

	"evenhand/analyze/disk"
	"evenhand/analyze/wavio"
	"evenhand/examples"
)

// ErrExists marks a folder that Write does not write into because there is
// something in it.
var ErrExists = errors.New("the folder is not empty")

// Options says what Write makes. The zero value makes the demo scenario.
type Options struct {
	Scenario string // one of Scenarios; "" for the first
	Workers  int    // takes rendered at once; 0: as many as there are processors
}

// job is one audio file.
type job struct {
	file     string
	channels int
	frames   int
	cues     []wavio.Cue
	render   func(emit func([][]float64) error) error
}

// Write makes a scenario's manifest, notes and audio in dir, which it creates
// and which must otherwise be empty. Files appear in dir when all of them are
// complete, the manifest last; after an error there are none. The bytes are the
// same on every run and for any number of workers. (A processor on which the
// compiler fuses multiply and add may round a last bit of a few samples
// differently.)
//
// progress, if not nil, is told from one goroutine at a time how many frames
// of all files are done.
func Write(dir string, opts Options, progress func(done, total int)) (err error) {
	scenario := opts.Scenario
	if scenario == "" {
		scenario = Scenarios()[0]
	}
	s, err := Open(scenario)
	if err != nil {
		return err
	}
	made, err := claim(dir)
	if err != nil {
		return err
	}
	partial := filepath.Join(dir, ".unfinished")
	if err := disk.Mkdir(partial, 0o700); err != nil {
		return err
	}
	defer func() {
		err = errors.Join(err, disk.RemoveAll(partial))
		if err != nil && made {
			disk.Remove(dir) // which only works when it is empty
		}
	}()

	texts, err := writeTexts(partial, scenario)
	if err != nil {
		return err
	}
	jobs, err := s.jobs()
	if err != nil {
		return err
	}
	for _, j := range jobs {
		if err := disk.MkdirAll(filepath.Dir(filepath.Join(partial, filepath.FromSlash(j.file))), 0o755); err != nil {
			return err
		}
	}
	if err := s.run(partial, jobs, opts.Workers, progress); err != nil {
		return err
	}
	return publish(dir, partial, texts)
}

// claim makes dir if it is missing and refuses one with something in it.
func claim(dir string) (made bool, err error) {
	entries, err := os.ReadDir(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return true, disk.MkdirAll(dir, 0o755)
	case err != nil:
		return false, err
	case len(entries) > 0:
		return false, fmt.Errorf("%s: %w (it holds %q); choose a new or an empty folder", dir, ErrExists, entries[0].Name())
	}
	return false, nil
}

// writeTexts writes the manifest and the notes and returns their names.
func writeTexts(dir, scenario string) ([]string, error) {
	texts, err := examples.Texts(scenario)
	if err != nil {
		return nil, err
	}
	var names []string
	for _, t := range texts {
		if err := disk.WriteFile(filepath.Join(dir, t.Name), t.Data, 0o644); err != nil {
			return nil, err
		}
		names = append(names, t.Name)
	}
	return names, nil
}

// publish moves what is in partial up into dir, the texts last.
func publish(dir, partial string, texts []string) error {
	entries, err := os.ReadDir(partial)
	if err != nil {
		return err
	}
	var folders []string
	for _, e := range entries {
		if e.IsDir() {
			folders = append(folders, e.Name())
		}
	}
	moved := []string{}
	for _, name := range append(folders, texts...) {
		if err := disk.Rename(filepath.Join(partial, name), filepath.Join(dir, name)); err != nil {
			for _, m := range moved {
				err = errors.Join(err, disk.RemoveAll(filepath.Join(dir, m)))
			}
			return err
		}
		moved = append(moved, name)
	}
	return nil
}

// jobs lists the session's audio files, largest first.
func (s Session) jobs() ([]job, error) {
	dry, err := s.Dry()
	if err != nil {
		return nil, err
	}
	var jobs []job
	for _, t := range s.Takes {
		jobs = append(jobs, job{
			file: t.File, channels: len(t.Chain.Mics), frames: t.Chain.Frames(dry),
			render: func(emit func([][]float64) error) error { return t.Chain.Render(dry, emit) },
		})
	}
	whole := func(file string, cues []wavio.Cue, channels ...[]float64) {
		jobs = append(jobs, job{
			file: file, channels: len(channels), frames: len(channels[0]), cues: cues,
			render: func(emit func([][]float64) error) error { return emit(channels) },
		})
	}
	whole("audio/dry.wav", s.cues(), dry)
	if l := s.Loopback; l != nil {
		whole("audio/loopback.wav", nil, l.render(dry, s.Rate, s.Seed))
	}
	if len(s.IR) > 0 {
		whole("ir/openback.wav", nil, s.responses()...)
	}
	return jobs, nil
}

// responses are the channels of the cabinet file: all with the same gain, to a
// peak of responsePeak.
func (s Session) responses() [][]float64 {
	var channels [][]float64
	peak := 0.0
	for _, m := range s.IR {
		h := Cabinet(s.Rate, m)
		for _, v := range h {
			peak = max(peak, math.Abs(v))
		}
		channels = append(channels, h)
	}
	for _, h := range channels {
		for i := range h {
			h[i] *= responsePeak / peak
		}
	}
	return channels
}

const responsePeak = 0.7

// cues are the markers of a dry recording, one at every part.
func (s Session) cues() []wavio.Cue {
	if !s.Markers {
		return nil
	}
	var cues []wavio.Cue
	for i, p := range s.Score.Parts {
		from, to := p.Span()
		first := int64(from * float64(s.Rate))
		cues = append(cues, wavio.Cue{
			ID: uint32(i + 1), Frame: first, Length: int64(to*float64(s.Rate)) - first, Label: p.Name,
		})
	}
	return cues
}

// run writes all jobs' files below dir.
func (s Session) run(dir string, jobs []job, workers int, progress func(done, total int)) error {
	if workers <= 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	done, total := 0, 0
	for _, j := range jobs {
		total += j.frames
	}
	var mu sync.Mutex // guards done, failed and the calls of progress
	failed := false
	advance := func(frames int) bool {
		mu.Lock()
		defer mu.Unlock()
		done += frames
		if progress != nil && !failed {
			progress(done, total)
		}
		return !failed
	}
	errs := make([]error, len(jobs))
	next := make(chan int)
	var wg sync.WaitGroup
	for range workers {
		wg.Go(func() {
			for i := range next {
				if errs[i] = s.write(dir, jobs[i], advance); errs[i] != nil {
					mu.Lock()
					failed = true
					mu.Unlock()
				}
			}
		})
	}
	for i := range jobs {
		next <- i
	}
	close(next)
	wg.Wait()
	for _, err := range errs {
		if err != nil && !errors.Is(err, errStopped) {
			return err
		}
	}
	return nil
}

// errStopped ends the other files when one has failed.
var errStopped = errors.New("another file failed")

func (s Session) write(dir string, j job, advance func(frames int) bool) (err error) {
	if !advance(0) {
		return errStopped
	}
	path := filepath.Join(dir, filepath.FromSlash(j.file))
	w, err := wavio.Create(path, wavio.Spec{SampleRate: s.Rate, Channels: j.channels, Bits: s.Bits, Cues: j.cues})
	if err != nil {
		return err
	}
	defer func() {
		if e := w.Close(); err == nil {
			err = e
		}
	}()
	return j.render(func(block [][]float64) error {
		if err := w.Write(block); err != nil {
			return err
		}
		if !advance(len(block[0])) {
			return errStopped
		}
		return nil
	})
}
