package dialect

import (
	"bytes"
	"errors"
	"testing"
)

// Bytes as a widespread firmware sends them (interface document of version 1.1, and
// observed on it running on a pseudo terminal).
const (
	banner   = "\r\nGrbl 1.1h ['$' for help]\r\n"
	running  = "<Run|MPos:3.125,0.000,0.000|FS:500,0|Ov:100,100,100>\r\n"
	standing = "<Idle|MPos:-12.500,0.000,0.000|FS:0,0|WCO:0.000,0.000,0.000>\r\n"
)

func TestAcknowledged(t *testing.T) {
	for _, c := range []struct {
		name, got string
		lines     int
		end       int // of the answer, 0 for not yet
		code      int
		alarm, ok bool
	}{
		{"plain", "ok\r\n", 1, 4, 0, false, true},
		{"half", "o", 1, 0, 0, false, false},
		{"a report between", running + "ok\r\n", 1, len(running) + 4, 0, false, true},
		{"a message between", "[MSG:Caution: Unlocked]\r\nok\r\n", 1, 29, 0, false, true},
		{"two of three", "ok\r\nok\r\n", 3, 0, 0, false, false},
		{"three of three", "ok\r\n" + running + "ok\r\nok\r\n", 3, len(running) + 12, 0, false, true},
		{"refused", "error:9\r\n", 1, 9, 9, false, false},
		{"one of two refused", "ok\r\nerror:22\r\n", 2, 14, 22, false, false},
		{"alarm", "ALARM:2\r\nok\r\n", 1, 9, 2, true, false},
		{"alarm instead of two", "ok\r\nALARM:1\r\n", 3, 13, 1, true, false},
		{"a start-up line is no acknowledgement", ">G21:ok\r\n", 1, 0, 0, false, false},
		{"banner before", banner + "ok\r\n", 1, len(banner) + 4, 0, false, true},
		{"in a text", "[echo: ok]\r\n", 1, 0, 0, false, false},
	} {
		end := Acknowledged(c.lines)([]byte(c.got))
		if end != c.end {
			t.Errorf("%s: the answer ends at %d, expected %d", c.name, end, c.end)
			continue
		}
		if end == 0 {
			continue
		}
		err := Queued([]byte(c.got[:end]), c.lines)
		var not *NotQueued
		if (err == nil) != c.ok || !c.ok && (!errors.As(err, &not) || not.Code != c.code || not.Alarm != c.alarm) {
			t.Errorf("%s: %v %+v", c.name, err, not)
		}
	}
	if err := Queued([]byte("ok\r\nok\r\n"), 1); !errors.Is(err, ErrEcho) {
		t.Errorf("two answers to one line: %v", err)
	}
}

func TestReports(t *testing.T) {
	text := "ok\r\n[MSG:x]\r\n" + standing
	if end := ReportLine([]byte(text)); end != len(text) {
		t.Errorf("the report ends at %d of %d", end, len(text))
	}
	if end := ReportLine([]byte(text[:len(text)-1])); end != 0 {
		t.Errorf("half a report ends at %d", end)
	}
	r, ok := ParseReport([]byte(text))
	if !ok || string(r.State) != "Idle" {
		t.Fatalf("%q, %v", r.State, ok)
	}
	for _, c := range []struct {
		key   string
		place int
		want  float64
		ok    bool
	}{{"MPos", 1, -12.5, true}, {"MPos", 3, 0, true}, {"MPos", 4, 0, false}, {"WPos", 1, 0, false}, {"FS", 2, 0, true}} {
		if v, ok := r.Value(c.key, c.place); v != c.want || ok != c.ok {
			t.Errorf("%s %d: %v, %v", c.key, c.place, v, ok)
		}
	}
	for _, bad := range []string{"", "<>", "<|MPos:1>", "Idle", "<Idle|MPos:1", "<Run|MPos:1<Idle|MPos:2>", "<Id le>", "ok"} {
		if r, ok := ParseReport([]byte(bad)); ok {
			t.Errorf("%q is taken for a report in state %q", bad, r.State)
		}
	}
	if r, _ := ParseReport([]byte("<Run|MPos:1,0|MPos:2,0>")); r.fields != nil {
		if v, ok := r.Value("MPos", 1); ok {
			t.Errorf("of two positions %v is taken", v)
		}
	}
	if r, ok := ParseReport([]byte("<Hold:0|MPos:1.000>")); !ok || string(r.State) != "Hold:0" {
		t.Errorf("%q, %v", r.State, ok)
	}
}

func FuzzStage(f *testing.F) {
	for _, seed := range []string{banner, running, standing, "ok\r\n", "error:9\r\n", "ALARM:2\r\n", "<Run|MPos:,|:|"} {
		f.Add([]byte(seed), uint8(1))
	}
	f.Fuzz(func(t *testing.T, got []byte, lines uint8) {
		if end := Acknowledged(int(lines) + 1)(got); end > 0 {
			if end > len(got) || !bytes.HasSuffix(got[:end], []byte("\n")) {
				t.Errorf("%q ends at %d", got, end)
			}
			_ = Queued(got[:end], int(lines)+1)
		}
		if end := ReportLine(got); end > 0 {
			if r, ok := ParseReport(got[:end]); !ok {
				t.Errorf("%q: framed as a report, and is none", got)
			} else {
				r.Value("MPos", 1)
			}
		}
	})
}
