package listening

// alphabet holds the characters of the values 0 to 31.
const alphabet = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"

// prefix begins every code.
const prefix = "EVNH"

// value returns the value of an ASCII letter or digit in a code, and -1 for
// anything else.
func value(c byte) int8 {
	if 'a' <= c && c <= 'z' {
		c -= 'a' - 'A'
	}
	switch c {
	case 'I', 'L':
		c = '1'
	case 'O':
		c = '0'
	case 'U':
		c = 'V'
	}
	for i := range len(alphabet) {
		if alphabet[i] == c {
			return int8(i)
		}
	}
	return -1
}

// bits is a string of bits, one to an element.
type bits []byte

// put appends the lowest width bits of v, the most significant first.
func (b *bits) put(v uint64, width int) {
	for i := width - 1; i >= 0; i-- {
		*b = append(*b, byte(v>>i&1))
	}
}

// take removes the first width bits and returns them; missing ones are zero.
func (b *bits) take(width int) uint64 {
	v := uint64(0)
	for range width {
		v <<= 1
		if len(*b) > 0 {
			v |= uint64((*b)[0])
			*b = (*b)[1:]
		}
	}
	return v
}

// crc30 is the check of a code; see the package's documentation.
func crc30(b bits) uint32 {
	const mask = 1<<30 - 1
	r := uint32(mask)
	for _, bit := range b {
		top := r >> 29 & 1
		r = r << 1 & mask
		if top != uint32(bit) {
			r ^= 0x2030B9C7
		}
	}
	return r ^ mask
}
