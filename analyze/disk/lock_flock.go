//go:build linux || darwin || freebsd || netbsd || openbsd || dragonfly

package disk

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// syncFlag is how a file is opened to be synced.
const syncFlag = os.O_RDONLY

// lock locks a folder until the file that it returns is closed or the program
// ends. Errors: errLocked, errors.ErrUnsupported, those of the system.
func lock(dir string) (*os.File, error) {
	f, err := os.OpenFile(dir, os.O_RDONLY|unix.O_DIRECTORY|unix.O_NOFOLLOW, 0)
	if err != nil {
		return nil, err
	}
	for {
		err = unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
		if !errors.Is(err, unix.EINTR) {
			break
		}
	}
	if err == nil {
		return f, nil
	}
	f.Close()
	if errors.Is(err, unix.EWOULDBLOCK) {
		return nil, errLocked
	}
	return nil, errors.ErrUnsupported // a file system without locks
}

func syncDir(name string) error {
	f, err := os.Open(name)
	if err != nil {
		return err
	}
	err = f.Sync()
	if errors.Is(err, unix.EINVAL) || errors.Is(err, errors.ErrUnsupported) {
		err = nil // a file system that syncs no folders
	}
	return errors.Join(err, f.Close())
}

// Full tells whether an error says that there is no room left on the disk.
func Full(err error) bool {
	return errors.Is(err, unix.ENOSPC) || errors.Is(err, unix.EDQUOT)
}
