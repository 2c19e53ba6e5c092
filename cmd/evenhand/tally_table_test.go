package main

import (
	"strings"
	"testing"
)

// Names that begin alike stay whole when the figures leave no room for them.
func TestTerminalTable(t *testing.T) {
	table := terminalTable{heads: []string{"pair", "right"}}
	table.add("Coil / Ribbon", "1")
	table.add("Snapping, low, dark / Snapping, low, bright", "23")
	var out strings.Builder
	table.write(&out, 30)
	want := `pair                     right
Coil / Ribbon                1
Snapping, low, dark /
  Snapping, low, bright
                            23
`
	if got := out.String(); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}
