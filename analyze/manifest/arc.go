package manifest

import "math"

// Arc returns how a rotary control turns: where its travel begins, in degrees
// clockwise from 12 o'clock (at least −180, less than 180), and how far it
// goes, in degrees (30 to 360). Without travel: and from: these are −150 and
// 300, common practice, no source.
func (c Control) Arc() (from, travel float64) {
	d := newDial(c)
	from = math.Mod(d.from/2, 360)
	if from >= 180 {
		from -= 360
	}
	return from, d.travel
}
