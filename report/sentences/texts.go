package sentences

import "evenhand/analyze/fairness"

const withheld = "[; the audio of {withheld:join} is withheld, so what the report says about it is the author's word]"

// texts are the words of what is no finding of a check by itself, by code.
var texts = map[string]string{
	"silence":        "the {source}, {file}, is silent",
	"speed":          "its music takes {ratio:4} times as long ({name}): correct its sample rate first",
	"odds":           "[{to_one:0} to 1][{!to_one}more than a million to 1] for [{!two}one performance][{?two}two]",
	"slip.at":        "at {at_s} ± {beside_s:1} s",
	"slip.between":   "between {from_s} and {to_s}",
	"part.moved":     "{shift_ms:1} ms [{!early}late][{?early}early] from {from_s} to {to_s}",
	"part.elastic":   "its timing wanders from {from_s} to {to_s}",
	"part.pass":      "its notes start early and late, like another pass, from {from_s} to {to_s}",
	"part.elsewhere": "from {from_s} to {to_s} it plays what the {source} plays from {of_s} on",
	"part.missing":   "nothing is heard from {from_s} to {to_s} while the {source} plays",
	"part.turned":    "its polarity is inverted from {from_s} to {to_s}",
	"part.unlike":    "it does not match what the {source} plays from {from_s} to {to_s}",

	"notch":          "the first notch of the blend is at {at_hz}",
	"notch.high":     "the first notch of the blend is above 20 kHz",
	"notch.inverted": "the blend cancels towards 0 Hz and again at {at_hz}",

	"change":          changed + " is {size_db:+1} dB off from {from_s} to {to_s}",
	"change.creeps":   changed + " creeps by {size_db:+1} dB from {from_s} to {to_s}",
	"change.at-start": changed + " is {size_db:+1} dB off until {to_s}",
	"change.at-end":   changed + " is {size_db:+1} dB off from {from_s} on",

	"depth":         "{encoding}",
	"depth.less":    "{bits} bits in a file of {encoding}",
	"depth.of":      "{takes} [{!several}has][{?several}have] {depth}",
	"setting":       "[{value}][{!value}not stated] in {takes}",
	"scale.clock":   "a clock position[ over {over}]",
	"scale.number":  "a number on {on}",
	"scale.percent": "per cent",
	"scale.unit":    "a number in [{unit}]",
	"scale.switch":  "a switch position",
	"scale.text":    "text",

	// Why a place, a clock or a sample rate is uncertain, and what became of the place.
	"place.far":          "the music seems to start {by_s:1} s [{!early}later][{?early}earlier] than in the timeline's recording, but no place up to {most_s:0} s is clear: cut the file so that it starts at about the same place",
	"place.short":        "too short: {first_s:2} s and {second_s:2} s, at least {least_s:0} s of both is needed",
	"place.silent":       "the first recording is silent",
	"place.silent-there": "the second recording is silent where the first is not",
	"place.no-onset":     "no common onset found",
	"place.nothing-near": "nothing to compare near a known place",
	"place.no-window":    "no window in which both recordings sound",
	"place.few-windows":  "fewer than three windows in which both recordings sound",
	"place.repeats":      "the music repeats: the best lag is only {times:1} times as clear as another within ±{within_s:0} s",
	"place.unclear":      "no clear match ({times:1} times the next best): another performance, or gear that leaves little of the note starts",
	"place.scatters":     "the lag scatters by {spread_samples} samples between windows: the gear moves the phase from note to note, it is another performance, or frames were lost or inserted",
	"place.gear":         "the gear moves the phase from note to note, by {spread_samples} samples between windows",
	"place.unlike":       "too little in common: plain correlation {plain:2}, whitened {whitened:2}",
	"place.polarities":   "plain and whitened correlation disagree on the polarity and are {apart_samples:1} samples apart",
	"place.moves":        "the gear moves the lag by {spread_samples:1} samples from note to note",
	"place.apart":        "plain and whitened correlation are {apart_samples:1} samples apart",
	"place.notes":        "the phase and the note starts disagree on the place by {by_ms:1} ms",
	"no-lag":             "lag not measured: {because}",
	"unaligned":          "the take could not be aligned and is compared without a shift: {because}",
	"uncertain":          "the alignment is uncertain: {because}",
	"kept":               "it stays where the earlier report has it, so that its audio stays the same; measured now, it starts " + moved + " than the others there. Build with --target new to place it anew",
	"all-kept":           "all takes stay where the earlier report has them on the timeline, so that their audio stays the same; measured now, they start " + moved + " than that. Build with --target new to place them anew",
	"drift.few":          "{windows} windows, at least {least} are needed",
	"drift.short":        "windows span {span_s:1} s, at least {least_s:0} s are needed",
	"drift.scatters":     "the lag scatters by {spread_samples} samples between windows",
	"loop.no-dry":        "there is no dry recording to compare it with",
	"loop.same-bytes":    "the file has the same bytes as {name}: it is not a loopback",
	"loop.silent":        "the {which}[, {file},] is silent",
	"loop.one-silent":    "the dry recording or the loopback is silent",
	"loop.short":         "only {shared_s:2} s of the loopback overlap the dry recording, at least {least_s:0} s are needed",
	"loop.copy":          "it is the dry recording itself, sample for sample, which no loop returns",
	"loop.unlike":        "only {percent} % of the loopback's sound follows the dry recording: it is another performance, or something in the loop distorts or is played over",
	"loop.no-pause":      "the dry recording has no pause that is long and quiet enough",
	"rate.short":         "too short: at least 3 s are needed",
	"rate.little":        "no ratio is clear: one of the two recordings changes too little",
	"rate.unclear":       "the best ratio, {ratio:4}, is only {times:1} times as clear as another",

	// What is seen in the pauses, and why noise is not measured or told apart.
	"pauses.none":         "the performance has no pause long enough",
	"pauses.short":        "no pause of at least {least_s:2} s is left: the longest is {longest_s:2} s with a guard of {guard_s:2} s at each end",
	"pauses.all-decaying": "in every pause the note before is still dying away: no steady noise to measure",
	"pauses.decaying":     "{decaying} of {pauses} pauses not used: the note before is still dying away",
	"pauses.beyond":       "the recording ends before its first pause",
	"pauses.cut":          "the recording ends within pause {pause}",
	"hum.short":           "pauses too short to separate hum from hiss",
	"hum.mains":           "hum found, but the pauses are too short to separate 50 from 60 Hz",
	"hum.whine":           "a tone at a multiple of 1 kHz, {whine_dbfs}, is alone among the multiples of the mains frequency, so it counts as hiss and not as hum; a USB connection makes such tones",
	"gate.closes":         "a gate closes: in {closing} of {pauses} pauses steady noise falls " + fall + " within {within_s:2} s",
	"gate.rings":          "a gate closes: before {closing} of {pauses} pauses the take falls " + fall + " while the dry recording still rings",
	"gate.mutes":          "digital silence in {silent} of {pauses} pauses while others have noise: muted or gated",
	"gate.silent":         "digital silence in {silent} of {pauses} pauses: muted, gated at once, or made by a chain without noise",
	"gate.below":          "less noise in the pauses ({noise_dbfs}) than any converter makes: muted, gated, or made by a chain without noise",
	"gate.some":           "the noise falls suddenly in {closing} of {pauses} pauses",
	"split.no-dry":        "there is no dry recording to compare with",
	"split.not-measured":  "the noise was not measured",
	"split.take":          "the take's noise was not measured",
	"split.dry":           "the dry recording's noise was not measured",
	"split.take-gated":    "the take's pauses are gated or silent",
	"split.dry-gated":     "the dry recording's pauses are gated or silent",
	"split.few":           "the pauses give {averages:1} averages, {least} are needed to separate carried-in noise from added",
	"split.below":         "carried-in noise is below {below_dbfs}, the least that the pauses can show",
	"split.less":          "added noise is too small next to the carried-in noise to be measured",

	// What speaks for or against an accusation.
	"unanswered":     "not measured: there is nothing here to compare for it",
	"build":          "a build settles this: it measures every published file again",
	"build.list":     "a build settles this: it lists the SHA-256 of every file",
	"scatter":        "in every take the notes keep their timing against the {source}: they scatter by {spread_ms:2} ms or less, where two passes of a player scatter by several",
	"smallest":       "the smallest faults that would be found: [{faults}]; everywhere, a second without sound while the {source} plays",
	"detectable":     spanned + ": a shift of {shift_ms:0} ms for 5 s, another pass of {pass_s:0} s",
	"detectable.not": spanned + ": a shift or another pass could be missed in [{takes:join}][{!takes}every take]",
	"no-loopback":    "no recording shows the level into the devices",
	"loopback":       "a loopback shows {level_db:+2} dB against the dry recording, {where} (limit {limit}); that the level stayed so for every take is the author's word",
	"written":        "as the author wrote the positions down, nothing but [{varies}] differs[; {repeats}]",
	"came-back":      "{of}, recorded again as {take}, came back within {level_lu:2} LU",
	"twice":          "every take was recorded twice, and the level of one against the other changes by at most {most_db:2} dB in any part; a change that both share is not detected",
	"floor":          "in every take [{!several}the one pause][{?several}each of the {pauses} pauses] keeps the floor it had when the note had died away; a gate that closes lowers it by 12 dB or more. One that closes as the note ends, to a level that could be a quiet chain's floor, looks the same",
	"sums":           "all files have different SHA-256 sums[; {nulls}]",
	"null":           "the deepest null of two takes leaves {residual_db:1} dB (limit {limit})",
	"no-dry":         "there is no dry recording to compare the takes with",
	"device":         "in every take but a bypass, sound that follows the music but is not the dry recording has at least {least_db:0} dB relative to the music in some octave",
	"hashes":         "no measurement shows which device made a file; the hashes fix which file was shown under which name",
	"whole":          "no take loses or gains [{worst_samples:size} ]samples[{?worst_samples} or more in one place][ (limited by {limiting}; {least_samples:size} in the clearest take)], and no cut clicks; shorter edits, edits close to an end, and edits of the sound alone, such as an equaliser, rest on the author's word",
	"clocks":         "all files have one sample rate, and no take runs fast or slow against the {source} by more than {most_ppm:^1} ppm",
	"short":          "not measured: no take runs fast or slow against the {source} by more than {most_ppm:^1} ppm, so no sample rate is wrong; the recording is too short to measure to the limit of {limit_ppm:decimals} ppm",
	"edges":          "no take's spectrum ends between 15.75 and 22.25 kHz where another's goes on; a conversion that leaves the spectrum whole is not detected",
	"measured-again": "every published file was decoded and measured again: the worst is {worst_lu:+2} LU off (limit {limit}); anyone can repeat it" + withheld,
	"covered":        "every take covers all the playing: {missing_s:2} s are missing (limit {limit}); the audio is published over the whole length" + withheld,
	"listed":         "the report lists the SHA-256 of every recording and of every published file; a changed file no longer matches",
	"disclosure":     "[the author states: {says}][{!says}the author does not say who paid and who lent the gear (disclosure)]",
}

// Words that several texts share.
const (
	moved   = "{by_samples:1} samples (± {error_samples:1}) [{!early}later][{?early}earlier]"
	fall    = "[by {by_db:0} dB][{!by_db}to digital silence]"
	changed = "[the octave around {band}][{!band}the level]"
	spanned = "[{span}][{!span}the whole]"
)

// accusations are what comparisons are accused of, by id.
var accusations = map[string]string{
	"another-performance": "a take is another performance",
	"another-part":        "a part of a take is another pass, was moved or left out",
	"another-level":       "the performance went in at another level",
	"another-setting":     "a knob was moved, or something else was changed",
	"changed-during":      "a level or a control was changed during a take",
	"gate":                "a gate hid the noise of a take",
	"same-file":           "one file is used for two takes",
	"bypassed":            "a device was bypassed",
	"swapped":             "two takes were swapped",
	"edited":              "a take was edited",
	"speed":               "a take runs fast or slow: mislabelled, or resampled to another speed",
	"converted":           "a take went through another sample rate and back, or through a lossy format",
	"louder":              "one take was made louder",
	"left-out":            "a part that shows the difference was left out",
	"changed-later":       "the page or its audio was changed later",
	"paid":                "somebody paid for the outcome",
}

// consequences name the causes of findings that are no further faults, by the id of the
// check that reports the cause.
var consequences = map[string]string{
	fairness.IDClipping: "the clipping, at the edges of clipped crests",
	fairness.IDGate:     "the gate or mute, where it closes or opens",
	fairness.IDSlips:    "the lost or inserted samples",
	fairness.IDMatch:    "the take's silence",
	fairness.IDSameFile: "the same file named twice",
}
