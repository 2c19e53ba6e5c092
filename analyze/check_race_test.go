//go:build race

package analyze

const underRace = true
