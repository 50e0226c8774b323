package sequence_test

import (
	"bytes"
	"testing"

	"dwell/drivers/clock"
	"dwell/drivers/twin"
	"dwell/drivers/wire"
	"dwell/safety"
	"dwell/sequence"
)

// An input box reads one contact: a door, an emergency stop.
const inputBox = `
format: 1
profile: input-box
kind: thermometer
dialect: namur
line: {baud: 9600}
takes: {typical: 5 ms, at most: 100 ms}
identity: {ask: WHO, looks like: "BOX *"}
footing: {quiet: 50 ms}
measures:
  - {name: contact, ask: "IN1", fields: [{quantity: contact, states: {closed: SHUT, open: OPEN}}]}
`

// box is such a box.
type box struct {
	open  bool
	mute  bool
	ajar  bool // it says what its profile does not know
	heard []byte
	says  []byte
	at    clock.Instant
}

func (b *box) Receive(at clock.Instant, text []byte) {
	b.heard = append(b.heard, text...)
	line, rest, whole := bytes.Cut(b.heard, []byte("\n"))
	if !whole {
		return
	}
	b.heard = append(b.heard[:0], rest...)
	answer := map[string]string{"WHO": "BOX 1", "IN1": map[bool]string{false: "SHUT", true: "OPEN"}[b.open]}[string(bytes.TrimSpace(line))]
	if b.ajar && answer == "SHUT" {
		answer = "AJAR"
	}
	if answer != "" && !b.mute {
		b.says, b.at = append(b.says, answer+"\r\n"...), at+5*clock.Millisecond
	}
}

func (b *box) NextAt() clock.Instant {
	if len(b.says) == 0 {
		return clock.Never
	}
	return b.at
}

func (b *box) Take(at clock.Instant, dst []byte) []byte {
	if len(b.says) == 0 || at < b.at {
		return dst
	}
	dst = append(dst, b.says...)
	b.says = b.says[:0]
	return dst
}

// boxed adds the box to a trial's rig, with more text at the end of the file.
func boxed(x trial, b *box, more string) trial {
	x.profiles = map[string]string{"input-box.yaml": inputBox}
	x.rig = []string{"\n# What the instruments measure", "  box: {profile: input-box.yaml, port: \"tcp:192.0.2.1:10\"}\n# What the instruments measure",
		"\n# Whom to tell", more + "\n# Whom to tell"}
	x.device = func(name string, d wire.Device) wire.Device {
		if name == "box" {
			return b
		}
		return d
	}
	return x
}

const doorStops = "\nstop contacts: [{channel: box.contact, must read: closed}]\n"

// A contact that opens stops the run, whatever it is doing; so does one that cannot be
// read. Without the rule the run goes on.
func TestAStopContact(t *testing.T) {
	const at = 30 * clock.Second
	for name, c := range map[string]struct {
		meddle  func(b *box)
		kind    safety.Kind
		text    string
		word    string
		without string
	}{
		"opens":          {func(b *box) { b.open = true }, safety.Tripped, "stop contact: box.contact must read closed", "tripped", "completed"},
		"says nonsense":  {func(b *box) { b.ajar = true }, safety.Failed, "box.contact has had no good reading", "failed", "failed"},
		"falls silent":   {func(b *box) { b.mute = true }, safety.Failed, "box.contact has had no good reading", "failed", "failed"},
		"stays as it is": {func(b *box) {}, 0, "", "completed", "completed"},
	} {
		t.Run(name, func(t *testing.T) {
			b := &box{}
			x := boxed(trial{steps: source + "  - bring: {plate to: 30 degC, at most: 20 min}\n"}, b, doorStops)
			x.meddle = func(clk clock.Clock, _ *sequence.Run, _ *twin.Bench) {
				if clk.Sleep(at) == nil {
					c.meddle(b)
				}
			}
			_, o := x.do(t)
			expect(t, o, c.word, c.kind, c.text)
			if o.Cause != nil && o.Cause.At > at+5*clock.Second {
				t.Errorf("noticed at %g s", o.Cause.At.Seconds())
			}
			*b = box{}
			x.rules = without
			_, o = x.do(t)
			expect(t, o, c.without, c.kind, c.text)
		})
	}
}
