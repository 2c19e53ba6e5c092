package pack

import (
	"context"
	"io"
	"sync"
)

// meter adds up how many bytes were worked on, for a progress display.
type meter struct {
	mu          sync.Mutex
	done, total int64
	show        func(done, total int64)
}

func newMeter(total int64, show func(done, total int64)) *meter {
	if show == nil {
		return nil
	}
	return &meter{total: total, show: show}
}

func (m *meter) add(n int) {
	if m == nil {
		return
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.done = min(m.done+int64(n), m.total)
	m.show(m.done, m.total)
}

// copyContext copies in blocks until r ends or ctx is done.
func copyContext(ctx context.Context, w io.Writer, r io.Reader, m *meter) (int64, error) {
	buf := make([]byte, 1<<18)
	var total int64
	for {
		if err := ctx.Err(); err != nil {
			return total, err
		}
		n, err := r.Read(buf)
		if n > 0 {
			if _, err := w.Write(buf[:n]); err != nil {
				return total, err
			}
			total += int64(n)
			m.add(n)
		}
		if err == io.EOF {
			return total, nil
		}
		if err != nil {
			return total, err
		}
	}
}
