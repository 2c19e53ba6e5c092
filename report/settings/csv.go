package settings

import (
	"bytes"
	"encoding/csv"
	"math"
	"strconv"
	"strings"

	"evenhand/report/csvtext"
)

// csvTable returns the settings as a table, a line for each property and control of
// each device, in signal order. Columns: slot, device, takes, setting, control
// (yes or no), value, position (per cent of travel), scale, travel, from,
// steps. A control that is there without a value has an empty one. The performance,
// its sections, hashes and what a take says beside its devices are in the JSON alone.
//
// Values are kept as written: -4 dB and +5 dB are settings. Only a text that a
// spreadsheet would take for a formula is given a leading apostrophe; the JSON
// has it without.
func csvTable(blocks []block) ([]byte, error) {
	var out bytes.Buffer
	w := csv.NewWriter(&out)
	rows := [][]string{{"slot", "device", "takes", "setting", "control", "value", "position (%)", "scale", "travel", "from", "steps"}}
	for _, b := range blocks {
		line := func(name, control, value string, more ...string) {
			r := []string{csvtext.Cell(b.Slot), csvtext.Cell(b.Device.Name), csvtext.Cell(strings.Join(b.Takes, "; ")), csvtext.Cell(name), control, csvtext.Cell(value)}
			r = append(r, more...)
			for len(r) < len(rows[0]) {
				r = append(r, "")
			}
			rows = append(rows, r)
		}
		line("device", "no", b.Device.Name)
		for _, p := range b.properties() {
			line(p.Name, "no", p.Value)
		}
		for _, c := range b.Device.Controls {
			position := ""
			if f := c.Value.Fraction; !math.IsNaN(f) {
				position = strconv.FormatFloat(math.Round(f*1e4)/1e2, 'f', -1, 64)
			}
			line(c.Name, "yes", c.Value.Written, position, csvtext.Cell(c.Scale), csvtext.Cell(c.Travel), csvtext.Cell(c.From), csvtext.Cell(strings.Join(c.Steps, "; ")))
		}
	}
	if err := w.WriteAll(rows); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}
