package watch

import (
	"bytes"
	"errors"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"evenhand/analyze/unit"
	"evenhand/analyze/wavio"
)

// tone returns the file of a recording of 4 s.
func tone(t *testing.T) []byte {
	t.Helper()
	const rate, seconds = 8000, 4
	path := filepath.Join(t.TempDir(), "tone.wav")
	w, err := wavio.Create(path, wavio.Spec{SampleRate: rate, Channels: 1, Bits: 16})
	if err != nil {
		t.Fatal(err)
	}
	x := make([]float64, rate*seconds)
	for i := range x {
		x[i] = 0.1 * math.Sin(float64(i)/10)
	}
	if err := errors.Join(w.Write([][]float64{x}), w.Close()); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// TestLanding follows a file through what recorders, editors and people do to it. Each
// step says how much later it is looked at, and what is seen then.
func TestLanding(t *testing.T) {
	all := tone(t)
	open := append([]byte{}, all...) // whose header is written last
	head := bytes.Index(all, []byte("data")) + 8
	copy(open[head-4:head], []byte{0, 0, 0, 0})
	zeros := append(append([]byte{}, all[:head]...), make([]byte, len(all)-head)...) // preallocated
	const least = unit.Seconds(3.8)
	half := len(all) / 2 / 2 * 2

	type step struct {
		after time.Duration
		write []byte // nil: nothing; empty: removed
		want  state
	}
	const moment = 100 * time.Millisecond
	for name, steps := range map[string][]step{
		"written at once": {{0, all, coming}, {earlyAfter - moment, nil, coming}, {moment, nil, whole}, {landedAfter - earlyAfter - moment, nil, whole}, {moment, nil, landed}},
		"grows in bursts": {{0, all[:half], coming}, {landedAfter, all[:half+1000], coming}, {landedAfter, all, coming}, {landedAfter, nil, landed}},
		"stays short": {{0, all[:half], coming}, {landedAfter, nil, coming}, {shortAfter - landedAfter - moment, nil, coming}, {moment, nil, short},
			{time.Hour, all, coming}, {landedAfter, nil, landed}},
		"its header is written last": {{0, open, coming}, {landedAfter, nil, coming}, {moment, all, coming}, {landedAfter, nil, landed}},
		"preallocated":               {{0, zeros, coming}, {moment, all, coming}, {landedAfter - moment, nil, whole}, {moment, nil, landed}},
		"grows after it was whole":   {{0, zeros, coming}, {earlyAfter, nil, whole}, {moment, append(zeros, zeros[head:]...), coming}, {landedAfter - moment, nil, whole}},
		"replaced":                   {{0, all, coming}, {landedAfter, nil, landed}, {time.Minute, zeros, coming}, {landedAfter, nil, landed}},
		"removed":                    {{0, all, coming}, {landedAfter, nil, landed}, {time.Minute, []byte{}, absent}, {time.Minute, all, coming}},
		"is no recording":            {{0, []byte("ID3 not a recording"), coming}, {landedAfter, nil, coming}, {shortAfter, nil, short}},
	} {
		path := filepath.Join(t.TempDir(), "take.wav")
		l := landing{path: path}
		stopped := false
		now := time.Now()
		for i, s := range steps {
			now = now.Add(s.after)
			if s.write != nil && len(s.write) == 0 {
				if err := os.Remove(path); err != nil {
					t.Fatal(err)
				}
			} else if s.write != nil {
				if err := os.WriteFile(path, s.write, 0o666); err != nil {
					t.Fatal(err)
				}
				if err := os.Chtimes(path, now, now); err != nil {
					t.Fatal(err)
				}
			}
			measured := l.job != nil
			state, _, again := l.look(now, least)
			if measured && s.write != nil && (l.job != nil || !stopped) {
				t.Errorf("%s, step %d: what was measured before the file changed is kept", name, i+1)
			}
			if state != s.want {
				t.Errorf("%s, step %d: state %d, want %d", name, i+1, state, s.want)
			}
			if (state == coming || state == whole) == again.IsZero() {
				t.Errorf("%s, step %d: state %d is looked at again at %v", name, i+1, state, again)
			}
			switch state {
			case landed:
				l.told = landed
			case whole:
				stopped = false
				l.job = &job{stop: func() { stopped = true }}
			}
		}
	}

	// What was there before, and what is renamed into place, has landed at once.
	path := filepath.Join(t.TempDir(), "take.wav")
	if err := os.WriteFile(path+".part", all, 0o666); err != nil {
		t.Fatal(err)
	}
	now := time.Now()
	if err := os.Chtimes(path+".part", now, now.Add(-time.Minute)); err != nil {
		t.Fatal(err)
	}
	l := landing{path: path}
	if state, _, _ := l.look(now, least); state != absent {
		t.Errorf("before it is renamed: %d", state)
	}
	if err := os.Rename(path+".part", path); err != nil {
		t.Fatal(err)
	}
	if state, _, _ := l.look(now, least); state != landed {
		t.Errorf("renamed into place: %d", state)
	}
}
