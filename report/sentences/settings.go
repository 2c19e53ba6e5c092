package sentences

import "evenhand/analyze/fairness"

// Words that several findings share.
const (
	manuals    = "the manufacturers' manuals"
	repeatable = "readers repeat what a page shows; a valve amplifier without a load can be destroyed, and damaged gear can hurt"
	// deferTo ends every caution of the safety group.
	deferTo = "; follow the manufacturers' manuals and local rules, and leave work inside to a qualified technician"
)

// unstated is what the safety checks say of an amplifier of which too little is stated.
var unstated = words{"", "the manifest says too little about this amplifier", "state {missing} of the amplifier, and what it was connected to"}

var settingTopics = map[string]topic{
	fairness.IDOneChange: {"One change", "an audible difference can come from anything that differs",
		"no difference outside the slot under test, unless may_differ allows it", practice, map[string]words{
			"differs": {"differs", "{groups}", "record the takes again with one setting; if it had to differ, say so in may_differ"},
			"only":    {"only [{varies}]", "the manifest states no difference between takes but [{varies}][{?may_differ} and what may_differ allows]", ""},
		}},
	fairness.IDVaried: {"Slot under test", "two takes of one setting show no difference between devices",
		"each take, except repeats and the room, has its own device or setting", practice, map[string]words{
			"empty": {"empty", "the manifest does not name its device in the slot {slot}", "name the device, or give the take role: bypass"},
			"twin": {"as {twin}", "the manifest gives it the same device and settings as {twin} in the slot {slot}",
				"if it is a second recording of that take, state repeat_of; otherwise write down what differs"},
			"settings": {"{settings:*setting}", "every take that is not a repeat or the room has its own device or setting in the slot {slot}", ""},
		}},
	fairness.IDAllowed: {"Allowed changes", "equal knob positions are not equal settings, so some controls must move; readers should know which",
		"listed in may_differ and shown", practice, map[string]words{
			"differs": {"differs", "{groups}", ""},
			"each":    {"set for each device", "allowed to move; each take shows its position", ""},
		}},
	fairness.IDUnstated: {"Settings complete", "what is not written down can be neither checked nor repeated",
		"every control stated for one take is stated for all", practice, map[string]words{
			"unstated": {"not stated", "{control} is stated in {stated} of the {takes} takes that use {device}", "look it up in photos or recall sheets and write it down, even if it was not touched"},
			"all":      {"all stated", "every named control has a position in every take with that device", ""},
			"none":     {"none", "the manifest states no control of any device", "write down the control positions, so that the comparison can be checked and repeated"},
		}},
	fairness.IDScales: {"Control scales", "noon and 5 may be one position or two; readers cannot know",
		"one scale for each control", practice, map[string]words{
			"several": {"{scales} scales", "written as {ways:list} on one device", "write it in one scale in all takes"},
			"one":     {"one scale each", "no control of a device is written in two ways", ""},
		}},
	fairness.IDIRRate: {"Impulse response rate", "a program converts a response at another rate when it loads it, each in its own way",
		"the sample rate of the takes", practice, map[string]words{
			"same":  {"{rate} Hz", "as the takes", ""},
			"other": {"{rate} Hz", "the takes have {takes} Hz", "use the manufacturer's file for the session's rate, or note which program converted it"},
		}},
	fairness.IDLoad: {"Load", repeatable,
		"a load or a loudspeaker after every amplifier that may have valves", practice, map[string]words{
			"unstated":    unstated,
			"load":        {"{load}", "the manifest states {load} after it", ""},
			"loudspeaker": {"its own loudspeaker", "its own loudspeaker must be connected", ""},
			"own":         {"its own load", "its own load must be switched on", ""},
			"none": {"no load", "the chain shows no load and no loudspeaker after it; an impulse response takes no power",
				"write in the manifest which load or cabinet was connected; connect one before you switch on: without it a valve amplifier can be destroyed" + deferTo},
		}},
	fairness.IDImpedance: {"Impedance", repeatable,
		"the amplifier's rated impedance", manuals, map[string]words{
			"unstated":   unstated,
			"not-stated": {"", "the manifest does not state the impedance of {names}", "state impedance of {names}"},
			"same":       {"{load}", "the manifest states the same impedance for both", ""},
			"different": {"{amp} into {load}", "the manifest states different impedances for the two",
				"check which output was used and whether the amplifier's manual allows this load" + deferTo},
		}},
	fairness.IDLoadPower: {"Load power", "a load or loudspeaker rated below the amplifier can overheat",
		"at least the amplifier's rated power", manuals, map[string]words{
			"unstated":   unstated,
			"not-stated": {"", "the manifest does not state the power of {names}", "state power of {names}"},
			"enough":     {"{amp} into {load}", "as stated, the load is rated for at least the amplifier's power; a driven amplifier can give more than its rating", ""},
			"less": {"{amp} into {load}", "the load is rated below the amplifier",
				"use a load rated for the amplifier, with room to spare: a driven amplifier gives more than its rating" + deferTo},
		}},
	fairness.IDHearing: {"Hearing", "an amplifier turned up for a recording is loud enough to harm hearing",
		"not checked: no file contains the sound level in the room", "local rules on noise", map[string]words{
			"unstated": unstated,
			"loudspeaker": {"", "[rated at {power}, ]it plays through a loudspeaker in the room, and no file shows how loud it was",
				"turn the amplifier down before you switch on, and protect your hearing near a loud amplifier: it can do lasting harm; local rules on noise decide how long"},
		}},
}
