package rig

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/quantity"
	"dwell/drivers/wire"
	"dwell/drivers/yamltext"
)

// scripted is a device of a few lines: what it answers to a line is up to the test.
// It never looks at a profile.
type scripted struct {
	answer func(line string) string // "" is silence
	delay  clock.Instant
	heard  []string
	part   []byte
	said   []saying
	ends   byte // of a line; 0 for LF
}

type saying struct {
	at   clock.Instant
	text string
}

func (d *scripted) Receive(at clock.Instant, b []byte) {
	for _, c := range b {
		if d.part = append(d.part, c); c != '\n' && (d.ends == 0 || c != d.ends) {
			continue
		}
		line := strings.TrimSpace(string(d.part))
		d.part = nil
		d.heard = append(d.heard, line)
		if reply := d.answer(line); reply != "" {
			d.say(at+d.delay, reply)
		}
	}
}

func (d *scripted) say(at clock.Instant, text string) { d.said = append(d.said, saying{at, text}) }

func (d *scripted) NextAt() clock.Instant {
	if len(d.said) == 0 {
		return clock.Never
	}
	return d.said[0].at
}

func (d *scripted) Take(at clock.Instant, dst []byte) []byte {
	for len(d.said) > 0 && d.said[0].at <= at {
		dst = append(dst, d.said[0].text...)
		d.said = d.said[1:]
	}
	return dst
}

// count is how often a line was heard that begins so.
func (d *scripted) count(prefix string) int {
	n := 0
	for _, h := range d.heard {
		if strings.HasPrefix(h, prefix) {
			n++
		}
	}
	return n
}

// judge forbids what the test wants forbidden, and keeps what it was asked.
type judge struct {
	asked  []string
	forbid func(s drivers.Setpoint) bool
}

func (j *judge) Allow(s drivers.Setpoint) error {
	j.asked = append(j.asked, s.String())
	if j.forbid != nil && j.forbid(s) {
		return errors.New("the test forbids it")
	}
	return nil
}

const ruleless = `
format: 1
rig: test
ambient: {temperature: 18 degC, cooling: none}
`

// bench opens one instrument of a profile against a device, in virtual time, and
// runs a test in it. Its port is taken.
func bench(t *testing.T, profile string, d wire.Device, j drivers.Judge, test func(c *clock.World, i *Instrument, b *Bench) error) {
	t.Helper()
	c := clock.Virtual(0)
	err := c.Run(func() error {
		var m yamltext.Mistakes
		text := ruleless + "instruments:\n  it: {profile: " + profile + ", port: \"tcp:192.0.2.1:1\"}\n"
		r := Load(yamltext.Parse("rig.yaml", []byte(text), &m), nil, &m)
		if m.Len() > 0 {
			return errors.New(printed(&m))
		}
		b, err := Open(c, r, j, Opening{Attach: func(Description) (wire.Device, error) { return d, nil }}, clock.Second)
		if err != nil {
			return err
		}
		defer b.Close()
		i := b.Instruments[0]
		if err := i.Begin(clock.Second); err != nil {
			return err
		}
		defer i.End()
		return test(c, i, b)
	})
	if err != nil {
		t.Error(err)
	}
}

// soon is a deadline far enough away for anything here.
func soon(c clock.Clock) clock.Instant { return c.Now() + 20*clock.Second }

func set(quantityName, state string, value float64, unit string) drivers.Setpoint {
	s := drivers.Setpoint{Instrument: "it", Quantity: quantityName, State: state}
	if state == "" {
		u, _ := quantity.LookUp(unit)
		s.Value = quantity.Quantity{Value: value, Unit: u}
	}
	return s
}

func expect(t *testing.T, what string, err error, says ...string) {
	t.Helper()
	if err == nil {
		t.Errorf("%s: expected an error with %q, got none", what, says)
		return
	}
	for _, s := range says {
		if !strings.Contains(err.Error(), s) {
			t.Errorf("%s: expected an error with %q, got: %v", what, s, err)
		}
	}
}

// plate is a hotplate of family A in a few lines.
type plate struct {
	scripted
	degC, probe, set float64
	on, forgets      bool
	deaf             string // the command it does not follow
}

func newPlate() *plate {
	p := &plate{degC: 25.3, probe: 24.8}
	p.delay = 15 * clock.Millisecond
	p.answer = p.reply
	return p
}

func (p *plate) reply(line string) string {
	word, number, _ := strings.Cut(strings.Replace(line, "@", " ", 1), " ")
	if p.deaf != "" && strings.HasPrefix(line, p.deaf) {
		return ""
	}
	switch word {
	case "IN_NAME":
		return "PLATE 7\r\n"
	case "IN_PV_1":
		return fmt.Sprintf("%.1f 1 \r\n", p.probe)
	case "IN_PV_2":
		return fmt.Sprintf("%.1f 2 \r\n", p.degC)
	case "IN_SP_1":
		return fmt.Sprintf("%.1f 1 \r\n", p.set)
	case "OUT_SP_1":
		fmt.Sscan(number, &p.set)
	case "START_1":
		if p.on = true; p.forgets {
			p.set = 0
		}
	case "STOP_1", "RESET":
		p.on = false
	case "OUT_WD1":
		return number + "\r\n"
	}
	return ""
}

// meter is a source-meter in a few lines: V = R I + EMF.
type meter struct {
	scripted
	ohm, emf, level float64
	function        string
	values          map[string]string
	errors          []string
	event           int
	reading         string // instead of what follows from the physics
}

func newMeter() *meter {
	m := &meter{ohm: 1e4, event: 128}
	m.reset()
	m.delay = 5 * clock.Millisecond
	m.answer = m.reply
	return m
}

func (m *meter) reset() {
	m.function, m.level = "CURR", 0
	m.values = map[string]string{"OUTP": "0", "SYST:RSEN": "0", "SENS:VOLT:PROT": "+2.1E+01", "SENS:VOLT:NPLC": "1.0", "SOUR:CURR": "0"}
}

func (m *meter) reply(line string) string {
	header, value, _ := strings.Cut(line, " ")
	switch header {
	case "*IDN?":
		return "MAKER,MODEL,0001,1.0\n"
	case "*CLS":
		m.errors, m.event = nil, 0
	case "*ESR?":
		was := m.event
		m.event = 0
		return fmt.Sprintf("%d\n", was)
	case "SYST:ERR?":
		if len(m.errors) == 0 {
			return "0,\"No error\"\n"
		}
		was := m.errors[0]
		m.errors = m.errors[1:]
		return was + "\n"
	case "SOUR:FUNC?":
		return m.function + "\n"
	case "SOUR:FUNC":
		m.function = value
	case "READ?":
		if m.reading != "" {
			return m.reading + "\n"
		}
		return fmt.Sprintf("%+.6E,%+.6E,%+.6E\n", m.level*m.ohm+m.emf, m.level, 4.8132e4)
	case "SENS:VOLT:PROT:TRIP?":
		return "0\n"
	case "*RST":
		m.reset()
	case "SENS:FUNC", "SENS:FUNC:CONC", "FORM:DATA", "FORM:ELEM", "":
	default:
		if asked, is := strings.CutSuffix(header, "?"); is {
			return m.values[asked] + "\n"
		}
		switch value {
		case "OFF":
			value = "0"
		case "ON":
			value = "1"
		}
		m.values[header] = value
		if header == "SOUR:CURR" {
			fmt.Sscan(value, &m.level)
		}
	}
	return ""
}

// sourcing brings a meter to where it measures: a level, and the output on.
func sourcing(i *Instrument, amps float64, reverse string, by clock.Instant) error {
	return errors.Join(i.Prepare(by), i.Apply(set("function", "current", 0, ""), by), i.Apply(set("compliance", "", 2, "V"), by),
		i.Apply(set("current", "", amps, "A"), by), i.Apply(set("wires", "4", 0, ""), by), i.Apply(set("integration", "", 1, "1"), by),
		i.Apply(set("reverse", reverse, 0, ""), by), i.Apply(set("output", "on", 0, ""), by))
}

func near(a, b, within float64) bool { return math.Abs(a-b) <= within }
