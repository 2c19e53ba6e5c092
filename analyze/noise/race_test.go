//go:build race

package noise

// thin: one case in so many of a long list is run. The
// race detector makes this arithmetic ten times slower, and the cases
// differ in their numbers, not in their code.
const thin = 8
