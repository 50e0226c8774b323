package main

import (
	"path/filepath"
	"strings"
	"testing"
)

// A program that is to tell somebody and cannot be started: check says where it is named,
// and run refuses before a port is opened.
func TestNobodyWouldBeTold(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	text := strings.Replace(read(t, leafClip+"rig.yaml"), "\ntwin:\n", "\nnotify: [no-such-program-of-this-lab, bench 3]\ntwin:\n", 1)
	for _, address := range []string{"192.0.2.1", "192.0.2.2"} { // of no device: RFC 5737
		text = strings.Replace(text, "port: twin", `port: "tcp:`+address+`:5025"`, 1)
	}
	name := write(t, filepath.Join(dir, "rig.yaml"), text)
	more := []string{"--rig", name, "--specimen", leafClip + "specimen.yaml", leafClip + "short.yaml"}
	words := `notify: the program "no-such-program-of-this-lab" cannot be started`

	p := start(t, append([]string{"check"}, more...)...)
	p.exits(exitDone)
	if out := strings.Join(strings.Fields(p.out.String()), " "); !strings.Contains(out, "rig.yaml:") || !strings.Contains(out, words) {
		t.Errorf("check says\n%s", p.out)
	}
	p = start(t, append([]string{"run", "--confirm", "LC-07", "--out", filepath.Join(dir, "runs")}, more...)...)
	p.exits(exitUsage)
	p.says(words)
	if made := folders(t, filepath.Join(dir, "runs")); len(made) > 0 {
		t.Errorf("left behind: %v", made)
	}
}
