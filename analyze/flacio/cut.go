package flacio

import (
	"bufio"
	"crypto/md5"
	"encoding/binary"

	"evenhand/analyze/disk"
)

// BlockFrames is the number of frames in every block of a file that an Encoder
// wrote, but for the last: Decoder.Cut cuts between blocks.
const BlockFrames = blockSize

// cutter writes a file that is being decoded once more in pieces, each a file
// of its own with the very samples of that stretch. No sample is coded again:
// the bytes of the blocks are copied with new numbers and checksums, which the
// library has no way to do.
type cutter struct {
	starts []int64
	path   func(k int) string
	next   int // of starts
	file   disk.File
	out    *bufio.Writer
	head   header
	sum    sampleSum
	frame  []byte // a block as it is written
}

// Cut makes the decoder write the file in pieces while it is read; piece k goes
// from starts[k], which rises from 0 in multiples of BlockFrames, to the next
// one or the end, into the file path(k). The pieces are complete when Read has
// returned io.EOF. It must be called before the first Read. After a failed or
// unfinished reading Close closes the piece that was begun, which is then
// incomplete: the caller removes it.
//
// Errors: ErrUse for other starts, for a start behind the end, and for a file
// that cannot be cut there.
func (d *Decoder) Cut(starts []int64, path func(k int) string) error {
	for k, s := range starts {
		if s%blockSize != 0 || k == 0 && s != 0 || k > 0 && s <= starts[k-1] {
			return fail(d.path, ErrUse, "piece %d begins at frame %d; allowed: rising multiples of %d from 0", k+1, s, blockSize)
		}
	}
	spec := Spec{SampleRate: d.info.SampleRate, Channels: d.info.Channels, Bits: d.info.Bits}
	d.source.keep = true
	d.cutter = &cutter{starts: starts, path: path, head: header{Spec: spec}}
	return nil
}

// add copies the decoder's current block, whose samples are raw in bytes.
func (c *cutter) add(d *Decoder, raw []byte) error {
	if c.next < len(c.starts) && d.frames >= c.starts[c.next] {
		if d.frames > c.starts[c.next] {
			return fail(d.path, ErrUse, "a block begins at frame %d and one before it; a piece cannot begin at frame %d between them", d.frames, c.starts[c.next])
		}
		if err := c.end(); err != nil {
			return err
		}
		if err := c.begin(); err != nil {
			return err
		}
	}
	if c.file == nil {
		return nil
	}
	if !d.header.HasFixedBlockSize {
		return fail(d.path, ErrUse, "its blocks differ in length, so it cannot be cut")
	}
	coded := d.source.marked()
	head := headerLength(coded, d.header.Num)
	rest := 4 + len(putNumber(nil, d.header.Num)) // behind the number
	out := append(c.frame[:0], coded[:4]...)
	out = putNumber(out, uint64(c.head.blocks))
	out = append(out, coded[rest:head-1]...)
	out = append(out, crc8(out))
	out = append(out, coded[head:len(coded)-2]...)
	out = binary.BigEndian.AppendUint16(out, crc16(out))
	c.frame = out
	c.head.add(len(d.block[0]), len(out))
	c.sum.hash.Write(raw)
	if _, err := c.out.Write(out); err != nil {
		return wrap(c.file.Name(), nil, "cannot write", err)
	}
	return nil
}

func (c *cutter) begin() error {
	path := c.path(c.next)
	f, err := disk.Create(path)
	if err != nil {
		return wrap(path, nil, "cannot create", err)
	}
	c.next++
	c.file, c.head, c.sum = f, header{Spec: c.head.Spec}, newSampleSum()
	if c.out == nil {
		c.out = bufio.NewWriterSize(f, 1<<16)
	}
	c.out.Reset(f)
	c.out.Write(make([]byte, headerBytes)) // until it is known; errors come with the next flush
	return nil
}

// end completes the piece that was begun.
func (c *cutter) end() error {
	if c.file == nil {
		return nil
	}
	err := c.out.Flush()
	if err == nil {
		_, err = c.file.WriteAt(c.head.bytes(c.sum.sum()), 0)
	}
	if cerr := c.file.Close(); err == nil {
		err = cerr
	}
	name := c.file.Name()
	c.file = nil
	if err != nil {
		return wrap(name, nil, "cannot write", err)
	}
	return nil
}

// finish completes the last piece, at the end of the file.
func (c *cutter) finish(d *Decoder) error {
	if err := c.end(); err != nil {
		return err
	}
	if c.next < len(c.starts) {
		return fail(d.path, ErrUse, "piece %d begins at frame %d; the file has %d", c.next+1, c.starts[c.next], d.frames)
	}
	return nil
}

// header is what the stream header of a piece says of its blocks.
type header struct {
	Spec
	blocks      int64
	frames      int64
	least, most int // bytes of the smallest and largest coded block
}

const headerBytes = 4 + 4 + 34

// add counts a coded block.
func (h *header) add(frames, bytes int) {
	if h.blocks == 0 || bytes < h.least {
		h.least = bytes
	}
	h.most = max(h.most, bytes)
	h.blocks++
	h.frames += int64(frames)
}

// bytes returns the beginning of a file: the mark and the stream header.
//
// Source: RFC 9639, section 8.2 (from memory).
func (h *header) bytes(sum [md5.Size]byte) []byte {
	b := []byte("fLaC\x80\x00\x00\x22") // the last metadata block, of 34 bytes
	b = binary.BigEndian.AppendUint32(b, blockSize<<16|blockSize)
	b = append(b, byte(h.least>>16), byte(h.least>>8), byte(h.least))
	b = append(b, byte(h.most>>16), byte(h.most>>8), byte(h.most))
	b = binary.BigEndian.AppendUint64(b, uint64(h.SampleRate)<<44|uint64(h.Channels-1)<<41|uint64(h.Bits-1)<<36|uint64(h.frames))
	return append(b, sum[:]...)
}

// headerLength returns the length of a coded block's header, with its checksum.
// The block has been decoded, so its header is sound.
//
// Source: RFC 9639, section 9.1 (from memory).
func headerLength(coded []byte, number uint64) int {
	n := 4 + len(putNumber(nil, number)) + 1
	switch coded[2] >> 4 { // how the block's length is stored
	case 6:
		n++
	case 7:
		n += 2
	}
	switch coded[2] & 15 { // and the sample rate
	case 12:
		n++
	case 13, 14:
		n += 2
	}
	return n
}

// putNumber appends the number of a block, in the way in which UTF-8 stores
// characters, to 36 bits.
func putNumber(b []byte, v uint64) []byte {
	if v < 0x80 {
		return append(b, byte(v))
	}
	more := 1 // bytes of six bits behind the first
	for v>>(6*more) >= 1<<(6-more) {
		more++
	}
	b = append(b, byte(0xff<<(7-more))|byte(v>>(6*more)))
	for more > 0 {
		more--
		b = append(b, 0x80|byte(v>>(6*more))&0x3f)
	}
	return b
}

// crc8 is the checksum of a block's header: x^8 + x^2 + x + 1.
//
// Source: RFC 9639, section 9.1.8 (from memory).
func crc8(b []byte) (c byte) {
	for _, v := range b {
		c ^= v
		for range 8 {
			c = c<<1 ^ 0x07*(c>>7)
		}
	}
	return c
}

// crc16Table is of the checksum of a whole block: x^16 + x^15 + x^2 + 1.
//
// Source: RFC 9639, section 9.3 (from memory).
var crc16Table = func() (t [256]uint16) {
	for i := range t {
		c := uint16(i) << 8
		for range 8 {
			c = c<<1 ^ 0x8005*(c>>15)
		}
		t[i] = c
	}
	return t
}()

func crc16(b []byte) (c uint16) {
	for _, v := range b {
		c = c<<8 ^ crc16Table[byte(c>>8)^v]
	}
	return c
}
