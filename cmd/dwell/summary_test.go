package main

import (
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"dwell/drivers/clock"
	"dwell/drivers/yamltext"
	"dwell/sequence"
	"dwell/sequence/plan"
)

// The summary fits a page of 100 columns, says what its table shows, and writes numbers
// as people do: with prefixes, in one unit a column, never as 1e-05.
func TestTheSummary(t *testing.T) {
	t.Parallel()
	p := start(t, "rehearse", leafClip+"staircase.yaml", "--out", t.TempDir())
	p.exits(exitDone)
	text := p.out.String()
	for _, line := range strings.Split(text, "\n") {
		if width(line) > mostWide && !strings.HasPrefix(line, "folder") {
			t.Errorf("%d columns: %q", width(line), line)
		}
	}
	if raw := regexp.MustCompile(`[0-9]e[-+][0-9]`).FindString(text); raw != "" {
		t.Errorf("a raw number, %q, in\n%s", raw, text)
	}
	if !strings.Contains(text, "the last reading before each") {
		t.Error("the table does not say what it shows")
	}
	for words, times := range map[string]int{" kOhm ": 9, " uA\n": 9, "marks ": 1} {
		if n := strings.Count(text, words); n != times {
			t.Errorf("%q stands there %d times, expected %d", words, n, times)
		}
	}
}

// A screen breaks lines between words, and counts what it shows and not what is sent.
func TestWrapAndClip(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ got, want string }{
		{strings.Join(wrap("switch it off at the mains", 12), "|"), "switch it|off at the|mains"},
		{strings.Join(wrap("", 12), "|"), ""},
		{strings.Join(wrap("a-word-that-is-longer than that", 8), "|"), "a-word-that-is-longer|than|that"},
		{clip("0123456789", 11), "0123456789"},
		{clip("0123456789", 10), "01234567…"},
		{clip("温度温度温度", 7), "温度…"},
		{clip("a\x1b[2Jb\nc", 20), "a·[2Jb·c"},
	} {
		if c.got != c.want {
			t.Errorf("%q, expected %q", c.got, c.want)
		}
	}
}

// The numbers of an event are shown with their units and in words.
func TestEventLines(t *testing.T) {
	t.Parallel()
	j := &job{}
	m := &yamltext.Mistakes{}
	if err := j.bench(files{}, leafClip, m); err != nil || m.Len() > 0 {
		t.Fatal(err, saidBy(m))
	}
	j.plan = &plan.Plan{Actions: []plan.Action{{Step: "6 lift", T0: "onset"}, {Step: "7 lift", T0: "key"}}}
	p := &panel{x: &execution{job: j}}
	for _, c := range []struct {
		e    sequence.Event
		want string
	}{
		{sequence.Event{Kind: "step", Step: "4.2 bring"}, "step 4.2 bring"},
		{sequence.Event{Kind: "arrived", Text: "plate.temperature", Fields: []sequence.Field{{Key: "target", Value: 20}, {Key: "after_s", Value: 157.2}}},
			"arrived: plate.temperature: target 20 degC, after 2 min 37 s"},
		{sequence.Event{Kind: "specimen", Text: "LC-07", Fields: []sequence.Field{{Key: "resistance_Ohm", Value: 10872.8}}}, "specimen: LC-07: resistance 10.873 kOhm"},
		{sequence.Event{Kind: "moved", Text: "air", Fields: []sequence.Field{{Key: "t0_s", Value: 22.13}, {Key: "u_t0_s", Value: 0.3}}},
			"moved: air: t0 22.1 s, known within 0.3 s"},
		{sequence.Event{Kind: "moved", Step: "7 lift", Text: "air", Fields: []sequence.Field{{Key: "t0_s", Value: 22.13}, {Key: "u_t0_s", Value: 0.3}}},
			"moved: air: t0 22.1 s, known within 0.3 s, if the key was pressed as it moved"},
	} {
		if got := p.eventLine(c.e); got != c.want {
			t.Errorf("%q, expected %q", got, c.want)
		}
	}
}

// A pause that comes back is told at the end, and run.json has the serial numbers that the
// rig file gives.
func TestPausesAndSerialNumbersAreTold(t *testing.T) {
	t.Parallel()
	j, m := &job{}, &yamltext.Mistakes{}
	if err := j.bench(files{}, leafClip, m); err != nil || m.Len() > 0 {
		t.Fatal(err, saidBy(m))
	}
	j.plan = &plan.Plan{}
	x := &execution{job: j, speech: &speech{}, record: &record{}}
	j.rig.Instruments[0].Serial = "HP-0042"
	if got := x.identity().Instruments[0].Serial; got != "HP-0042" {
		t.Errorf("the serial number is %q", got)
	}
	if text := x.summary(""); strings.Contains(text, "paused") {
		t.Error("it tells of pauses that there were none of")
	}
	x.outcome.Pauses, x.outcome.Paused = 46, 46*clock.Minute
	if text := x.summary(""); !strings.Contains(text, "paused    46 times, 46 min 00 s in all\n") {
		t.Errorf("it tells of no pauses:\n%s", text)
	}
}

// What was last read long before a mark is not shown beside it as if it were of that moment.
func TestMarksDoNotShowWhatIsOld(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	protocol := write(t, filepath.Join(dir, "marks.yaml"), `format: 1
title: marks
record: {element.resistance: 1 s, plate.temperature: 1 s}
ends: {at most: 10 min}
steps:
  - confirm: {specimen: LC-07}
  - source: {instrument: meter, current: 10 uA, compliance: 2 V, wires: 4}
  - hold: 10 s
  - mark: read
  - source off: meter
  - hold: 60 s
  - mark: unread
`)
	p := start(t, "rehearse", "--rig", leafClip+"rig.yaml", "--specimen", leafClip+"specimen.yaml", "--out", filepath.Join(dir, "runs"), protocol)
	p.exits(exitDone)
	_, marks, _ := strings.Cut(p.out.String(), "the last reading before each\n")
	lines := strings.Split(marks, "\n")
	if len(lines) < 3 || !strings.Contains(lines[1], "kOhm") || strings.Contains(lines[2], "Ohm") || !strings.Contains(lines[2], "old") || !strings.Contains(lines[2], "degC") {
		t.Errorf("marks:\n%s", marks)
	}
}

// A specimen that failed behind the boundary from which a run goes on has not failed. One that
// failed just there has: 1.001 s times 1e9 is less than its nanoseconds.
func TestAFailureInAGap(t *testing.T) {
	for fromS, failed := range map[float64]bool{1: false, 1.001: true, 2: true} {
		var d died
		d.hear("specimen failed", "it is open", 1001*clock.Millisecond, 10, 10, 0)
		if d.hear("gap", "", 3*clock.Second, 0, 0, fromS); (d.says != "") != failed {
			t.Errorf("a gap from %g s: %q", fromS, d.says)
		}
	}
}
