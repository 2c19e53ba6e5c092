//go:build unix

package foreign

import "syscall"

// dontWait makes opening return at once, should a pipe have taken a file's place.
const dontWait = syscall.O_NONBLOCK
