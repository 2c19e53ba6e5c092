package foreign

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
)

// SHA256File returns the lower-case hexadecimal SHA-256 of a file and its
// length in bytes, reading it once in blocks. It stops with ctx's error when
// ctx is done.
//
// It waits for no pipe: anything but a file is an error that matches mistake.Err.
//
// Source: FIPS 180-4 (the standard library's implementation).
func SHA256File(ctx context.Context, path string) (sum string, bytes int64, err error) {
	f, err := Open(path)
	if err != nil {
		return "", 0, err
	}
	defer f.Close()
	h := sha256.New()
	n, err := io.CopyBuffer(struct{ io.Writer }{h}, ctxReader{ctx, f}, make([]byte, 1<<18))
	var named *fs.PathError
	switch {
	case errors.As(err, &named):
		return "", 0, err
	case err != nil:
		return "", 0, fmt.Errorf("%s: %w", path, err)
	}
	return hex.EncodeToString(h.Sum(nil)), n, nil
}

// ctxReader stops reading when its context is done.
type ctxReader struct {
	ctx context.Context
	r   io.Reader
}

func (r ctxReader) Read(p []byte) (int, error) {
	if err := r.ctx.Err(); err != nil {
		return 0, err
	}
	return r.r.Read(p)
}
