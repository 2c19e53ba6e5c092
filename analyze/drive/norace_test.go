//go:build !race

package drive_test

const raced = false
