//go:build !race

package compressor_test

const raced = false
