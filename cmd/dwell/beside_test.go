package main

import (
	"dwell/drivers/clock"
	"dwell/logs"
	"dwell/sequence/plan"
	"io"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

func laid(t *testing.T, old, now string) pair {
	t.Helper()
	p, err := compareSteps([]string{old, now})
	if err != nil {
		t.Fatal(err)
	}
	return *p
}

// Two runs agree when only noise and the instruments' own errors differ, also when one of
// them was broken off and taken up again; they do not with another film, and where that
// shows first is said.
func TestCompare(t *testing.T) {
	t.Parallel()
	one := rehearsed(t, "staircase.yaml", 1).folder
	other := rehearsed(t, "staircase.yaml", 2).folder
	for name, now := range map[string]string{"the same": one, "another seed": other} {
		p := laid(t, one, now)
		if same, _ := p.sameBytes(); p.differ > 0 || len(p.missing) > 0 || len(p.rows) < 40 || same != (now == one) {
			t.Errorf("%s: %d of %d differ, first %+v, missing %v", name, p.differ, len(p.rows), p.first, p.missing)
		}
	}

	broken := brokenOff(t, one, rand.New(rand.NewPCG(21, 1)))
	said := &text{}
	again, err := takeUp(&speech{out: said, err: said}, broken)
	if err == nil {
		err = again.resume("", true)
	}
	if err != nil {
		t.Fatal(err)
	}
	if p := laid(t, one, broken); p.differ > 0 || len(p.missing) > 0 || len(p.rows) < 40 {
		t.Errorf("taken up again: %d of %d differ, first %+v, missing %v", p.differ, len(p.rows), p.first, p.missing)
	}

	specimen := strings.Replace(read(t, leafClip+"specimen.yaml"), "B value: 1000 K", "B value: 1060 K", 1)
	x := rehearsedFiles(t, files{protocol: leafClip + "staircase.yaml",
		specimen: write(t, filepath.Join(t.TempDir(), "specimen.yaml"), specimen)}, 1)
	p := laid(t, one, x.folder)
	if p.first == nil || p.differ == 0 || p.differ == len(p.rows) {
		t.Fatalf("another film: %d of %d differ", p.differ, len(p.rows))
	}
	for k := range p.rows {
		if r := &p.rows[k]; !r.agrees() && !strings.HasPrefix(r.channel, "element.") {
			t.Errorf("another film, and %s differs in step %s: %+v", r.channel, r.step, r)
		}
	}
	c := start(t, "compare", one, x.folder, "--equal", "--json")
	c.exits(exitDiffering)
	if steps, ok := lastObject(t, strings.NewReader(c.out.String()))["steps"].(map[string]any); !ok || steps["agree"] != false || steps["differ"] != float64(p.differ) {
		t.Errorf("--json: %v", steps)
	}
	c = start(t, "compare", one, x.folder, "--steps")
	c.exits(exitDone)
	if !strings.Contains(c.out.String(), "they do not agree: the first is element.") || strings.Count(c.out.String(), "element.resistance") < 5 {
		t.Errorf("it says\n%s", c.out)
	}
	c = start(t, "compare", one, other)
	c.exits(exitDone)
	if !strings.Contains(c.out.String(), "they agree") {
		t.Errorf("it says\n%s", c.out)
	}
}

// Where no step has enough readings it is said that nothing was compared, not that the runs
// agree.
func TestCompareNothing(t *testing.T) {
	t.Parallel()
	p := laid(t, rehearsed(t, "short.yaml", 1).folder, rehearsed(t, "short.yaml", 2).folder)
	p.rows, p.first, p.differ = nil, nil, 0 // as where every step is too short
	if out := p.text(&speech{out: io.Discard, err: io.Discard}, true); !strings.Contains(out, "nothing could be compared") || strings.Contains(out, "agree") {
		t.Errorf("it says\n%s", out)
	}
	if v := p.object()["agree"]; v != nil {
		t.Errorf("--json: agree is %v", v)
	}
}

// A step that took another time is told and counts, also where its means agree, unless it is
// a person's; another plan is said where the verdict is.
func TestCompareTimes(t *testing.T) {
	t.Parallel()
	one := rehearsed(t, "short.yaml", 1).folder
	text := read(t, leafClip+"short.yaml")
	const hold = "hold: 3 s"
	if !strings.Contains(text, hold) {
		t.Fatalf("%q is not in the protocol", hold)
	}
	dir := t.TempDir()
	longer := write(t, filepath.Join(dir, "short.yaml"), strings.Replace(text, hold, "hold: 6 s", 1))
	x := rehearsedFiles(t, files{protocol: longer, rig: leafClip + "rig.yaml", specimen: leafClip + "specimen.yaml"}, 1)
	p := laid(t, one, x.folder)
	if len(p.times) != 2 || p.times[0].step != "6.1 hold" || p.times[0].within != lineUpS || p.agree() || p.samePlan() {
		t.Errorf("times %v, agree %v, the same plan %v", p.times, p.agree(), p.samePlan())
	}
	c := start(t, "compare", one, x.folder, "--equal")
	c.exits(exitDiffering)
	for _, words := range []string{"step 6.1 hold, pass 1, took 3.0 s and 6.0 s", "their plans are not the same"} {
		if !strings.Contains(c.out.String(), words) {
			t.Errorf("expected %q:\n%s", words, c.out)
		}
	}
	q, out := again(t, one, "", "", "--only", "6.1")
	q.exits(exitDone)
	alone := laid(t, one, theFolder(t, out))
	if said := alone.text(&speech{out: io.Discard, err: io.Discard}, false); alone.steps != 1 || !alone.agree() || !strings.Contains(said, "repeats step 6.1 of") || strings.Contains(said, "not the same in") {
		t.Errorf("a step alone: %d steps, missing %v, times %v\n%s", alone.steps, alone.missing, alone.times, said)
	}
}

// Runs of which nothing can be compared are not equal: nobody knows.
func TestNothingComparedIsNotEqual(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	protocol := write(t, filepath.Join(dir, "brief.yaml"), `
format: 1
title: Too brief to be compared
record: {plate.temperature: 1 s}
ends: {at most: 1 min}
steps:
  - hold: 2 s
`)
	var runs []string
	for _, seed := range []string{"1", "2"} {
		out := filepath.Join(dir, seed)
		start(t, "rehearse", protocol, "--rig", leafClip+"rig.yaml", "--specimen", leafClip+"specimen.yaml", "--seed", seed, "--out", out).exits(exitDone)
		runs = append(runs, theFolder(t, out))
	}
	p := start(t, "compare", runs[0], runs[1], "--equal")
	p.exits(exitDiffering)
	p.says("nothing could be compared")
	start(t, "compare", runs[0], runs[1]).exits(exitDone)
	start(t, "compare", runs[0], runs[0], "--equal").exits(exitDone) // the same, to the byte
}

// A film that was warmer is not another film.
func TestCompareAtAnotherTemperature(t *testing.T) {
	t.Parallel()
	one := rehearsed(t, "staircase.yaml", 1).folder
	p := laid(t, one, one)
	for _, c := range []struct {
		factor float64 // of what the temperature explains
		differ int
	}{{1, 0}, {3, 1}} {
		p.rows, p.first, p.differ, p.times, p.missing = nil, nil, 0, nil, nil
		now := *p.old
		now.parts = slices.Clone(p.old.parts)
		for k := range now.parts {
			part := &now.parts[k]
			part.Channels = slices.Clone(part.Channels)
			for i := range part.Channels {
				switch h := &part.Channels[i]; {
				case part.Step != "3.5.2 hold":
				case h.Channel == "foil.temperature":
					h.Mean += 0.6
				case h.Channel == "element.resistance": // B of 1000 K at 38 degC, by the law of a thermistor
					h.Mean *= 1 - c.factor*0.6*1000/(311*311)
				}
			}
		}
		p.now = &now
		if p.compare(); p.differ != c.differ || c.differ > 0 && p.first.channel != "element.resistance" {
			t.Errorf("%g times: %d differ, first %+v", c.factor, p.differ, p.first)
		}
	}
}

// A run whose record was cut is compared as far as it goes, and that it was cut is said.
func TestCompareACutRun(t *testing.T) {
	t.Parallel()
	one, cut := rehearsed(t, "response.yaml", 1).folder, rehearsed(t, "response.yaml", 2).folder
	for _, name := range []string{"readings.csv", "events.jsonl"} {
		text := read(t, filepath.Join(cut, name))
		write(t, filepath.Join(cut, name), text[:2*len(text)/3])
		p := start(t, "compare", one, cut)
		p.exits(exitDone)
		p.says("damaged: " + name)
		if out := p.out.String(); !strings.Contains(out, "step by step") || !strings.Contains(out, "means agree within U") {
			t.Errorf("%s was cut: nothing is compared:\n%s", name, out)
		}
	}
}

// Steps whose time is their plan's must take the same, those that wait for the bench nearly;
// how long a person takes says nothing.
func TestWhoseTimeCounts(t *testing.T) {
	of := waitsOf(&plan.Plan{Actions: []plan.Action{{Step: "1 hold", Op: plan.Wait}, {Step: "2 ask", Op: plan.Person, AtMostNs: 1}, {Step: "3 place", Op: plan.Place, By: "person"},
		{Step: "4 place", Op: plan.Place, By: "arm", AtMostNs: 1}, {Step: "5 bring", Op: plan.Set}, {Step: "5 bring", Op: plan.Arrive, AtMostNs: 1}}})
	for _, c := range []struct {
		step     string
		old, now clock.Instant
		within   float64 // s, where it is told
	}{
		{"1 hold", 10 * clock.Second, 11 * clock.Second, 0},
		{"1 hold", 10 * clock.Second, 12 * clock.Second, 1},
		{"2 ask", 10 * clock.Second, clock.Hour, 0},
		{"3 place", 10 * clock.Second, clock.Hour, 0},
		{"4 place", 10 * clock.Second, clock.Hour, 1 + 10 + 720},
		{"5 bring", 10 * clock.Second, 25 * clock.Second, 0},
		{"5 bring", 30 * clock.Second, 10 * clock.Second, 1 + 10 + 6},
		{"6 of a plan that cannot be read", 30 * clock.Second, 10 * clock.Second, 1 + 10 + 6},
	} {
		p := &pair{old: &compared{waits: of}, now: &compared{waits: of}}
		p.time(&logs.Part{Step: c.step, ToNs: int64(c.old)}, &logs.Part{Step: c.step, ToNs: int64(c.now)})
		if got := len(p.times) > 0; got != (c.within > 0) || got && p.times[0].within != c.within {
			t.Errorf("%s, %v s and %v s: %v", c.step, c.old.Seconds(), c.now.Seconds(), p.times)
		}
	}
}

// How steep a film is, is told by steps near a temperature, and far enough from each other.
func TestSteepest(t *testing.T) {
	c := &compared{}
	for _, at := range [][2]float64{{25, 100}, {26, 50}, {28, 94}, {60, 1e4}, {70, 2e4}} {
		c.parts = append(c.parts, logs.Part{Channels: []logs.Held{{Channel: "t", Mean: at[0]}, {Channel: "r", Mean: at[1]}}})
	}
	for at, want := range map[float64]float64{27: 22, 65: 1000, 45: 0} { // (94 - 50)/(28 - 26); 25 and 26 are too near
		if got := c.steepest("r", "t", at); got != want {
			t.Errorf("at %g: %g, expected %g", at, got, want)
		}
	}
}
