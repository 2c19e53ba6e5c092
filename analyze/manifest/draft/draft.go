// Package draft begins a manifest from a folder of recordings: it reads their
// headers and guesses from their names what they are.
package draft

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"evenhand/analyze/manifest"
	"evenhand/analyze/mistake"
	"evenhand/analyze/recording"
	"evenhand/analyze/wavio"
)

// Manifest writes the beginning of a manifest for the recordings in a
// folder: every WAV or FLAC file that can be read becomes a take with its format and
// duration as a comment, the dry recording, the loopback, bypasses and repeats are
// guessed from the file names and marked as guesses, and everything else stands as
// commented lines to complete. dir is the folder that the manifest will lie
// in. It also returns what was left out and why.
//
// Errors: *mistake.Error when the folder cannot be read or holds no recording.
func Manifest(folder, dir string) (text []byte, warnings []string, err error) {
	files, warnings, err := draftFiles(folder, dir)
	if err != nil {
		return nil, warnings, err
	}
	dry, loop := guesses(files)
	parts := partsOf(files, dry, loop)
	var b bytes.Buffer
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }

	line("# Complete this file. Then run evenhand check and evenhand build on it.")
	line("# Lines that begin with # have no effect. Remove the # to use one.")
	line("title: %s", manifest.Scalar(titleOf(folder)))
	line("# by: the author of the comparison")
	line("# date: 2026-03-14")
	line("# url: https://example.org/fuzzes/  # where you will publish the report")
	line("# copies: 24 bit  # depth of the published files; without it, the first build decides")
	line("varies: device                    # the slot of the chain that differs between takes")
	line("# reference: %s", manifest.Scalar(files[firstTake(parts)].name))
	line("# mains: 50 Hz                    # 50 or 60 Hz; if not stated, measured from the recordings")
	if about := notesFile(folder, dir); about != "" {
		line("about: %-26s # a guess: Markdown for the page", manifest.Scalar(about))
	} else {
		line("# about: notes.md                 # Markdown for the page")
	}
	line("# set_by: same position           # how you set the controls: same position, by ear, by measurement")
	line("# may_differ: [amp.volume]        # controls that may differ between takes")
	line("# disclosure: who paid, who lent the gear, what was edited")
	line("# full_scale_in: +12 dBu          # level of 0 dBFS at the converter's input, if known")
	line("")
	line("performance:")
	line("  # instrument: Baritone guitar, 27.7 in scale")
	line("  # tuning: B1 E2 A2 D3 F#3 B3")
	line("  # pickup: bridge humbucker")
	if dry >= 0 {
		line("  dry: %-28s # a guess from the file's name (%s): the dry recording, sent through each device", manifest.Scalar(files[dry].path), files[dry].describe())
	} else {
		line("  # dry: dry.wav                  # no file name looks like a dry recording; if there is one, name it")
	}
	if loop >= 0 {
		line("  loopback: %-23s # a guess from the file's name (%s): the reamp output, back through the DI box", manifest.Scalar(files[loop].path), files[loop].describe())
	} else {
		line("  # loopback: loopback.wav        # the reamp output, back through the DI box")
	}
	source := dry
	if source < 0 {
		source = firstTake(parts)
	}
	if n := len(files[source].info.Cues); n > 0 {
		line("  sections: markers               # %s has %d cue markers", files[source].name, n)
	} else {
		line("  # sections:                     # without this list, pauses divide it")
		line("  #   - {name: Low riff, from: \"0:00.0\", to: \"0:11.5\"}")
	}
	line("")
	line("chain:                            # in signal order, one device per slot")
	line("  - slot: device                  # each take names its device")
	for _, c := range []string{manifest.LoadCaution, manifest.InsideCaution, manifest.GroundCaution, manifest.RoomCaution} {
		line("%s", manifest.Comment(c))
	}
	line("  # - slot: amp")
	line("  #   device: name of the amplifier")
	line("  #   kind: valve power amp       # or solid-state amp, valve combo, preamp pedal, amp plugin ...; the safety checks use it")
	line("  #   impedance: 8 ohm            # of the output that you used")
	line("  #   power: 20 W")
	line("  #   controls: {volume: noon, bass: \"11 o'clock\", bright: off}")
	line("  # - slot: load")
	line("  #   device: name of the load box")
	line("  #   kind: load")
	line("  #   impedance: 8 ohm")
	line("  #   power: 60 W")
	line("")
	if slices.ContainsFunc(files, func(f draftFile) bool { return f.info.Channels == 2 }) {
		line("# mics:                           # if the two sides of all takes are two microphones")
		line("#   left:  {name: first microphone, blend: 0 dB}")
		line("#   right: {name: second microphone, blend: 0 dB}")
		line("")
	}
	line("takes:")
	n := 0
	for i, f := range files {
		if parts[i].kind == noTake {
			continue
		}
		n++
		line("  - name: %s", manifest.Scalar(f.name))
		line("    file: %-25s # %s", manifest.Scalar(f.path), f.describe())
		if f.info.Channels > 2 {
			line("    channels: [1]                 # of %d; name one or two", f.info.Channels)
		}
		parts[i].write(line, files, f.name, i == firstTake(parts))
	}
	if n == 0 {
		return nil, warnings, mistake.Errorf("%s: there is only %s and no recording to compare; put the takes into the folder too%s", folder, files[0].name, recordingsBelow(folder))
	}
	return b.Bytes(), warnings, nil
}

// Recording is a recording found in a folder. What it is is guessed from the
// file's name.
type Recording struct {
	Path     string // relative to the manifest's folder, with forward slashes
	Name     string // of the file, without its extension
	About    string // duration, channels and format in words
	Channels int
	Dry      bool
	Loopback bool
	Bypass   bool
	RepeatOf string // path of the recording of the same setting; "" for none
}

// Recordings lists the WAV and FLAC files of a folder that can be read, in the order of
// their names. dir is the folder of the manifest that will name them. It also
// returns what was left out and why.
//
// Errors: *mistake.Error when the folder cannot be read or holds no recording
// besides the dry one and the loopback.
func Recordings(folder, dir string) (list []Recording, warnings []string, err error) {
	files, warnings, err := draftFiles(folder, dir)
	if err != nil {
		return nil, warnings, err
	}
	dry, loop := guesses(files)
	parts := partsOf(files, dry, loop)
	takes := 0
	for i, f := range files {
		x := Recording{f.path, f.name, f.describe(), f.info.Channels, i == dry, i == loop, parts[i].kind == aBypass, ""}
		if k := parts[i].repeat; k >= 0 {
			x.RepeatOf = files[k].path
		}
		list = append(list, x)
		if i != dry && i != loop {
			takes++
		}
	}
	if takes == 0 {
		return nil, warnings, mistake.Errorf("%s: there is only %s and no recording to compare; put the takes into the folder too%s", folder, files[0].name, recordingsBelow(folder))
	}
	return list, warnings, nil
}

// draftFiles looks through a folder of recordings.
func draftFiles(folder, dir string) (files []draftFile, warnings []string, err error) {
	entries, err := os.ReadDir(folder)
	if err != nil {
		return nil, nil, &mistake.Error{Problems: []error{err}}
	}
	for _, e := range entries {
		if e.IsDir() || !manifest.NamesRecording(e.Name()) {
			continue
		}
		full := filepath.Join(folder, e.Name())
		info, err := recording.Inspect(full)
		if err != nil {
			warnings = append(warnings, fmt.Sprintf("not used: %v", err))
			continue
		}
		for _, w := range info.Warnings {
			warnings = append(warnings, fmt.Sprintf("%s: %s", e.Name(), w))
		}
		path, err := filepath.Rel(dir, full)
		if err != nil {
			path = full
		}
		name := strings.TrimSuffix(e.Name(), filepath.Ext(e.Name()))
		if twin := slices.IndexFunc(files, func(f draftFile) bool { return f.name == name }); twin >= 0 {
			warnings = append(warnings, fmt.Sprintf("not used: %s: it has the same name as %s; if it is another recording, rename it", full, files[twin].path))
			continue
		}
		files = append(files, draftFile{path: filepath.ToSlash(path), name: name, info: info})
	}
	if len(files) == 0 {
		return nil, warnings, mistake.Errorf("%s: the folder has no WAV or FLAC file that evenhand can read; name the folder with the exported takes%s", folder, recordingsBelow(folder))
	}
	return files, warnings, nil
}

// recordingsBelow says how many recordings are in folders of a folder; "" for
// none.
func recordingsBelow(folder string) string {
	entries, err := os.ReadDir(folder)
	if err != nil {
		return ""
	}
	found := []string{}
	for _, e := range entries {
		if !e.IsDir() || strings.HasPrefix(e.Name(), ".") {
			continue
		}
		inside, _ := os.ReadDir(filepath.Join(folder, e.Name()))
		n := 0
		for _, f := range inside {
			if !f.IsDir() && manifest.NamesRecording(f.Name()) {
				n++
			}
		}
		if n > 0 {
			found = append(found, fmt.Sprintf("%s (%d)", filepath.Join(folder, e.Name()), n))
		}
	}
	if len(found) == 0 {
		return ""
	}
	return "; there are recordings in " + manifest.List(found)
}

// notesFile returns the path, relative to dir, of the one Markdown or plain text
// file in the folder; "" when there is none or more than one.
func notesFile(folder, dir string) string {
	for _, ext := range []string{"md", "txt"} {
		found, err := filepath.Glob(filepath.Join(folder, "*."+ext))
		if err != nil || len(found) != 1 {
			continue
		}
		if path, err := filepath.Rel(dir, found[0]); err == nil {
			return filepath.ToSlash(path)
		}
	}
	return ""
}

type draftFile struct {
	path, name string
	info       wavio.Info
}

func (f draftFile) describe() string {
	channels := fmt.Sprintf("%d channels", f.info.Channels)
	switch f.info.Channels {
	case 1:
		channels = "mono"
	case 2:
		channels = "two channels"
	}
	return fmt.Sprintf("%v, %s, %s, %s kHz", f.info.Duration(), channels, f.info.Encoding,
		strconv.FormatFloat(float64(f.info.SampleRate)/1000, 'f', -1, 64))
}

// titleOf is the name of a folder, or of the one above where the name only says that
// there are recordings in it.
func titleOf(folder string) string {
	dir := absolute(folder)
	for slices.Contains([]string{"audio", "renders", "recordings", "takes", "wav", "flac"}, strings.ToLower(filepath.Base(dir))) {
		dir = filepath.Dir(dir)
	}
	return filepath.Base(dir)
}

func absolute(path string) string {
	if a, err := filepath.Abs(path); err == nil {
		return a
	}
	return path
}
