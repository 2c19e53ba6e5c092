//go:build race

package analyze_test

// raceDetector tells that the race detector is on, which makes the studio's
// synthesis many times slower.
const raceDetector = true
