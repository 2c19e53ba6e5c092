package clock

import (
	"sync"

	"evenhand/analyze/align"
)

// Memo keeps what was found in one recording, so that it is found once for all
// that it is compared with: the rises of its level, 16 bytes for each
// millisecond of at most ten minutes, and the spectra of at most 512 of its
// windows, 8 MB at 48 kHz. The zero value is ready to use, by several goroutines.
type Memo struct {
	mu    sync.Mutex
	from  float64
	rises [bands][]float32
	found bool // the beginnings, for from 0
	all   []int
	notes []int

	windowMu sync.Mutex
	windows  map[windowPlace]keptWindow
}

// windowPlace is where a window begins, its length, and the bins lo ≤ k < hi.
type windowPlace struct {
	first        int64
	size, lo, hi int
}

type keptWindow struct {
	power float64 // mean square
	bins  []complex64
}

// spectrum returns the mean square of a window that was kept, and its spectrum in
// dst.
func (m *Memo) spectrum(at windowPlace, dst []complex128) (power float64, ok bool) {
	m.windowMu.Lock()
	k, ok := m.windows[at]
	m.windowMu.Unlock()
	for i, v := range k.bins {
		dst[i] = complex128(v)
	}
	return k.power, ok
}

// keep keeps a window, and rounds the spectrum to what will be had again.
func (m *Memo) keep(at windowPlace, power float64, spectrum []complex128) {
	k := keptWindow{power, make([]complex64, len(spectrum))}
	for i, v := range spectrum {
		k.bins[i] = complex64(v)
		spectrum[i] = complex128(k.bins[i])
	}
	m.windowMu.Lock()
	defer m.windowMu.Unlock()
	if m.windows == nil {
		m.windows = map[windowPlace]keptWindow{}
	}
	m.windows[at] = k
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
