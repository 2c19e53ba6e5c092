package sentences

import "evenhand/analyze/fairness"

// Words that several findings share.
const (
	rightFiles = "name the right file for each"
	wholeTake  = "record or export the take over the whole performance"
	channelAt  = "{at_s}[ in channel {channel}]"
	stepped    = "in {stepped} places the sound itself stays on one value, as in a file of few bits or after a bit crusher, and a dropout would look the same"
	ends       = "the first 5 ms are at {head_dbfs}, the last at {tail_dbfs}"
	faded      = "the level, noise included, rises from nothing or falls to it over at least {fade_s:2} s, like a fade; " + ends
	unfade     = "export the take without a fade: it hides a decay and the noise"
	uncut      = "export the take with a second before the first note and the whole decay of the last"
	oneSignal  = "channel {channel} has the signal of channel {of}: "
	asMono     = "export it as a mono file, or find out why the second signal is missing"
	addTake    = "add a take, if only of the chain without the device (role: bypass)"
	copies     = "sound that follows the music but is not the dry recording has at least this level relative to the music"
)

var fileTopics = map[string]topic{
	fairness.IDTakes: {"Takes", "one take alone can be measured, but not compared",
		"two takes or more", practice, map[string]words{
			"takes":       {"{takes} takes", "compared with [{with}][{!with}each other][{?dry} and with the dry recording]", ""},
			"one-and-dry": {"1 take", "it can be compared with the dry recording; differences between devices are not measured", addTake},
			"one":         {"1 take", "its loudness, spectrum, noise and faults are measured; differences are not", addTake},
		}},
	fairness.IDDry: {"Dry recording", "without the recording that was played into the devices, takes can only be compared with each other",
		"one, not clipped", practice, map[string]words{
			"none": {"none", "takes are compared with {source}: this shows whether they are one performance, in time and of one polarity, but not whether they came from one recording, nor its level into the devices",
				"keep the dry recording and name it as performance: dry"},
			"silent": {"silent", "{why}: nothing can be compared with it, so performance, timing and polarity against it are not measured",
				"name the right file as performance: dry, or leave it out: then takes are compared with each other"},
			"clipped": {"clipped", "{frames} of its samples are at full scale: every device got the same clipped signal, so the takes can be compared, but none shows what the guitar would have done",
				"record the performance again with the peaks at about −6 dBFS"},
			"present": {"present", "{length_s} long, not clipped", ""},
		}},
	fairness.IDSameFile: {"Duplicate files", "one file under two names compares nothing",
		"no two recordings have the same SHA-256", practice, map[string]words{
			"same":      {"same bytes", "{subject} are the same file, byte for byte: whatever the manifest says, there is only one recording, and this pair shows nothing", rightFiles},
			"loopback":  {"same bytes", "the loopback is the dry recording itself, byte for byte: it does not show the reamp level", rightFiles},
			"different": {"{files} files", "all recordings have different SHA-256 sums", ""},
		}},
	fairness.IDNearCopy: {"Copies", "a take that nulls against another is the same recording at another level, not another device",
		"", practice + ": two passes of one chain leave its noise, which is above this", map[string]words{
			"rounded": {"{measured:1} dB", "one of the two is rounded to {bits} bits, and aligned and matched they differ by {apart_dbfs}, no more than that rounding causes: the repeat could be a copy of the take, so it does not show how far two passes differ",
				"check that the repeat is a second recording, and export both takes at the same depth"},
			"copy":       {"{measured:1} dB", "aligned and matched, the two cancel almost completely: it is the same recording, perhaps at another level", rightFiles},
			"pairs-with": {"", "each take was compared with {with} only, because there are more than {most} takes[; the deepest null, repeats excluded, is between {a} and {b} and leaves {residual_db:1} dB]", ""},
			"none":       {"", "no two takes could be nulled against each other", ""},
			"different":  {"{measured:1} dB", "the deepest null is between {a} and {b}", ""},
		}},
	fairness.IDPath: {"Device in the path", "a bypassed plugin or the wrong bus exports the dry recording under the name of a device",
		"", practice + ": converters and cables alone leave about as little", map[string]words{
			"dry": {"{measured:0} dB", "from {from_hz} to {to_hz} the take is the dry recording, at most at another level or with noise: anything else that follows the music is {below_db:0} dB below it",
				"check whether the plugin was bypassed or another bus was exported, and export the take again; if nothing belongs in the path, write role: bypass"},
			"device":          {"{measured:0} dB", "in some octave, " + copies, ""},
			"hidden-by-noise": {"", "noise hides whether the take differs from the dry recording", ""},
		}},
	fairness.IDFormat: {"Bit depth", "a file with fewer bits has rounding noise that the others lack",
		"one depth for all takes, or at least 24 bits in each", practice, map[string]words{
			"one":  {"{depth}", "all takes", ""},
			"deep": {"{depths:list}", "{which}: the different depths are harmless, since from {bits} bits on the rounding is below the noise of any converter", ""},
			"coarse": {"{depth}", "[{others}]",
				"export all takes at {bits} bits or more from the recording program; if the device rounds, as a bit crusher does, say so in the notes"},
		}},
	fairness.IDBandEdge: {"Band edge", "a conversion to a lower sample rate or a lossy format removes the highest frequencies",
		"", practice + ": takes that were not converted fall by up to 9 dB more than others within a kilohertz", map[string]words{
			"nothing": {"", "it has nothing near 20 kHz", ""},
			"alone":   {"", "no other take to compare its highest frequencies with", ""},
			"none":    {"none", "its spectrum does not end between 15.75 and 22.25 kHz where another take's goes on", ""},
			"edge": {"near {at_hz}", "the spectrum falls there by {by_db:0} dB within a kilohertz, {measured:0} dB more than another take's: it was converted to another sample rate or a lossy format, or the device works at a lower rate",
				"export the take again from its session, at the session's rate and not in a lossy format; if the device does it, say so in the notes"},
		}},
	fairness.IDLengths: {"Length", "what one take lacks is left out for all",
		"", practice, map[string]words{
			"whole": {"0.00 s missing", "{length_s} long, the {source} {of_s}", ""},
			"missing": {"{measured:2} s missing", "{head_s:2} s of the playing are missing at the beginning and {tail_s:2} s at the end; the rest is compared",
				"export the take over its whole length; start recording before the performance and stop after it"},
		}},
	fairness.IDSections: {"Sections", "the part that one take lacks could be the one that shows the difference",
		"every section in every take", practice, map[string]words{
			"none":    {"", "the performance is not divided into sections", ""},
			"missing": {"{section} missing", "[{?silent}the take is silent there][{!silent}the take does not reach it]; it is left out for all takes", wholeTake},
			"cut":     {"{lost_s:2} s of {section} missing", "the section is cut to what every take has", wholeTake},
			"all":     {"{sections} of {sections}", "sections from [{?manifest}the manifest][{?markers}the cue markers][{?pauses}the pauses][; the {source} is silent in {empty} too, where nothing can be missing]", ""},
		}},
	fairness.IDHeadroom: {"Headroom", "a converter driven to full scale adds distortion that is not the gear's",
		"", practice, map[string]words{
			"peaks": {"{measured:1} dBFS, {true_peak_dbtp}", "sample and true peak of the file on disk[, highest in channel {highest}][, higher in channel {higher}][: only channel {only} is used][{?between}; between samples the waveform exceeds full scale]",
				"lower the recording level until peaks stay at about −6 dBFS; headroom costs nothing at 24 bits"},
		}},
	fairness.IDClipping: {"Clipping", "a converter that clips makes every device sound like itself",
		"", practice + ": none", map[string]words{
			"none":       {"none", "no run of samples at full scale, and no crest cut flat below it", ""},
			"allowed":    {"{measured:*place}", "no more than the manifest allows", ""},
			"full-scale": {"{measured:*place}", "{frames} samples at full scale, the first at " + channelAt, "record it again at a lower level; a lower gain afterwards does not bring the peaks back"},
			"flat": {"{measured:*place}", "crests are cut flat at {level_dbfs}, the first at " + channelAt + ": clipped before recording, or by a device that clips hard",
				"check that the device under test clips, and not the interface before a level change"},
		}},
	fairness.IDOver: {"Over full scale", "whatever plays the file clips floats above full scale",
		"", practice + ": none", map[string]words{
			"none": {"none", "floating-point samples, all within full scale", ""},
			"over": {"{measured:*sample}", "the first at " + channelAt + "; the match lowers the level, so the published audio is not clipped", "export at a lower level"},
		}},
	fairness.IDClicks: {"Clicks", "a click sounds like a fault of the device, and it marks a bad edit or lost samples",
		"", practice + ": none", map[string]words{
			"none":       {"none", "the samples around it explain every step", ""},
			"none-above": {"none", "a single wrong sample of {floor_dbfs} would be found in nine tenths of the file; a longer click must be larger", ""},
			"clicks":     {"{measured:*click}", "the first at " + channelAt + ", {level_dbfs}", "listen there; if it is a bad edit or lost samples, export or record the take again"},
		}},
	fairness.IDDropouts: {"Dropouts", "lost samples are lost music, and everything after them may be out of step",
		"", practice + ": none", map[string]words{
			"none":     {"none", "no silence, held value or repeated part within sound[; " + stepped + "]", ""},
			"stepped":  {"", stepped, ""},
			"dropouts": {"{measured:*dropout}", "the first at " + channelAt + ": {kind}, {frames} frames", "record the take again with a larger buffer; the gap cannot be filled"},
		}},
	fairness.IDCut: {"Cut-off ends", "a cut-off note hides an attack or a decay, where devices differ most",
		"no file begins or ends in the middle of a sound or with a fade", practice, map[string]words{
			"fades-in":  {"fades in", faded, unfade},
			"fades-out": {"fades out", faded, unfade},
			"fades":     {"fades in and out", faded, unfade},
			"beginning": {"beginning cut", ends, uncut},
			"end":       {"end cut", ends, uncut},
			"both":      {"both cut", ends, uncut},
			"whole":     {"whole", ends, ""},
		}},
	fairness.IDDC: {"DC offset", "an offset clicks at every switch between takes and uses up headroom",
		"", practice, map[string]words{
			"mean": {"{measured:1} dBFS", "mean of all samples[ in channel {channel}]", "filter it out of every take in the same way, or find the device that makes it"},
		}},
	fairness.IDDualMono: {"Identical channels", "two equal channels are one recording, not two microphones or a stereo picture",
		"no channel is a copy of another", practice, map[string]words{
			"same":      {"same", oneSignal + "sample for sample", asMono},
			"copy":      {"copy", oneSignal + "a copy, {gain_db:+2} dB louder[{?inverted} and inverted], to within {within_dbfs}", asMono},
			"near":      {"equal to within {within_dbfs}", oneSignal + "they differ by noise far below the music, which is practically mono", asMono},
			"different": {"different", "{channels} channels, none a copy of the first", ""},
		}},
	fairness.IDSilent: {"Silent channel", "a dead channel is a fault of a cable or the routing, not a sound",
		"a signal in every channel", practice, map[string]words{
			"silent": {"silent", "channel {channel} never rises above {peak_dbfs}", "check the cable and the routing and record the take again, or leave the channel out with channels:"},
			"one":    {"none", "the channel carries a signal", ""},
			"all":    {"none", "all channels carry a signal", ""},
		}},
}
