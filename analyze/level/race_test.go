//go:build race

package level

const underRace = true
