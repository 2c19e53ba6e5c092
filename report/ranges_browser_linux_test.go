package report

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"testing"

	"github.com/chromedp/chromedp"

	"evenhand/analyze/flacio"
)

// frameOffset is where the frame of a FLAC file begins that starts with the block of a
// number below 128 or, in two bytes, below 2048.
// Source: RFC 9639, 9.1: sync code and fixed block size, coded number.
func frameOffset(t *testing.T, file []byte, block int64) int {
	t.Helper()
	number := []byte{byte(block)}
	if block >= 128 {
		number = []byte{0xc0 | byte(block>>6), 0x80 | byte(block&0x3f)}
	}
	for i := 42; i+8 < len(file); i++ {
		if file[i] == 0xff && file[i+1] == 0xf8 && bytes.Equal(file[i+4:i+4+len(number)], number) && crcOfHead(file[i:i+5+len(number)]) {
			return i
		}
	}
	t.Fatalf("block %d is not found", block)
	return 0
}

// crcOfHead reports whether the last byte of a frame's head is right, for heads whose
// block size and rate need no bytes of their own.
// Source: RFC 9639, 9.1.8: CRC-8 with the polynomial x⁸ + x² + x + 1.
func crcOfHead(head []byte) bool {
	sum := byte(0)
	for _, b := range head[:len(head)-1] {
		sum ^= b
		for range 8 {
			if sum&0x80 != 0 {
				sum = sum<<1 ^ 0x07
			} else {
				sum <<= 1
			}
		}
	}
	return sum == head[len(head)-1]
}

// A stretch of a published file, behind a header that is made for it and with its frames
// as they are, decodes to the samples that the whole file has there, in each engine. Its
// first frame has a number other than 0.
func TestRangesDecodeAlike(t *testing.T) {
	if testing.Short() || raced {
		t.Skip("needs browsers")
	}
	res, dir := playedReport(t)
	p := res.Takes[1].Published
	file, err := os.ReadFile(filepath.Join(dir, filepath.FromSlash(p.Path)))
	must(t, err)
	cuts := newPlayerData(res).Cuts
	at := []int{42}
	for _, c := range cuts[1 : len(cuts)-1] {
		at = append(at, frameOffset(t, file, c/flacio.BlockFrames))
	}
	// Other blocks of metadata may stand between the header and the first frame.
	at[0] = frameOffset(t, file, 0)
	at = append(at, len(file))
	s := httptest.NewServer(http.FileServer(http.Dir(dir)))
	t.Cleanup(s.Close)
	offsets, err := json.Marshal(at)
	must(t, err)
	frames, err := json.Marshal(cuts)
	must(t, err)
	d, err := flacio.Open(filepath.Join(dir, filepath.FromSlash(p.Path)))
	must(t, err)
	bits := d.Info().Bits
	must(t, d.Close())
	code := fmt.Sprintf(`(async () => {
		const file = new Uint8Array(await (await fetch(%q)).arrayBuffer()), at = %s, cuts = %s, rate = %d;
		const head = frames => { const h = new Uint8Array(42), v = new DataView(h.buffer); h.set([0x66, 0x4c, 0x61, 0x43, 0x80, 0, 0, 34]); v.setUint16(8, %d); v.setUint16(10, %d);
			v.setUint32(18, rate << 12 | 0 << 9 | (%d - 1) << 4); v.setUint32(22, frames); return h; };
		const decode = b => new OfflineAudioContext(1, 1, rate).decodeAudioData(b);
		const whole = (await decode(file.slice().buffer)).getChannelData(0), wrong = [];
		for (let k = 0; k + 1 < at.length; k++) {
			const n = cuts[k + 1] - cuts[k], part = new Uint8Array([...head(n), ...file.subarray(at[k], at[k + 1])]);
			try {
				const got = await decode(part.buffer), x = got.getChannelData(0);
				let off = 0;
				for (let i = 0; i < n; i++) if (x[i] !== whole[cuts[k] + i]) off++;
				if (got.length !== n || off) wrong.push('piece ' + k + ': ' + got.length + ' frames of ' + n + ', ' + off + ' samples differ');
			} catch (e) { wrong.push('piece ' + k + ': ' + e); }
		}
		return wrong.join('; ') + '|' + (at.length - 1);
	})()`, "/"+p.Path, offsets, frames, playedRate, flacio.BlockFrames, flacio.BlockFrames, bits)
	want := fmt.Sprintf("|%d", len(at)-1)
	t.Run("Chromium", func(t *testing.T) {
		ctx := browser(t)
		must(t, chromedp.Do(ctx, chromedp.Navigate(s.URL+"/listen.html")))
		if got := eval[string](t, ctx, code); got != want {
			t.Error(got)
		}
	})
	for name, start := range map[string]func(*testing.T, []string) remote{"Firefox": firefox, "WebKit": webkit} {
		t.Run(name, func(t *testing.T) {
			r := start(t, nil)
			r.must(t, "Navigate", map[string]any{"url": s.URL + "/listen.html"})
			if got := value[string](t, r, code); got != want {
				t.Error(got)
			}
		})
	}
}
