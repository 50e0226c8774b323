package drill

import (
	"bytes"
	"fmt"
	"strings"
	"testing"

	"dwell/drivers/clock"
)

const ms = clock.Millisecond

// counter answers every line 10 ms later with its number and what it heard.
type counter struct {
	heard  []string
	coming []piece
}

func (c *counter) Receive(at clock.Instant, b []byte) {
	c.heard = append(c.heard, strings.TrimSpace(string(b)))
	c.coming = append(c.coming, piece{at + 10*ms, fmt.Appendf(nil, "%d %s\n", len(c.heard), bytes.TrimSpace(b))})
}

func (c *counter) NextAt() clock.Instant {
	if len(c.coming) == 0 {
		return clock.Never
	}
	return c.coming[0].at
}

func (c *counter) Take(at clock.Instant, dst []byte) []byte {
	for len(c.coming) > 0 && c.coming[0].at <= at {
		dst, c.coming = append(dst, c.coming[0].text...), c.coming[1:]
	}
	return dst
}

// conversation asks A and B in turns, every 100 ms, and returns what arrived, with how
// long after its question.
func conversation(t *testing.T, c *cable, from, count int) string {
	t.Helper()
	var got []string
	for k := range count {
		at := clock.Instant(from+k) * 100 * ms
		c.Receive(at, []byte(string("AB"[k%2])+"\n"))
		for c.NextAt() < at+100*ms {
			when := c.NextAt()
			text := c.Take(when, nil)
			if len(text) == 0 {
				t.Fatalf("announced at %d ns and not given", when)
			}
			got = append(got, fmt.Sprintf("%q+%d", text, (when-at)/ms))
		}
	}
	return strings.Join(got, " ")
}

func TestCables(t *testing.T) {
	for _, x := range []struct {
		name  string
		line  *Line
		heard int // of four
		want  string
	}{
		{"sound", nil, 4, `"3 A\n"+10 "4 B\n"+10 "5 A\n"+10 "6 B\n"+10`},
		{"no answers", &Line{Loses: all}, 4, ``},
		{"dead", &Line{Deaf: true, Loses: all}, 0, ``},
		{"some lost", &Line{Loses: func(n int64) bool { return n%3 == 1 }}, 4, `"3 A\n"+10 "5 A\n"+10 "6 B\n"+10`},
		{"late", &Line{Late: 70 * ms}, 4, `"3 A\n"+80 "4 B\n"+80 "5 A\n"+80 "6 B\n"+80`},
		{"too late", &Line{Late: 110 * ms}, 4, `"3 A\n"+20 "4 B\n"+20 "5 A\n"+20`},
		{"half", &Line{Turns: halved}, 4, `"3 "+10 "4 "+10 "5 "+10 "6 "+10`},
		{"twice", &Line{Turns: doubled}, 4, `"3 A\n3 A\n"+10 "4 B\n4 B\n"+10 "5 A\n5 A\n"+10 "6 B\n6 B\n"+10`},
		{"echo", &Line{Echoes: true}, 4, `"A\n"+0 "3 A\n"+10 "B\n"+0 "4 B\n"+10 "A\n"+0 "5 A\n"+10 "B\n"+0 "6 B\n"+10`},
		{"shifted", &Line{Holds: true}, 4, `"3 A\n"+20 "4 B\n"+20 "5 A\n"+20`},
		{"confused", &Line{Confuses: true}, 4, `"2 B\n"+10 "3 A\n"+10 "4 B\n"+10 "5 A\n"+10`},
	} {
		device := &counter{}
		c := &cable{device: device, ahead: new(clock.Instant)}
		if got, want := conversation(t, c, 0, 2), `"1 A\n"+10 "2 B\n"+10`; got != want {
			t.Errorf("%s, before: %s, expected %s", x.name, got, want)
		}
		if x.line != nil {
			c.spoil(x.line)
		}
		if got := conversation(t, c, 2, 4); got != x.want {
			t.Errorf("%s: %s, expected %s", x.name, got, x.want)
		}
		if heard := len(device.heard) - 2; heard != x.heard {
			t.Errorf("%s: it heard %d of 4", x.name, heard)
		}
	}
}

// Nonsense has no letter in its place, and ends where the answer does.
func TestScrambled(t *testing.T) {
	for _, text := range []string{"25.3 2 \r\n", "+1.084586E-01,+9.995685E-06,+4.233220E+06\n", "0,\"No error\"\n"} {
		got := scrambled([]byte(text))
		trimmed := strings.TrimRight(text, "\r\n")
		if len(got) != len(text) || !bytes.HasSuffix(got, []byte(text[len(trimmed):])) || string(got) != string(scrambled([]byte(text))) {
			t.Errorf("%q became %q", text, got)
		}
		for i := range trimmed {
			if got[i] <= ' ' || got[i] > '~' {
				t.Errorf("%q became %q", text, got)
			}
		}
	}
}

// A port that is gone says so; what was said meanwhile does not come when it is back.
func TestAPortGoesAndComesBack(t *testing.T) {
	device := &counter{}
	c := &cable{device: device, ahead: new(clock.Instant)}
	conversation(t, c, 0, 2)
	c.Receive(200*ms, []byte("A\n"))
	c.spoil(&Line{Gone: true, Deaf: true})
	if c.Gone() == nil || c.NextAt() > 200*ms {
		t.Error("nobody finds out that the port is gone")
	}
	c.Receive(300*ms, []byte("B\n"))
	c.mend(400 * ms)
	if c.Gone() != nil || len(device.heard) != 3 {
		t.Errorf("gone: %v; it heard %q", c.Gone(), device.heard)
	}
	if got, want := conversation(t, c, 5, 1), `"4 A\n"+10`; got != want {
		t.Errorf("when it is back: %s, expected %s", got, want)
	}
}

// A bench that is ahead of the program's clock, since the computer slept, answers in
// its own time.
func TestABenchIsAhead(t *testing.T) {
	device := &counter{}
	ahead := 90 * clock.Second
	c := &cable{device: device, ahead: &ahead}
	if got, want := conversation(t, c, 0, 1), `"1 A\n"+10`; got != want {
		t.Errorf("got %s, expected %s", got, want)
	}
	device.coming = []piece{{90*clock.Second + 500*ms, []byte("late\n")}}
	if at := c.NextAt(); at != 500*ms {
		t.Errorf("announced for %d ns", at)
	}
}
