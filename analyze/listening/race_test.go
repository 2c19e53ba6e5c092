//go:build race

package listening

// raced: the race detector is on; long loops are cut short.
const raced = true
