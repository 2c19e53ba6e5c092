package report

import (
	"encoding/binary"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"testing"
	"time"

	"evenhand/analyze/flacio"
	"evenhand/analyze/result"
	"evenhand/examples/oracle"
)

// soundServer starts a sound server whose only output is a sink that drops what
// it gets. It returns the environment in which programs find it, and a function
// that records the left channel of what is played during d.
func soundServer(t *testing.T) (environment []string, record func(d time.Duration) []float32) {
	t.Helper()
	server, client := oracle.Path(t, "pulseaudio"), oracle.Path(t, "parec")
	dir, err := os.MkdirTemp("", "evenhand-sound-") // a socket's path must be short
	if err != nil {
		t.Fatal(err)
	}
	socket := filepath.Join(dir, "sound")
	environment = []string{"PULSE_SERVER=unix:" + socket, "XDG_RUNTIME_DIR=" + dir, "HOME=" + dir}
	cmd := exec.Command(server, "-n", "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no",
		"-L", "module-native-protocol-unix auth-anonymous=1 socket="+socket,
		"-L", fmt.Sprint("module-null-sink sink_name=null format=float32le channels=2 rate=", playedRate))
	cmd.Env = append(os.Environ(), environment...)
	launch(t, cmd)
	t.Cleanup(func() {
		stop(cmd)
		os.RemoveAll(dir)
	})
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		if _, err := os.Stat(socket); err == nil {
			break
		}
		if time.Now().After(end) {
			t.Fatal("the sound server does not start")
		}
	}
	record = func(d time.Duration) []float32 {
		t.Helper()
		cmd := exec.Command(client, "-d", "null.monitor", "--format=float32le", "--channels=2", "--raw", fmt.Sprint("--rate=", playedRate))
		cmd.Env = append(os.Environ(), environment...)
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		launch(t, cmd)
		frames := make([][2]float32, int(d.Seconds()*playedRate))
		err = binary.Read(out, binary.LittleEndian, frames)
		stop(cmd)
		if err != nil {
			t.Fatalf("nothing recorded: %v", err)
		}
		left := make([]float32, len(frames))
		for i, f := range frames {
			left[i] = f[0]
		}
		return left
	}
	return environment, record
}

// published returns the samples of a mono file of the report.
func published(t *testing.T, path string) []float32 {
	t.Helper()
	d, err := flacio.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	var out []float32
	for x := [][]float64{make([]float64, 4096)}; ; {
		n, err := d.Read(x)
		for _, v := range x[0][:n] {
			out = append(out, float32(v))
		}
		if err == io.EOF {
			return out
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

// exact counts the windows of 50 ms of a recording that stand in x, sample for
// sample.
func exact(recorded, x []float32) int {
	const size = playedRate / 20
	n := 0
	for first := 0; first+size <= len(recorded); first += size {
		w := recorded[first : first+size]
		for at := 0; at+size <= len(x); at++ {
			k := 0
			for k < size && w[k] == x[at+k] {
				k++
			}
			if k == size && loud(w) {
				n++
				break
			}
		}
	}
	return n
}

// loud tells sound from silence, of which every take has some.
func loud(x []float32) bool {
	peak := 0.0
	for _, v := range x {
		peak = max(peak, math.Abs(float64(v)))
	}
	return peak > 1e-3
}

// In the other engines the player works as well, by hand and without complaints;
// what sounds is what was published, bit by bit; and what is decoded measures the
// same. Each is
// driven by its own remote protocol and clicks as a hand would; a sound server that
// makes no sound records what it plays.
func TestOtherBrowsers(t *testing.T) {
	inOtherBrowsers(t, func(t *testing.T, start func(*testing.T, []string) remote) {
		res, dir := playedReport(t)
		environment, record := soundServer(t)
		r := start(t, environment)
		s := httptest.NewServer(http.FileServer(http.Dir(dir)))
		defer s.Close()
		for _, base := range []string{"file://" + dir, s.URL} {
			r.must(t, "Navigate", map[string]any{"url": base + "/index.html"})
			heardWhole(t, r, res, dir, record)
		}
	})
}

// watchComplaints collects what the page complains about from now on.
const watchComplaints = `(() => {
		window.complaints = [];
		addEventListener('error', e => complaints.push(e.message + ' ' + e.filename));
		addEventListener('unhandledrejection', e => complaints.push(String(e.reason)));
		addEventListener('securitypolicyviolation', e => complaints.push(e.violatedDirective + ' ' + e.blockedURI));
		return true })()`

// heardWhole listens to two takes of the page that is open, measures all in the
// browser and fails where the page complains.
func heardWhole(t *testing.T, r remote, res *result.Result, dir string, record func(time.Duration) []float32) {
	t.Helper()
	value[bool](t, r, watchComplaints)
	for _, i := range []int{1, 0} {
		take := res.Takes[i]
		x := published(t, filepath.Join(dir, filepath.FromSlash(take.Published.Path)))
		r.click(t, fmt.Sprintf(".pick[data-take='%d']", i))
		r.waitFor(t, fmt.Sprintf(`Evenhand.player.take === %d`, i))
		// A machine that does much besides loses some of what sounds; a player that
		// changed the sound would leave no window alone.
		found := 0
		for end := time.Now().Add(time.Minute); found < 10 && time.Now().Before(end); {
			if !value[bool](t, r, `Evenhand.player.deck.playing || Evenhand.player.deck.stalled`) {
				r.click(t, "#play") // the end was reached
			}
			r.waitFor(t, `Evenhand.player.deck.position() > 0`)
			found += exact(record(2*time.Second), x)
		}
		t.Logf("%s: %d windows of 50 ms sound as published, bit by bit", take.Name, found)
		if found < 10 {
			t.Errorf("%s: only %d windows of what sounds stand in %s", take.Name, found, take.Published.Path)
		}
	}
	r.click(t, "#recheck > summary")
	r.waitFor(t, `document.querySelector('#recheck-run')`)
	r.click(t, "#recheck-run")
	r.waitFor(t, `/agree|differ|Sorry/.test(document.querySelector('#recheck [role=status]').textContent)`)
	if got := value[string](t, r, `document.querySelector('#recheck [role=status]').textContent`); got != fmt.Sprintf("All %d comparisons agree.", 4*len(res.Takes)) {
		t.Error(got)
	}
	r.click(t, "#try")
	r.click(t, "#blind-trials > summary")
	r.waitFor(t, `document.querySelector('#blind-trials button.main')`)
	if got := unwritten.FindString(value[string](t, r, `document.getElementById('listen').innerText`)); got != "" {
		t.Errorf("the page says %q", got)
	}
	if got := value[json.RawMessage](t, r, `complaints`); string(got) != "[]" {
		t.Errorf("complaints: %s", got)
	}
}

// unwritten is what a script prints for a value that is not there.
var unwritten = regexp.MustCompile(`\b(null|undefined|NaN)\b`)
