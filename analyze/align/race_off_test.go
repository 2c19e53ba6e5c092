//go:build !race

package align

const raced = false
