//go:build unix

package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"
)

// A line that is gone is noticed in well under a second: at once, and with what the
// pause of a plate and a busy machine add.
const wellUnderASecond = 600 * time.Millisecond

// The plate's cable is pulled while it heats. The meter is made safe at once; the
// plate cannot be, which is said again and again, and once to somebody elsewhere, until the
// operator gives up. That is told there too.
func TestThePlateUnplugged(t *testing.T) {
	t.Parallel()
	s := serve(t)
	told := s.notifying()
	p, root := s.warming("--json")
	s.expectNoticed(p, s.plate, "plate on serial:"+s.plate.path, "meter", "output")

	wait(t, "the alarm, repeated", func() bool { return strings.Count(p.err.String(), loud) >= 3 })
	if !strings.Contains(p.err.String(), "safe: meter: direct") {
		t.Error("the meter is not said to be safe")
	}
	folder := theFolder(t, root)
	wait(t, "the call for help", func() bool {
		text, _ := os.ReadFile(told)
		called := regexp.MustCompile(`^dwell, \w{3} \d\d:\d\d:\d\d local time \(20\d\d-\d\d-\d\dT\d\d:\d\d:\d\dZ\): rig leaf-clip bench, run `)
		return called.Match(text) && strings.Contains(string(text), folder+": "+loud+"; it is tried again and again: plate on ")
	})
	p.cmd.Process.Signal(syscall.SIGINT) // whoever sees an alarm may do that first: it changes nothing
	p.says("to stop once more gives up")
	events := filepath.Join(folder, "events.jsonl")
	before := strings.Count(read(t, events), `"not safe"`)
	wait(t, "more tries, counted in one line", func() bool {
		text := read(t, events)
		return strings.Count(text, `"not safe"`) >= before+1 && strings.Contains(text, `"tries":`)
	})
	if n := strings.Count(p.err.String(), "not safe: plate"); n != 1 {
		t.Errorf("%d lines about attempts, expected the first: the alarm says the others", n)
	}
	p.cmd.Process.Signal(syscall.SIGINT)
	p.exits(exitNotSafe)
	p.expectObject(map[string]any{"outcome": "failed", "safe": false, "exit": 5.0})
	if !strings.Contains(p.err.String(), loud) {
		t.Errorf("the words %q are missing", loud)
	}
	if !s.on("plate", "heat") {
		t.Error("the plate has gone off: it was to be out of reach")
	}
	if text := read(t, told); strings.Count(text, "\n") != 2 || !strings.Contains(text, loud+"; nobody tries any more; the run has ended: failed: plate on ") {
		t.Errorf("told: %q", text)
	}
	happened(t, folder, "notified")
	text := read(t, filepath.Join(folder, "run.json"))
	if !strings.Contains(text, `"exit": 5`) || !strings.Contains(text, `"safe": false`) {
		t.Errorf("run.json does not say it: %s", text)
	}
}

// The cable is put back while dwell keeps trying: the plate, behind a new device of
// the same name, is switched off and confirmed.
func TestThePlateComesBack(t *testing.T) {
	t.Parallel()
	s := serve(t)
	p, root := s.warming("--json")
	before, chained := promised(t, theFolder(t, root))
	s.expectNoticed(p, s.plate, "plate on serial:"+s.plate.path, "meter", "output")
	p.says("not safe: plate")
	here := s.place()
	s.openPTY()
	s.until(here, "plate", "heat", 0)
	p.exits(exitFailed)
	s.expectOff()
	p.expectObject(map[string]any{"outcome": "failed", "safe": true, "exit": 4.0})
	s.expectKept(theFolder(t, root), before, chained)
}

// The meter closes its connection: the plate is made safe meanwhile, and the meter
// over a new connection.
func TestTheMeterHangsUp(t *testing.T) {
	t.Parallel()
	s := serve(t)
	p, root := s.warming("--json")
	before, chained := promised(t, theFolder(t, root))
	s.expectNoticed(p, s.meter, "meter on tcp:"+s.meter.path, "plate", "heat")
	p.exits(exitFailed)
	s.expectOff()
	p.expectObject(map[string]any{"outcome": "failed", "safe": true, "exit": 4.0})
	s.expectKept(theFolder(t, root), before, chained)
}

// A line of which nothing is being asked is missed all the same.
func TestUnpluggedBetweenRareReadings(t *testing.T) {
	t.Parallel()
	s := serve(t)
	p, root := s.run("rare.yaml")
	s.until(0, "plate", "heat", 1)
	s.until(0, "meter", "output", 1)
	p.says("step 4 hold")
	pulled := s.expectNoticed(p, s.plate, "plate on serial:"+s.plate.path, "meter", "output")
	p.says("not safe: plate")
	s.openPTY()
	p.exits(exitFailed)
	s.expectOff()
	r, _ := openRecord(t, theFolder(t, root))
	var run struct {
		Start time.Time `json:"start_utc"`
	}
	if err := json.Unmarshal([]byte(read(t, filepath.Join(theFolder(t, root), "run.json"))), &run); err != nil {
		t.Fatal(err)
	}
	for x, err := range r.Exchanges() {
		if err != nil {
			t.Fatal(err)
		}
		// What was under way when the cable was pulled has found the loss by itself. (The
		// start in UTC and the zero of the run's clock are not one reading of the clock.)
		late := run.Start.Add(time.Duration(x.SentNs)).Sub(pulled)
		if x.Ended == "link lost" && len(x.Request) > 0 && late > 100*time.Millisecond {
			t.Errorf("the loss was only seen when %q was asked, %v after it", x.Request, late)
		}
	}
}

// expectNoticed cuts a line, waits until the other instrument has been made safe,
// measures how long that took, and expects the run to name the port. It returns when
// the line was cut.
func (s *served) expectNoticed(p *process, l *line, port, instrument, what string) (pulled time.Time) {
	s.t.Helper()
	here := s.place()
	pulled = time.Now()
	l.cut()
	s.until(here, instrument, what, 0)
	took := time.Since(pulled)
	s.t.Logf("%s %s off %v after the line had gone", instrument, what, took.Round(time.Millisecond))
	if took > wellUnderASecond {
		s.t.Errorf("noticed after %v, expected %v at most", took, wellUnderASecond)
	}
	p.says("failed: ")
	for _, line := range strings.Split(p.err.String(), "\n") {
		if strings.Contains(line, "failed: ") && !strings.Contains(line, port) {
			s.t.Errorf("%q does not name %s", line, port)
		}
	}
	return pulled
}

// expectKept expects what had been acknowledged to be there still.
func (s *served) expectKept(folder, before string, chained int64) {
	s.t.Helper()
	if !strings.HasPrefix(read(s.t, filepath.Join(folder, "readings.csv")), before) {
		s.t.Error("readings.csv does not begin with what was acknowledged")
	}
	if n := acknowledged(s.t, folder); n < chained {
		s.t.Errorf("%d readings acknowledged, %d were before", n, chained)
	}
}
