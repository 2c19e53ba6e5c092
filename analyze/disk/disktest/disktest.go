// Package disktest lets tests record changes of files, make disks that are full,
// and see what a power cut would have left at any moment.
package disktest

import (
	"errors"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"evenhand/analyze/disk"
)

// Op is one change of files that was made.
type Op struct {
	Kind     string // create, write, sync, mkdir, rename, exchange, link, remove, syncdir
	Name, To string
	file     int // which opened file of the recording
	at       int64
	data     []byte
}

// String names an operation, for messages.
func (o Op) String() string { return strings.TrimSpace(o.Kind + " " + o.Name + " " + o.To) }

// Recorder makes changes and records those below Root.
type Recorder struct {
	Root string
	// NoExchange makes it a system that cannot exchange two folders.
	NoExchange bool
	// Fail, when not nil, returns the error that an operation ends with instead of
	// being made; n counts all operations from 0, those elsewhere as well.
	Fail func(n int, op Op) error

	mu    sync.Mutex
	ops   []Op
	n     int
	files int
}

// Start makes all changes go through a recorder until the test ends.
func (r *Recorder) Start(t testing.TB) {
	t.Helper()
	t.Cleanup(disk.Use(r))
}

// Ops returns what was recorded, in order.
func (r *Recorder) Ops() []Op {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.ops)
}

// Count returns how many operations there were, here and elsewhere.
func (r *Recorder) Count() int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.n
}

// do makes an operation and records it if it succeeds.
func (r *Recorder) do(op Op, make func() error) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	n := r.n
	r.n++
	if r.Fail != nil {
		if err := r.Fail(n, op); err != nil {
			return &fs.PathError{Op: op.Kind, Path: op.Name, Err: err}
		}
	}
	if err := make(); err != nil {
		return err
	}
	if r.Root != "" && within(r.Root, op.Name) {
		r.ops = append(r.ops, op)
	}
	return nil
}

func within(root, name string) bool {
	return name == root || strings.HasPrefix(name, root+string(filepath.Separator))
}

func full(name string) string {
	p, err := filepath.Abs(name)
	if err != nil {
		panic(err)
	}
	return p
}

// OpenFile is of disk.System, like the methods below.
func (r *Recorder) OpenFile(name string, flag int, perm fs.FileMode) (f disk.File, err error) {
	op := Op{Kind: "open", Name: full(name)}
	if flag&os.O_CREATE != 0 {
		op.Kind = "create" // of a file that is there it loses the content
	}
	r.mu.Lock()
	r.files++
	op.file = r.files
	r.mu.Unlock()
	err = r.do(op, func() (err error) {
		f, err = disk.Real().OpenFile(name, flag, perm)
		return err
	})
	if err != nil {
		return nil, err
	}
	return &recorded{f, r, op}, nil
}

type recorded struct {
	disk.File
	r  *Recorder
	op Op
}

func (f *recorded) write(at int64, p []byte, make func() (int, error)) (n int, err error) {
	err = f.r.do(Op{Kind: "write", Name: f.op.Name, file: f.op.file, at: at, data: slices.Clone(p)}, func() (err error) {
		n, err = make()
		return err
	})
	return n, err
}

func (f *recorded) Write(p []byte) (int, error) {
	at, err := f.Seek(0, 1)
	if err != nil {
		return 0, err
	}
	return f.write(at, p, func() (int, error) { return f.File.Write(p) })
}

func (f *recorded) WriteAt(p []byte, at int64) (int, error) {
	return f.write(at, p, func() (int, error) { return f.File.WriteAt(p, at) })
}

func (f *recorded) Sync() error {
	return f.r.do(Op{Kind: "sync", Name: f.op.Name, file: f.op.file}, f.File.Sync)
}

func (r *Recorder) two(kind, from, to string, make func(from, to string) error) error {
	return r.do(Op{Kind: kind, Name: full(from), To: full(to)}, func() error { return make(from, to) })
}

func (r *Recorder) one(kind, name string, make func(name string) error) error {
	return r.do(Op{Kind: kind, Name: full(name)}, func() error { return make(name) })
}

func (r *Recorder) Mkdir(name string, perm fs.FileMode) error {
	return r.one("mkdir", name, func(name string) error { return disk.Real().Mkdir(name, perm) })
}

func (r *Recorder) Rename(from, to string) error {
	return r.two("rename", from, to, disk.Real().Rename)
}

func (r *Recorder) Exchange(a, b string) error {
	if r.NoExchange {
		return errors.ErrUnsupported
	}
	return r.two("exchange", a, b, disk.Real().Exchange)
}

func (r *Recorder) Link(from, to string) error { return r.two("link", from, to, disk.Real().Link) }
func (r *Recorder) Remove(name string) error   { return r.one("remove", name, disk.Real().Remove) }
func (r *Recorder) SyncDir(name string) error  { return r.one("syncdir", name, disk.Real().SyncDir) }

// RemoveAll removes one file or folder after the other: it can be cut off between
// any two.
func (r *Recorder) RemoveAll(name string) error {
	var all []string
	err := filepath.WalkDir(name, func(path string, _ fs.DirEntry, err error) error {
		all = append(all, path)
		return err
	})
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	for _, path := range slices.Backward(all) {
		if err := r.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	return err
}

func (r *Recorder) Chmod(name string, mode fs.FileMode) error { return disk.Real().Chmod(name, mode) }

func (r *Recorder) Chtimes(name string, atime, mtime time.Time) error {
	return disk.Real().Chtimes(name, atime, mtime)
}

// NoRoom is the error of a full disk.
var NoRoom error = syscall.ENOSPC

// Grows tells whether an operation can fail because the disk is full.
func (o Op) Grows() bool {
	return slices.Contains([]string{"create", "write", "sync", "mkdir", "rename", "link", "syncdir"}, o.Kind)
}

// What becomes, in a power cut, of the content of files that was not synced.
const (
	Kept  = iota // all of it is there
	Lost         // what was there at the last sync is there
	Torn         // half of what came since
	Fates        // how many there are
)

// volume is a disk while operations are made.
type volume struct {
	root   string
	nodes  map[int]*node // by when they were made: 0 the root, from -1 down those before
	opened map[int]*node
}

func start(before State, root string) *volume {
	v := &volume{root, map[int]*node{0: {in: map[string]*node{}}}, map[int]*node{}}
	for k, name := range slices.Sorted(maps.Keys(before)) {
		path := filepath.Join(root, filepath.FromSlash(strings.TrimSuffix(name, "/")))
		x := &node{id: -1 - k, data: []byte(before[name]), synced: []byte(before[name])}
		if strings.HasSuffix(name, "/") {
			x = &node{id: -1 - k, in: map[string]*node{}}
		}
		v.nodes[x.id] = x
		v.nodes[v.folder(path)].in[filepath.Base(path)] = x
	}
	return v
}

// folder returns which folder a path is in.
func (v *volume) folder(path string) int {
	rel, err := filepath.Rel(v.root, filepath.Dir(path))
	if err != nil {
		panic(err)
	}
	at := v.nodes[0]
	for _, p := range strings.Split(filepath.ToSlash(rel), "/") {
		if p != "." {
			at = at.in[p]
		}
	}
	return at.id
}

// make makes operation i, on names in the folders dir and to, as far as what it
// needs is there. Content changes whether or not the file has a name; names only
// change when they are not lost.
func (v *volume) make(i int, o Op, dir, to int, names bool) {
	base, toBase := filepath.Base(o.Name), filepath.Base(o.To)
	in, into := v.nodes[dir], v.nodes[to]
	if o.Kind == "write" || o.Kind == "sync" {
		f := v.opened[o.file]
		switch {
		case f == nil:
		case o.Kind == "sync":
			f.synced = slices.Clone(f.data)
		default:
			if more := o.at + int64(len(o.data)) - int64(len(f.data)); more > 0 {
				f.data = append(f.data, make([]byte, more)...)
			}
			copy(f.data[o.at:], o.data)
		}
		return
	}
	if in == nil {
		return // the folder was never made
	}
	is := in.in[base]
	if o.Kind == "open" {
		v.opened[o.file] = is
	}
	if !names || !o.names() || o.To != "" && (into == nil || is == nil) {
		return
	}
	switch o.Kind {
	case "create":
		if is == nil {
			is = &node{id: i + 1}
			v.nodes[is.id], in.in[base] = is, is
		}
		is.data = nil
		v.opened[o.file] = is
	case "mkdir":
		v.nodes[i+1] = &node{id: i + 1, in: map[string]*node{}}
		in.in[base] = v.nodes[i+1]
	case "remove":
		delete(in.in, base)
	case "link":
		into.in[toBase] = is
	case "rename":
		if there := into.in[toBase]; there != nil && len(there.in) > 0 {
			return
		}
		delete(in.in, base)
		into.in[toBase] = is
	case "exchange":
		in.in[base], into.in[toBase] = into.in[toBase], is
	}
}

// node is a file or a folder.
type node struct {
	id     int
	in     map[string]*node // of a folder; nil for a file
	data   []byte
	synced []byte
}

// State is what a disk holds: paths below a root, with forward slashes, and
// contents; a folder ends with a slash.
type State map[string]string

// Read returns what is below root now.
func Read(t testing.TB, root string) State {
	t.Helper()
	out := State{}
	err := filepath.WalkDir(root, func(path string, e fs.DirEntry, err error) error {
		if err != nil || path == root {
			return err
		}
		rel, err := filepath.Rel(root, path)
		if err != nil {
			return err
		}
		rel = filepath.ToSlash(rel)
		if e.IsDir() {
			out[rel+"/"] = ""
			return nil
		}
		b, err := os.ReadFile(path)
		out[rel] = string(b)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// Write makes a state below root, an empty folder.
func (s State) Write(t testing.TB, root string) {
	t.Helper()
	for _, name := range slices.Sorted(maps.Keys(s)) {
		path := filepath.Join(root, filepath.FromSlash(name))
		var err error
		if strings.HasSuffix(name, "/") {
			err = os.MkdirAll(path, 0o777)
		} else if err = os.MkdirAll(filepath.Dir(path), 0o777); err == nil {
			err = os.WriteFile(path, []byte(s[name]), 0o666)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

// Cut returns what a power cut after the first n operations can leave of a disk
// that held before, when unsynced content has the given fate. A change of names is
// sure when the folders of its names were synced later. Of those that are not,
// the last ones are lost, however many, or any one alone with what depends on it.
func Cut(before State, root string, ops []Op, n, fate int) []State {
	var open []int // changes of names that are not sure
	for i := range n {
		if ops[i].names() && !isSure(ops[i+1:n], ops[i]) {
			open = append(open, i)
		}
	}
	out := []State{After(before, root, ops, n, fate)}
	for k, i := range open {
		out = append(out, replay(before, root, ops[:n], open[k:], fate), replay(before, root, ops[:n], []int{i}, fate))
	}
	return out
}

// After is the one state of Cut in which no change of names is lost.
func After(before State, root string, ops []Op, n, fate int) State {
	return replay(before, root, ops[:n], nil, fate)
}

// names tells whether an operation changes names.
func (o Op) names() bool {
	return slices.Contains([]string{"create", "mkdir", "rename", "exchange", "link", "remove"}, o.Kind)
}

func isSure(later []Op, o Op) bool {
	need := map[string]bool{filepath.Dir(o.Name): true}
	if o.To != "" {
		need[filepath.Dir(o.To)] = true
	}
	for _, l := range later {
		if l.Kind == "syncdir" {
			delete(need, l.Name)
		}
	}
	return len(need) == 0
}

// replay makes all operations but the lost ones. A folder is the same folder
// whatever its name: what is removed from it is removed from it even where its
// renaming was lost.
func replay(before State, root string, ops []Op, lost []int, fate int) State {
	real := start(before, root) // as all of it happened
	kept := start(before, root)
	for i, o := range ops {
		if o.Kind == "syncdir" {
			continue
		}
		dir, to := real.folder(o.Name), -1
		if o.To != "" {
			to = real.folder(o.To)
		}
		real.make(i, o, dir, to, true)
		kept.make(i, o, dir, to, !slices.Contains(lost, i))
	}
	top := kept.nodes[0]
	out := State{}
	var list func(n *node, path string)
	list = func(n *node, path string) {
		for name, x := range n.in {
			if x.in != nil {
				out[path+name+"/"] = ""
				list(x, path+name+"/")
				continue
			}
			content := x.data
			switch fate {
			case Lost:
				content = x.synced
			case Torn:
				if more := len(x.data) - len(x.synced); more > 0 {
					content = x.data[:len(x.synced)+more/2]
				}
			}
			out[path+name] = string(content)
		}
	}
	list(top, "")
	return out
}
