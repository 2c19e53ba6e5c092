package video

import (
	"context"
	"errors"
	"strings"
	"testing"

	"evenhand/analyze/mistake"
	"evenhand/examples/oracle"
)

func TestWithoutFFmpeg(t *testing.T) {
	t.Setenv("PATH", t.TempDir())
	if _, err := Find(); !errors.Is(err, mistake.Err) || !strings.Contains(err.Error(), "a video needs ffmpeg") {
		t.Errorf("got %v", err)
	}
}

// What ffmpeg says is passed on, and it ends with its context.
func TestFFmpegFails(t *testing.T) {
	program := oracle.Path(t, "ffmpeg")
	s := Spec{Dir: t.TempDir(), Num: 25, Den: 1, Shots: []Shot{{"none.png", 25}}, Sound: "none.wav", Out: "out.mp4"}
	if err := Make(t.Context(), program, s); err == nil || !strings.Contains(err.Error(), "ffmpeg made no video: ") || !strings.Contains(err.Error(), "none.png") {
		t.Errorf("got %v", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := Make(ctx, program, s); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}
