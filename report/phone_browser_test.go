package report

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"image/png"
	"math"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

// On a phone of 360 px an outcome does not run into the name behind it, every label
// of a plot is inside the plot, and without colours the takes' markers differ.
func TestPageOnAPhone(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	res := fixture()
	for b := range res.Takes[0].Measures[0].Third {
		res.Takes[0].Measures[0].Third[b] -= 60 // labels of four signs: −100
	}
	dir := write(t, res)
	ctx := browser(t)
	grey := chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, emulation.SetEmulatedVisionDeficiency, emulation.SetEmulatedVisionDeficiencyParams{Type: emulation.SetEmulatedVisionDeficiencyTypeAchromatopsia})
		return err
	})
	must(t, chromedp.Do(ctx, chromedp.EmulateViewport(360, 900), chromedp.Navigate("file://"+dir+"/"+detailsName), chromedp.Evaluate[chromedp.Void](openAll)))
	if n := eval[int](t, ctx, `document.querySelectorAll('.mixed li').length`); n == 0 {
		t.Error("no check has several outcomes")
	}
	for _, s := range eval[[]string](t, ctx, `[...document.querySelectorAll('.mixed li')].map(l => l.innerText).filter(s => /^(passed|caution|failed|not measured)\S/.test(s)).map(s => s.slice(0, 60))`) {
		t.Errorf("an outcome runs into what follows: %s", s)
	}

	must(t, chromedp.Do(ctx, grey, chromedp.Navigate("file://"+dir+"/index.html"), chromedp.Evaluate[chromedp.Void](openAll)))

	if n := eval[int](t, ctx, `[...document.querySelectorAll('.plot .ty text')].filter(e => e.textContent === '−100').length`); n == 0 {
		t.Error("no axis goes to −100")
	}
	for _, s := range eval[[]string](t, ctx, `[...document.querySelectorAll('.plot text')].map(e => [e, e.getBoundingClientRect(), e.closest('.plot').getBoundingClientRect()]).filter(([e, r, p]) => r.width && (r.left < p.left || r.right > p.right)).map(([e, r, p]) => e.textContent + ' in ' + e.closest('.plot').getAttribute('aria-label').slice(0, 50) + ': ' + (r.left - p.left) + ' to ' + (p.right - r.right))`) {
		t.Errorf("a label is cut off: %s", s)
	}

	// The eight markers as a plot draws them, in a row, each in a field of 16 px.
	const shapes, field = 8, 16
	eval[bool](t, ctx, fmt.Sprintf(`(() => {
		const row = document.querySelector('#spectra .plot.wide').cloneNode(false), unit = 600 / document.querySelector('#spectra .plot.wide').getBoundingClientRect().width;
		row.innerHTML = [...Array(%d).keys()].map(k => '<g class="c0 d0" transform="translate(' + (%d * (k + .5) * unit - 17) + ' ' + (%d / 2 * unit - 7) + ')"><path class="mk" d="' + document.querySelector('#m' + k + ' .mk').getAttribute('d') + '"/></g>').join('');
		row.setAttribute('viewBox', '0 0 600 60');
		row.id = 'markers';
		document.querySelector('#spectra .plot.wide').parentNode.prepend(row);
		return true;
	})()`, shapes, field, field))
	data, err := chromedp.Run(ctx, chromedp.Screenshot(chromedp.CSS("#markers")))
	must(t, err)
	shot, err := png.Decode(bytes.NewReader(data))
	must(t, err)
	ink := func(shape, x, y int) float64 { // 0 for paper, 1 for the darkest grey
		r, g, b, _ := shot.At(shot.Bounds().Min.X+shape*field+x, shot.Bounds().Min.Y+y).RGBA()
		if r != g || g != b {
			t.Fatal("the picture has colours")
		}
		return 1 - float64(g)/math.MaxUint16
	}
	if shot.Bounds().Dx() < shapes*field {
		t.Fatalf("the picture measures %v", shot.Bounds())
	}
	least, which, drawn := math.Inf(1), image.Point{}, 0.0
	for a := range shapes {
		for b := range a {
			apart := 0.0
			for i := range field * field {
				apart += math.Abs(ink(a, i%field, i/field) - ink(b, i%field, i/field))
			}
			if apart < least {
				least, which = apart, image.Pt(b, a)
			}
		}
		for i := range field * field {
			drawn += ink(a, i%field, i/field) / shapes
		}
	}
	t.Logf("a marker has %.1f px of ink; the two most alike, %d and %d, differ by %.1f", drawn, which.X, which.Y, least)
	if least < leastApart {
		t.Errorf("markers %d and %d differ by %.1f px of ink, asked are %v", which.X, which.Y, least, leastApart)
	}
}

// leastApart is how many whole pixels of ink must differ between any two markers on
// a phone, a fifth of a marker: a difference of shape, not of one edge (common
// practice, no source).
const leastApart = 5.0
