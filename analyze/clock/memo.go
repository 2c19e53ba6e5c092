package clock

import (
	"sync"

	"evenhand/analyze/align"
)

// Memo keeps what was found in one recording, so that it is found once for all
// that it is compared with: the rises of its level, 16 bytes for each
// millisecond of at most ten minutes. The zero value is ready to use, by
// several goroutines.
type Memo struct {
	mu    sync.Mutex
	from  float64
	rises [bands][]float32
	found bool // the beginnings, for from 0
	all   []int
	notes []int
}

// Of returns s, a reader of the memo's recording, so that the functions of this
// package use and fill the memo.
func (m *Memo) Of(s align.Source) align.Source { return remembered{s, m} }

type remembered struct {
	align.Source
	memo *Memo
}

// strength is findStrength, from the source's memo where it has one. What it
// returns must not be changed.
func strength(s align.Source, from float64, n int) ([bands][]float32, error) {
	r, ok := s.(remembered)
	if !ok {
		return findStrength(s, from, n)
	}
	m := r.memo
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.from == from && len(m.rises[0]) == n {
		return m.rises, nil
	}
	out, err := findStrength(r.Source, from, n)
	if err == nil {
		m.from, m.rises, m.found = from, out, false
	}
	return out, err
}

// timeline is findTimeline, from the source's memo where it has one. What it
// returns must not be changed.
func timeline(s align.Source, n int) (rises [bands][]float32, all, notes []int, err error) {
	r, ok := s.(remembered)
	if !ok {
		return findTimeline(s, n)
	}
	m := r.memo
	m.mu.Lock()
	defer m.mu.Unlock()
	if !m.found || len(m.rises[0]) != n {
		if rises, all, notes, err = findTimeline(r.Source, n); err != nil {
			return rises, nil, nil, err
		}
		m.from, m.rises, m.found, m.all, m.notes = 0, rises, true, all, notes
	}
	return m.rises, m.all, m.notes, nil
}
