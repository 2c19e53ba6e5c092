//go:build !race

package listening

const raced = false
