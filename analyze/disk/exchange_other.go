//go:build !linux

package disk

import "errors"

func exchange(string, string) error { return errors.ErrUnsupported }
