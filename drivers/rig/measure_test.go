package rig

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/wire"
	"dwell/drivers/yamltext"
)

func measure(c clock.Clock, i *Instrument, query int) (drivers.Reading, error) {
	rs, err := i.Measure(query, nil, soon(c))
	if err != nil || len(rs) == 0 {
		return drivers.Reading{}, errors.Join(err, fmt.Errorf("%d readings", len(rs)))
	}
	return rs[0], nil
}

func TestAnswersOfAPlate(t *testing.T) {
	for _, x := range []struct {
		name, reply string
		value       float64
		flag        drivers.Flag
		says        string
	}{
		{"value and channel", "31.4 2 \r\n", 31.4, drivers.Good, ""},
		{"without blanks at the end", "-5.0 2\n", -5, drivers.Good, ""},
		{"another channel", "31.4 1 \r\n", 0, drivers.Garbled, `asked "IN_PV_2\r\n", answered "31.4 1 \r\n"`},
		{"no channel", "31.4\r\n", 0, drivers.Garbled, "another number of values"},
		{"garbage", "\x00\xff!\r\n", 0, drivers.Garbled, "answered"},
		{"an empty line", "\r\n", 0, drivers.Garbled, "answered"},
		{"far off", "-200.0 2 \r\n", 0, drivers.NoProbe, ""},
		{"silence", "", 0, drivers.Lost, "no complete answer"},
	} {
		p := newPlate()
		usual := p.answer
		p.answer = func(line string) string {
			if line == "IN_PV_2" {
				return x.reply
			}
			return usual(line)
		}
		bench(t, "namur-hotplate", p, &judge{}, func(c *clock.World, i *Instrument, _ *Bench) error {
			r, err := measure(c, i, 0)
			if err != nil {
				return err
			}
			if r.Flag != x.flag || x.flag == drivers.Good && r.Value != x.value || x.flag != drivers.Good && r.Value == r.Value {
				t.Errorf("%s: expected %g %q, got %g %q", x.name, x.value, x.flag, r.Value, r.Flag)
			}
			if got := i.Complaint(); (got == nil) != (x.says == "") || got != nil && !strings.Contains(got.Error(), x.says) {
				t.Errorf("%s: expected the complaint %q, got %v", x.name, x.says, got)
			}
			return nil
		})
	}
}

func TestMissingProbeOfAnEchoingPlate(t *testing.T) {
	answers := map[string]string{"IN_PV_3": "IN_PV_3 25.3\r\n", "IN_PV_1": "IN_PV_1 999.9\r\n"}
	d := &scripted{answer: func(line string) string { return answers[line] }}
	bench(t, "namur-hotplate-echo", d, &judge{}, func(c *clock.World, i *Instrument, _ *Bench) error {
		for query, want := range []drivers.Reading{{Value: 25.3}, {Flag: drivers.NoProbe}} {
			if r, err := measure(c, i, query); err != nil || r.Flag != want.Flag || want.Flag == drivers.Good && r.Value != want.Value {
				t.Errorf("expected %+v, got %+v, %v", want, r, err)
			}
		}
		answers["IN_PV_3"] = "IN_PV_1 25.3\r\n"
		if r, _ := measure(c, i, 0); r.Flag != drivers.Garbled {
			t.Errorf("the echo of another command gave %+v", r)
		}
		return nil
	})
}

// A reading is dated at the middle between question and answer.
func TestReadingsAreDated(t *testing.T) {
	p := newPlate()
	p.delay = 40 * clock.Millisecond
	bench(t, "namur-hotplate", p, &judge{}, func(c *clock.World, i *Instrument, _ *Bench) error {
		if err := c.Sleep(clock.Second); err != nil {
			return err
		}
		r, err := measure(c, i, 0)
		if r.At != clock.Second+20*clock.Millisecond || r.Within != 20*clock.Millisecond {
			t.Errorf("dated %d within %d", r.At, r.Within)
		}
		return err
	})
}

// The first answer comes after the question was given up. It must not be taken for
// the answer to the next one, which would be one behind from then on.
func TestLateAnswersAreNotTakenForLaterOnes(t *testing.T) {
	p := newPlate()
	value := 20.0
	usual := p.answer
	p.answer = func(line string) string {
		if line == "IN_PV_2" {
			value++
			return fmt.Sprintf("%.1f 2 \r\n", value)
		}
		return usual(line)
	}
	bench(t, "namur-hotplate", p, &judge{}, func(c *clock.World, i *Instrument, _ *Bench) error {
		p.delay = 700 * clock.Millisecond
		rs, err := i.Measure(0, nil, c.Now()+500*clock.Millisecond)
		if err != nil || rs[0].Flag != drivers.Lost {
			t.Errorf("expected a lost reading, got %+v, %v", rs, err)
		}
		p.delay = 15 * clock.Millisecond
		r, err := measure(c, i, 0)
		if r.Flag != drivers.Good || r.Value != value {
			t.Errorf("expected %g, the answer to the last question, got %+v", value, r)
		}
		return err
	})
}

func TestALostAnswerIsAskedForOnceMore(t *testing.T) {
	p := newPlate()
	usual, silent := p.answer, 1
	p.answer = func(line string) string {
		if line == "IN_PV_2" && silent > 0 {
			silent--
			return ""
		}
		return usual(line)
	}
	bench(t, "namur-hotplate", p, &judge{}, func(c *clock.World, i *Instrument, _ *Bench) error {
		r, err := measure(c, i, 0)
		if r.Flag != drivers.Good || p.count("IN_PV_2") != 2 {
			t.Errorf("expected a good reading at the second question, got %+v after %q", r, p.heard)
		}
		return err
	})
}

func TestReadingAMeter(t *testing.T) {
	m := newMeter()
	bench(t, "scpi-source-meter", m, &judge{}, func(c *clock.World, i *Instrument, b *Bench) error {
		rs, err := i.Measure(0, nil, soon(c))
		if err != nil || len(rs) != 4 || rs[0].Flag != drivers.NotMeasured || m.count("READ?") != 0 {
			t.Errorf("with the output off nothing is asked: got %+v, %v", rs, err)
		}
		if err := sourcing(i, 10e-6, "off", soon(c)); err != nil {
			return err
		}
		for _, x := range []struct {
			reply string
			flags [4]drivers.Flag // voltage, current, resistance, power
		}{
			{"", [4]drivers.Flag{}},
			{"+1.0E-01,+9.910000E+37,+0.0E+00", [4]drivers.Flag{0, drivers.NotMeasured, drivers.NotMeasured, drivers.NotMeasured}},
			{"+9.900000E+37,+1.0E-05,+1.0E+00", [4]drivers.Flag{drivers.Overflow, drivers.Overflow, drivers.Overflow, drivers.Overflow}},
			{"+2.0E+00,+1.0E-06,+8.0E+00", [4]drivers.Flag{drivers.InCompliance, drivers.InCompliance, drivers.InCompliance, drivers.InCompliance}},
			{"+9.900000E+37,+1.0E-06,+8.0E+00", [4]drivers.Flag{drivers.Overflow, drivers.InCompliance, drivers.Overflow, drivers.Overflow}},
			{"+2.0E+00,+9.910000E+37,+8.0E+00", [4]drivers.Flag{drivers.InCompliance, drivers.NotMeasured, drivers.NotMeasured, drivers.NotMeasured}},
			{"+1.0E-01,+1.0E-05", [4]drivers.Flag{drivers.Garbled, drivers.Garbled, drivers.Garbled, drivers.Garbled}},
			{"+1.0E-01,+1.0E-05,1.5", [4]drivers.Flag{drivers.Garbled, drivers.Garbled, drivers.Garbled, drivers.Garbled}},
			{"+1.0E-01,+0.0E+00,+0.0E+00", [4]drivers.Flag{0, 0, drivers.NotMeasured, 0}},
		} {
			m.reading = x.reply
			rs, err := i.Measure(0, nil, soon(c))
			if err != nil {
				return err
			}
			for n, r := range rs {
				if r.Flag != x.flags[n] || b.Rig.Channels[r.Channel].Field > 1 && r.Channel != b.Rig.Channel("it."+b.Rig.Channels[r.Channel].Quantity) {
					t.Errorf("%q: expected the flags %q, got %+v", x.reply, x.flags, rs)
					break
				}
			}
			if x.reply == "" && (!near(rs[2].Value, 1e4, 1e-2) || !near(rs[3].Value, 1e-6, 1e-12)) {
				t.Errorf("expected 10 kOhm and 1 uW, got %+v", rs)
			}
		}
		if r, err := measure(c, i, 1); err != nil || r.Value != 0 || m.count("SENS:VOLT:PROT:TRIP?") != 1 {
			t.Errorf("expected compliance 0, got %+v, %v", r, err)
		}
		return nil
	})
}

// Numbers of the reversal recomputed for this project: V+ = 0.1003215 V and
// V- = -0.1003095 V at 100 uA either way give 1003.155 Ohm, free of 6.0 uV of EMF.
func TestReversal(t *testing.T) {
	m := newMeter()
	m.ohm, m.emf = 1003.155, 6e-6
	j := &judge{}
	bench(t, "scpi-source-meter", m, j, func(c *clock.World, i *Instrument, _ *Bench) error {
		if err := sourcing(i, 100e-6, "on", soon(c)); err != nil {
			return err
		}
		m.heard = nil
		began := c.Now()
		rs, err := i.Measure(0, nil, soon(c))
		if err != nil {
			return err
		}
		if !near(rs[2].Value, 1003.155, 1e-9) || !near(rs[0].Value, 0.1003155, 1e-12) || rs[2].Flag != drivers.Good {
			t.Errorf("expected 1003.155 Ohm from 0.1003155 V, got %+v", rs)
		}
		want := []string{"READ?", "SOUR:CURR -1.000000E-04", "READ?", "SOUR:CURR 1.000000E-04"}
		if strings.Join(m.heard, "|") != strings.Join(want, "|") {
			t.Errorf("expected %q, got %q", want, m.heard)
		}
		// Two questions of 5 ms and 20 ms between them.
		if rs[0].At-began != 15*clock.Millisecond || rs[0].Within != 15*clock.Millisecond {
			t.Errorf("dated %d after the beginning, within %d", rs[0].At-began, rs[0].Within)
		}
		if last := j.asked[len(j.asked)-1]; last != "it current 0.0001 A" || !strings.Contains(strings.Join(j.asked, "|"), "it current -0.0001 A") {
			t.Errorf("the judge was asked %q", j.asked)
		}
		// A level that must not be turned round is not set.
		j.forbid = func(s drivers.Setpoint) bool { return s.Quantity == "current" && s.Value.Value < -150e-6 }
		expect(t, "only one way round", i.Apply(set("current", "", 200e-6, "A"), soon(c)), "it current -0.0002 A: not sent")
		expect(t, "turning round again", errors.Join(i.Apply(set("reverse", "off", 0, ""), soon(c)), i.Apply(set("current", "", 200e-6, "A"), soon(c)),
			i.Apply(set("reverse", "on", 0, ""), soon(c))), "it current -0.0002 A: not sent")
		j.forbid = nil
		if err := errors.Join(i.Apply(set("current", "", 100e-6, "A"), soon(c)), i.Apply(set("reverse", "on", 0, ""), soon(c))); err != nil {
			return err
		}
		if m.level != 100e-6 {
			t.Errorf("the level is %g A", m.level)
		}
		// The level stays where it was: the meter is deaf to being turned round.
		usual := m.answer
		m.answer = func(line string) string {
			if strings.HasPrefix(line, "SOUR:CURR -") {
				return ""
			}
			return usual(line)
		}
		if rs, err = i.Measure(0, nil, soon(c)); err != nil || rs[2].Flag != drivers.Garbled {
			t.Errorf("expected garbled readings, got %+v, %v", rs, err)
		}
		expect(t, "not turned", i.Complaint(), "did not turn")
		m.answer = usual
		// Once the judge forbids everything nothing is sent.
		j.forbid, m.heard = func(drivers.Setpoint) bool { return true }, nil
		if rs, err = i.Measure(0, nil, soon(c)); err != nil || rs[2].Flag != drivers.CutShort || m.count("SOUR:CURR") != 0 {
			t.Errorf("expected readings cut short and no command, got %+v, %v, %q", rs, err, m.heard)
		}
		return nil
	})
}

func TestConvertedChannels(t *testing.T) {
	ohm := "+1.09734656E+02"
	d := &scripted{answer: func(line string) string {
		if line == "READ?" {
			return ohm + "\n"
		}
		return ""
	}}
	c := clock.Virtual(0)
	err := c.Run(func() error {
		var m yamltext.Mistakes
		r := Load(yamltext.Parse("rig.yaml", []byte(ruleless+`
instruments: {dmm: {profile: scpi-multimeter, port: twin}}
channels: {foil.temperature: {from: dmm.resistance, through: pt100}}
`), &m), nil, &m)
		if m.Len() > 0 {
			return errors.New(printed(&m))
		}
		if ch := r.Channels[1]; ch.Unit.Symbol != "degC" || !near(ch.Display, 1e-3/0.389, 1e-4) || ch.Through != "pt100" {
			t.Errorf("the converted channel is %+v", ch)
		}
		b, err := Open(c, r, nil, Opening{Attach: func(Description) (wire.Device, error) { return d, nil }}, clock.Second)
		if err != nil {
			return err
		}
		defer b.Close()
		i := b.Instruments[0]
		if err := i.Begin(clock.Second); err != nil {
			return err
		}
		defer i.End()
		rs, err := i.Measure(0, nil, soon(c))
		// IEC 60751: 109.734656 Ohm at 25 degC, recomputed for this project.
		if err != nil || len(rs) != 2 || rs[0].Value != 109.734656 || !near(rs[1].Value, 25, 1e-6) {
			t.Errorf("expected 109.734656 Ohm and 25 degC, got %+v, %v", rs, err)
		}
		ohm = "+4.50000000E+02"
		rs, err = i.Measure(0, nil, soon(c))
		if err != nil || rs[0].Flag != drivers.Good || rs[1].Flag != drivers.NoProbe || !math.IsNaN(rs[1].Value) {
			t.Errorf("no Pt100 has 450 Ohm: got %+v, %v", rs, err)
		}
		return nil
	})
	if err != nil {
		t.Error(err)
	}
}

func TestMeasuringDoesNotAllocate(t *testing.T) {
	reply := []byte("+1.000000E-01,+1.000000E-05,+4.813200E+04\n")
	d := &steady{reply: reply}
	bench(t, "scpi-source-meter", d, &judge{}, func(c *clock.World, i *Instrument, _ *Bench) error {
		i.memory.Known[i.p.Set("output")] = Known{Is: true, State: 1}
		into := make([]drivers.Reading, 0, 8)
		n := testing.AllocsPerRun(200, func() {
			if rs, err := i.Measure(0, into[:0], soon(c)); err != nil || rs[0].Flag != drivers.Good {
				t.Fatal(rs, err, i.Complaint())
			}
		})
		if n != 0 {
			t.Errorf("expected no allocation a reading, got %g", n)
		}
		return nil
	})
}

// steady answers everything by the same bytes, without allocating.
type steady struct {
	reply []byte
	at    clock.Instant
	owes  bool
}

func (d *steady) Receive(at clock.Instant, _ []byte) { d.at, d.owes = at+clock.Millisecond, true }

func (d *steady) NextAt() clock.Instant {
	if d.owes {
		return d.at
	}
	return clock.Never
}

func (d *steady) Take(at clock.Instant, dst []byte) []byte {
	if d.owes && d.at <= at {
		d.owes = false
		return append(dst, d.reply...)
	}
	return dst
}
