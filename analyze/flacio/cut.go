package flacio

import (
	"bufio"
	"encoding/binary"

	"evenhand/analyze/disk"
)

// BlockFrames is the number of frames in every block of a file that an Encoder
// wrote, but for the last: Decoder.Cut cuts between blocks.
const BlockFrames = blockSize

// cutter writes a file that is being decoded once more in pieces, each a file
// of its own with the very samples of that stretch. No sample is coded again:
// the bytes of the blocks are copied with new numbers and checksums.
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
