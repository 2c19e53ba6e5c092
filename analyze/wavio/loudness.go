package wavio

import (
	"encoding/binary"

	"evenhand/analyze/disk"
)

// SetLoudness writes the loudness fields into the bext chunk of the file at
// path, which must have one of version 2; nil says that they are not given.
// Nothing else of the file changes: what is only known once the audio has been
// written and measured finds its place this way. Values from −99.99 to 99.99
// are kept to the nearest hundredth; others, and NaN, become "not given".
//
// Errors: those of Open for a damaged file, ErrUse when there is no such chunk;
// those of the system are wrapped.
//
// Source: EBU Tech 3285 version 2 (2011), 2.4.
func SetLoudness(path string, l *BextLoudness) (err error) {
	f, err := disk.Change(path)
	if err != nil {
		return failSystem(path, -1, "cannot open", err)
	}
	defer func() {
		if cerr := f.Close(); cerr != nil && err == nil {
			err = failSystem(path, -1, "cannot close", cerr)
		}
	}()
	info, err := f.Stat()
	if err != nil {
		return failSystem(path, -1, "cannot read", err)
	}
	s := &scanner{src: f, size: info.Size(), path: path}
	container, err := s.container()
	if err != nil {
		return err
	}
	s.wide = container != "RIFF"
	if err := s.walk(); err != nil {
		return err
	}
	for _, c := range s.meta {
		if c.id != "bext" || c.size < bextFixed {
			continue
		}
		head, err := s.read(c.start, bextUMID)
		if err != nil {
			return err
		}
		if v := binary.LittleEndian.Uint16(head[bextUMID-2:]); v < 2 {
			return fail(path, c.start, ErrUse, "the bext chunk has version %d, which has no place for loudness; version 2 has", v)
		}
		if _, err := f.WriteAt(appendLoudness(nil, l), c.start+bextLoud); err != nil {
			return failSystem(path, c.start+bextLoud, "cannot write", err)
		}
		return nil
	}
	return fail(path, -1, ErrUse, "the file has no bext chunk to write the loudness into")
}
