package manifest

import (
	"slices"
	"testing"
)

// TestGear reads the usual words of the trade (common practice, no source).
func TestGear(t *testing.T) {
	for want, kinds := range map[Gear][]string{
		{Valves, ""}: {
			"valve power amp", "tube power amp", "valve amp", "Tube amplifier", "valve head", "tube head", "all-valve head", "All Tube Amp", "valve power amplifier",
			"valve poweramp", "power amp, EL34", "head (all valve)", "6V6 amp", "KT88 power amp", "amp, valve", "single-ended valve amp", "class A valve amp",
			"solid-state preamp, valve power amp", "digital preamp with valve power stage", "modelling amp with valve power stage", "hybrid head, valve power amp",
			"valve bass amp", "valve amp with effects loop", "valve amp with headphone output", "valve preamp and valve power amp", "valve amp in a rack", "valve amp with DI", "tube power amp pedal",
		},
		{Valves, Loudspeaker}: {
			"valve combo", "tube combo", "all-valve combo", "1x12 valve combo amp", "combo, all valve", "valve combo with spring reverb", "valve half stack", "valve head and cabinet",
			"tube amp into 4x12 cabinet", "valve combo in isolation box", "combo (EL84)",
		},
		{Valves, LoadBox}: {"valve amp with built-in load", "valve head with attenuator"},
		{NoValves, ""}: {
			"solid-state amp", "solid state head", "transistor amp", "MOSFET power amp", "class D power amp", "class-D power amplifier", "modelling amp", "modeling amp head", "digital amp",
			"amp, solid state", "valve preamp, solid-state power amp", "tube preamp / solid-state power amp", "hybrid head, solid-state power stage", "solid-state amp with valve preamp", "class D power amp pedal",
		},
		{NoValves, Loudspeaker}: {"solid-state combo", "transistor combo", "modelling combo", "digital modelling combo amp"},
		{MayBeValve, ""}:        {"amp", "amplifier", "head", "guitar amp", "bass amp", "power amp", "hybrid amp", "hybrid head", "practice amp", "class A amp", "rack power amp", "acoustic amp", "power amp pedal"},
		{MayBeValve, Loudspeaker}: {
			"combo", "combo amp", "hybrid combo", "combo with tube preamp", "half stack", "stack", "amp and cab", "head with 2x12 cab",
		},
		{"", Loudspeaker}: {"cabinet", "4x12 cab", "loudspeaker cabinet", "speaker", "amp cabinet", "guitar amp cab", "isolation cabinet", "cabinet for valve amps"},
		{"", LoadBox}:     {"load", "load box", "reactive load", "reactive load box", "loadbox", "attenuator", "reactive attenuator", "dummy load", "load box and cabinet simulator", "load box with IR loader", "reactive load simulator", "attenuator for valve amps", "power amp attenuator"},
		{}: {
			"pedal", "tube preamp pedal", "valve preamp", "hybrid preamp pedal", "hybrid preamp", "tube overdrive", "valve overdrive pedal", "tube pre", "valve pre-amp", "valve pre amp", "valve preamplifier", "preamp",
			"amp-in-a-box pedal", "amp in a box", "amp-style overdrive pedal", "reamp box", "re-amp box", "reamp", "DI box", "valve DI", "tube DI box", "audio interface", "interface", "interface with instrument input", "microphone", "valve microphone", "tube mic",
			"microphone at the amp", "microphone preamp", "tube mic preamp", "headphone amp", "valve headphone amplifier", "amp modeller", "amp modeler", "valve amp model", "tube amp simulator", "valve amp simulation",
			"valve amp plugin", "amp plug-in", "amp sim", "power amp simulator", "capture of a valve amp", "amp profile", "amp profiler", "cabinet simulator", "cab sim", "speaker emulation", "speaker-emulated DI",
			"impulse response", "cabinet impulse response", "impulse response loader", "IR loader", "load box plugin", "powered speaker", "active monitor", "studio monitors", "powered cabinet", "amp switcher", "amp selector",
			"tape echo, three heads", "multi-head echo", "tape head", "dummy head", "valve compressor", "tube equaliser", "cable", "patch cable", "fuzz", "", "speaker switcher", "mic on cabinet",
		},
	} {
		for _, kind := range kinds {
			if got := (Device{Slot: "unit", Name: "Thing", Kind: kind}).Gear(); got != want {
				t.Errorf("%q: %+v, want %+v", kind, got, want)
			}
		}
	}
}

// TestGearWithoutKind goes by the slot, then by the name.
func TestGearWithoutKind(t *testing.T) {
	for _, c := range []struct {
		d    Device
		want Gear
	}{
		{Device{Slot: "amp", Name: "Kestrel"}, Gear{Amplifier: MayBeValve}},
		{Device{Slot: "amp", Name: "Model Kestrel"}, Gear{Amplifier: MayBeValve}},
		{Device{Slot: "power amp", Name: "Kestrel"}, Gear{Amplifier: MayBeValve}},
		{Device{Slot: "head", Name: "Kestrel all-valve"}, Gear{Amplifier: Valves}},
		{Device{Slot: "amp", Name: "Studio valve amplifier"}, Gear{Amplifier: Valves}},
		{Device{Slot: "amp", Name: "Kestrel plugin"}, Gear{}},
		{Device{Slot: "amp", Name: "Kestrel", File: &File{Path: "kestrel.bin"}}, Gear{}},
		{Device{Slot: "device", Name: "Kestrel valve combo"}, Gear{Valves, Loudspeaker}},
		{Device{Slot: "device", Name: "Kestrel"}, Gear{}},
		{Device{Slot: "fuzz", Name: "Amp Head"}, Gear{}},
		{Device{Slot: "preamp", Name: "Kestrel valve amp"}, Gear{}},
		{Device{Slot: "reamp", Name: "Box"}, Gear{}},
		{Device{Slot: "cabinet", Name: "Openback"}, Gear{Load: Loudspeaker}},
		{Device{Slot: "cabinet", Name: "Openback", File: &File{Path: "ir.wav"}}, Gear{}},
		{Device{Slot: "load", Name: "Thing", Kind: "load box with impulse responses", File: &File{Path: "ir.wav"}}, Gear{Load: LoadBox}},
		{Device{Slot: "amp"}, Gear{}}, // a bypass: nothing is in the slot
		{Device{Slot: "amp", Kind: "valve head"}, Gear{}},
	} {
		if got := c.d.Gear(); got != c.want {
			t.Errorf("%+v: %+v, want %+v", c.d, got, c.want)
		}
	}
}

func TestCautions(t *testing.T) {
	lift := Device{Slot: "reamp", Name: "Box", Controls: []Control{{Name: "ground"}}}
	for _, c := range []struct {
		devices []Device
		want    []string
	}{
		{nil, nil},
		{[]Device{{Slot: "fuzz", Name: "Leaning"}, {Slot: "amp", Name: "K", Kind: "amp plugin"}}, nil},
		{[]Device{lift}, []string{GroundCaution}},
		{[]Device{lift, {Slot: "amp", Name: "K"}}, []string{LoadCaution, InsideCaution, GroundCaution, RoomCaution}},
		{[]Device{{Slot: "amp", Name: "K", Kind: "all-valve head"}}, []string{LoadCaution, InsideCaution, RoomCaution}},
		{[]Device{{Slot: "amp", Name: "K", Kind: "solid-state combo"}}, []string{RoomCaution}},
	} {
		if got := Cautions(c.devices); !slices.Equal(got, c.want) {
			t.Errorf("%+v: %q, want %q", c.devices, got, c.want)
		}
	}
}

// TestMovesSound: kinds of gear that moves sound in time, and some that does not; common
// practice, no source.
func TestMovesSound(t *testing.T) {
	for want, kinds := range map[bool][]string{
		true:  {"pitch shifter", "Digital octaver", "auto-wah", "envelope filter", "analogue chorus pedal", "rotary-speaker simulator"},
		false: {"", "valve combo", "fuzz pedal", "octave fuzz", "load box", "compressor", "delay pedal", "valve combo with vibrato"},
	} {
		for _, kind := range kinds {
			if got := (Device{Kind: kind}).MovesSound(); got != want {
				t.Errorf("%q: %v", kind, got)
			}
		}
	}
}
