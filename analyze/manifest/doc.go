// Package manifest reads the manifest of a comparison: what was recorded, with
// which settings. It does pure parsing and no audio. Parse reads bytes, Load
// reads a file and looks for the files that it names; both return either a
// Comparison or every problem at once. This page is the manual of the language.
//
// # The file
//
// A manifest is YAML in UTF-8, written by hand, at most 1 MiB long and with at
// most 500 items in a list or keys in a mapping:
//
//	# a whole manifest
//	title: Four fuzz circuits, one baritone riff
//	by: Fern Street Recording
//	date: 2026-03-14
//	varies: fuzz
//	chain:
//	  - slot: fuzz
//	  - slot: amp
//	    device: Studio valve amplifier
//	    controls: {volume: noon, bass: "11 o'clock", bright: off}
//	takes:
//	  - name: Leaning
//	    file: audio/leaning.wav
//	    fuzz:
//	      device: Leaning
//	      controls: {drive: "3 o'clock", colour: noon}
//	  - name: Splitting
//	    file: audio/splitting.wav
//	    fuzz: {device: Splitting, controls: {edge: 2, colour: 7}}
//
// Values are kept as they are written: 1.10 stays 1.10, 010 stays 010, off
// stays off. A key without a value is the same as no key, except among
// controls, where it says that the setting is not known. Unknown keys, keys
// given twice and values of the wrong sort are errors; all errors are reported
// in one run, each with line and column. Columns count characters, so that
// they agree with what an editor shows, and start at 1.
//
// Some of YAML is left out, so that a manifest means what it shows: anchors and
// aliases (&, *), merge keys (<<), tags (!), explicit keys (?), directives (%),
// a second document. Indentation is made of spaces; a tab elsewhere is read as
// a space. A byte order mark and any kind of line end are fine.
//
// Inside braces a comma ends a value. Where what follows is no key it is taken
// for the rest of the text, with a warning; quotes make it certain:
//
//	# in a take
//	mics:
//	  left: {name: "Dynamic, cap edge"}
//	  right: {name: "Ribbon, 5 cm off axis", blend: -4 dB}
//
// # The comparison
//
// title, varies, chain and takes are required.
//
//	# at the top
//	by: Fern Street Recording       # who made it
//	date: 2026-03-14                # year-month-day
//	reference: Leaning              # the take that others are compared with
//	mains: 50 Hz                    # or 60 Hz
//	about: notes.md                 # Markdown for the page
//	set_by: same position           # or: by ear, by measurement, in your words
//	may_differ: [amp.volume]        # controls that were allowed to move
//	full_scale_in: +12 dBu          # 0 dBFS at the input, in dBu, dBV or V
//	disclosure: The amp was lent by its maker.
//	match: {target: -16 LUFS, ceiling: -1 dBTP}
//	limits: {lag: 1 ms}             # limits of checks, by the check's id
//
// varies names what is under test: a slot of the chain, or one control of a
// slot as slot.control. The slot ends at the first point.
//
// # The performance
//
//	# at the top
//	performance:
//	  instrument: Baritone guitar, 27.7 in scale
//	  tuning: B1 E2 A2 D3 F#3 B3
//	  pickup: bridge humbucker
//	  notes: Played with a thin pick.
//	  dry: audio/dry.wav            # what every take was made from
//	  loopback: audio/loopback.wav  # the reamp output, back through the DI box
//	  sections:
//	    - {name: Low riff, from: "0:00.0", to: "0:11.5"}
//	    - {name: Open chords, from: 13, to: 24 s}
//
// Times are seconds (13, 12.5 s), minutes:seconds (0:11.5) or
// hours:minutes:seconds (1:02:03.5) in the dry recording or, without one, in the
// reference; without either, in the first take by name. Sections have
// different names, end after they begin and do not lie over each other. The
// word markers in place of the list takes the sections from the recording's cue
// markers:
//
//	# at the top
//	performance: {dry: audio/dry.wav, sections: markers}
//
// # Files
//
// Paths are relative to the manifest's folder, with / between folders on every
// system. ../ is allowed. An absolute path gives a warning, since it holds on
// one machine only; a web address is an error. Any file can be a mapping that
// forbids passing it on: it is never copied into a published folder or a pack,
// and its name and hash are kept. Of a take it means also that no audio made
// from it is published: the report has the take's numbers and says that its
// audio is withheld (cut still makes it, for the author's own use). Of the dry
// recording, the loopback, an impulse response or a photo it means the file
// alone; notes that are marked so are not on the page either. A file of the same
// content under another name is treated alike. Beside the file of a take or a
// device, redistribute: says the same:
//
//	# at the top
//	about: {file: notes.md, redistribute: no}
//
//	# a slot of the chain
//	slot: cabinet
//	device: Open-back 2x12, impulse response
//	file: ir/openback.wav
//	redistribute: no
//
// # The chain
//
// The chain lists slots in signal order, one device to a slot. A slot without a
// device is filled in by each take. Names of slots are made of letters, digits,
// spaces, - and _, and are not those of a take's keys.
//
//	# a slot of the chain
//	slot: mic
//	device: Moving-coil microphone
//	kind: microphone
//	impedance: 150 ohm              # ohm, kohm, Mohm
//	power: 0.5 mW                   # W, kW, mW
//	position: {distance: 5 cm, angle: 30°, from: grille cloth, at: cap edge}
//	photo: {file: photos/mic.jpg, alt: Microphone at the edge of the dust cap}
//	notes: Not moved between takes.
//
// kind says in the usual words of the trade what the device is: valve power amp,
// solid-state combo, valve preamp pedal, load box, cabinet, amp plugin. The checks
// of load, impedance, load power and hearing go by it, and so do the cautions on
// page and sheet. State the kind, impedance and power of every amplifier. Without a
// kind, the slot and the device's name count; an amplifier that may have valves is
// treated as if it had. valve and tube mean the same:
//
//	# a slot of the chain
//	slot: power amp
//	device: Kestrel
//	kind: valve power amp
//	impedance: 8 ohm                # of the output that was used
//	power: 20 W
//
// Distances are in cm, mm, m or in. A photo needs its alternative text.
//
// # Takes
//
// A take has a name, unique by its letters and digits alone, which name its files,
// and a file. Each slot of the chain is a key of a take:
//
//	# in a take
//	channels: [1, 2]                # of the file, from 1; one or two
//	role: bypass                    # reference, bypass, room or link
//	notes: Second evening.
//	amp: Studio valve amplifier     # short for {device: Studio valve amplifier}
//
// A device that the take names replaces the chain's device in that slot (the
// kind is kept unless the take gives one). Without a name, or with the same
// name, what the take says is laid over what the chain says, control by
// control, and numbers are read on the chain's scales:
//
//	# in a take
//	amp: {controls: {volume: 7}}
//
// repeat_of names the take that was recorded a second time; its settings are
// those of that take except where it says otherwise. role: reference is the
// same as naming the take in reference: at the top, and only one take can be
// the reference. In a bypass the slot under test is empty.
//
//	# in a take
//	repeat_of: Leaning
//
// role: room marks the in-room reference, the gear as heard in front of it.
// role: link marks a take that joins two sessions. It was called bridge before,
// and that word is still read.
//
// Takes with the role bypass or room and repeats are not contestants. They can be
// played, are measured and keep their rows in tables. But no sentence ranks them,
// a video edit leaves them out unless you name them, and listeners are not asked
// which they prefer. A repeat shows how much two passes of one setting differ:
// listeners can try to tell it from the take that it repeats.
//
// mics describes a two-channel file with one microphone on each side; blend is
// its gain in the blend, 0 dB when not stated. A microphone can have a
// position, a photo and notes.
//
// # Controls
//
// A control is a name with a value. Values are read, in this order, as
//
//   - one of the control's steps, where steps are given;
//   - a clock position: noon, 3 o'clock, 1:30. A knob turns 300° from 7 o'clock
//     to 5 o'clock, so noon is half way and an hour a tenth (common practice,
//     no source);
//   - per cent of travel: 50 %;
//   - a number with a unit of its own: -4 dB, 800 Hz, 2.5 kHz, 380 ms, 1.2 s;
//   - a number on a scale: 0 to 10, or as stated; 7/12 and 3 of 11 state a
//     scale from 0;
//   - on or off, also yes, no, true, false;
//   - text, kept as it is.
//
// A value outside its travel, scale or steps is an error. A knob that is not
// like most is described:
//
//	# controls
//	tone: noon
//	gain: 7/12
//	level: {value: 8, scale: 1-12}
//	sweep: {value: "10:00", travel: 270°, from: "7:30"}
//	voice: {value: bright, steps: [dark, flat, bright]}
//	delay: 380 ms
//	presence:                       # there, but not written down
//
// Steps lie at equal distances, the first at 0 and the last at 1.
package manifest
