package manifest

import "evenhand/analyze/unit"

// Pos is a place in the manifest file, both counted from 1, columns in
// characters (Unicode code points) and not in bytes; the zero Pos means that
// the value does not come from the file.
type Pos struct{ Line, Column int }

// Comparison is a whole manifest: what was recorded, with which settings.
// Every field keeps the author's own spelling where it is shown.
type Comparison struct {
	Title      string
	By         string
	Date       string // as written, checked to be YYYY-MM-DD
	URL        string // where the report will be published, as written: an http or https address without query or fragment; "" when not stated
	Copies     int    // bits of the published files, 16 or 24; 0 when not stated
	Varies     Varies
	Reference  string        // name of the take others are compared with; "" if none
	Mains      unit.Hertz    // 50 or 60; 0 when not stated
	About      *File         // Markdown notes
	SetBy      string        // how controls were chosen, as written: "same position", "by ear", "by measurement" or free text
	MayDiffer  []ControlPath // controls that were allowed to move
	Disclosure string
	FullScale  Quantity // full_scale_in: level of 0 dBFS at the converter's input (dBu, dBV or V); Written is "" when not stated

	Match       Match
	Performance Performance
	Chain       []Device // in signal order
	Takes       []Take   // in file order, names unique

	// Limits are the author's own limits of checks, in file order. Whether the
	// ids and values mean something is for the checks to say.
	Limits []Limit

	// Warnings are things that are legal but doubtful, in file order.
	Warnings []Problem

	// Path is the manifest's own path as opened; Dir the folder that file
	// paths in it are relative to.
	Path, Dir string
	// Inputs, after Load, are the paths on disk of the manifest and of every
	// file that it names, in file order. SHA256 is the manifest's, in lower-case
	// hexadecimal.
	Inputs []string
	SHA256 string
}

// Limit is a limit that the author sets for one check.
type Limit struct {
	ID      string // id of the check
	Written string // the limit as written
	Pos     Pos
}

// Varies names what is under test: one slot of the chain, or one control of it.
type Varies struct {
	Slot    string
	Control string // "" when the whole slot varies
	Written string
	Pos     Pos
}

// ControlPath names a control as slot.control.
type ControlPath struct {
	Slot, Control string
	Written       string
	Pos           Pos
}

// Match says how levels are matched. Zero values mean the defaults.
type Match struct {
	Target  *unit.LUFS // integrated loudness for every take; nil: as high as the ceiling allows
	Ceiling *unit.DBTP // true-peak ceiling; nil: −1 dBTP
}

// Performance is the performance, the same in all takes.
type Performance struct {
	Instrument, Tuning, Pickup, Notes string
	Dry                               *File // the dry DI recording; nil if none
	Loopback                          *File // the reamp output recorded back through the DI box; nil if none
	Sections                          []Section
	// SectionsFrom says where to take sections from when none are listed:
	// "" (pauses of the dry recording), "markers" (cue markers of the dry
	// recording or, without one, of the reference take).
	SectionsFrom string
}

// Section is a named part of the performance on the timeline of the dry
// recording (of the reference when there is none, of the first take by name when there is neither).
type Section struct {
	Name     string
	From, To unit.Seconds
	Pos      Pos
}

// File is a file that the manifest names.
type File struct {
	Path         string // as written; accents as the folders spell them, when it was loaded
	Redistribute bool   // false: never copied into a published folder or a pack
	Pos          Pos
}

// Device is one device in one slot of the chain.
type Device struct {
	Slot      string
	Name      string // the device; "" when the slot is filled in by each take
	Kind      string // as written, e.g. "valve power amp", "load", "cabinet", "microphone"
	Controls  []Control
	File      *File // impulse response or model file
	Impedance Quantity
	Power     Quantity
	Position  *Position // for a microphone
	Photo     *Photo
	Notes     string
	Pos       Pos
}

// Control is one control of a device and where it stands.
type Control struct {
	Name   string
	Value  Value
	Travel string   // as written: "270°"; "" for the usual 300°
	From   string   // as written: where a rotary knob's travel begins; "" for 7 o'clock
	Scale  string   // as written: "0-10", "1-12"; "" when not stated
	Steps  []string // positions of a stepped control, in order
	Pos    Pos
}

// ValueKind tells how a control's value was understood.
type ValueKind string

// The kinds of control values.
const (
	Clock   ValueKind = "clock"   // a clock position
	Scaled  ValueKind = "scale"   // a number on a 0–10 or stated scale
	Percent ValueKind = "percent" // per cent of travel
	Physics ValueKind = "unit"    // a number with a unit of its own: dB, Hz, ms
	Switch  ValueKind = "switch"  // on or off
	Step    ValueKind = "step"    // one of the control's named steps
	Text    ValueKind = "text"    // anything else, kept as text
	Unset   ValueKind = "unset"   // present without a value: not stated
)

// Value is a control's position as written and as understood.
type Value struct {
	Written string // the author's own spelling: "1.10", "3 o'clock"
	Kind    ValueKind
	// Fraction is the position as a fraction of full travel, 0 to 1; NaN
	// where the value has no position (text, units).
	Fraction float64
	// Number is the number for Scaled, Percent and Physics, in Unit; NaN
	// otherwise. kHz are given in Hz and s in ms.
	Number float64
	Unit   string // "dB", "Hz", "ms", "%"; "" otherwise
}

// Quantity is a number with a unit, kept as written: 8 ohm, 60 W, +12 dBu.
type Quantity struct {
	Written string
	Number  float64
	Unit    string
}

// Position is where the microphone was.
type Position struct {
	Distance Quantity // m, cm, mm, in
	Angle    Quantity // degrees off axis
	From     string   // what the distance is measured from
	At       string   // the point that it is aimed at, such as a place on the loudspeaker's cone
}

// Photo is a picture of a device or microphone setup.
type Photo struct {
	File File
	Alt  string // required alternative text
}

// Role is the part that a take plays in the comparison.
type Role string

// The roles. The zero Role is an ordinary take.
const (
	RoleReference Role = "reference" // the take others are compared with
	RoleBypass    Role = "bypass"    // the chain without the device under test
	RoleRoom      Role = "room"      // the in-room reference
	RoleLink      Role = "link"      // joins two sessions
)

// formerLink is what RoleLink was called before.
const formerLink = "bridge"

// ReadRole returns the role that a word stands for. A word that a role had before
// stands for that role, any other for itself.
func ReadRole(word string) Role {
	if word == formerLink {
		return RoleLink
	}
	return Role(word)
}

// Contestant reports whether a take is one of those that are compared with each
// other: it repeats no other take and has neither the role bypass nor room. Only
// contestants are ranked in sentences, count for medians, play in an edit unless
// others are asked for, and meet in listening tests.
func Contestant(role Role, repeatOf string) bool {
	return repeatOf == "" && role != RoleBypass && role != RoleRoom
}

// Take is one render of the performance.
type Take struct {
	Name     string
	File     File
	RepeatOf string // name of the take that this one records a second time; "" otherwise
	Role     Role
	Channels []int  // 1-based channels of the file to use; nil: all (one or two)
	Mics     *Mics  // a two-channel file with one microphone on each side, also where the comparison states them
	Slots    []Slot // what this take puts into slots of the chain, in chain order
	Notes    string
	// SetBy and Disclosure are those of this take alone; "" where the comparison's holds.
	SetBy, Disclosure string
	Photo             *Photo // of the whole set-up
	Pos               Pos
}

// Contestant reports what the function of that name says of the take.
func (t *Take) Contestant() bool { return Contestant(t.Role, t.RepeatOf) }

// Slot is a take's entry for one slot: a device of its own, or changes to
// controls of the chain's device there.
type Slot struct {
	Device Device
	// Own is true when the take names a device (which replaces the chain's);
	// false when it only sets controls on the chain's device.
	Own bool
}

// Mics describes the two sides of a two-microphone file.
type Mics struct{ Left, Right Mic }

// Mic is one microphone and its share in the blend.
type Mic struct {
	Name     string
	Blend    unit.DB // gain in the blend; 0 dB if not stated
	File     *File   // its impulse response; nil for a microphone in front of a loudspeaker
	Position *Position
	Photo    *Photo
	Notes    string
}
