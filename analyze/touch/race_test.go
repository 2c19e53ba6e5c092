//go:build race

package touch_test

const raced = true
