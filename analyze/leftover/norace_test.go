//go:build !race

package leftover_test

const raced = false
