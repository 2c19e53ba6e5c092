// Package pack writes and reads the archive of a comparison: a bag as of
// RFC 8493, as a folder or as a zip file.
//
// The archive is made to be found whole in many years, by programs that do not
// know this one: plain files with two lists of hashes beside them. The zip
// file stores its files without compression, in the order of their names, with
// one fixed time; the same content gives the same bytes, and every byte of it
// can be checked (see Check).
//
// Reading trusts nothing. Open refuses an archive that could write outside its
// folder, link, expand beyond its own size, or mean different files to
// different programs, before a byte of it is written anywhere.
//
// Source: RFC 8493, The BagIt File Packaging Format (V1.0), October 2018;
// APPNOTE.TXT, .ZIP File Format Specification, version 6.3.10 (layouts from
// memory, checked against Info-ZIP's unzip and the standard library's reader).
package pack

import (
	"fmt"

	"evenhand/analyze/mistake"
)

// Limits on what is read. They are far above what a comparison needs.
const (
	MaxFiles     = 50_000
	maxName      = 1000     // bytes of a whole path
	maxElement   = 255      // bytes between two slashes
	maxTag       = 16 << 20 // bytes of a tag file
	maxDirectory = 64 << 20 // bytes of a zip file's directory
	maxRatio     = 200      // of a compressed file
	ratioFloor   = 1 << 16  // bytes that may always come out of a compressed file
	maxTotal     = 1 << 42  // bytes of everything
)

// PayloadDir begins the path of each file in a bag that the bag is about.
//
// Source: RFC 8493, 2.1.2.
const PayloadDir = "data/"

// RefusedError says that an archive is not read, and why. Nothing of it was
// written anywhere.
type RefusedError struct {
	Path   string // the archive
	File   string // the file in it that the refusal is about; "" for the whole
	Reason string
}

func (e *RefusedError) Error() string {
	if e.File == "" {
		return fmt.Sprintf("%s: refused: %s", e.Path, e.Reason)
	}
	return fmt.Sprintf("%s: refused: %q: %s", e.Path, e.File, e.Reason)
}

// Unwrap says that another archive is to be named.
func (e *RefusedError) Unwrap() error { return mistake.Err }

// ErrNotBag is returned for a folder or file that is not a bag at all.
var ErrNotBag = mistake.Kind("not a bag: there is no bagit.txt")

// Fault is something in a bag that is not as it was when the bag was made.
type Fault struct {
	File string // in the bag, or "" for the archive's own framing
	What string
}

func (f Fault) String() string {
	if f.File == "" {
		return f.What
	}
	return f.File + ": " + f.What
}
