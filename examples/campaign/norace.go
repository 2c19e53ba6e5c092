//go:build !race

package campaign

// Raced: the race detector is on, which makes everything several times slower.
const Raced = false
