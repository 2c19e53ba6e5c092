//go:build !unix

package foreign

const dontWait = 0
