//go:build race

package studio

const raceDetector = true
