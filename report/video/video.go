// Package video makes a finished video of pictures, sound and captions with ffmpeg, a
// program that must be installed.
//
// Each picture is shown for a whole number of frames, and one follows the other without
// anything between them: pictures with one background do not flash. The video is H.264
// in 8 bits 4:2:0 after BT.709, the sound AAC, and the captions a text track that players
// switch on and off: what video sites take (common practice, no source). The same files
// give the same video with the same ffmpeg.
package video

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"

	"evenhand/analyze/mistake"
)

// Program is what ffmpeg is called.
const Program = "ffmpeg"

// Find returns the path of ffmpeg. The error matches mistake.Err.
func Find() (string, error) {
	path, err := exec.LookPath(Program)
	if err != nil {
		return "", mistake.Errorf("a video needs ffmpeg, and no program of this name is on the PATH; install it, or leave the video out: all other files are made without it")
	}
	return path, nil
}

// Shot is a picture and for how many frames it is shown, 1 or more.
type Shot struct {
	Picture string
	Frames  int64
}

// Spec says what the video is made of. Files are named from Dir, with forward slashes and
// in ASCII.
type Spec struct {
	Dir      string
	Num, Den int64 // frames per second
	Shots    []Shot
	Sound    string
	Captions string // SubRip; "" for none
	Out      string
	Progress func(done, total int64) // is told how many frames are done; may be nil
}

// Make makes the video. The error holds what ffmpeg says last, or is ctx's.
func Make(ctx context.Context, program string, s Spec) error {
	program, err := filepath.Abs(program) // it runs in another folder
	if err != nil {
		return err
	}
	args, total := s.arguments()
	cmd := exec.CommandContext(ctx, program, args...)
	cmd.Dir = s.Dir
	var said bytes.Buffer
	cmd.Stderr = &said
	progress, err := cmd.StdoutPipe()
	if err != nil {
		return err
	}
	if err := cmd.Start(); err != nil {
		return err
	}
	lines := bufio.NewScanner(progress)
	for lines.Scan() {
		if n, ok := strings.CutPrefix(lines.Text(), "frame="); ok && s.Progress != nil {
			if done, err := strconv.ParseInt(strings.TrimSpace(n), 10, 64); err == nil {
				s.Progress(min(done, total), total)
			}
		}
	}
	err = errors.Join(lines.Err(), cmd.Wait())
	if ctx.Err() != nil {
		return ctx.Err()
	}
	if err != nil {
		return fmt.Errorf("ffmpeg made no video: %s (%w)", lastLine(said.String()), err)
	}
	return nil
}

// lastLine is the last line of what ffmpeg says that is not empty.
func lastLine(said string) string {
	lines := strings.Split(strings.TrimSpace(said), "\n")
	if last := strings.TrimSpace(lines[len(lines)-1]); last != "" {
		return last
	}
	return "it does not say why"
}

// arguments are those of ffmpeg, and how many frames there will be.
func (s Spec) arguments() (args []string, total int64) {
	rate := fmt.Sprintf("%d/%d", s.Num, s.Den)
	uses, order := map[string]int{}, []string{}
	for _, x := range s.Shots {
		if uses[x.Picture] == 0 {
			order = append(order, x.Picture)
		}
		uses[x.Picture]++
		total += x.Frames
	}
	args = []string{"-nostdin", "-hide_banner", "-loglevel", "error", "-progress", "pipe:1"}
	// Every picture is read once, as one frame, and repeated where it is shown.
	var graph strings.Builder
	next := map[string]int{}
	place := map[string]int{}
	for i, name := range order {
		args = append(args, "-framerate", rate, "-i", "file:"+name)
		place[name] = i
		fmt.Fprintf(&graph, "[%d:v]scale=out_color_matrix=bt709:out_range=tv,format=yuv420p,split=%d", i, uses[name])
		for k := range uses[name] {
			fmt.Fprintf(&graph, "[p%dx%d]", i, k)
		}
		graph.WriteString(";")
	}
	for n, x := range s.Shots {
		fmt.Fprintf(&graph, "[p%dx%d]loop=loop=%d:size=1:start=0[s%d];", place[x.Picture], next[x.Picture], x.Frames-1, n)
		next[x.Picture]++
	}
	for n := range s.Shots {
		fmt.Fprintf(&graph, "[s%d]", n)
	}
	fmt.Fprintf(&graph, "concat=n=%d:v=1:a=0,fps=%s[v]", len(s.Shots), rate)
	sound := len(order)
	args = append(args, "-i", "file:"+s.Sound)
	if s.Captions != "" {
		args = append(args, "-i", "file:"+s.Captions)
	}
	args = append(args, "-filter_complex", graph.String(), "-map", "[v]", "-map", fmt.Sprintf("%d:a", sound))
	if s.Captions != "" {
		args = append(args, "-map", fmt.Sprintf("%d:s", sound+1), "-c:s", "mov_text")
	}
	args = append(args,
		"-c:v", "libx264", "-preset", "superfast", "-tune", "stillimage", "-crf", "18", "-threads", "4", "-r", rate,
		"-colorspace", "bt709", "-color_primaries", "bt709", "-color_trc", "bt709", "-color_range", "tv",
		"-c:a", "aac", "-b:a", "320k",
		"-map_metadata", "-1", "-map_chapters", "-1", "-fflags", "+bitexact", "-flags:v", "+bitexact", "-flags:a", "+bitexact",
		// No limit of frames: it would end the sound too, before its own end.
		"-movflags", "+faststart", "-y", "file:"+s.Out)
	return args, total
}
