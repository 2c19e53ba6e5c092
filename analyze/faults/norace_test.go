//go:build !race

package faults

const raceDetector = false
