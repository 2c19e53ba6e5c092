//go:build race

package cut

const raced = true
