//go:build !race

package clock

const raceDetector = false
