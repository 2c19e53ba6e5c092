package manifest

import (
	"flag"
	"os"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "rewrite testdata/faults.txt with what the parser says")

// unseen puts in what a text file cannot show.
var unseen = strings.NewReplacer(`\t`, "\t", `\r`, "\r", `\0`, "\x00", `\xff`, "\xff", `\bom`, "\xef\xbb\xbf")

// TestFaults reads testdata/faults.txt: blocks that begin with "== what", then
// a manifest, then "--" and exactly what the parser says of it. REST
// stands for the shortest rest of a manifest.
func TestFaults(t *testing.T) {
	const path = "testdata/faults.txt"
	blocks := strings.Split(readFile(t, path), "\n== ")
	if len(blocks) < 80 {
		t.Fatalf("only %d blocks in %s", len(blocks), path)
	}
	var out strings.Builder
	out.WriteString(blocks[0])
	for _, block := range blocks[1:] {
		name, body, _ := strings.Cut(block, "\n")
		src, want, found := strings.Cut(body, "\n--\n")
		if !found && !*update {
			t.Errorf("%s: no line --", name)
			continue
		}
		if src == "--" || strings.HasPrefix(body, "--\n") {
			src, want = "", strings.TrimPrefix(body, "--\n")
		}
		src = strings.TrimSuffix(src, "\n--")
		got := strings.Join(problems(unseen.Replace(strings.ReplaceAll(src+"\n", "REST\n", strings.TrimPrefix(rest, "\n")))), "\n")
		if got == "" {
			t.Errorf("%s: no fault found", name)
		}
		for _, leak := range []string{"ast.", "yaml.", "Node", "struct", "interface", "%!", "nil", "Kind", "panic"} {
			if strings.Contains(strings.ReplaceAll(got, "m.yaml", ""), leak) {
				t.Errorf("%s: the message has %q in it:\n%s", name, leak, got)
			}
		}
		if strings.TrimRight(want, "\n") != got && !*update {
			t.Errorf("%s:\n got:\n%s\nwant:\n%s", name, got, strings.TrimRight(want, "\n"))
		}
		out.WriteString("\n== " + name + "\n" + src + "\n--\n" + got + "\n")
	}
	if *update {
		if err := os.WriteFile(path, []byte(out.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}
