package manifest

import (
	"regexp"
	"slices"
	"strings"
)

// AmplifierKind says whether a device drives a loudspeaker, and with what.
type AmplifierKind string

// The amplifiers. The zero AmplifierKind drives no loudspeaker: a pedal, a preamp, a
// reamp box, an interface, software.
const (
	Valves     AmplifierKind = "valves"    // its power stage has valves
	NoValves   AmplifierKind = "no valves" // its power stage has none
	MayBeValve AmplifierKind = "not known" // the words do not say which
)

// LoadKind says what takes an amplifier's power. The zero LoadKind takes none.
type LoadKind string

// The loads.
const (
	Loudspeaker LoadKind = "loudspeaker" // heard in the room
	LoadBox     LoadKind = "load box"    // a load or an attenuator
)

// Gear is what the words of a device say about power.
type Gear struct {
	Amplifier AmplifierKind
	Load      LoadKind // of an amplifier: the one that is built in
}

// The words of the trade that tell gear apart, in lower case, each compared whole:
// a loader is no load.
//
// Source: common practice, no source. The names of power valves are from memory.
var (
	ampWords   = []string{"amp", "amps", "amplifier", "amplifiers", "poweramp", "combo"}
	headWords  = []string{"head", "stack", "halfstack"}
	otherHeads = []string{"tape", "echo", "delay", "dummy", "binaural"}
	preWords   = []string{"pre", "preamp", "preamps", "preamplifier", "preamplifiers"}
	valveWords = []string{"valve", "valves", "tube", "tubes", "el34", "el84", "6l6", "6v6", "kt66", "kt77", "kt88", "6550", "5881"}
	solidWords = []string{"solid", "solidstate", "transistor", "transistors", "mosfet", "digital", "modelling", "modeling"}
	loadWords  = []string{"load", "loads", "loadbox", "attenuator"}
	cabWords   = []string{"cab", "cabs", "cabinet", "cabinets", "speaker", "speakers", "loudspeaker", "loudspeakers"}
	selfDriven = []string{"powered", "active", "monitor", "monitors"} // loudspeakers that no amplifier feeds
	likeWords  = []string{"model", "modeller", "modeler", "simulator", "simulation", "simulated", "sim", "emulator", "emulation", "emulated", "capture", "profile", "profiler", "impulse", "ir", "loader"}
	softWords  = []string{"plugin", "software", "app", "virtual"}
	smallWords = []string{"pedal", "pedals", "stompbox", "box"}
	movesWords = []string{"pitch", "octaver", "harmoniser", "harmonizer", "detuner", "transposer", "wah", "autowah", "envelope", "swell", "swells", "vibrato", "rotary", "chorus", "flanger", "phaser"}
	lineWords  = []string{"switcher", "selector", "splitter", "interface", "di", "microphone", "mic", "headphone", "headphones", "cable"}

	gearWord  = regexp.MustCompile(`[\pL\pN]+`)
	gearParts = regexp.MustCompile(`[,;:/+&()]|\b(?:and|with|into|plus|in)\b`) // each part is about one thing
	gearJoin  = []struct {
		from *regexp.Regexp
		to   string
	}{
		{regexp.MustCompile(`\b(pre|re)[- ](amp)`), "$1$2"},
		{regexp.MustCompile(`\bpower[- ]?(stage|section|amplifier|amp)\b`), "poweramp"},
		{regexp.MustCompile(`\b(half|load|plug)[- ](stack|box|in)\b`), "$1$2"},
		{regexp.MustCompile(`\bclass[- ]?d\b`), "transistor"},
		{regexp.MustCompile(`\bin[- ]a[- ]box\b`), "pedal"},
		{regexp.MustCompile(` for .*`), ""},
	}
)

func anyOf(words []string, lists ...[]string) bool {
	return slices.ContainsFunc(words, func(w string) bool {
		return slices.ContainsFunc(lists, func(l []string) bool { return slices.Contains(l, w) })
	})
}

// Gear reads from its words whether a device is an amplifier or a load. They are its
// kind or, without one, its slot, and then its name too where the slot is an
// amplifier's or is called device. Whoever prints a caution asks this function.
//
// Words that name neither valves nor anything else, and hybrids, are MayBeValve.
func (d Device) Gear() Gear {
	if d.Name == "" {
		return Gear{}
	}
	text := d.Kind
	switch {
	case text != "":
	case strings.EqualFold(d.Slot, "device"):
		text = d.Name
	case gearOf(d.Slot).Amplifier != "":
		text = d.Slot + ", " + d.Name
	default:
		text = d.Slot
	}
	g := gearOf(text)
	if d.File != nil { // an impulse response or a capture
		g.Amplifier = ""
		if g.Load == Loudspeaker {
			g.Load = ""
		}
	}
	return g
}

// gearOf reads a text in parts, because one text can name several things: "valve
// preamp, solid-state power amp".
func gearOf(text string) (g Gear) {
	text = strings.ToLower(text)
	for _, j := range gearJoin {
		text = j.from.ReplaceAllString(text, j.to)
	}
	all := gearWord.FindAllString(text, -1)
	if anyOf(all, softWords) {
		return g
	}
	stated := slices.Contains(all, "poweramp") // then what the head or combo has is not what counts
	var valves, solid bool
	for _, part := range gearParts.Split(text, -1) {
		w := gearWord.FindAllString(part, -1)
		like, power := anyOf(w, likeWords), slices.Contains(w, "poweramp")
		drives := drivesLoudspeaker(w)
		switch {
		case anyOf(w, cabWords) && !like && !anyOf(w, selfDriven, lineWords), drives && anyOf(w, []string{"combo", "stack", "halfstack"}):
			g.Load = Loudspeaker
		case anyOf(w, loadWords) && g.Load == "":
			g.Load = LoadBox
		}
		if drives {
			g.Amplifier = MayBeValve
		}
		if power || !like && !anyOf(w, preWords) && !(stated && drives) {
			valves, solid = valves || anyOf(w, valveWords), solid || anyOf(w, solidWords)
		}
	}
	if g.Amplifier != "" && valves != solid && (stated || !slices.Contains(all, "hybrid")) {
		g.Amplifier = NoValves
		if valves {
			g.Amplifier = Valves
		}
	}
	return g
}

// drivesLoudspeaker tells whether the words of one part name an amplifier that has a
// power stage.
func drivesLoudspeaker(w []string) bool {
	power := slices.Contains(w, "poweramp")
	if anyOf(w, likeWords, loadWords, lineWords) || !power && anyOf(w, preWords, smallWords) {
		return false
	}
	for i, x := range w {
		if !slices.Contains(ampWords, x) && (!slices.Contains(headWords, x) || anyOf(w, otherHeads)) {
			continue
		}
		if i+1 == len(w) || !slices.Contains(cabWords, w[i+1]) { // an amp cabinet is no amp
			return true
		}
	}
	return false
}

// The cautions, wherever they stand. Each gives an order, the reason, and who decides.
const (
	// LoadCaution is for an amplifier that may have valves.
	LoadCaution = "Connect the cabinet or load before you switch on, with the impedance and power that the manuals of both state. Without it a valve amplifier can be destroyed."
	// InsideCaution is for the same amplifier.
	InsideCaution = "Do not open it: valve amplifiers hold dangerous voltages, also when unplugged. Follow the manual and local rules; leave work inside to a qualified technician."
	// GroundCaution is for hum, and for a box whose ground can be lifted.
	GroundCaution = "Lift only the audio ground of a DI or reamp box. Never remove the protective earth of any device: without it a fault can kill. Leave the mains side to a qualified technician."
	// RoomCaution is for an amplifier that may play through a loudspeaker.
	RoomCaution = "Turn the amplifier down before you switch on, and protect your hearing near a loud amplifier: it can do lasting harm. Local rules on noise decide how long."
)

// Cautions are what whoever sets up these devices must know, in the order in which it
// is needed; nil where nothing is to be said.
func Cautions(devices []Device) []string {
	var valve, ground, room bool
	for _, d := range devices {
		g := d.Gear()
		valve = valve || g.MayHaveValves()
		room = room || g.Amplifier != ""
		ground = ground || slices.ContainsFunc(d.Controls, func(c Control) bool {
			return strings.Contains(strings.ToLower(c.Name), "ground") || strings.Contains(strings.ToLower(c.Name), "earth")
		})
	}
	var out []string
	if valve {
		out = append(out, LoadCaution, InsideCaution)
	}
	if ground {
		out = append(out, GroundCaution)
	}
	if room {
		out = append(out, RoomCaution)
	}
	return out
}

// Comment writes a caution as comment lines of a manifest, a sentence to a line.
func Comment(caution string) string {
	return "# " + strings.ReplaceAll(caution, ". ", ".\n# ")
}

// MayHaveValves reports whether a device is an amplifier that has valves or may have.
func (g Gear) MayHaveValves() bool { return g.Amplifier == Valves || g.Amplifier == MayBeValve }

// MovesSound reports whether the kind of a device says that it moves sound in time by
// itself: it shifts the pitch, sweeps a filter or a delay, or fades notes in. An amplifier
// that can do so as well does not count.
func (d Device) MovesSound() bool {
	return gearOf(d.Kind).Amplifier == "" && anyOf(gearWord.FindAllString(strings.ToLower(d.Kind), -1), movesWords)
}

// Devices are the devices of all takes.
func (c *Comparison) Devices() []Device {
	var out []Device
	for i := range c.Takes {
		out = append(out, c.ChainOf(&c.Takes[i])...)
	}
	return out
}
