//go:build !race

package spectrum

const raced = false
