package report

import (
	"bufio"
	"bytes"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"image"
	"image/draw"
	"image/png"
	"io"
	"math"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"evenhand/examples/oracle"
)

// remote is a browser that is not driven by chromedp. do carries out a command
// of the W3C's WebDriver under its name there and returns its value.
//
// Source: W3C WebDriver, 2018, table of endpoints (from memory).
type remote struct {
	do func(command string, params map[string]any) (json.RawMessage, error)
}

// elementKey is the member that holds an element's identifier.
// Source: W3C WebDriver, section 12 (from memory).
const elementKey = "element-6066-11e4-a52e-4f735466cecf"

func (r remote) must(t *testing.T, command string, params map[string]any) json.RawMessage {
	t.Helper()
	v, err := r.do(command, params)
	if err != nil {
		t.Fatalf("%s %.200v: %v", command, params, err)
	}
	return v
}

// value returns the value of an expression or promise in the page.
func value[T any](t *testing.T, r remote, expression string) T {
	t.Helper()
	var v struct{ Value, Error json.RawMessage }
	raw := r.must(t, "ExecuteAsyncScript", map[string]any{"args": []any{}, "script": `const done = arguments[arguments.length - 1];
		(async () => (` + expression + `))().then(v => done({Value: v}), e => done({Error: String(e)}))`})
	if err := json.Unmarshal(raw, &v); err != nil {
		t.Fatalf("%.120s: %v: %s", expression, err, raw)
	}
	if v.Error != nil {
		t.Fatalf("%.120s: %s", expression, v.Error)
	}
	var out T
	if err := json.Unmarshal(v.Value, &out); err != nil {
		t.Fatalf("%.120s: %v: %s", expression, err, v.Value)
	}
	return out
}

// waitFor waits for an expression to become true.
func (r remote) waitFor(t *testing.T, condition string) {
	t.Helper()
	for end := time.Now().Add(time.Minute); !value[bool](t, r, "!!("+condition+")"); time.Sleep(50 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("never true: %s\nthe page says: %s", condition, value[string](t, r, saysNow))
		}
	}
}

// find returns the identifier of an element.
func (r remote) find(t *testing.T, selector string) string {
	t.Helper()
	var e map[string]string
	if err := json.Unmarshal(r.must(t, "FindElement", map[string]any{"using": "css selector", "value": selector}), &e); err != nil {
		t.Fatal(err)
	}
	return e[elementKey]
}

// click clicks an element as a hand would: browsers start sound for that alone.
func (r remote) click(t *testing.T, selector string) {
	t.Helper()
	value[bool](t, r, fmt.Sprintf(`document.querySelector(%q).scrollIntoView({block: 'center', behavior: 'instant'}), new Promise(f => setTimeout(() => f(true), 100))`, selector))
	r.must(t, "ElementClick", map[string]any{"id": r.find(t, selector)})
}

// act carries out the actions of one input source: "pointer" of a kind, or "key" of none.
func (r remote) act(t *testing.T, source, kind string, actions ...map[string]any) {
	t.Helper()
	s := map[string]any{"type": source, "id": source + kind, "actions": actions}
	if kind != "" {
		s["parameters"] = map[string]any{"pointerType": kind}
	}
	r.must(t, "PerformActions", map[string]any{"actions": []any{s}})
}

// to moves a pointer to a place of the viewport.
func to(x, y float64) map[string]any {
	return map[string]any{"type": "pointerMove", "duration": 0, "x": math.Round(x), "y": math.Round(y), "origin": "viewport"}
}

// down and up are of a pointer's main button.
var (
	down = map[string]any{"type": "pointerDown", "button": 0}
	up   = map[string]any{"type": "pointerUp", "button": 0}
)

// arrowRight is the key of that name.
// Source: W3C WebDriver, 2018, table of keys (from memory).
const arrowRight = "\ue014"

// press presses a key and lets it go.
func (r remote) press(t *testing.T, key string) {
	t.Helper()
	r.act(t, "key", "", map[string]any{"type": "keyDown", "value": key}, map[string]any{"type": "keyUp", "value": key})
}

// shot is a picture of an element that fits the window, as PNG. It is cut out of that of
// the window: WebKit's own of an element has an offset.
func (r remote) shot(t *testing.T, selector string) []byte {
	t.Helper()
	r.place(t, selector, 0.5, 0.5)
	box := value[[]float64](t, r, fmt.Sprintf(`(r => [r.left, r.top, r.right, r.bottom].map(v => v / innerWidth))(document.querySelector(%q).getBoundingClientRect())`, selector))
	var text string
	if err := json.Unmarshal(r.must(t, "TakeScreenshot", map[string]any{"full": false}), &text); err != nil {
		t.Fatal(err)
	}
	window, err := png.Decode(base64.NewDecoder(base64.StdEncoding, strings.NewReader(text)))
	if err != nil {
		t.Fatal(err)
	}
	at := func(part float64) int { return int(math.Round(part * float64(window.Bounds().Dx()))) }
	out := image.NewRGBA(image.Rect(0, 0, at(box[2])-at(box[0]), at(box[3])-at(box[1])))
	draw.Draw(out, out.Bounds(), window, image.Pt(at(box[0]), at(box[1])), draw.Src)
	var raw bytes.Buffer
	if err := png.Encode(&raw, out); err != nil {
		t.Fatal(err)
	}
	return raw.Bytes()
}

// place is a place in an element, as parts of its box, scrolled to the middle of the window.
func (r remote) place(t *testing.T, selector string, x, y float64) (float64, float64) {
	t.Helper()
	at := value[[]float64](t, r, fmt.Sprintf(`(() => {
		const at = () => (r => [r.left + %g * r.width, r.top + %g * r.height])(document.querySelector(%q).getBoundingClientRect());
		scrollBy({top: at()[1] - innerHeight / 2, behavior: 'instant'});
		return new Promise(f => setTimeout(() => f(at()), 200));
	})()`, x, y, selector))
	return at[0], at[1]
}

// started runs a program until the test ends and returns when its port answers.
func started(t *testing.T, port int, cmd *exec.Cmd) net.Conn {
	t.Helper()
	var said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &said, &said
	launch(t, cmd)
	t.Cleanup(func() { stop(cmd) })
	for end := time.Now().Add(time.Minute); time.Now().Before(end); time.Sleep(100 * time.Millisecond) {
		if c, err := net.Dial("tcp", fmt.Sprint("127.0.0.1:", port)); err == nil {
			return c
		}
	}
	stop(cmd)
	t.Fatalf("%s does not answer on port %d: %s", cmd.Path, port, &said)
	return nil
}

// launch starts a program in a group of its own.
func launch(t *testing.T, cmd *exec.Cmd) {
	t.Helper()
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.WaitDelay = time.Second // what it started may hold its output
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
}

// stop ends a program that was launched, and what it started.
func stop(cmd *exec.Cmd) {
	syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL)
	cmd.Wait()
}

// freePort returns a port on which nothing listens.
func freePort(t *testing.T) int {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}

// inOtherBrowsers runs a test in each engine that is not Chromium's: Firefox and the
// GTK port of WebKit, Safari's engine. start starts it, with further environment variables.
func inOtherBrowsers(t *testing.T, test func(t *testing.T, start func(*testing.T, []string) remote)) {
	t.Helper()
	if testing.Short() {
		t.Skip("needs browsers")
	}
	if raced {
		t.Skip("what happens in a browser is out of the race detector's sight; the plain run has it")
	}
	t.Run("Firefox", func(t *testing.T) { test(t, firefox) })
	t.Run("WebKit", func(t *testing.T) { test(t, webkit) })
}

// firefox starts headless Firefox, which is driven over its own protocol: a
// message is the length of its JSON text, a colon and the text, which holds
// [0, number, "WebDriver:" command, parameters] or [1, number, error, value].
//
// Source: Mozilla, Marionette protocol, version 3 (from memory).
func firefox(t *testing.T, environment []string) remote {
	t.Helper()
	path := oracle.Path(t, "firefox-esr", "firefox")
	profile, port := t.TempDir(), freePort(t)
	prefs := fmt.Sprintf("user_pref(\"marionette.port\", %d);\nuser_pref(\"network.proxy.type\", 0);\nuser_pref(\"app.normandy.enabled\", false);\nuser_pref(\"datareporting.policy.dataSubmissionEnabled\", false);\n", port)
	if err := os.WriteFile(filepath.Join(profile, "user.js"), []byte(prefs), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(path, "--headless", "--marionette", "--no-remote", "--profile", profile)
	cmd.Env = append(os.Environ(), environment...)
	c := started(t, port, cmd)
	t.Cleanup(func() { c.Close() })
	in := bufio.NewReader(c)
	receive := func() ([]json.RawMessage, error) {
		n, err := in.ReadString(':')
		if err != nil {
			return nil, err
		}
		length, err := strconv.Atoi(n[:len(n)-1])
		if err != nil {
			return nil, err
		}
		text := make([]byte, length)
		if _, err := io.ReadFull(in, text); err != nil {
			return nil, err
		}
		var m []json.RawMessage
		if text[0] == '[' {
			err = json.Unmarshal(text, &m)
		}
		return m, err
	}
	if _, err := receive(); err != nil { // its greeting
		t.Fatal(err)
	}
	number := 0
	r := remote{func(command string, params map[string]any) (json.RawMessage, error) {
		number++
		text, err := json.Marshal([]any{0, number, "WebDriver:" + command, params})
		if err != nil {
			return nil, err
		}
		c.SetDeadline(time.Now().Add(2 * time.Minute))
		if _, err := fmt.Fprintf(c, "%d:%s", len(text), text); err != nil {
			return nil, err
		}
		m, err := receive()
		if err != nil || len(m) != 4 {
			return nil, fmt.Errorf("%w: %d members", err, len(m))
		}
		if string(m[2]) != "null" {
			return nil, fmt.Errorf("%s", m[2])
		}
		return within(m[3]), nil
	}}
	r.must(t, "NewSession", map[string]any{"strictFileInteractability": true})
	return r
}

// within returns the member "value" of an answer, or the answer where it has none.
func within(raw json.RawMessage) json.RawMessage {
	var v struct{ Value json.RawMessage }
	if json.Unmarshal(raw, &v) == nil && v.Value != nil {
		return v.Value
	}
	return raw
}

// display starts a display that nobody sees, and returns the environment variable that
// names it.
func display(t *testing.T) string {
	t.Helper()
	cmd := exec.Command(oracle.Path(t, "Xvfb"), "-displayfd", "3", "-nolisten", "tcp", "-screen", "0", "1280x1024x24")
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	cmd.ExtraFiles = []*os.File{w}
	launch(t, cmd)
	w.Close()
	t.Cleanup(func() {
		syscall.Kill(cmd.Process.Pid, syscall.SIGTERM) // it then removes its lock and its socket
		cmd.Wait()
	})
	number := 0
	if _, err := fmt.Fscan(r, &number); err != nil {
		t.Fatalf("the display does not start: %v", err)
	}
	return fmt.Sprint("DISPLAY=:", number)
}

// webkit starts the GTK port of WebKit, the engine of Safari, on a display of its
// own.
func webkit(t *testing.T, environment []string) remote {
	t.Helper()
	path, port := oracle.Path(t, "WebKitWebDriver"), freePort(t)
	cmd := exec.Command(path, fmt.Sprint("--port=", port))
	cmd.Env = append(append(os.Environ(), display(t)), environment...)
	started(t, port, cmd).Close()
	send := func(method, path string, params map[string]any) (json.RawMessage, error) {
		text, err := json.Marshal(params)
		if err != nil {
			return nil, err
		}
		client := http.Client{Timeout: 2 * time.Minute}
		ask, err := http.NewRequest(method, fmt.Sprintf("http://127.0.0.1:%d%s", port, path), bytes.NewReader(text))
		if err != nil {
			return nil, err
		}
		ask.Header.Set("Content-Type", "application/json")
		a, err := client.Do(ask)
		if err != nil {
			return nil, err
		}
		defer a.Body.Close()
		raw, err := io.ReadAll(a.Body)
		if err == nil && a.StatusCode != http.StatusOK {
			err = fmt.Errorf("status %d: %s", a.StatusCode, raw)
		}
		return within(raw), err
	}
	post := func(path string, params map[string]any) (json.RawMessage, error) {
		return send(http.MethodPost, path, params)
	}
	raw, err := post("/session", map[string]any{"capabilities": map[string]any{}})
	var session struct{ SessionID string }
	if err == nil {
		err = json.Unmarshal(raw, &session)
	}
	if err != nil {
		t.Fatalf("no session: %v", err)
	}
	at := "/session/" + session.SessionID
	t.Cleanup(func() {
		end, err := http.NewRequest(http.MethodDelete, fmt.Sprintf("http://127.0.0.1:%d%s", port, at), nil)
		if err != nil {
			t.Error(err)
			return
		}
		if a, err := http.DefaultClient.Do(end); err == nil {
			a.Body.Close()
		}
	})
	return remote{func(command string, params map[string]any) (json.RawMessage, error) {
		switch command {
		case "Navigate":
			return post(at+"/url", params)
		case "ExecuteAsyncScript":
			return post(at+"/execute/async", params)
		case "FindElement":
			return post(at+"/element", params)
		case "ElementClick":
			return post(fmt.Sprintf("%s/element/%v/click", at, params["id"]), map[string]any{})
		case "PerformActions":
			return post(at+"/actions", params)
		case "SetWindowRect":
			return post(at+"/window/rect", params)
		case "TakeScreenshot":
			return send(http.MethodGet, at+"/screenshot", nil)
		}
		return nil, fmt.Errorf("no such command here: %s", command)
	}}
}
