// Package manifest reads the manifest of a comparison: what was recorded, with
// which settings. It only parses and reads no audio. Parse reads bytes, Load
// reads a file and looks for the files that it names; both return either a
// Comparison or every problem at once. This page is the manual of the language.
//
// # The file
//
// A manifest is a YAML file in UTF-8 that you write by hand. It may be 1 MiB long at
// most, with at most 500 items in a list or keys in a mapping:
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
// Values stay as you write them: 1.10 stays 1.10, 010 stays 010, off stays off. A
// key without a value means the same as no key, except among controls, where it
// means that nobody wrote the setting down. Unknown keys, keys given twice and
// values of the wrong sort are errors. One run reports all errors, each with its
// line and column. Columns count characters from 1, as editors do.
//
// A manifest must not use these parts of YAML: anchors and aliases (&, *), merge
// keys (<<), tags (!), explicit keys (?), directives (%), a second document. Indent
// with spaces. A tab elsewhere counts as a space. A byte order mark and any kind of
// line end are fine.
//
// Inside braces a comma ends a value. If no key follows the comma, the text after it
// counts as part of the value, and evenhand warns. Use quotes:
//
//	# in a take
//	mics:
//	  left: {name: "Dynamic, cap edge"}
//	  right: {name: "Ribbon, 5 cm off axis", blend: -4 dB}
//
// # The comparison
//
// Every manifest must have title, varies, chain and takes.
//
//	# at the top
//	by: Fern Street Recording       # the author
//	date: 2026-03-14                # year-month-day
//	url: https://example.org/fuzzes/  # where the report will be published
//	copies: 24 bit                  # or 16 bit: depth of the published files
//	reference: Leaning              # the take to compare the others with
//	mains: 50 Hz                    # or 60 Hz
//	about: notes.md                 # Markdown for the page
//	set_by: same position           # or: by ear, by measurement, in your words
//	may_differ: [amp.volume]        # controls that may differ between takes
//	full_scale_in: +12 dBu          # 0 dBFS at the input, in dBu, dBV or V
//	disclosure: The amp was lent by its manufacturer.
//	match: {target: -16 LUFS, ceiling: -1 dBTP}
//	limits: {lag: 1 ms}             # of a check, by the id of the check
//
// A first sentence of the disclosure with at most 40 letters, such as "Paid by the
// manufacturer.", appears under the title of the page.
//
// varies names what is under test: a slot of the chain, or one control of a slot,
// written slot.control. The name of the slot ends at the first point.
//
// url is the web address of the folder in which you publish the report, or of its
// page. It begins with https:// or http:// and has no query and no fragment. With it,
// a link to the report shows the picture preview.png. If you change only url,
// evenhand measures nothing again.
//
// copies is the depth of the published files, the same for all takes. Without it, the
// first build decides: 16 bits with dither if the noise in every pause is at least
// 10 dB above the dither (A-weighted, after matching), otherwise 24 bits. Pauses that
// a gate closes, and silent ones, do not count. Later builds onto the report keep its
// depth. 16 bits are less than half as large; the archive has the recordings as they
// are.
//
// # The performance
//
//	# at the top
//	performance:
//	  instrument: Baritone guitar, 27.7 in scale
//	  tuning: B1 E2 A2 D3 F#3 B3
//	  pickup: bridge humbucker
//	  notes: Played with a thin pick.
//	  dry: audio/dry.wav            # the recording sent through each device
//	  loopback: audio/loopback.wav  # the reamp output, back through the DI box
//	  sections:
//	    - {name: Low riff, from: "0:00.0", to: "0:11.5"}
//	    - {name: Open chords, from: 13, to: 24 s}
//
// Times are seconds (13, 12.5 s), minutes:seconds (0:11.5) or
// hours:minutes:seconds (1:02:03.5). They count in the dry recording. Without one,
// they count in the reference, and without a reference in the first take by name.
// Sections must have different names, end after they begin, and not overlap. Write
// the word markers instead of the list to use the cue markers of the recording:
//
//	# at the top
//	performance: {dry: audio/dry.wav, sections: markers}
//
// # Files
//
// The dry recording, the loopback and the takes are WAV or FLAC files. WAV files
// can have up to 32 channels, of 8- to 32-bit integers or of floats; FLAC files can
// have up to 8 channels, of 16 or 24 bits. Sample rates are 8 to 384 kHz. A FLAC
// file gives the same figures as the WAV file of the same samples, but it has no
// cue markers. While it is measured, its samples are kept uncompressed in the
// system's folder for temporary files.
//
// Paths start at the folder of the manifest, with / between folders on every
// system. You can use ../. An absolute path gives a warning, because it works on
// one machine only. A web address is an error.
//
// To withhold a file, write it as a mapping with redistribute: no. No report and no
// archive then holds the file; they keep its name and hash. The mark also applies to
// files of the same content under another name. For a take, it also withholds all
// audio made from the recording: the report has the take's numbers and says that its
// audio is withheld. (cut still writes this audio, for the author's own use.) Notes
// marked so are not on the page. For the dry recording, the loopback, an impulse
// response or a photo, the mark withholds only the file; takes through an impulse
// response or a model that is marked cannot be heard equalised to others. A take or a
// device can also have redistribute: next to its file:
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
// The chain lists slots in signal order, one device per slot. If a slot has no
// device, each take must name one. The name of a slot may have letters, digits,
// spaces, - and _, and must not be a key of a take.
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
// kind says what the device is, in the usual words of the trade: valve power amp,
// solid-state combo, valve preamp pedal, load box, cabinet, amp plugin. State the
// kind, impedance and power of every amplifier. The checks of load, impedance, load
// power and hearing use them, and so do the cautions on page and sheet. Without a
// kind, evenhand uses the names of slot and device, and treats an amplifier that may
// have valves as one that has. valve and tube mean the same. Gear that moves sound in
// time by itself can look like another pass or an edit. If its kind says so (pitch
// shifter, harmoniser, octaver, auto-wah, envelope filter, swell, chorus, flanger,
// phaser, vibrato, rotary speaker), a take that differs so is not measured instead
// of failed:
//
//	# a slot of the chain
//	slot: power amp
//	device: Kestrel
//	kind: valve power amp
//	impedance: 8 ohm                # of the output that was used
//	power: 20 W
//
// Distances are in cm, mm, m or in. A photo must have its alternative text, alt.
//
// # Takes
//
// A take is one pass of the same recording through one device. It must have a name
// and a file. Names must differ in their letters and digits, because these name the
// published files. Each slot of the chain is a key of a take:
//
//	# in a take
//	channels: [1, 2]                # of the file, from 1; one or two
//	role: bypass                    # reference, bypass, room or link
//	notes: Second evening.
//	amp: Studio valve amplifier     # short for {device: Studio valve amplifier}
//
// If the take names a device, it replaces the chain's device in that slot. The kind
// stays, unless the take gives another. If the take names no device or the same one,
// its settings replace those of the chain control by control, and its numbers count
// on the chain's scales:
//
//	# in a take
//	amp: {controls: {volume: 7}}
//
// repeat_of names the take that this one records a second time. It has the settings
// of that take, except those that it states. role: reference means the same as
// reference: at the top. Only one take can be the reference. In a bypass the slot
// under test is empty.
//
//	# in a take
//	repeat_of: Leaning
//
// role: room marks the in-room reference, the gear as heard in front of it.
// role: link marks a take that joins two sessions. Its earlier name, bridge, also
// works.
//
// Takes with the role bypass or room, and repeats, are measured and can be played,
// but they do not compete. No sentence ranks them, a video edit plays them only if
// you name them, and no listening test asks which of them you prefer. A repeat shows
// how much two passes of one setting differ; listeners can try to tell it from the
// take that it repeats.
//
// set_by, disclosure and photo can stand in a take too, for that take alone:
//
//	# in a take
//	set_by: by ear
//	disclosure: Lent by its manufacturer.
//	photo: {file: photos/rig.jpg, alt: The pedal in front of the amp}
//
// mics describes a two-channel file with one microphone on each side. blend is the
// gain of a microphone in the blend, 0 dB if not stated. A microphone can have a
// position, a photo, notes, and its impulse response as file.
//
// mics at the top describes the microphones of all takes. A take can replace one
// side or both, each as a whole. A take that was recorded without them must say so
// with mics: none:
//
//	# at the top
//	mics:
//	  left: {name: "Dynamic, cap edge", file: ir/dynamic.wav}
//	  right: {name: "Ribbon, 5 cm off axis", blend: -4 dB}
//
//	# in a take
//	mics: none
//
// # Controls
//
// A control has a name and a value. evenhand reads a value as the first of these that
// fits:
//
//   - one of the control's steps, if steps are given;
//   - a clock position: noon, 3 o'clock, 1:30. A knob turns 300° from 7 o'clock
//     to 5 o'clock, so noon is half way and an hour a tenth (common practice,
//     no source);
//   - per cent of travel: 50 %;
//   - a number with a unit of its own: -4 dB, 800 Hz, 2.5 kHz, 380 ms, 1.2 s;
//   - a number on a scale, 0 to 10 if not stated; 7/12 and 3 of 11 state a
//     scale from 0;
//   - on or off, also yes, no, true, false;
//   - text, which stays as it is.
//
// A value outside its travel, scale or steps is an error. Describe a knob that
// differs from this:
//
//	# controls
//	tone: noon
//	gain: 7/12
//	level: {value: 8, scale: 1-12}
//	sweep: {value: "10:00", travel: 270°, from: "7:30"}
//	voice: {value: bright, steps: [dark, flat, bright]}
//	delay: 380 ms
//	presence:                       # it exists; nobody wrote it down
//
// Steps have equal distances, the first at 0 and the last at 1.
package manifest
