package manifest

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"
)

var drivePattern = regexp.MustCompile(`^[A-Za-z]:`)

// fileKind is a file: its path, or a mapping with the path and whether it may
// be passed on.
func fileKind() kind[File] { return anyFile(false) }

// audioKind is fileKind for a recording.
func audioKind() kind[File] { return anyFile(true) }

func anyFile(audio bool) kind[File] {
	path := kind[File]{func(w *walker, v value) (File, bool) {
		s, ok := w.line(v, "the path of a file")
		if !ok {
			return File{}, false
		}
		switch {
		case strings.Contains(s, "://"):
			w.fault(v.place, "download it and name the file", "%s is a web address; a manifest must name files", quote(s))
			return File{}, false
		case strings.Contains(s, `\`):
			w.fault(v.place, "write / between folders, on every system", `%s has a \ in it`, quote(s))
			return File{}, false
		case strings.HasSuffix(s, "/"):
			w.fault(v.place, "", "%s is a folder; name a file", quote(s))
			return File{}, false
		case strings.HasPrefix(s, "/") || drivePattern.MatchString(s):
			w.warn(v.place, "name it relative to the manifest's folder", "this is an absolute path, which works on this machine only")
		}
		if w.OnDisk {
			s = spelling(w.c.Dir, s)
		}
		w.files = append(w.files, fileUse{s, v.place, audio})
		return File{Path: s, Redistribute: true, Pos: v.pos}, true
	}, anyScalar}
	long := object[File]{what: "the mapping of a file", keys: []key[File]{
		must(field("file", "its path, relative to the manifest's folder", path, func(f *File) *File { return f })),
		redistributeKey("no: withhold the file from reports and archives", func(f *File) *File { return f }),
	}}
	return kind[File]{func(w *walker, v value) (File, bool) {
		if _, single := v.scalar(); single {
			return path.read(w, v)
		}
		var f File
		ok := long.read(w, v, &f)
		return f, ok && f.Path != ""
	}, schema{"anyOf": []any{path.schema, long.schema()}}}
}

// OnDisk returns where a file lies that a manifest in the folder dir names by
// path, with forward slashes: beside the manifest, unless path is absolute.
func OnDisk(dir, path string) string {
	path = filepath.FromSlash(path)
	if filepath.IsAbs(path) {
		return path
	}
	return filepath.Join(dir, path)
}

// spelling returns a path as its folders spell it. An accent can be part of its
// letter or a character of its own; some systems take both for one name, others
// do not, and names change from one to the other on the way between them.
func spelling(dir, path string) string {
	if !strings.ContainsFunc(path, func(r rune) bool { return r >= utf8.RuneSelf }) || filepath.IsAbs(filepath.FromSlash(path)) {
		return path
	}
	parts := strings.Split(path, "/")
	for i, part := range parts {
		names := folderNames(OnDisk(dir, strings.Join(parts[:i], "/")))
		if slices.Contains(names, part) {
			continue
		}
		if k := slices.IndexFunc(names, func(n string) bool { return norm.NFC.String(n) == norm.NFC.String(part) }); k >= 0 {
			parts[i] = names[k]
		}
	}
	return strings.Join(parts, "/")
}

// findFiles reports files that the manifest names and that cannot be read.
func (w *walker) findFiles(dir string) {
	for _, f := range w.files {
		full := OnDisk(dir, f.path)
		info, err := os.Stat(full)
		switch {
		case errors.Is(err, fs.ErrNotExist):
			w.missing(f, dir)
		case err != nil:
			w.fault(f.at, "", "%s cannot be read: %v", quote(f.path), cause(err))
		case info.IsDir():
			w.fault(f.at, "name a file in it", "%s is a folder", quote(f.path))
		case !info.Mode().IsRegular():
			w.fault(f.at, "", "%s is not a regular file", quote(f.path))
		default:
			h, err := os.Open(full)
			if err != nil {
				w.fault(f.at, "", "%s cannot be read: %v", quote(f.path), cause(err))
				continue
			}
			h.Close()
		}
	}
}

// missing reports a file that is not there, with the nearest name in the last
// folder of its path that is.
func (w *walker) missing(f fileUse, dir string) {
	parts := strings.Split(f.path, "/")
	here, seen := dir, ""
	if filepath.IsAbs(filepath.FromSlash(f.path)) {
		here = filepath.VolumeName(filepath.FromSlash(f.path)) + string(filepath.Separator)
	}
	for i, part := range parts {
		next := filepath.Join(here, part)
		if _, err := os.Stat(next); err == nil {
			here, seen = next, seen+part+"/"
			continue
		}
		if to, err := os.Readlink(next); err == nil {
			w.fault(f.at, "copy the file itself, or repair the link", "%s is a link to %s, which does not exist", quote(seen+part), quote(filepath.ToSlash(to)))
			return
		}
		names := folderNames(here)
		last := i == len(parts)-1
		if last && f.audio && len(names) > 0 {
			names = slices.DeleteFunc(names, func(n string) bool { return !NamesRecording(n) })
			if len(names) == 0 {
				w.fault(f.at, "the folder holds no .wav or .flac file", "there is no file %s", quote(f.path))
				return
			}
		}
		hint := ""
		if n := Nearest(part, names); n != "" {
			hint = "did you mean " + quote(seen+strings.Join(append([]string{n}, parts[i+1:]...), "/")) + "?"
		} else if len(names) == 0 {
			hint = "the folder is empty"
		} else {
			const most = 8
			if len(names) > most {
				names = append(names[:most:most], "…")
			}
			hint = "the folder holds: " + strings.Join(names, ", ")
		}
		what := "there is no file %s"
		if !last {
			what = "there is no file %s: the folder is missing: " + strings.ReplaceAll(quote(seen+part), "%", "%%")
		}
		w.fault(f.at, hint, what, quote(f.path))
		return
	}
	w.fault(f.at, "", "there is no file %s", quote(f.path))
}

// folderNames lists a folder in order, without hidden files; at most 2000
// names are looked at.
func folderNames(dir string) []string {
	d, err := os.Open(dir)
	if err != nil {
		return nil
	}
	defer d.Close()
	names, _ := d.Readdirnames(2000)
	names = slices.DeleteFunc(names, func(n string) bool { return strings.HasPrefix(n, ".") })
	slices.Sort(names)
	return names
}

// NamesRecording tells whether a file is called as recordings are: .wav or .flac.
func NamesRecording(name string) bool {
	ext := filepath.Ext(name)
	return strings.EqualFold(ext, ".wav") || strings.EqualFold(ext, ".flac")
}
