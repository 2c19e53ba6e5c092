//go:build !(linux || darwin || freebsd || netbsd || openbsd || dragonfly)

package disk

import (
	"errors"
	"os"
	"syscall"
)

// syncFlag is how a file is opened to be synced: Windows syncs only what may be
// written to.
const syncFlag = os.O_RDWR

func lock(string) (*os.File, error) { return nil, errors.ErrUnsupported }

func syncDir(string) error { return nil }

// Full tells whether an error says that there is no room left on the disk.
//
// Source: Windows, ERROR_HANDLE_DISK_FULL and ERROR_DISK_FULL (from memory).
func Full(err error) bool {
	return errors.Is(err, syscall.Errno(39)) || errors.Is(err, syscall.Errno(112)) || errors.Is(err, syscall.ENOSPC)
}
