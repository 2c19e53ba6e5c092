//go:build race

package resample

const raced = true
