package twin

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"dwell/drivers/clock"
)

// night is a long conversation with all instruments, packed so that it is often in
// the middle of something: line k is told at k times 73 ms.
func night(k int) (name, text string) {
	lines := []said{ // instrument, text
		{"plate", "START_1\r\nOUT_SP_1 30\r\n"}, {"plate", "OUT_WD1@20\r\n"}, {"meter", sourcing}, {"dmm", "CONF:FRES;:SENS:FRES:NPLC 1\n"},
		{"meter", "READ?\n"}, {"plate", "IN_PV_2\r\n"}, {"dmm", "READ?\n"}, {"lift", "UP\n"}, {"meter", "SOUR:CURR -1E-5\nREAD?\n"},
		{"plate", "IN_P"}, {"plate", "V_1\r\n"}, {"meter", "SYST:ERR?;BOGUS;:OUTP?\n"}, {"lift", "DOWN\n"}, {"meter", "SOUR:CURR 1E-5\n"},
		{"lift", "WHERE\n"}, {"meter", "SENS:VOLT:PROT:TRIP?\n"}, {"dmm", "*STB?\n"},
	}
	l := lines[k%len(lines)]
	return l.told, l.answer
}

// live tells a bench lines from one number to another, and returns everything that
// it says with its times, its journal, and its state in the end.
func live(b *Bench, from, to int) string {
	var all strings.Builder
	b.Journal(func(at clock.Instant, l []byte) { fmt.Fprintf(&all, "%d %s\n", at, l) })
	for k := from; k < to; k++ {
		at := clock.Instant(k) * 73 * clock.Millisecond
		name, text := night(k)
		b.Device(name).Receive(at, []byte(text))
		for _, d := range b.devices {
			for d.NextAt() <= at {
				fmt.Fprintf(&all, "%d %s %q\n", d.NextAt(), d.name, d.Take(d.NextAt(), nil))
			}
		}
	}
	fmt.Fprintf(&all, "%+v\n", b.World().State())
	return all.String()
}

// A clone goes on in the same way, wherever it was made, and neither disturbs the
// other.
func TestCloneGoesOnInTheSameWay(t *testing.T) {
	for _, change := range []func([]fitted) []fitted{nil, echoing} {
		whole := live(aBench(t, change), 0, 400)
		b := aBench(t, change)
		said := ""
		for k := range 400 {
			before := said
			c := b.Clone()
			if k%20 == 0 {
				if got := before + live(c, k, 400); !same(got, whole) {
					t.Fatalf("a clone made before line %d goes on in another way:\n%s", k, firstDifference(got, whole))
				}
			}
			said += live(b, k, k+1)
		}
		if !same(said, whole) {
			t.Fatalf("cloning disturbs:\n%s", firstDifference(said, whole))
		}
	}
}

// same compares without the lines of state that stand between.
func same(a, b string) bool { return strings.Join(spoken(a), "\n") == strings.Join(spoken(b), "\n") }

func spoken(text string) []string {
	var all []string
	lines := strings.Split(strings.TrimSuffix(text, "\n"), "\n")
	for i, l := range lines {
		if !strings.HasPrefix(l, "{Now:") || i == len(lines)-1 {
			all = append(all, l)
		}
	}
	return all
}

func firstDifference(a, b string) string {
	x, y := spoken(a), spoken(b)
	for i := range min(len(x), len(y)) {
		if x[i] != y[i] {
			return fmt.Sprintf("line %d\n%s\n%s", i, x[i], y[i])
		}
	}
	return fmt.Sprintf("%d and %d lines", len(x), len(y))
}

// Every line of the journal is a JSON object with the same keys in the same order.
func TestJournalIsJSON(t *testing.T) {
	b := aBench(t, nil)
	lines := journalOf(b)
	b.note("pl\"ate", noteCommand, 1.5, "a\\b\"c\x01\xff")
	live(aBench(t, nil), 0, 1)
	c := aBench(t, nil)
	c.journal = b.journal
	ask(c, "plate", clock.Second, "START_1\r\nOUT_SP_1 30\r\n")
	ask(c, "lift", clock.Second, "UP\n")
	for _, l := range bytes.Split(bytes.TrimSuffix(lines.Bytes(), []byte("\n")), []byte("\n")) {
		var o struct {
			At         *float64 `json:"at_s"`
			Instrument *string  `json:"instrument"`
			What       *string  `json:"what"`
			Value      *float64 `json:"value"`
			Text       *string  `json:"text"`
		}
		if err := json.Unmarshal(l, &o); err != nil || o.At == nil || o.Instrument == nil || o.What == nil || o.Text == nil {
			t.Errorf("%s: %v", l, err)
		}
		at := -1
		for _, key := range []string{`{"at_s":`, `,"instrument":"`, `,"what":"`, `,"value":`, `,"text":"`} {
			next := bytes.Index(l, []byte(key))
			if next <= at {
				t.Errorf("%s: %s does not stand in its place", l, key)
			}
			at = next
		}
	}
	want := `{"at_s":0,"instrument":"pl\"ate","what":"command","value":1.5,"text":"a\\b\"c\u0001\u00ff"}` + "\n"
	if got := lines.String(); !strings.HasPrefix(got, want) {
		t.Errorf("%s\nexpected first\n%s", got, want)
	}
	if !strings.Contains(lines.String(), `"instrument":"lift","what":"place","value":null,"text":"in still air"}`) {
		t.Errorf("the lift's journey is missing:\n%s", lines)
	}
}

// Heat in the journal is what can reach the plate: a welded relay and the
// over-temperature circuit count.
func TestJournalOfHeat(t *testing.T) {
	b := aBench(t, nil)
	lines := journalOf(b)
	talk(t, b, "plate", []said{{"START_1\r\n", ""}})
	b.World().SetFaults(Faults{RelayWelded: true})
	talk(t, b, "plate", []said{{"STOP_1\r\n", ""}})
	if strings.Contains(lines.String(), `"what":"heat","value":0`) {
		t.Errorf("the relay is welded, but the journal says off:\n%s", lines)
	}
	b.Advance(b.World().Now() + clock.Hour)
	want := `"instrument":"plate","what":"heat","value":0,"text":"off: the over-temperature circuit has opened"}`
	if !strings.Contains(lines.String(), want) {
		t.Errorf("the journal does not hold %s:\n%s", want, lines)
	}
}
