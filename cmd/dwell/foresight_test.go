//go:build unix

package main

import (
	"fmt"
	"io/fs"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"testing"

	"dwell/drivers/clock"
)

// What check says a protocol takes is held against what its rehearsal took: the time
// until the bench is confirmed safe, the readings, and all files of the run folder. The
// virtual bench knows the physics, the plan only a rate, a dead time and two time
// constants.
const (
	durationWithin = 0.15
	readingsWithin = 0.15
	bytesWithin    = 0.25
)

func expectForeseen(t *testing.T, protocol, bench string) {
	t.Helper()
	x := rehearsedFiles(t, files{protocol: protocol, rig: bench + "rig.yaml", specimen: bench + "specimen.yaml"}, 1)
	sum := x.job.plan.Summary
	for _, c := range []struct {
		what           string
		foreseen, true float64
		within         float64
	}{
		{"seconds", clock.Instant(sum.DurationNs).Seconds(), x.outcome.Report.Done.Seconds(), durationWithin},
		{"readings", float64(sum.Readings), float64(x.outcome.Readings), readingsWithin},
		{"bytes", float64(sum.Bytes), float64(folderSize(t, x.folder)), bytesWithin},
	} {
		off := c.foreseen/c.true - 1
		t.Logf("%s: %.0f foreseen, %.0f rehearsed: %+.1f %%", c.what, c.foreseen, c.true, 100*off)
		if !(off > -c.within && off < c.within) {
			t.Errorf("the %s are not foreseen within %.0f %%", c.what, 100*c.within)
		}
	}
}

func folderSize(t *testing.T, folder string) (size int64) {
	t.Helper()
	err := filepath.WalkDir(folder, func(_ string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		info, err := d.Info()
		if err == nil {
			size += info.Size()
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return size
}

// Every example, and what the tests run.
func TestExamplesAreForeseen(t *testing.T) {
	var all []string
	for _, pattern := range []string{leafClip + "*.yaml", leafClip + "*/*.yaml", "testdata/*.yaml"} {
		found, err := filepath.Glob(pattern)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, found...)
	}
	tried := 0
	for _, protocol := range all {
		name, bench := filepath.Base(protocol), filepath.Dir(protocol)+"/"
		if bench == "testdata/" {
			bench = leafClip
		}
		switch {
		case name == "rig.yaml" || name == "specimen.yaml":
			continue
		case name == "late.yaml": // it is not completed, and is not meant to be
			continue
		case testing.Short() && (name == "overnight.yaml" || name == "fatigue.yaml"):
			continue
		}
		tried++
		t.Run(name, func(t *testing.T) { expectForeseen(t, protocol, bench) })
	}
	if tried < 8 && !testing.Short() {
		t.Errorf("only %d protocols were tried", tried)
	}
}

// Protocols that nobody wrote, of most steps that need no other rig. (A wait for a level
// far from where the plate is going is foreseen to last until it is there.)
func TestRandomProtocolsAreForeseen(t *testing.T) {
	if testing.Short() {
		t.Skip("long, and all of it on one thread")
	}
	const most = 24
	for seed := range uint64(most) {
		t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) {
			text := randomProtocol(rand.New(rand.NewPCG(seed, 7)))
			expectForeseen(t, write(t, filepath.Join(t.TempDir(), "random.yaml"), text), leafClip)
			if t.Failed() {
				t.Log(text)
			}
		})
	}
}

func randomProtocol(r *rand.Rand) string {
	var b strings.Builder
	pick := func(all ...string) string { return all[r.IntN(len(all))] }
	fmt.Fprintf(&b, "format: 1\ntitle: Random\nlimits:\n  plate.temperature: {below: 55 degC}\nrecord:\n  plate.temperature: %s\n  foil.temperature: %s\n  element.resistance: %s\nends: {at most: 12 h}\nsteps:\n",
		pick("500 ms", "1 s", "2 s"), pick("1 s", "5 s"), pick("500 ms", "1 s", "10 s"))
	fmt.Fprintf(&b, "  - confirm: {specimen: LC-07, resistance within: 20 %%}\n")
	fmt.Fprintf(&b, "  - source: {instrument: meter, current: 10 uA, compliance: 2 V, wires: 4, integration: %s, reverse: %s}\n",
		pick("0.1", "1"), pick("true", "false"))
	degC := 20 + r.IntN(20)
	fmt.Fprintf(&b, "  - bring: {plate to: %d degC, at most: 30 min}\n", degC)
	for range 2 + r.IntN(4) {
		randomStep(&b, r, "  ", &degC, 0)
	}
	return b.String()
}

func randomStep(b *strings.Builder, r *rand.Rand, indent string, degC *int, depth int) {
	say := func(format string, args ...any) { fmt.Fprintf(b, indent+"- "+format+"\n", args...) }
	kinds := 8
	if depth < 2 {
		kinds = 10
	}
	inside := func(n int) {
		fmt.Fprintf(b, "%s  do:\n", indent)
		for range n {
			randomStep(b, r, indent+"    ", degC, depth+1)
		}
	}
	switch r.IntN(kinds) {
	case 0:
		say("hold: %d s", 1+r.IntN(200))
	case 1:
		say("hold: {until: \"settled(foil.temperature, 0.3 K, 1 min)\", at most: 20 min, otherwise: go on}")
	case 2:
		*degC = 20 + r.IntN(25)
		say("bring: {plate to: %d degC, within: %d K, for: %d s, at most: 40 min}", *degC, 1+r.IntN(2), 2+r.IntN(20))
	case 3:
		to := 30 + r.IntN(20)
		say("bring: {plate to: %d degC, at most: 40 min, then wait: %d s}", to, 1+r.IntN(100))
		say("hold: %d s", 1+r.IntN(20))
		*degC = to
	case 4:
		say("sweep: {instrument: meter, current: [-10 uA, -5 uA, 0 uA, 5 uA, 10 uA], settle: %d ms, read: [element.voltage, element.current]}", 50+r.IntN(500))
	case 5:
		say("mark: here")
	case 6:
		say("bring: {plate to: 41 degC, without waiting: true}")
		say("hold: {until: \"plate.temperature > 40.4 degC\", at most: 20 min}")
	case 7:
		say("bring: {plate to: 25 degC, at most: 40 min}")
		say("ramp: {plate from: 25 degC, to: 35 degC, at: %d K/min}", 2+r.IntN(8))
	case 8:
		say("repeat: {times: %d}", 1+r.IntN(6))
		inside(1 + r.IntN(3))
	case 9:
		say("for each: {degC%d: 20 degC to 30 degC by 5 K, and back: %t}", depth, r.IntN(2) == 0)
		fmt.Fprintf(b, "%s  do:\n%s    - bring: {plate to: degC%d, at most: 40 min}\n", indent, indent, depth)
		randomStep(b, r, indent+"    ", degC, depth+1)
	}
}

// The list of steps says what is set to what and how long, when each begins, where it
// loops and where a person is needed, on a page of 100 columns.
func TestCheckListsThePlan(t *testing.T) {
	text := whatCheckSays(t, "staircase.yaml")
	_, list, _ := strings.Cut(text, "\nsteps ")
	for _, line := range strings.Split(list, "\n") {
		if n := len([]rune(line)); n > 100 {
			t.Errorf("%d columns: %s", n, line)
		}
	}
	said := strings.Join(strings.Fields(list), " ")
	for _, want := range []string{
		"8, as they stand in the protocol",
		"reads plate.temperature, foil.temperature every 1 s",
		"2 source line 46 meter compliance 2 V, current 10 uA, wires 4, integration 1, reverse on, output on; reads element.resistance,",
		"9 values: 20 degC from 0:00:03, 25 degC from 0:02:40,",
		"3.n.1 bring up to 3 min 34, 9 times, line 53 plate heat on, temperature 20…40 degC; waits until plate.temperature is within 0.5 K of 20…40 degC for 10 s, at most 20 min, or the run ends; waits 2 min",
		"at most 15 min, then goes on",
		"meter current -10 uA, -5 uA, 0 A, 5 uA, 10 uA; at each waits 200 ms",
		"meanwhile not read, for about 1.5 s: element.voltage",
		"0:26:35 9.3 s makes safe",
	} {
		if !strings.Contains(said, want) {
			t.Errorf("missing: %s", want)
		}
	}
	if !strings.Contains(whatCheckSays(t, "response.yaml"), "5.1 place                                          PERSON, 3 times, line 43") {
		t.Error("it is not said that a person is needed, and how often")
	}
	if t.Failed() {
		t.Log(list)
	}
}

// The first steps of the list begin when they begin in the rehearsal.
func TestStartsAreForeseen(t *testing.T) {
	x := rehearsed(t, "staircase.yaml", 1)
	steps := happenings(t, x.folder)
	for _, s := range x.job.plan.Summary.Steps {
		for _, h := range steps {
			if h.Event != "step" || h.Step != strings.Replace(s.Number, "n", "1", 1)+" "+s.Verb {
				continue
			}
			foreseen, began := clock.Instant(s.StartsNs).Seconds(), clock.Instant(h.AtNs).Seconds()
			if off := foreseen - began; off > 5 || off < -5 {
				t.Errorf("step %s begins at %.1f s, foreseen was %.1f s", h.Step, began, foreseen)
			}
		}
	}
}
