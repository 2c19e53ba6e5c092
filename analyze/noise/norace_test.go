//go:build !race

package noise

const thin = 1
