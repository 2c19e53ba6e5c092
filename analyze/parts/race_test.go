//go:build race

package parts

const raceDetector = true
