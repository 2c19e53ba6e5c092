package listening

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"evenhand/examples/oracle/chromium"
)

// The page's scripts, which do in JavaScript what this package does in Go.
var scripts = []string{"statistics.js", "answers.js"}

type engine func(expression string) ([]byte, error)

// engines returns what can run JavaScript here: name and a function that
// runs the page's scripts and then the expression, whose value is JSON text.
// Without any the test is skipped; without Chromium it fails where the environment
// says CI.
func engines(t *testing.T) map[string]engine {
	t.Helper()
	var source strings.Builder
	for _, name := range scripts {
		b, err := os.ReadFile(filepath.Join("..", "..", "templates", name))
		if err != nil {
			t.Fatal(err)
		}
		source.Write(b)
		source.WriteByte('\n')
	}
	run := map[string]engine{}
	if node, err := exec.LookPath("node"); err == nil {
		run["node"] = func(expression string) ([]byte, error) {
			cmd := exec.CommandContext(t.Context(), node, "-")
			cmd.Stdin = strings.NewReader(source.String() + "process.stdout.write(" + expression + ");\n")
			cmd.Stderr = os.Stderr
			return cmd.Output()
		}
	}
	if chromium.Look(t) != "" {
		ctx := chromium.Start(t)
		run["chromium"] = func(expression string) ([]byte, error) {
			s, err := chromedp.Run(ctx, chromedp.Evaluate[string](source.String()+expression))
			return []byte(s), err
		}
	}
	if len(run) == 0 {
		t.Skip("neither node nor Chromium found")
	}
	return run
}

// inScript runs an expression over a value in every engine and reads the
// results into fresh values of the type.
func inScript[T any](t *testing.T, run map[string]engine, value any, expression string, check func(t *testing.T, got T)) {
	t.Helper()
	b, err := json.Marshal(value)
	if err != nil {
		t.Fatal(err)
	}
	for name, run := range run {
		t.Run(name, func(t *testing.T) {
			out, err := run("JSON.stringify((value => " + expression + ")(" + string(b) + "))")
			if err != nil {
				t.Fatal(err)
			}
			var got T
			if err := json.Unmarshal(out, &got); err != nil {
				t.Fatalf("%v in %.200s", err, out)
			}
			check(t, got)
		})
	}
}

func TestScripts(t *testing.T) {
	run := engines(t)
	t.Run("codes", func(t *testing.T) { testScriptCodes(t, run) })
	t.Run("answers", func(t *testing.T) { testScriptAnswersAreRead(t, run) })
	t.Run("refuses", func(t *testing.T) { testScriptRefuses(t, run) })
	t.Run("statistics", func(t *testing.T) { testScriptStatistics(t, run) })
}

func testScriptCodes(t *testing.T, run map[string]engine) {
	answers := randoms(rand.New(rand.NewPCG(uint64(len(scripts)), 11)), 25)
	type both struct {
		Code   string
		Answer Answer
	}
	inScript(t, run, answers, `value.map(a => { const c = Evenhand.answers.encode(a); return {code: c, answer: Evenhand.answers.decode(c.toLowerCase())}; })`,
		func(t *testing.T, got []both) {
			for i, a := range answers {
				if want := code(t, a); got[i].Code != want {
					t.Fatalf("%+v is %s, want %s", a, got[i].Code, want)
				}
				if !reflect.DeepEqual(got[i].Answer, a) {
					t.Fatalf("%s is %+v, want %+v", got[i].Code, got[i].Answer, a)
				}
				if back, err := decode(got[i].Code); err != nil || !reflect.DeepEqual(back, a) {
					t.Fatalf("%s is %+v, %v", got[i].Code, back, err)
				}
			}
		})
}

// Answers that the script makes up itself, with its own random numbers, are
// read here.
func testScriptAnswersAreRead(t *testing.T, run map[string]engine) {
	inScript(t, run, hash, `Array.from({length: 500}, (_, i) => {
		const E = Evenhand.answers, at = n => Math.floor(Math.random() * n), takes = 2 + at(15);
		const a = {kind: ["preference", "trials", "ratings"][i % 3], comparison: value, nonce: E.nonce(), takes};
		if (i % 3 === 0) {
			a.preference = {pairs: new Array(takes * (takes - 1) / 2).fill(E.notAsked), same_take: at(takes), same: E.tie};
			for (let x = 0; x < takes; x++) for (let y = x + 1; y < takes; y++) a.preference.pairs[E.pairIndex(x, y, takes)] = 1 + (x + y) % 3;
		} else if (i % 3 === 1) {
			a.trials = {a: 0, b: 1 + at(takes - 1), planned: 10 + at(200), done: at(11), correct: 0};
		} else {
			a.ratings = {takes: Array.from({length: takes}, () => at(102) - 1), hidden: at(101), anchor: E.notRated};
		}
		return {code: E.encode(a), answer: a};
	})`, func(t *testing.T, got []struct {
		Code   string
		Answer Answer
	}) {
		if len(got) != 500 {
			t.Fatalf("%d codes", len(got))
		}
		nonces := map[string]bool{}
		for _, g := range got {
			g.Answer.Comparison = hash[:10]
			a, err := decode(g.Code)
			if err != nil || !reflect.DeepEqual(a, g.Answer) {
				t.Fatalf("%s is %+v, %v, want %+v", g.Code, a, err, g.Answer)
			}
			nonces[a.Nonce] = true
			if a.Kind != KindPreference {
				continue
			}
			k := 0
			for x := range a.Takes {
				for y := x + 1; y < a.Takes; y++ {
					if want := Outcome(1 + (x+y)%3); a.Preference.Pairs[k] != want {
						t.Fatalf("pair %d of %d and %d is %d, want %d", k, x, y, a.Preference.Pairs[k], want)
					}
					k++
				}
			}
		}
		if len(nonces) != 500 {
			t.Errorf("%d different nonces of 500", len(nonces))
		}
	})
}

// The script refuses the damaged codes and the impossible answers that Go
// refuses.
func testScriptRefuses(t *testing.T, run map[string]engine) {
	rng := rand.New(rand.NewPCG(12, 11))
	c := code(t, random(rng, KindPreference, 8))
	texts := []string{"", "EVNH", "hello", c + "A", c[:41], "EVNH2" + c[5:]}
	for i := 4; i < len(c); i++ {
		b := []byte(c)
		b[i] = alphabet[(int(value(b[i]))+1+rng.IntN(31))%32]
		texts = append(texts, string(b), c[:i]+c[i+1:])
	}
	var b bits // filling bits and fields that a right check cannot excuse
	for _, f := range [][2]int{{1, 5}, {2, 5}, {3, 5}, {0, 40}, {7, 40}, {0, 4}, {1, 4}, {10, 8}, {10, 8}, {5, 8}, {1, 3}} {
		b.put(uint64(f[0]), f[1])
	}
	b.put(uint64(crc30(b)), 30)
	texts = append(texts, spell(b))
	for _, s := range texts {
		if _, err := decode(s); err == nil {
			t.Fatalf("Go reads %s", s)
		}
	}
	inScript(t, run, texts, `value.filter(s => { try { Evenhand.answers.decode(s); return true; } catch (e) { return false; } })`,
		func(t *testing.T, got []string) {
			if len(got) > 0 {
				t.Errorf("the script reads %q", got)
			}
		})
	bad := []Answer{random(rng, KindTrials, 4), random(rng, KindRatings, 4), random(rng, KindPreference, 4), random(rng, KindPreference, 4), random(rng, KindPreference, 4)}
	bad[0].Trials.Correct = 256
	bad[1].Ratings.Anchor = 101
	bad[2].Preference.Pairs[2] = 4
	bad[3].Nonce = "12"
	bad[4].Preference.SameTake, bad[4].Preference.Same = 1, NotAsked
	inScript(t, run, bad, `value.filter(s => { try { Evenhand.answers.encode(s); return true; } catch (e) { return !(e instanceof RangeError); } })`,
		func(t *testing.T, got []Answer) {
			if len(got) > 0 {
				t.Errorf("the script writes %+v", got)
			}
		})
}

func testScriptStatistics(t *testing.T, run map[string]engine) {
	type point struct {
		K, N           int
		P, C           float64
		Tail, Two      float64
		Low, High      float64
		Critical       int
		NoCritical     bool
		Needed, NeedsK int
		Finds          float64
	}
	var points []point
	for _, n := range []int{1, 2, 5, 9, 10, 15, 16, 17, 25, 33, 60, 100, 255, 500} {
		for k := 0; k <= n; k += 1 + n/12 {
			for _, p := range []float64{0.5, 0.03, 0.62, 0.99} {
				v := point{K: k, N: n, P: p, C: 0.95, Tail: Tail(k, n, p), Two: TwoSided(k, n)}
				if p == 0.03 {
					v.C = 0.99
				}
				v.Low, v.High = Interval(k, n, v.C)
				c, ok := Critical(n, 1-v.C)
				v.Critical, v.NoCritical = c, !ok
				points = append(points, v)
			}
		}
	}
	for i, p := range []float64{0.59, 0.6, 0.7, 0.75, 0.9} {
		plan, err := Search(p, 0.8, 0.05)
		if err != nil {
			t.Fatal(err)
		}
		points[i].P, points[i].Needed, points[i].NeedsK = p, plan.Answers, plan.Critical
		points[i].Tail = Tail(points[i].K, points[i].N, p)
	}
	rows := trialRows()
	inScript(t, run, map[string]any{"points": points, "rows": rows}, `{
		const S = Evenhand.statistics;
		return {points: value.points.map(v => {
			const [low, high] = S.interval(v.K, v.N, v.C), c = S.critical(v.N, 1 - v.C);
			const need = v.Needed ? S.answersNeeded(v.P, .8, .05, 1000) : {answers: 0, critical: 0};
			return {Tail: S.tail(v.K, v.N, v.P), Two: S.twoSided(v.K, v.N), Low: low, High: high, Critical: c, NoCritical: c === null, Needed: need.answers, NeedsK: need.critical};
		}), rows: value.rows.map(r => S.trialsShow(r.trials, .8, .05)), none: [S.answersNeeded(.6, .8, .05, 100), S.trialsShow(4, .8, .05)]};
	}`, func(t *testing.T, got struct {
		Points []point
		Rows   []trialRow
		None   []any
	}) {
		worst := 0.0
		for i, want := range points {
			g := got.Points[i]
			for _, d := range [][2]float64{{g.Tail, want.Tail}, {g.Two, want.Two}, {g.Low, want.Low}, {g.High, want.High}} {
				worst = max(worst, math.Abs(d[0]-d[1]))
			}
			// Small p-values count in digits, not in absolute size.
			if want.Tail > 1e-300 {
				worst = max(worst, math.Abs(g.Tail/want.Tail-1))
			}
			if g.NoCritical != want.NoCritical || !g.NoCritical && g.Critical != want.Critical || g.Needed != want.Needed || g.NeedsK != want.NeedsK {
				t.Errorf("%+v, want %+v", g, want)
			}
		}
		for i, want := range rows {
			g := got.Rows[i]
			if g.Trials != want.Trials || g.Critical != want.Critical {
				t.Errorf("row %+v, want %+v", g, want)
			}
			worst = max(worst, math.Abs(g.Chance-want.Chance), math.Abs(g.Finds-want.Finds))
		}
		if worst > 1e-9 || len(got.Points) != len(points) {
			t.Errorf("greatest deviation from Go %g over %d points", worst, len(got.Points))
		}
		if fmt.Sprint(got.None) != "[<nil> <nil>]" {
			t.Errorf("out of reach: %v, want null", got.None)
		}
		t.Logf("greatest deviation from Go %.1e over %d points", worst, len(points))
	})
}
