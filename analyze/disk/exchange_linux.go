package disk

import (
	"errors"
	"fmt"
	"os"

	"golang.org/x/sys/unix"
)

func exchange(a, b string) error {
	err := unix.Renameat2(unix.AT_FDCWD, a, unix.AT_FDCWD, b, unix.RENAME_EXCHANGE)
	switch {
	case err == nil:
		return nil
	case errors.Is(err, unix.ENOSYS), errors.Is(err, unix.EINVAL), errors.Is(err, unix.EOPNOTSUPP):
		return fmt.Errorf("%w: %w", errors.ErrUnsupported, err)
	}
	return &os.LinkError{Op: "rename", Old: a, New: b, Err: err}
}
