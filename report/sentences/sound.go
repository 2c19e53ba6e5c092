package sentences

import (
	"evenhand/analyze/fairness"
)

// practice is the source of a limit that no standard gives.
const practice = "common practice, no source"

// Words that several findings share.
const (
	unedited     = "check that the take was not edited; if it was, export it unedited" + stateKind
	stateKind    = "; if the device itself moves sound in time, as a pitch shifter or an auto-wah does, state its kind"
	onsets       = "{basis}[; note starts alone give odds of {odds}]"
	spread       = "[{spread_ms:2} ms][{?below}less than 0.01 ms]"
	parts        = "[{more}; ]every note and every third of a second of sound was compared separately with the {source}"
	late         = "{late_samples:decimals} samples[ ± {error_ms:1} ms] [{!early}late][{?early}early]"
	slip         = "{size_samples:1} samples[ ({long_s:2} s)] [{?lost}lost][{!lost}inserted] {when}"
	against      = "against [{again}][{!again}the {source}]"
	steps        = "the lag " + against + " steps there, by {lag_samples:+1} ± {error_samples:1} samples[; {places:0} places in all]"
	switchThere  = "listen as you switch: if the takes are out of step, check that the right file was named"
	unslipped    = "record the take again with a larger buffer; if it was edited, export it unedited" + stateKind
	oneClock     = "play and record through one converter, or clock both from one source; do not convert a take afterwards"
	drift        = "{measured:±error_ppm} ppm"
	reamp        = "loopback minus dry recording, {where}, within ±{error_db:2} dB; 20 Hz to 20 kHz {broadband_db:+2} dB, loudness {loudness_lu:+2} LU, true peak {peak_db:+2} dB; one loopback shows one moment of the session"
	loopNoise    = "below the playing: in the pauses the loop adds [{?hum_hz}hum at multiples of {hum_hz}][{!hum_hz}noise] of {noise_dbfs}; the dry recording's own noise returns at {own_dbfs}"
	floors       = "largest difference between the floors of {pauses} pauses, A-weighted or not: lowest at {low_s}, highest at {high_s}"
	gear         = "the noise rises within every pause, by {rise_db:1} to {rises_db:1} dB, as it does while a sagging amplifier or a compressor recovers from the playing"
	listenTwo    = "listen to the two pauses: was a pedal, a fan or a light switched, or a hand taken off the strings?"
	micDelay     = "{delay_ms:+3} ms ({delay_samples:+2} samples)"
	micsApart    = "right microphone after left, {air_cm:1} cm of air; {notch}"
	byEnds       = "a gate that closes as the note ends, to a level that could be a quiet chain's floor, looks the same"
	turnPolarity = "use the polarity switch of the reamp box or DI box, or swap the two wires at one end of a balanced cable"
	findNoise    = "look for a ground loop, a long unbalanced cable or a supply next to the boxes; lift the audio ground of the reamp box or DI box, never the protective earth of anything on the mains; if that does not help, ask a qualified technician"
	noLoopback   = "no loopback recording"
)

// shared are the findings that several checks have, by code.
var shared = map[string]words{
	"because":  {"", "{because}", ""},
	"hidden":   {"", "{why}", ""},
	"another":  {"", "it is another performance", ""},
	"no-noise": {"", "the pauses are gated or silent", ""},
}

var soundTopics = map[string]topic{
	fairness.IDPerformance: {"Performance", "no two performances are alike, and a better performance passes for a better sound",
		"odds of at least 10 000 to 1 that the notes of both start as in one performance", practice, map[string]words{
			"silent":    {"", "{why}, so performance, timing and missing parts are not measured", ""},
			"parts":     {"{first}", parts, "check that the take was not edited, and reamp the dry recording again" + stateKind},
			"same":      {spread, onsets, ""},
			"different": {spread, onsets, "check that the right file was named; if it is another pass, reamp the dry recording again" + stateKind},
			"kind":      {"", "{basis}", "listen to both at once: nothing else tells whether they are in step"},
			"unsure":    {spread, onsets, "use a performance with more notes: clear attacks show more than held chords"},
		}},
	fairness.IDLag: {"Timing", "takes out of step jump when you switch, and sound doubled when mixed",
		"", practice, map[string]words{
			"parts":     {"{first}", parts, unedited},
			"unshifted": {"not shifted, uncertain", "[{because}]", switchThere},
			"uncertain": {late + ", uncertain", "[{because}]", switchThere},
			"late": {late + ", corrected", "compared with the {source} (device delay included); at most {left_samples:size} samples out of step with the others after that[{?notes}, judged by note starts][: {because}]",
				"listen as you switch; if the lag grows over the take, record through one clock"},
		}},
	fairness.IDPolarity: {"Polarity", "you cannot hear polarity in one take alone, but takes of opposite polarity cancel when mixed or crossfaded",
		"the polarity of the reference", practice, map[string]words{
			"turned": {"inverted", "against {of}, which it repeats: the same device with the same settings cannot do that, so a cable, the routing or the export changed between the two takes",
				"find out what changed, and whether it changed for other takes too"},
			"parts": {"{first}", parts, unedited},
			"same":  {"same", "against {anchor}[, via {through}]", ""},
			"inverted": {"inverted", "against {anchor}[, via {through}]; a device with an odd number of inverting stages does this",
				"leave it for listening to one take at a time; invert it before you mix takes"},
			"unknown": {"", "polarity against {anchor} not measured: [{because}]", ""},
		}},
	fairness.IDDrift: {"Clock drift", "a recording that runs fast or slow compared with the others had another clock or was converted",
		"", practice, map[string]words{
			"slips":     {"", "lost or inserted samples hide how fast the clock runs", ""},
			"few":       {"", "lag measured in too few places: [{because}][{!because}too few windows and notes match]", ""},
			"windows":   {drift, "how much slower the take's clock runs, ± two standard errors, device delay changes from note to note included", oneClock},
			"repeat":    {drift, "how much slower its clock runs than that of {of}, which it repeats, ± two standard errors", oneClock},
			"notes":     {drift, "how much slower the take's clock runs, ± two standard errors, by note starts: its sound is not similar enough", oneClock},
			"uncertain": {drift + ", at most {most_ppm:^1} ppm", "too uncertain to compare with the limit: the recording is too short, or the gear moves the lag too much from note to note", ""},
		}},
	fairness.IDRateLabel: {"Sample rate", "a file recorded at one rate and labelled with another plays too fast or too slow, and out of tune",
		"the rate that the file states", practice, map[string]words{
			"keeps-pace": {"{label} Hz", "its notes keep pace with the {source}", ""},
			"other": {"{measured:4} times as long", "the file says {label} Hz, but its music takes {measured:4} times as long as that of the {source}: {name}",
				"export the take again from its session; a recording program running at another rate than it writes makes such files"},
			"as-long": {"{label} Hz", "its music takes as long as that of the {source}", ""},
			"unknown": {"", "not compared with the {source}: [{because}]", ""},
		}},
	fairness.IDSlips: {"Lost samples", "a cut or a buffer underrun puts everything after it out of step",
		"", practice + ": none", map[string]words{
			"part":   {"", "{part}, which hides lost samples", ""},
			"none":   {"none of {smallest_samples:size} samples or more", against + ", from {from_s} to {to_s}; anything smaller, or nearer to an end, could be missed", ""},
			"slips":  {slip, steps, unslipped},
			"unsure": {slip, steps + "; it is uncertain whether the take is the same performance, so the gear may cause this", unslipped},
		}},
	fairness.IDMatch: {"Level match", "the louder of two takes sounds better, whatever else differs",
		"", practice + ": half the smallest level difference heard under test conditions", map[string]words{
			"silent":      {"silent", "the take has " + fairness.WhyUnmatched, "check that it is the right file; a report cannot be built with it"},
			"unpublished": {"gains of {least_db:+2} to {most_db:+2} dB", "no published files to measure yet; these gains would bring every take to {target_lufs}, and a build measures the files it writes", ""},
			"published": {"{measured:+limit} LU", "the worst of {published:*published file}[ and {withheld} withheld], decoded and measured again, compared with the target of {target_lufs}",
				"build again; if it stays, report it: the published audio does not have its computed loudness"},
		}},
	fairness.IDMatchRoom: {"Room for the match", "one take with high peaks lowers all takes, and a quiet page makes readers turn the volume up and down",
		"", "EBU R 128, programme loudness of −23 LUFS (from memory), taken as the least that is comfortable", map[string]words{
			"stated": {"{measured:1} LUFS", "the manifest states the target", "state a higher target in match:"},
			"limited": {"{measured:1} LUFS", "the highest target that keeps all peaks within the ceiling of {ceiling_dbtp}; limited by the peaks of {by}",
				"check the peaks of {by}: one click or loud stroke there lowers every take"},
		}},
	fairness.IDReampLevel: {"Reamp level", "a pedal or amplifier driven harder than the guitar would drive it has more gain than a player would get",
		"", practice + ": about the smallest step heard under test conditions", map[string]words{
			"none":    {"", noLoopback + ": the level into the devices rests on the author's word; before the next session, record the reamp output back through the DI box and name the file in loopback, under performance", ""},
			"unknown": {"", "the loopback does not show the level: [{because}]", ""},
			"level":   {"{measured:+limit} dB", reamp, "[{advice}]"},
			"uneven":  {"{measured:+limit} dB", "within the limit on average, but the response is uneven in the middle and could not be separated from the level: " + reamp, "[{advice}]"},
		}},
	fairness.IDReampTone: {"Reamp response", "a loop that loses lows or highs feeds every device a tone that is not the guitar's",
		"", practice, map[string]words{
			"none":    {"", noLoopback, ""},
			"unknown": {"", "the loopback could not be compared with the dry recording", ""},
			"little":  {"", "the dry recording has too little sound outside the middle octaves", ""},
			"tone": {"{measured:+limit} dB", "the octave around {band} compared with the level {where}; the worst one measured from 63 Hz to 8 kHz",
				"look for a coupling capacitor, a filter or a long cable in the loop"},
		}},
	fairness.IDReampTurn: {"Reamp polarity", "an asymmetrical circuit distorts an inverted guitar differently",
		"not inverted", practice, map[string]words{
			"inverted": {"inverted", "the loopback is inverted: so was the input of every device recorded through the same loop", turnPolarity},
			"same":     {"same", "the loopback has the polarity of the dry recording", ""},
			"unknown":  {"", "the loop shifts the phase too much to show a polarity", ""},
		}},
	fairness.IDReampNoise: {"Reamp noise", "noise or hum that the loop adds goes through every device and is raised by those with more gain",
		"", practice, map[string]words{
			"noise": {"{measured:limit} dB", loopNoise, findNoise},
			"own":   {"{measured:limit} dB", loopNoise + ", at least as much", ""},
		}},
	fairness.IDSteady: {"Changes during a take", "a fader, a knob or a supply that moves during a take makes it another device halfway through",
		"", practice + ": about the smallest level step heard in music", map[string]words{
			"short": {"", "{subject} and {of} sound together for less than a few seconds", ""},
			"changed": {"{measured:+1} dB", "against {of}, which it repeats, {change}: one of the two changed while it was recorded",
				"listen to that part of both, find out what moved, and record that take again"},
			"scatter": {"", "{subject} and {of} differ so much from moment to moment that only a change of more than {hidden_db:1} dB would show", ""},
			"allowed": {"{measured:2} dB", "against {of}, which it repeats, {change}", ""},
			"steady":  {"{measured:2} dB", "largest level change in any part against {of}, which it repeats; no audible octave changes by more than {octave_db:0} dB", ""},
			"once":    {"", "recorded only once (no repeat_of), so a change during a take cannot be separated from the playing", ""},
		}},
	fairness.IDGate: {"Gate", "a gate or a mute hides the noise of one device while the others show theirs",
		"no pause gated or muted", practice, map[string]words{
			"gated":  {"gated", "[{seen}]", "record it again without a gate, or, if the device has one, say so in the manifest: the noise figures describe the gate"},
			"silent": {"silent", "[{seen}]", "check that the export did not mute the pauses; the noise cannot be judged"},
			"open":   {"open", "the pauses have a steady floor; " + byEnds, ""},
			"missing": {"noise missing", "its pauses have {less_db:0} dB less noise than the dry recording's own noise gives at the gain of the ends of the notes; {carries} carries that noise: a gate in the path closed, or the device closes by itself",
				"if there was a gate, record the take again without it; if the device closes by itself, say so in its notes"},
		}},
	fairness.IDNoiseSteps: {"Noise floor", "a floor that changes during a take means that something was switched, moved or running nearby",
		"", practice, map[string]words{
			"ringing":    {"", "a note, an echo or a reverberation rings through {ringing} of {pauses} pauses, so their floor is not measured", ""},
			"few":        {"", "fewer than two pauses are long and settled enough to compare", ""},
			"steps":      {"{measured:limit} dB", floors, listenTwo},
			"gear-again": {"{measured:limit} dB, by the gear", gear + ", and {again} has the same floors within {same_db:0} dB; " + floors, ""},
			"gear-first": {"{measured:limit} dB, by the gear", gear + ", and is highest before the first note; the pauses after playing differ by {rest_db:limit} dB; " + floors, ""},
			"gear":       {"{measured:limit} dB", gear + ", which alone may move the floor; " + floors, "record the take again and state repeat_of: if the floors are the same again, the gear moves them"},
		}},
	fairness.IDHum: {"Hum", "a hum that comes from a cable or a supply on one day counts against a device that does not make it",
		"", practice, map[string]words{
			"none":  {"none", "no tone at a multiple of the mains frequency rises out of the noise", ""},
			"alone": {"", "no other take has a hum to compare with", ""},
			"hum": {"{measured:+limit} dB", "hum of {hum_dbfs} after matching, against [{of}][{!of}the median of the other takes][; it is {higher_db:1} dB higher, but the hiss is higher too, as with more gain: the value is relative to the hiss]",
				"find out whether the device hums or its supply or cables do: record the take again with another supply, or with the audio ground of the DI or reamp box lifted; never remove the protective earth, and leave the mains side to a qualified technician"},
		}},
	fairness.IDMicDelay: {"Microphone position", "the delay between two microphones carves notches into their blend; a microphone moved between takes changes the tone",
		"", practice + ": 7 mm of air", map[string]words{
			"unknown":    {"", "the two channels could not be compared: [{because}]", ""},
			"under-test": {"", "the microphones are under test, so takes are not compared; " + micDelay + ", " + micsApart, ""},
			"only":       {"", "no other take with two microphones to compare with; " + micDelay + ", " + micsApart, ""},
			"first":      {micDelay, micsApart + "; the others are compared with it", ""},
			"moved": {"{measured:+3} ms", "the delay between the microphones is {delay_ms:+3} ms, in {base} it is {base_ms:+3} ms; " + micsApart,
				"check whether a microphone was moved or its delay changed; if so, record the take again"},
			"same": {micDelay, micsApart + "; {measured:+3} ms from {base}", ""},
		}},
	fairness.IDMicPolarity: {"Microphone polarity", "two microphones of opposite polarity cancel each other's low end in the blend",
		"the same polarity in both", practice, map[string]words{
			"unknown":  {"", "polarity of the two microphones not measured: [{because}]", ""},
			"opposite": {"opposite", "the two channels move against each other", "invert one microphone, unless you want that sound"},
			"same":     {"the same", "the two channels move together", ""},
		}},
	fairness.IDChannels: {"Channel delay", "two channels that carry one sound out of step lose treble when summed, and the sound moves to one side",
		"", practice, map[string]words{
			"unknown": {"", "the two channels are too different to compare: [{because}]", ""},
			"delay": {"{measured:+3} ms ({delay_samples:+2} samples)", "the right channel after the left",
				"if they are two microphones, describe them with mics; otherwise bring the channels into step and export the take again, or say in the notes that the device delays one"},
		}},
}
