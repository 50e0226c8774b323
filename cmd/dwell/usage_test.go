package main

import (
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
)

// What is wrong with arguments or files is said, and nothing is touched: exit 2, with
// --json the last line too, nothing on standard output otherwise, no run folder.
func TestBadUsage(t *testing.T) {
	t.Parallel()
	const staircase = leafClip + "staircase.yaml"
	for _, c := range []struct {
		args string
		says string
	}{
		{"bogus", `unknown command "bogus" (there are check, `},
		{"chekc " + staircase, `unknown command "chekc": did you mean check?`},
		{"help chekc", `unknown command "chekc": did you mean check?`},
		{"check --riig x " + staircase, "dwell check has no flag --riig: did you mean --rig?"},
		{"safe now", "dwell safe expects --rig RIG, given was now"},
		{"run", "dwell run expects PROTOCOL, nothing was given (dwell help run shows how)"},
		{"check " + staircase + " " + staircase, "dwell check expects PROTOCOL, 2 were given: ../../examples"},
		{"check --bogus " + staircase, "--bogus"},
		{"rehearse --seed -1 " + staircase, `"-1"`},
		{"check none.yaml", "there is no file none.yaml"},
		{"check " + staircase + " --rig none.yaml", "there is no file none.yaml"},
		{"check " + staircase + " --specimen none.yaml", "there is no file none.yaml"},
		{"check " + leafClip, "is a folder: name a file in it (identify.yaml, "},
		{"check " + leafClip + "rig.yaml", "rig.yaml:10:1: this looks like a rig file: a protocol is expected here"},
		{"check " + staircase + " --rig " + leafClip + "specimen.yaml", "this looks like a specimen file: a rig file is expected here"},
		{"check " + staircase + " --rig " + staircase, "this looks like a protocol: a rig file is expected here"},
		{"check " + staircase + " --specimen " + leafClip + "rig.yaml", "this looks like a rig file: a specimen file is expected here"},
		{"check ../../drivers/rig/profiles/namur-hotplate.yaml --rig " + leafClip + "rig.yaml --specimen " + leafClip + "specimen.yaml", "this looks like an instrument profile: a protocol is expected here"},
		{"check " + leafClip + "stircase.yaml", "did you mean " + filepath.Clean(leafClip+"staircase.yaml")},
		{"check testdata/late.yaml", "there is no file testdata/rig.yaml; put it beside the protocol, or use --rig FILE"},
		{"rehearse none.yaml", "there is no file none.yaml"},
		{"run none.yaml", "there is no file none.yaml"},
		{"run --unattended " + staircase, "needs --confirm"},
		{"run --unattended --confirm LC-07 " + leafClip + "response.yaml", "this needs a person, and the run is unattended"},
		{"show none", "none is no run folder"},
		{"init", "dwell init expects DIR, nothing was given"},
		{"init " + leafClip, "is there already: nothing was written"},
		{"twin", "needs --rig"},
		{"twin --rig none.yaml", "there is no file none.yaml"},
		{"safe", "needs --rig"},
		{"safe --rig none.yaml", "there is no file none.yaml"},
		{"safe --rig " + leafClip + "rig.yaml", "is virtual"},
		{"safe --rig " + leafClip + "specimen.yaml", "this looks like a specimen file: a rig file is expected here"},
	} {
		t.Run(c.args, func(t *testing.T) {
			t.Parallel()
			args := strings.Fields(c.args)
			root := t.TempDir()
			if verb := args[0]; verb == "run" || verb == "rehearse" {
				args = append(args, "--out", root)
			}
			p := start(t, args...)
			p.exits(exitUsage)
			if !strings.Contains(p.err.String(), c.says) {
				t.Errorf("expected the words %q", c.says)
			}
			if p.out.String() != "" {
				t.Errorf("standard output: %q", p.out)
			}
			if carets := strings.Count(p.err.String(), "^"); carets > 1 && strings.Contains(c.says, "looks like") {
				t.Errorf("%d mistakes, expected the one", carets)
			}
			p = start(t, append(args, "--json")...)
			p.exits(exitUsage)
			p.expectObject(map[string]any{"exit": 2.0})
			if made := folders(t, root); len(made) > 0 {
				t.Errorf("left behind: %v", made)
			}
		})
	}
}

// A set temperature above a limit is refused with the place, the line, what was
// expected and where that stands.
func TestASetpointAboveTheRigsLimit(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	rig := strings.Replace(read(t, leafClip+"rig.yaml"), "plate.temperature: {below: 80 degC}", "plate.temperature: {below: 65 degC}", 1)
	text := `format: 1
title: Too hot
ends: {at most: 1 h}
steps:
  - confirm: {specimen: LC-07, resistance within: 20 %}
  - source: {instrument: meter, current: 10 uA, compliance: 2 V}
  - repeat: {times: 2}
    do:
      - bring: {plate to: 95 degC, at most: 20 min, then wait: 2 min}
`
	write(t, filepath.Join(dir, "rig.yaml"), rig)
	write(t, filepath.Join(dir, "specimen.yaml"), read(t, leafClip+"specimen.yaml"))
	write(t, filepath.Join(dir, "hot.yaml"), text)
	limit := 1 + strings.Count(rig[:strings.Index(rig, "below: 65 degC")], "\n")
	want := fmt.Sprintf(`hot.yaml:9:27: 95 degC is above what this rig allows (65 degC, rig.yaml:%d)
    9 |       - bring: {plate to: 95 degC, at most: 20 min, then wait: 2 min}
      |                           ^~~~~~~
`, limit)
	for _, verb := range []string{"check", "rehearse", "run"} {
		p := ready(t, verb, "hot.yaml")
		p.cmd.Dir = dir
		p.start().exits(exitUsage)
		if got := p.err.String(); got != want {
			t.Errorf("%s says\n%s\nexpected\n%s", verb, got, want)
		}
	}
	if made := folders(t, filepath.Join(dir, "runs")); len(made) > 0 {
		t.Errorf("left behind: %v", made)
	}
}

// A folder is never written over: runs that start in the same second get folders of
// their own, each whole.
func TestRunsInTheSameSecond(t *testing.T) {
	t.Parallel()
	root := t.TempDir()
	const together = 4
	var all []*process
	var starting sync.WaitGroup
	for seed := range together {
		p := ready(t, "rehearse", leafClip+"short.yaml", "--out", root, "--seed", fmt.Sprint(seed+1))
		all = append(all, p)
		starting.Go(func() { p.start() })
	}
	starting.Wait()
	for _, p := range all {
		p.exits(exitDone)
	}
	made := folders(t, root)
	if len(made) != together {
		t.Fatalf("%d folders of %d runs: %v", len(made), together, made)
	}
	var tables []string
	for _, folder := range made {
		r, tails := openRecord(t, folder)
		for f := range r.Verify() {
			t.Errorf("%s: %s", folder, f)
		}
		if len(tails) > 0 {
			t.Errorf("%s: %v", folder, tails)
		}
		tables = append(tables, read(t, filepath.Join(folder, "readings.csv")))
	}
	slices.Sort(tables)
	if len(slices.Compact(tables)) != together {
		t.Error("runs with different seeds have the same readings: one has been written over")
	}
	if left, err := filepath.Glob(filepath.Join(root, ".*")); err != nil || len(left) > 0 {
		t.Errorf("left behind: %v %v", left, err)
	}
	if _, err := os.Stat("runs"); err == nil {
		t.Error("a run folder was made beside --out")
	}
}

// The version says what the program was built from, and go.mod what it uses by itself.
func TestTheProgramSaysWhatItIs(t *testing.T) {
	t.Parallel()
	p := start(t, "--version")
	p.exits(exitDone)
	if got := p.out.String(); !strings.HasPrefix(got, "dwell "+version) || !strings.Contains(got, runtime.Version()) {
		t.Errorf("got %q", got)
	}
	for _, verb := range []string{"help", "completion"} {
		start(t, verb).exits(exitDone)
	}
	direct, _, _ := strings.Cut(read(t, "../../go.mod"), "// indirect")
	for _, name := range []string{"creack/pty", "expr-lang/expr", "spf13/cobra", "go.bug.st/serial", "go.uber.org/zap", "gonum.org/v1/gonum", "yaml.v3"} {
		if !strings.Contains(direct, name) {
			t.Errorf("go.mod does not say that %s is used directly: run go mod tidy", name)
		}
	}
}
