package analyze

import (
	"bufio"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"evenhand/analyze/disk"
	"evenhand/analyze/foreign"
)

// encoderVersion stands for everything between a take's samples and the bytes
// of its file that the key of the cache does not hold: mixing, gain, quantiser,
// dither and FLAC encoder. It must change when any of them changes; a test
// pins the bytes of a known signal to it.
const encoderVersion = 1

// DefaultCacheLimit is how many bytes Cache.Trim leaves by default.
const DefaultCacheLimit = 4 << 30

// Cache keeps encoded audio by what it was made from, so that takes that did
// not change are not encoded again. It holds nothing that cannot be made
// again: its folder may be deleted at any time, and several builds may use it
// at once.
//
// An entry is a file named by its key: a line with the lower-case hexadecimal
// SHA-256 of the key, a line end and the audio, and the audio. It is written under another name and
// renamed. An entry whose audio does not have the hash it states is not used.
type Cache struct {
	dir  string
	hits atomic.Int64
	mu   sync.Mutex
	err  error // the first failure to keep a file
}

const (
	cacheSuffix = ".flac-entry"
	cacheDraft  = ".draft-"
	cacheHeader = 2*sha256.Size + 1
)

// OpenCache returns the cache in a folder, which is made when first written to.
func OpenCache(dir string) *Cache { return &Cache{dir: dir} }

// Hits returns how many files came from the cache since it was opened.
func (c *Cache) Hits() int {
	if c == nil {
		return 0
	}
	return int(c.hits.Load())
}

// Err returns the first reason why a file could not be kept; nil for none. It
// is worth a warning: the build is good without the cache.
func (c *Cache) Err() error {
	if c == nil {
		return nil
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.err
}

func (c *Cache) fail(err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.err == nil {
		c.err = err
	}
}

// cacheKey names the audio that parts (one line each) describe completely.
func cacheKey(parts ...string) string {
	sum := sha256.Sum256([]byte(strings.Join(parts, "\n")))
	return hex.EncodeToString(sum[:])
}

func (c *Cache) path(key string) string { return filepath.Join(c.dir, key[:2], key+cacheSuffix) }

// get copies the audio of a key to the file at name and reports whether it was
// there and whole. An entry that is damaged is removed. A nil cache is empty.
func (c *Cache) get(key, name string) (bool, error) {
	if c == nil {
		return false, nil
	}
	path := c.path(key)
	f, err := foreign.Open(path)
	if err != nil {
		return false, nil // not there, or not to be read: made again
	}
	defer f.Close()
	out, err := disk.Create(name)
	if err != nil {
		return false, err
	}
	whole, err := copyEntry(out, f, key)
	if err = errors.Join(err, out.Close()); err != nil {
		return false, errors.Join(err, disk.Remove(name))
	}
	if !whole {
		disk.Remove(path) // when it stays, it is found damaged again
		return false, disk.Remove(name)
	}
	now := time.Now()
	disk.Chtimes(path, now, now) // the order of use, for Trim; nothing rests on it
	c.hits.Add(1)
	return true, nil
}

// copyEntry copies an entry's audio to out. The error is of writing; an entry
// that cannot be read or does not have its hash is not whole.
func copyEntry(out io.Writer, entry io.Reader, key string) (whole bool, err error) {
	head := make([]byte, cacheHeader)
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

// entryHash begins the hash of an entry with its key: the audio of another entry is
// not taken for this one's, whatever it is called.
func entryHash(key string) hash.Hash {
	h := sha256.New()
	io.WriteString(h, key+"\n")
	return h
}

func sumLine(h hash.Hash) string { return hex.EncodeToString(h.Sum(nil)) + "\n" }

// put keeps the file at name under a key. A cache that cannot be written to is
// no reason to fail a build: the error is for a test or a warning.
func (c *Cache) put(key, name string) (err error) {
	if c == nil {
		return nil
	}
	in, err := os.Open(name)
	if err != nil {
		return err
	}
	defer in.Close()
	h := entryHash(key)
	if _, err := io.Copy(h, in); err != nil {
		return err
	}
	if _, err := in.Seek(0, io.SeekStart); err != nil {
		return err
	}
	path := c.path(key)
	if err := disk.MkdirAll(filepath.Dir(path), 0o777); err != nil {
		return err
	}
	draft, err := disk.CreateTemp(filepath.Dir(path), cacheDraft)
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
// left, and drafts that were abandoned. It touches nothing that the cache did
// not write. A nil cache has nothing to trim.
func (c *Cache) Trim(limit int64) error {
	if c == nil {
		return nil
	}
	type entry struct {
		path string
		size int64
		used time.Time
	}
	var entries []entry
	var total int64
	err := filepath.WalkDir(c.dir, func(path string, e fs.DirEntry, err error) error {
		if errors.Is(err, fs.ErrNotExist) {
			return nil // gone since: another build trims as well
		}
		if err != nil {
			return err
		}
		ours := strings.HasSuffix(e.Name(), cacheSuffix)
		draft := strings.HasPrefix(e.Name(), cacheDraft)
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
		return fmt.Errorf("cache: %w", err)
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
