//go:build race

package align

// raced tells that the race detector slows everything down tenfold: accuracy
// tests then take fewer cases.
const raced = true
