//go:build unix

package main

import (
	"io"
	"strconv"
	"strings"
	"testing"
	"time"

	"dwell/drivers/twin"
	"dwell/logs"
)

// A reading over the limit trips the run: somebody has turned the plate's knob.
func TestAReadingOverTheLimit(t *testing.T) {
	t.Parallel()
	s := serve(t)
	p, root := s.run("low.yaml", "--json")
	s.underWay(root)
	s.until(0, "plate", "setpoint", 19) // what the protocol sets comes after the heat, and before the knob
	here := s.place()
	s.do(func() { s.bench.World().SetPlateTarget(120) })
	off := s.until(here, "plate", "heat", 0)
	s.until(here, "meter", "output", 0)
	p.exits(exitTripped)
	s.expectOff()
	p.expectObject(map[string]any{"outcome": "tripped", "safe": true, "exit": 3.0})
	folder := theFolder(t, root)
	if text := happened(t, folder, "tripped").Text; !strings.Contains(text, "must stay below 22 degC") || !strings.Contains(text, "low.yaml:6:") {
		t.Errorf("the reason is said as %q", text)
	}
	s.expectTrue(folder)
	s.expectPrompt(folder, off.AtS)
}

// expectPrompt measures how long it took from the reading over the limit to the
// first byte that makes safe, on each port, by the record, and to the heat being
// off, by the bench's journal (whose clock began a little earlier).
func (s *served) expectPrompt(folder string, offAtS float64) {
	s.t.Helper()
	r, _ := openRecord(s.t, folder)
	var over int64
	first := map[string]int64{}
	for x, err := range r.Exchanges() {
		if err != nil {
			s.t.Fatal(err)
		}
		if over == 0 && overLimit(x) {
			over = x.LastNs
		}
		if over > 0 && x.SentNs >= over && len(x.Request) > 0 && first[x.Port] == 0 && !strings.HasPrefix(string(x.Request), "IN_PV") && string(x.Request) != "READ?\n" {
			first[x.Port] = x.SentNs
		}
	}
	if over == 0 || len(first) != 2 {
		s.t.Fatalf("no reading over the limit, or nothing sent after it: %v %v", over, first)
	}
	identity, err := r.Identity()
	if err != nil {
		s.t.Fatal(err)
	}
	began, err := time.Parse(time.RFC3339Nano, identity.StartUTC)
	if err != nil {
		s.t.Fatal(err)
	}
	off := s.began.Add(time.Duration(offAtS*1e9)).Sub(began) - time.Duration(over)
	for port, at := range first {
		took := time.Duration(at - over)
		s.t.Logf("from the reading to the first safe byte to the %s: %v", port, took.Round(10*time.Microsecond))
		if took > time.Second/2 { // the plate's pause of 0.1 s, and a busy machine
			s.t.Errorf("%s: that is too long", port)
		}
	}
	s.t.Logf("from the reading to heat off: %v", off.Round(time.Millisecond))
}

// overLimit finds 22 degC or more in an answer of the plate's.
func overLimit(x logs.Exchange) bool {
	value, _, found := strings.Cut(string(x.Reply), " 2 \r\n")
	v, err := strconv.ParseFloat(value, 64)
	return x.Port == "plate" && found && err == nil && v >= 22
}

// A film that breaks drives the source to its compliance: the run trips.
func TestTheFilmBreaks(t *testing.T) {
	t.Parallel()
	s := serve(t)
	p, root := s.warming("--json")
	here := s.place()
	s.do(func() { s.bench.World().SetFaults(twin.Faults{FilmOpen: true}) })
	s.until(here, "plate", "heat", 0)
	s.until(here, "meter", "output", 0)
	p.exits(exitTripped)
	s.expectOff()
	p.expectObject(map[string]any{"outcome": "tripped", "safe": true, "exit": 3.0})
	if text := happened(t, theFolder(t, root), "tripped").Text; !strings.Contains(text, "compliance") && !strings.Contains(text, "element.") {
		t.Errorf("the reason is said as %q", text)
	}
}

// A wait that reaches its longest time ends the run, though no limit was passed.
func TestACeilingIsReached(t *testing.T) {
	t.Parallel()
	s := serve(t)
	p, root := s.run("late.yaml", "--json")
	p.exits(exitFailed)
	s.expectOff()
	p.expectObject(map[string]any{"outcome": "failed", "safe": true, "exit": 4.0})
	if text := happened(t, theFolder(t, root), "failed").Text; !strings.Contains(text, "> 35 degC") || !strings.Contains(text, "2 s") {
		t.Errorf("the reason is said as %q", text)
	}
	s.until(0, "plate", "heat", 1)
}

// A specimen with another resistance than expected is refused before any heat.
func TestTheSpecimenIsAnother(t *testing.T) {
	t.Parallel()
	s := serve(t)
	s.do(func() { s.bench.World().SetFaults(twin.Faults{FilmShort: true}) })
	p, _ := s.run("warm.yaml", "--json")
	p.exits(exitTripped)
	p.expectObject(map[string]any{"outcome": "tripped", "safe": true, "exit": 3.0})
	for _, e := range s.said() {
		if e.is("plate", "heat", 1) {
			t.Errorf("heated: %+v", e)
		}
	}
	s.expectOff()
}

// Whoever kills a run that has just said that it tripped finds the trip in its record, and
// so does resume.
func TestATripOutlivesAKill(t *testing.T) {
	if testing.Short() {
		t.Skip("takes 20 s, mostly of watching the plate")
	}
	t.Parallel()
	s := serve(t)
	p, root := s.run("low.yaml")
	s.underWay(root)
	s.do(func() { s.bench.World().SetPlateTarget(120) })
	p.says("tripped: ")
	p.cmd.Process.Kill()
	p.ends()
	folder := theFolder(t, root)
	leaves(t, guardOf(t, folder))
	happened(t, folder, "tripped")
	again, err := takeUp(&speech{out: io.Discard, err: io.Discard}, folder)
	if err != nil {
		t.Fatal(err)
	}
	if err := again.acknowledge("", ""); err == nil || !strings.Contains(err.Error(), "must stay below 22 degC") {
		t.Errorf("without a word: %v", err)
	}
	s.expectOff()
}
