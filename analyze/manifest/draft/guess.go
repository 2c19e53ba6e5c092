package draft

import (
	"slices"
	"strings"

	"evenhand/analyze/manifest"
)

// guesses returns which files look like the dry recording and the loopback, −1
// for none.
func guesses(files []draftFile) (dry, loop int) {
	return guess(files, "dry", "di", "clean di", "direct"), guess(files, "loopback", "loop", "reamp loop")
}

// guess returns the file whose name has one of the words as a word of its own,
// −1 for none; a bypass is none of these. Of several, the one with the fewest
// channels (a DI is one channel), then the one whose name says least beside it
// ("DI 2" rather than "Dry Well amp"), then the one with the earlier word.
func guess(files []draftFile, words ...string) int {
	best, bestRank := -1, []int(nil)
	for i, f := range files {
		letters := lettersOf(f.name)
		if bypassed(letters) {
			continue
		}
		for n, w := range words {
			if !holds(letters, w) {
				continue
			}
			rank := []int{f.info.Channels, len(letters) - len(strings.Fields(w)), n}
			if best < 0 || slices.Compare(rank, bestRank) < 0 {
				best, bestRank = i, rank
			}
		}
	}
	return best
}

// between are the characters of a file's name that part its words.
const between = " _-.,;+()[]#"

// wordsOf returns the words and numbers of a file's name in small letters.
func wordsOf(name string) []string {
	return strings.FieldsFunc(strings.ToLower(name), func(r rune) bool { return strings.ContainsRune(between, r) })
}

// lettersOf is wordsOf without digits.
func lettersOf(name string) []string {
	return strings.FieldsFunc(strings.ToLower(name), func(r rune) bool { return strings.ContainsRune(between+"0123456789", r) })
}

// holds reports whether a phrase stands among words.
func holds(words []string, phrase string) bool {
	return strings.Contains(" "+strings.Join(words, " ")+" ", " "+phrase+" ")
}

// bypassed reports whether the words of a name say that it is a bypass.
func bypassed(letters []string) bool {
	return slices.ContainsFunc([]string{"bypass", "bypassed", "dry through", "dry thru"}, func(phrase string) bool { return holds(letters, phrase) })
}

// part is what a file seems to be.
type part struct {
	kind   partKind
	repeat int // the file that this one records a second time, −1 for none
}

type partKind int

const (
	aTake partKind = iota
	aBypass
	noTake // the dry recording or the loopback
)

// partsOf guesses what the files are beside the dry recording and the loopback.
// A name of one word, "direct" say, is a bypass where something else is the dry
// recording. A repeat has the name of another take and, behind it, a word or a
// number that says so.
func partsOf(files []draftFile, dry, loop int) []part {
	out := make([]part, len(files))
	byName := map[string]int{}
	for i, f := range files {
		out[i].repeat = -1
		letters := lettersOf(f.name)
		switch {
		case i == dry || i == loop:
			out[i].kind = noTake
			continue
		case bypassed(letters), len(letters) == 1 && slices.Contains([]string{"direct", "through", "thru"}, letters[0]):
			out[i].kind = aBypass
		}
		if name := strings.Join(wordsOf(f.name), " "); name != "" {
			if _, twice := byName[name]; !twice {
				byName[name] = i
			}
		}
	}
	for i, f := range files {
		if out[i].kind == noTake {
			continue
		}
		name := strings.Join(wordsOf(f.name), " ")
		for _, end := range []string{"again", "repeat", "repeated", "second pass", "second take", "2nd pass", "2nd take", "pass 2", "take 2", "2", "3"} {
			if first, cut := strings.CutSuffix(name, " "+end); cut {
				if k, there := byName[first]; there {
					out[i].repeat = k
					break
				}
			}
		}
	}
	return out
}

// write writes the lines of a take that its part decides; first says that no take of a
// device came before, so that it shows what else can be written.
func (p part) write(line func(string, ...any), files []draftFile, name string, first bool) {
	name = manifest.Scalar(name)
	if p.kind == aBypass {
		line("    role: bypass                  # a guess from the file's name: the chain without the device")
	}
	if p.repeat >= 0 {
		line("    repeat_of: %-18s # a guess from the file's name: this take records that one a second time, with its settings", manifest.Scalar(files[p.repeat].name))
	}
	if p.kind == aBypass || p.repeat >= 0 {
		line("    # device: {device: %s} # use this line instead if the guess is wrong", name)
		return
	}
	line("    device:")
	line("      device: %s", name)
	line("      # controls: {gain: noon, tone: 4, level: \"3 o'clock\"}")
	if !first {
		return
	}
	line("    # repeat_of: the take that this one records a second time")
	line("    # role: room                  # the in-room reference; also reference, bypass, link (joins two sessions)")
}

// firstTake returns the first file that is a take of a device, else the first.
func firstTake(parts []part) int {
	for i, p := range parts {
		if p.kind == aTake && p.repeat < 0 {
			return i
		}
	}
	return 0
}
