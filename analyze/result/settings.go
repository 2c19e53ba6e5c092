package result

import (
	"slices"

	"evenhand/analyze/manifest"
)

// MayHaveValves reports whether a take's chain has an amplifier with valves, or one
// that may have them: manifest.Device.Gear decides, of what the rows state.
func (s Settings) MayHaveValves() bool {
	for _, slot := range s.Slots {
		var devices []manifest.Device // one per take
		for _, r := range slot.Rows {
			for t, v := range r.Values {
				if t == len(devices) {
					devices = append(devices, manifest.Device{Slot: slot.Slot})
				}
				switch d := &devices[t]; {
				case r.Control || v.Written == "":
				case r.Name == "device":
					d.Name = v.Written
				case r.Name == "kind":
					d.Kind = v.Written
				case r.Name == "file":
					d.File = &manifest.File{Path: v.Written}
				}
			}
		}
		if slices.ContainsFunc(devices, func(d manifest.Device) bool { return d.Gear().MayHaveValves() }) {
			return true
		}
	}
	return false
}

// MovesSound returns the kind of a device in the chain of a take that moves sound in time
// by itself, see manifest.Device.MovesSound; "" for none.
func (s Settings) MovesSound(take int) string {
	for _, slot := range s.Slots {
		for _, r := range slot.Rows {
			if d := (manifest.Device{Kind: r.Values[take].Written}); !r.Control && r.Name == "kind" && d.MovesSound() {
				return d.Kind
			}
		}
	}
	return ""
}
