//go:build unix

package main

import (
	"bytes"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"testing"
	"time"

	"dwell/drivers/twin"
	"dwell/logs"
)

// What an instrument says is spoiled while the plate heats and the film is driven.
// Every time the run ends by itself, both are off soon, by the bench's own journal,
// nothing that is not true stands in readings.csv as a good reading, and what had
// been acknowledged is still there.
func TestSpoiledAnswers(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name, instrument string
		say              func() func([]byte) []byte
		exit             int
		mute             bool // it can be made safe, but not confirmed, as long as this goes on
		short            bool
	}{
		{"garbage", "plate", garbage, exitFailed, true, true},
		{"silence", "plate", silence, exitFailed, true, false},
		{"another channel", "plate", rewritten(` 2 \r\n`, " 1 \r\n"), exitFailed, false, true},
		{"always another channel", "plate", rewritten(` [0-9] \r\n`, " 7 \r\n"), exitFailed, true, false},
		{"shifted by one", "plate", shifted, exitFailed, true, false},
		{"late", "plate", late, exitFailed, true, false},
		{"lines without end", "plate", rewritten(`\r\n`, "\r"), exitFailed, true, false},
		{"lines of others in between", "plate", rewritten(`(?s)(.*)`, "99.9 3 \r\n$1"), exitFailed, true, false},
		{"garbage", "meter", garbage, exitFailed, true, false},
		{"silence", "meter", silence, exitFailed, true, true},
		{"shifted by one", "meter", shifted, exitFailed, true, true},
		{"late", "meter", late, exitFailed, true, false},
		{"overflow", "meter", rewritten(`\+[0-9.]+E-0[12],`, "+9.900000E+37,"), exitTripped, false, false},
		{"torn in the middle", "meter", torn, exitFailed, true, false},
	} {
		t.Run(c.instrument+"/"+c.name, func(t *testing.T) {
			if testing.Short() && !c.short {
				t.Skip("one of many")
			}
			t.Parallel()
			s := serve(t)
			p, root := s.warming("--json")
			folder := theFolder(t, root)
			before, chained := promised(t, folder)
			l := map[string]*line{"plate": s.plate, "meter": s.meter}[c.instrument]
			here, began := s.place(), time.Now()
			l.spoil(nil, c.say())
			s.until(here, "plate", "heat", 0)
			s.until(here, "meter", "output", 0)
			t.Logf("heat and output off after %v", time.Since(began).Round(10*time.Millisecond))
			if c.mute {
				p.says("not safe: " + c.instrument)
				l.spoil(nil, nil)
			}
			p.exits(c.exit)
			s.expectOff()
			p.expectObject(map[string]any{"safe": true, "exit": float64(c.exit)})
			s.expectKept(folder, before, chained)
			s.expectTrue(folder)
		})
	}
}

// An answer with another one behind it is taken, and the surplus is not: the run
// goes on.
func TestSurplusAnswers(t *testing.T) {
	t.Parallel()
	s := serve(t)
	p, root := s.warming("--json")
	folder := theFolder(t, root)
	s.plate.spoil(nil, rewritten(`(?s)(.*)`, "${1}99.9 2 \r\n")())
	before := acknowledged(t, folder)
	wait(t, "more readings", func() bool { return acknowledged(t, folder) > before+20 })
	p.cmd.Process.Signal(os.Interrupt)
	p.exits(exitStopped)
	s.expectOff()
	s.expectTrue(folder)
}

// The thermometer on the foil is pulled out of the plate: its last value does not
// stand for it.
func TestTheProbePulledOut(t *testing.T) {
	t.Parallel()
	s := serve(t)
	p, root := s.warming("--json")
	here := s.place()
	s.do(func() { s.bench.World().SetFaults(twin.Faults{FoilOpen: true}) })
	s.until(here, "plate", "heat", 0)
	p.exits(exitTripped)
	s.expectOff()
	p.expectObject(map[string]any{"outcome": "tripped", "safe": true})
	s.expectTrue(theFolder(t, root))
}

// An instrument that hears nothing any more cannot be made safe; it is tried until
// it does.
func TestADeafPlate(t *testing.T) {
	t.Parallel()
	s := serve(t)
	p, root := s.warming()
	here := s.place()
	s.plate.spoil(func([]byte) []byte { return nil }, nil)
	s.until(here, "meter", "output", 0)
	p.says("not safe: plate")
	if !s.on("plate", "heat") {
		t.Fatal("the plate has gone off, though it hears nothing")
	}
	s.plate.spoil(nil, nil)
	s.until(here, "plate", "heat", 0)
	p.exits(exitFailed)
	s.expectTrue(theFolder(t, root))
}

// garbage has as many bytes as the answer, of any kind.
func garbage() func([]byte) []byte {
	random := rand.New(rand.NewPCG(1, 2))
	return func(b []byte) []byte {
		for i := range b {
			b[i] = byte(random.Uint32())
		}
		return append(b, '\r', '\n')
	}
}

func silence() func([]byte) []byte { return func([]byte) []byte { return nil } }

func rewritten(old, new string) func() func([]byte) []byte {
	pattern := regexp.MustCompile(old)
	return func() func([]byte) []byte {
		return func(b []byte) []byte {
			if len(b) == 0 {
				return b
			}
			at := pattern.FindSubmatchIndex(b)
			if at == nil {
				return b
			}
			out := pattern.Expand(bytes.Clone(b[:at[0]]), []byte(new), b, at)
			return append(out, b[at[1]:]...)
		}
	}
}

// shifted keeps every answer until the next one is due.
func shifted() func([]byte) []byte {
	var kept []byte
	return func(b []byte) []byte {
		kept, b = b, kept
		return b
	}
}

// late says everything after any patience with a reading has ended.
func late() func([]byte) []byte {
	return func(b []byte) []byte {
		time.Sleep(1500 * time.Millisecond)
		return b
	}
}

// torn loses the middle of everything.
func torn() func([]byte) []byte {
	return func(b []byte) []byte { return append(b[:len(b)/3], b[2*len(b)/3:]...) }
}

// expectTrue compares all good readings with the world at their time: what the
// plate's own thermometer and the one on the foil showed then, and the resistance
// that the film's law gives for its true temperature, which a meter of this kind
// finds within its accuracy at 10 uA and a half per cent of contacts. And whatever was
// spoiled, the bytes that were recorded give every row again.
func (s *served) expectTrue(folder string) {
	s.t.Helper()
	r, _ := openRecord(s.t, folder)
	identity, err := r.Identity()
	if err != nil {
		s.t.Fatal(err)
	}
	began, err := time.Parse(time.RFC3339Nano, identity.StartUTC)
	if err != nil {
		s.t.Fatal(err)
	}
	good := 0
	for _, row := range readings(s.t, folder) {
		if !row.Good() {
			continue
		}
		low, high, known := s.around(row, began.Add(time.Duration(row.AtNs)))
		if !known {
			continue
		}
		good++
		if !(row.Value >= low && row.Value <= high) {
			s.t.Errorf("a good reading that is not true: %+v, expected %.2f to %.2f", row, low, high)
		}
	}
	if good < 5 {
		s.t.Errorf("only %d good readings in %s", good, filepath.Base(folder))
	}
	if v := verified(s.t, folder); len(v.findings) > 0 {
		s.t.Errorf("dwell verify: %v", v.findings)
	}
}

// around is what a reading could be, by the world half a second around its time.
func (s *served) around(row logs.Row, at time.Time) (low, high float64, known bool) {
	s.mutex.Lock()
	defer s.mutex.Unlock()
	low, high = math.Inf(1), math.Inf(-1)
	for _, x := range s.truth {
		if away := x.at.Sub(at).Abs(); away > 500*time.Millisecond {
			continue
		}
		var value, within float64
		switch row.Channel {
		case "plate.temperature":
			value, within = x.plate, 0.06
		case "foil.temperature":
			value, within = x.foil, 0.06
		case "element.resistance":
			value, within = x.filmOhm, 0.01*x.filmOhm
		default:
			return 0, 0, false
		}
		if !math.IsNaN(value) { // the probe is out
			low, high = min(low, value-within), max(high, value+within)
		}
	}
	return low, high, true
}
