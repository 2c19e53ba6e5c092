package cut

import (
	"context"
	"path/filepath"

	"evenhand/analyze/foreign"
	"evenhand/report/picture"
	"evenhand/report/video"
)

const videoFile = "edit.mp4"

// VideoFile is the finished video.
type VideoFile struct {
	Path   string `json:"path"`
	SHA256 string `json:"sha256"`
	Bytes  int64  `json:"bytes"`
	Frames int64  `json:"frames"`
	Width  int    `json:"width"`
	Height int    `json:"height"`
}

// shots are the pictures of the video, each from its cut to the next. The last one
// covers the last sample.
func (p *plan) shots() []video.Shot {
	at := func(sample int64) int64 { return p.fps.FrameAt(sample, p.rate) }
	var out []video.Shot
	show := func(stem string, from, to int64) {
		if to > from {
			out = append(out, video.Shot{Picture: picturePath(p.o.Video, stem), Frames: to - from})
		}
	}
	show(titlePicture, 0, at(p.lead))
	end := at(p.length)
	if p.fps.Sample(end, p.rate) < p.length {
		end++
	}
	closing := end
	if p.length > p.sound {
		closing = at(p.length) - p.framesIn(p.o.Closing)
	}
	for i, x := range p.parts {
		to := closing
		if i+1 < len(p.parts) {
			to = at(p.parts[i+1].cut)
		}
		show(p.voices[x.voice].stem, at(x.cut), to)
	}
	show(closingPicture, closing, end)
	return out
}

// writeVideo makes the finished video of the files in dir.
func (p *plan) writeVideo(ctx context.Context, dir string) (*VideoFile, error) {
	program, err := video.Find()
	if err != nil {
		return nil, err
	}
	num, den := p.fps.PerSecond()
	s := video.Spec{Dir: dir, Num: num, Den: den, Shots: p.shots(), Sound: editFile, Captions: captionsSRT, Out: videoFile}
	out := &VideoFile{Path: videoFile}
	out.Width, out.Height = p.o.Video.Size()
	for _, x := range s.Shots {
		out.Frames += x.Frames
	}
	if p.o.Progress != nil {
		s.Progress = func(done, total int64) { p.o.Progress("making the video", done, total) }
	}
	if err := video.Make(ctx, program, s); err != nil {
		return nil, err
	}
	out.SHA256, out.Bytes, err = foreign.SHA256File(ctx, filepath.Join(dir, videoFile))
	return out, err
}

// videoShapes are the shapes of a video.
func videoShapes() []picture.Shape { return picture.Cards() }
