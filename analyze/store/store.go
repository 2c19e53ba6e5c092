// Package store keeps what was made from recordings, facts and encoded audio
// alike, by what it was made from. What is asked for again is not made again.
//
// An entry's key is the hash of the program, of the name of the stage that made
// it and of all that the stage was given: the SHA-256 of the recordings and the
// parameters. Another program, another recording or another parameter is another
// key, so an entry is never out of date. A store holds nothing that cannot be made
// again: its folder may be deleted at any time, and several runs may use it at
// once. Only its owner can read it.
//
// Facts are stored as CBOR (RFC 8949), which keeps every bit of a number, and
// tells an empty list from none.
package store

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/fxamacker/cbor/v2"

	"evenhand/analyze/disk"
	"evenhand/analyze/foreign"
)

// DefaultLimit is how many bytes Trim leaves by default.
const DefaultLimit = 4 << 30

// Store is a folder of entries. An entry is a file named by its key: a line with
// the lower-case hexadecimal SHA-256 of the key, a line end and the content, and
// the content. It is written under another name and renamed. An entry whose
// content does not have the hash it states is not used. A nil Store is empty and
// keeps nothing.
type Store struct {
	dir  string
	mu   sync.Mutex
	err  error // the first failure to keep something
	had  map[string]int
	made map[string]int
}

const (
	audioSuffix = ".flac-entry"
	factSuffix  = ".fact-entry"
	draftPrefix = ".draft-"
	headBytes   = 2*sha256.Size + 1
	// maxFact is the longest fact that is read, far above the longest that is made.
	maxFact = 64 << 20
)

// Open returns the store in a folder, which is made when first written to.
func Open(dir string) *Store {
	return &Store{dir: dir, had: map[string]int{}, made: map[string]int{}}
}

// Had and Made return how often each stage was found in the store, and how often
// it had to run, since the store was opened; both empty for a nil Store.
func (s *Store) Had() map[string]int  { return s.counts(func() map[string]int { return s.had }) }
func (s *Store) Made() map[string]int { return s.counts(func() map[string]int { return s.made }) }

func (s *Store) counts(of func() map[string]int) map[string]int {
	if s == nil {
		return map[string]int{}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	return maps.Clone(of())
}

func (s *Store) count(in map[string]int, stage string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	in[stage]++
}

// Err returns the first reason why something could not be kept; nil for none. It
// is worth a warning: the result is good without the store.
func (s *Store) Err() error {
	if s == nil {
		return nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.err
}

func (s *Store) fail(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.err == nil {
		s.err = err
	}
}

// encoding is deterministic: equal values have equal bytes.
var encoding = sync.OnceValue(func() cbor.EncMode {
	mode, err := cbor.CoreDetEncOptions().EncMode()
	if err != nil {
		panic(err)
	}
	return mode
})

// decoding refuses what no stage makes.
var decoding = sync.OnceValue(func() cbor.DecMode {
	mode, err := cbor.DecOptions{DupMapKey: cbor.DupMapKeyEnforcedAPF, IndefLength: cbor.IndefLengthForbidden, TagsMd: cbor.TagsForbidden, MaxArrayElements: 1 << 22}.DecMode()
	if err != nil {
		panic(err)
	}
	return mode
})

// program is the SHA-256 of the program that is running: what another one made may
// have been made otherwise. It is "" where it cannot be read, and nothing is kept then.
var program = sync.OnceValue(func() string {
	path, err := os.Executable()
	if err != nil {
		return ""
	}
	f, err := os.Open(path)
	if err != nil {
		return ""
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return ""
	}
	return hex.EncodeToString(h.Sum(nil))
})

// Key names what a stage makes of in, which must be plain data: structures,
// slices, maps, numbers and texts, with exported fields only. It panics where it
// is not, which is a mistake in the program.
func Key(stage string, in any) string {
	plain(reflect.TypeOf(in))
	b, err := encoding().Marshal(in)
	if err != nil {
		panic(fmt.Sprintf("store: %s: %v", stage, err))
	}
	h := sha256.New()
	fmt.Fprintf(h, "%s\n%s\n%d\n", program(), stage, len(b))
	h.Write(b)
	return hex.EncodeToString(h.Sum(nil))
}

// plainTypes are the types that plain has seen.
var plainTypes sync.Map

// ownBinary is what says itself how it is stored.
type ownBinary interface{ MarshalBinary() ([]byte, error) }

// plain panics where a type has parts that CBOR would silently leave out.
func plain(t reflect.Type) {
	if t == nil || t.Implements(reflect.TypeFor[ownBinary]()) {
		return
	}
	if _, seen := plainTypes.LoadOrStore(t, true); seen {
		return
	}
	switch t.Kind() {
	case reflect.Pointer, reflect.Slice, reflect.Array:
		plain(t.Elem())
	case reflect.Map:
		plain(t.Key())
		plain(t.Elem())
	case reflect.Struct:
		for i := range t.NumField() {
			f := t.Field(i)
			if !f.IsExported() || f.Anonymous && f.Type.Kind() == reflect.Pointer || f.Tag.Get("json") == "-" || strings.Contains(f.Tag.Get("json"), "omitempty") && f.Type.Kind() != reflect.Pointer {
				panic(fmt.Sprintf("store: %v.%s cannot be stored", t, f.Name))
			}
			plain(f.Type)
		}
	case reflect.Chan, reflect.Func, reflect.Interface, reflect.UnsafePointer:
		panic(fmt.Sprintf("store: %v cannot be stored", t))
	}
}

// Do returns what make makes of in: as it was kept when the same program made it
// before, else by making and keeping it. The error is make's. in and what is made
// must be plain data, see Key.
func Do[In, Out any](s *Store, stage string, in In, make func() (Out, error)) (Out, error) {
	if s == nil || program() == "" {
		return make()
	}
	plain(reflect.TypeFor[Out]())
	key := Key(stage, in)
	var out Out
	if text, ok := s.fact(key); ok && decoding().Unmarshal(text, &out) == nil {
		s.count(s.had, stage)
		return out, nil
	}
	s.count(s.made, stage)
	out, err := make()
	if err != nil {
		return out, err
	}
	text, err := encoding().Marshal(out)
	if err == nil {
		err = s.put(s.path(key, factSuffix), key, bytes.NewReader(text))
	}
	if err != nil {
		s.fail(err)
	}
	return out, nil
}

// fact returns the content of a fact's entry; false where there is none, or one
// that is damaged, which is removed.
func (s *Store) fact(key string) ([]byte, bool) {
	path := s.path(key, factSuffix)
	b, err := foreign.ReadFile(path, maxFact)
	if err != nil {
		return nil, false
	}
	var content bytes.Buffer
	if whole, _ := copyEntry(&content, bytes.NewReader(b), key); !whole {
		disk.Remove(path) // when it stays, it is found damaged again
		return nil, false
	}
	touch(path)
	return content.Bytes(), true
}

// touch notes that an entry was used, for Trim; nothing else rests on it.
func touch(path string) {
	now := time.Now()
	disk.Chtimes(path, now, now)
}

func (s *Store) path(key, suffix string) string { return filepath.Join(s.dir, key[:2], key+suffix) }

// Get copies the audio of a key to the file at name. It returns the lower-case
// hexadecimal SHA-256 of that file and its length in bytes; "" where the store does not
// have it whole: an entry that is damaged is removed. The error is of writing.
func (s *Store) Get(key, name string) (sum string, bytes int64, err error) {
	if s == nil || program() == "" {
		return "", 0, nil
	}
	path := s.path(key, audioSuffix)
	f, err := foreign.Open(path)
	if err != nil {
		return "", 0, nil // not there, or not to be read: made again
	}
	defer f.Close()
	out, err := disk.Create(name)
	if err != nil {
		return "", 0, err
	}
	content := &summed{w: out, h: sha256.New()}
	whole, err := copyEntry(content, f, key)
	if err = errors.Join(err, out.Close()); err != nil {
		return "", 0, errors.Join(err, disk.Remove(name))
	}
	if !whole {
		disk.Remove(path)
		return "", 0, disk.Remove(name)
	}
	touch(path)
	return hex.EncodeToString(content.h.Sum(nil)), content.n, nil
}

// summed hashes and counts what it writes.
type summed struct {
	w io.Writer
	h hash.Hash
	n int64
}

func (s *summed) Write(p []byte) (int, error) {
	n, err := s.w.Write(p)
	s.h.Write(p[:n])
	s.n += int64(n)
	return n, err
}

// copyEntry copies an entry's content to out. The error is of writing; an entry
// that cannot be read or does not have its hash is not whole.
func copyEntry(out io.Writer, entry io.Reader, key string) (whole bool, err error) {
	head := make([]byte, headBytes)
	if _, err := io.ReadFull(entry, head); err != nil {
		return false, nil
	}
	h := entryHash(key)
	w := &failing{w: io.MultiWriter(out, h)}
	if _, err := io.Copy(w, entry); err != nil {
		return false, w.err
	}
	return string(head) == sumLine(h), nil
}

// failing remembers that writing failed, to tell it from failed reading.
type failing struct {
	w   io.Writer
	err error
}

func (f *failing) Write(p []byte) (int, error) {
	n, err := f.w.Write(p)
	f.err = err
	return n, err
}

// entryHash begins the hash of an entry with its key: the content of another entry is
// not taken for this one's, whatever it is called.
func entryHash(key string) hash.Hash {
	h := sha256.New()
	io.WriteString(h, key+"\n")
	return h
}

func sumLine(h hash.Hash) string { return hex.EncodeToString(h.Sum(nil)) + "\n" }

// Put keeps the file at name as the audio of a key. A store that cannot be written
// to is no reason to fail: the error is kept for Err.
func (s *Store) Put(key, name string) {
	if s == nil || program() == "" {
		return
	}
	in, err := os.Open(name)
	if err != nil {
		s.fail(err)
		return
	}
	defer in.Close()
	if err := s.put(s.path(key, audioSuffix), key, in); err != nil {
		s.fail(err)
	}
}

func (s *Store) put(path, key string, in io.ReadSeeker) (err error) {
	h := entryHash(key)
	if _, err := io.Copy(h, in); err != nil {
		return err
	}
	if _, err := in.Seek(0, io.SeekStart); err != nil {
		return err
	}
	if err := disk.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return err
	}
	draft, err := disk.CreateTemp(filepath.Dir(path), draftPrefix)
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			disk.Remove(draft.Name())
		}
	}()
	w := bufio.NewWriterSize(draft, 1<<18)
	w.WriteString(sumLine(h))
	_, err = io.Copy(w, in)
	if err == nil {
		err = w.Flush() // else it gives the same error again
	}
	if err = errors.Join(err, draft.Close()); err != nil {
		return err
	}
	return disk.Rename(draft.Name(), path)
}

// draftAfter is the age at which the draft of an entry belongs to a build
// that did not end well.
const draftAfter = 24 * time.Hour

// Trim removes the entries used longest ago until at most limit bytes are
// left, and drafts that were abandoned. It touches nothing that a store did
// not write.
func (s *Store) Trim(limit int64) error {
	if s == nil {
		return nil
	}
	type entry struct {
		path string
		size int64
		used time.Time
	}
	var entries []entry
	var total int64
	err := filepath.WalkDir(s.dir, func(path string, e fs.DirEntry, err error) error {
		if errors.Is(err, fs.ErrNotExist) {
			return nil // gone since: another build trims as well
		}
		if err != nil {
			return err
		}
		ours := strings.HasSuffix(e.Name(), audioSuffix) || strings.HasSuffix(e.Name(), factSuffix)
		draft := strings.HasPrefix(e.Name(), draftPrefix)
		if !e.Type().IsRegular() || !ours && !draft {
			return nil
		}
		info, err := e.Info()
		if err != nil {
			return nil
		}
		if draft {
			if time.Since(info.ModTime()) > draftAfter {
				disk.Remove(path)
			}
			return nil
		}
		entries = append(entries, entry{path, info.Size(), info.ModTime()})
		total += info.Size()
		return nil
	})
	if err != nil {
		return fmt.Errorf("store: %w", err)
	}
	slices.SortFunc(entries, func(a, b entry) int { return a.used.Compare(b.used) })
	for _, e := range entries {
		if total <= limit {
			break
		}
		if err := disk.Remove(e.path); err == nil || errors.Is(err, fs.ErrNotExist) {
			total -= e.size
		}
	}
	return nil
}
