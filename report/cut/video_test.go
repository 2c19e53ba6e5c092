package cut

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os/exec"
	"path/filepath"
	"testing"

	"evenhand/analyze/unit"
	"evenhand/examples/oracle"
	"evenhand/report/cut/timecode"
	"evenhand/report/picture"
	"evenhand/report/video"
)

// grey decodes a video or a picture into small grey frames.
func grey(t *testing.T, ffmpeg, name string) [][]byte {
	t.Helper()
	const wide, high = 192, 108
	out, err := exec.Command(ffmpeg, "-v", "error", "-i", name, "-map", "0:v", "-vf", fmt.Sprintf("scale=%d:%d:flags=area:in_color_matrix=bt709:in_range=auto:out_range=pc,format=gray", wide, high), "-f", "rawvideo", "-").Output()
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	var frames [][]byte
	for ; len(out) >= wide*high; out = out[wide*high:] {
		frames = append(frames, out[:wide*high])
	}
	return frames
}

// apart is the root mean square of the difference of two frames, in steps of 256.
func apart(a, b []byte) float64 {
	sum := 0.0
	for i := range a {
		d := float64(a[i]) - float64(b[i])
		sum += d * d
	}
	return math.Sqrt(sum / float64(len(a)))
}

// The finished video, read by ffprobe and ffmpeg: its size, rate, length, captions and
// sound; on every frame the picture of its part, changing on the frame of the cut; and no flash.
func TestVideo(t *testing.T) {
	if raced {
		t.Skip("too slow under the race detector: ffmpeg does the work")
	}
	ffmpeg, ffprobe := oracle.Path(t, "ffmpeg"), oracle.Path(t, "ffprobe")
	dir, rec := write(t, at48k, Options{Turns: true, Reach: DefaultReach, FPS: "29.97", Total: 5, Title: 0.5, Closing: 0.5, Sections: []string{"Riff"}, Pictures: true, Video: picture.Landscape})
	name := filepath.Join(dir, videoFile)
	out, err := exec.Command(ffprobe, "-v", "error", "-count_packets", "-show_streams", "-of", "json", name).Output()
	if err != nil {
		t.Fatal(err)
	}
	var probe struct {
		Streams []struct {
			Type    string `json:"codec_type"`
			Codec   string `json:"codec_name"`
			Rate    string `json:"r_frame_rate"`
			Packets string `json:"nb_read_packets"`
			Width   int
			Height  int
		}
	}
	if err := json.Unmarshal(out, &probe); err != nil || len(probe.Streams) != 3 {
		t.Fatalf("%v: %s", err, out)
	}
	if v, a, s := probe.Streams[0], probe.Streams[1], probe.Streams[2]; v.Codec != "h264" || v.Width != 1920 || v.Height != 1080 || v.Rate != "30000/1001" || v.Packets != fmt.Sprint(rec.Video.Frames) || a.Codec != "aac" || s.Codec != "mov_text" {
		t.Errorf("streams %+v", probe.Streams)
	}
	if d := math.Abs(float64(rec.Video.Frames)*1001/30000 - 5); d > 1001.0/30000 {
		t.Errorf("%d frames for 5 s", rec.Video.Frames)
	}

	// What each frame shows: of all pictures the one that is nearest.
	pictures := map[string][]byte{}
	for _, x := range rec.Parts {
		pictures[x.Picture] = nil
	}
	for _, card := range []string{titlePicture, closingPicture} {
		pictures[picturePath(picture.Landscape, card)] = nil
	}
	for file := range pictures {
		pictures[file] = grey(t, ffmpeg, filepath.Join(dir, filepath.FromSlash(file)))[0]
	}
	frames := grey(t, ffmpeg, name)
	if int64(len(frames)) != rec.Video.Frames {
		t.Fatalf("%d frames are decoded, of %d", len(frames), rec.Video.Frames)
	}
	fps, err := timecode.Parse("29.97")
	if err != nil {
		t.Fatal(err)
	}
	for n, f := range frames {
		want := picturePath(picture.Landscape, titlePicture)
		at := fps.Sample(int64(n), rec.SampleRate)
		for _, x := range rec.Parts {
			if at >= x.First {
				want = x.Picture
			}
		}
		if at >= rec.Parts[len(rec.Parts)-1].End {
			want = picturePath(picture.Landscape, closingPicture)
		}
		best, least := "", math.Inf(1)
		for file, p := range pictures {
			if d := apart(f, p); d < least {
				best, least = file, d
			}
		}
		if best != want || least > 4 {
			t.Fatalf("frame %d shows %s (%.1f off), want %s", n, best, least, want)
		}
	}
	// Source: WCAG 2.2, definition of a general flash: a change of 10 % or more of the greatest
	// relative luminance, where the darker one is below 0.8, in more than a quarter of 10 degrees of
	// the field of vision; here of the whole picture, which is more.
	luminance := func(v byte) float64 { return math.Pow((float64(v)/255+0.055)/1.055, 2.4) }
	for n := 1; n < len(frames); n++ {
		changed := 0
		for i := range frames[n] {
			a, b := luminance(frames[n-1][i]), luminance(frames[n][i])
			if math.Abs(a-b) >= 0.1 && min(a, b) < 0.8 {
				changed++
			}
		}
		if share := float64(changed) / float64(len(frames[n])); share > 0.25 {
			t.Errorf("from frame %d to the next %.0f %% of the picture change", n-1, 100*share)
		}
	}

	// The captions are those of the file, and the sound is that of the edit, in time.
	srt, err := exec.Command(ffmpeg, "-v", "error", "-i", name, "-map", "0:s", "-f", "srt", "-").Output()
	if err != nil || bytes.Count(srt, []byte("-->")) != len(rec.Parts) || !bytes.Contains(srt, []byte("Leaning")) {
		t.Errorf("captions %s, %v", srt, err)
	}
	wav := filepath.Join(t.TempDir(), "sound.wav")
	if out, err := exec.Command(ffmpeg, "-v", "error", "-i", name, "-map", "0:a", "-c:a", "pcm_s24le", wav).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	heard, _ := mono(t, filepath.Dir(wav), filepath.Base(wav))
	edit, _ := mono(t, dir, editFile)
	// The sound has blocks of 1024 samples, of which the last may be filled up.
	if n := len(heard) - len(edit); n < 0 || n > 2048 {
		t.Errorf("the video has %d samples of sound, the edit %d", len(heard), len(edit))
	}
	like := func(lag int) float64 {
		var ab, aa, bb float64
		for n := 48000; n < 4*48000; n++ {
			a, b := edit[n], heard[n+lag]
			ab, aa, bb = ab+a*b, aa+a*a, bb+b*b
		}
		return ab / math.Sqrt(aa*bb)
	}
	if r := like(0); r < 0.99 || like(480) > r || like(-480) > r {
		t.Errorf("the sound correlates by %.3f, 10 ms later by %.3f, earlier by %.3f", r, like(480), like(-480))
	}
}

// Every part of a video is as long as the cue list says, at all rates; its end covers the last sample.
func TestShotsFollowTheCuts(t *testing.T) {
	for _, name := range timecode.Names() {
		for _, closing := range []float64{0, 2} {
			p := paper(t, name, 48000, 5, Options{Excerpt: 3.3, Title: 1.7, Closing: unit.Seconds(closing), Video: picture.Portrait}, [][2]float64{{3, 25}, {30, 50}}, nil)
			if err := p.placeTurns(t.Context(), ""); err != nil {
				t.Fatal(err)
			}
			for i := range p.voices {
				p.voices[i].stem = letter(i)
			}
			at, shots := int64(0), p.shots()
			for i, x := range append([]video.Shot{}, shots...) {
				if i > 0 && i <= len(p.parts) && p.fps.Sample(at, p.rate) != p.parts[i-1].cut {
					t.Errorf("%s: shot %d begins at frame %d, its cut is at sample %d", name, i, at, p.parts[i-1].cut)
				}
				at += x.Frames
			}
			if n := len(p.parts) + 1 + int(min(1, closing)); len(shots) != n || p.fps.Sample(at, p.rate) != p.length {
				t.Errorf("%s: %d shots, want %d; %d frames for %d samples", name, len(shots), n, at, p.length)
			}
		}
	}
}

func TestVideoRefused(t *testing.T) {
	c := comparison("Leaning", "Splitting")
	for _, x := range []struct {
		o    Options
		says string
	}{
		{Options{Video: "square", Pictures: true}, `--video: "square"; allowed: landscape or portrait`},
		{Options{Video: picture.LowerThird, Pictures: true}, `--video: "lower-third"; allowed`},
		{Options{Video: picture.Portrait}, "--video: it needs the pictures"},
	} {
		if err := x.o.Check(c); err == nil || !bytes.Contains([]byte(err.Error()), []byte(x.says)) {
			t.Errorf("%+v: %v, want %q", x.o, err, x.says)
		}
	}
}
