package cut

import (
	"context"
	"fmt"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"sync"

	"golang.org/x/sync/errgroup"

	"evenhand/analyze/disk"
	"evenhand/analyze/manifest"
	"evenhand/report/picture"
)

const picturesDir = "pictures"

// Names of the cards' pictures; those of takes begin with a number.
const (
	titlePicture   = "title"
	closingPicture = "closing"
)

// picturePath is where a picture of a shape is.
func picturePath(shape picture.Shape, stem string) string {
	return path.Join(picturesDir, string(shape), stem+".png")
}

// heard returns the voices that play in the edit, in their order.
func (p *plan) heard() []int {
	var out []int
	for v := range p.voices {
		if !slices.Contains(p.unheard, p.voices[v].shown) {
			out = append(out, v)
		}
	}
	return out
}

// same is what the takes have in common.
func (p *plan) same() string {
	if p.s.Manifest.Performance.Dry != nil {
		return "one dry recording of one performance"
	}
	return "one recorded performance"
}

func (p *plan) pictureSource() picture.Source {
	s := picture.Source{
		Res: p.res, Guess: p.o.Shuffle, Address: p.o.Report, Heard: p.heard(), Checks: p.askedChecks(),
		What: fmt.Sprintf("%d takes of %s. What is compared is the %s.", len(p.heard()), p.same(), p.res.Comparison.Varies),
	}
	for _, v := range p.voices {
		s.Takes, s.Names = append(s.Takes, v.take), append(s.Names, oneLine(v.shown))
	}
	return s
}

// writePictures writes the pictures, each with its text alternative next to it, and
// keeps what is shortened in them.
func (p *plan) writePictures(ctx context.Context, dir string) error {
	source := p.pictureSource()
	type job struct {
		shape picture.Shape
		stem  string
		draw  func(picture.Shape) (picture.Image, error)
	}
	var jobs []job
	for _, shape := range picture.Shapes() {
		for i, v := range p.voices {
			jobs = append(jobs, job{shape, v.stem, func(s picture.Shape) (picture.Image, error) { return source.Take(s, i) }})
		}
	}
	for _, shape := range picture.Cards() {
		jobs = append(jobs, job{shape, titlePicture, source.Title}, job{shape, closingPicture, source.Closing})
	}
	for _, shape := range picture.Shapes() {
		if err := disk.MkdirAll(filepath.Join(dir, picturesDir, string(shape)), 0o777); err != nil {
			return err
		}
	}
	images := make([]picture.Image, len(jobs))
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(p.o.Workers)
	var mu sync.Mutex
	done := 0
	for i, j := range jobs {
		g.Go(func() error {
			if err := ctx.Err(); err != nil {
				return err
			}
			image, err := j.draw(j.shape)
			if err != nil {
				return err
			}
			name := filepath.Join(dir, filepath.FromSlash(picturePath(j.shape, j.stem)))
			if err := disk.WriteFile(name, image.PNG, 0o666); err != nil {
				return err
			}
			if err := disk.WriteFile(strings.TrimSuffix(name, ".png")+".txt", []byte(image.Alt), 0o666); err != nil {
				return err
			}
			image.PNG = nil
			images[i] = image
			mu.Lock()
			defer mu.Unlock()
			if done++; p.o.Progress != nil {
				p.o.Progress("drawing", int64(done), int64(len(jobs)))
			}
			return nil
		})
	}
	if err := g.Wait(); err != nil {
		return err
	}
	var unknown []string
	for _, image := range images {
		p.shortened = append(p.shortened, image.Shortened...)
		unknown = append(unknown, image.Unknown...)
	}
	p.shortened = distinct(p.shortened)
	if unknown = distinct(unknown); unknown != nil {
		p.note("the font of the pictures does not have all letters of %s: a name is replaced by the number of its take, other letters by question marks; the description has the texts in full", manifest.Join(unknown))
	}
	return nil
}

// distinct returns the texts, each once, in the order of their first.
func distinct(texts []string) []string {
	var out []string
	for _, s := range texts {
		if !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	return out
}
