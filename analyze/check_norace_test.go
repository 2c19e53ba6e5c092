//go:build !race

package analyze

const underRace = false
