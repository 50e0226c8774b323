package rig

import (
	"strings"
	"testing"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/wire"
)

// seized runs Safe as it is called when something went wrong.
func seized(c clock.Clock, i *Instrument) (drivers.Evidence, error) {
	by := c.Now() + 5*clock.Second
	if err := i.Seize(by); err != nil {
		return drivers.Evidence{}, err
	}
	return i.Safe(by)
}

func TestSafeStates(t *testing.T) {
	p := newPlate()
	p.on, p.set = true, 60
	bench(t, "namur-hotplate", p, nil, func(c *clock.World, i *Instrument, _ *Bench) error { // asks no judge, needs no Prepare
		e, err := seized(c, i)
		if err != nil || e.Grade != drivers.Indirect || p.on || p.set != 10 {
			t.Errorf("the plate: %+v, %v; heats %t, set %g", e, err, p.on, p.set)
		}
		if !strings.Contains(e.Text, `sent "STOP_1\r\n"`) || !strings.Contains(e.Text, `asked "IN_SP_1\r\n", answered "10.0 1 \r\n"`) {
			t.Errorf("the evidence is %q", e.Text)
		}
		if p.heard[1] != "STOP_1" || p.heard[0] != "" {
			t.Errorf("expected the line ended, then the stop, got %q", p.heard)
		}
		return nil
	})
	m := newMeter()
	m.values["OUTP"], m.values["SOUR:CURR"], m.values["SOUR:VOLT"] = "1", "1E-05", "2"
	bench(t, "scpi-source-meter", m, nil, func(c *clock.World, i *Instrument, _ *Bench) error {
		began := c.Now()
		e, err := seized(c, i)
		if err != nil || e.Grade != drivers.Direct || m.values["OUTP"] != "0" {
			t.Errorf("the meter: %+v, %v", e, err)
		}
		if m.values["SOUR:CURR"] != "0" || m.values["SOUR:VOLT"] != "0" || m.heard[1] != "OUTP OFF" {
			t.Errorf("expected the output off before anything, then the levels at zero, got %q", m.heard)
		}
		if e.At-began > clock.Second {
			t.Errorf("it took %g s", (e.At - began).Seconds())
		}
		return nil
	})
	bench(t, "scpi-multimeter", newMeter(), nil, func(c *clock.World, i *Instrument, _ *Bench) error {
		e, err := seized(c, i)
		if err != nil || e.Grade != drivers.Direct {
			t.Errorf("the multimeter: %+v, %v", e, err)
		}
		return nil
	})
}

// The line is dirty: half a command stands on it, an answer to a dead process is
// still to come, and it looks just like the evidence.
func TestSafeOnADirtyLine(t *testing.T) {
	p := newPlate()
	p.on, p.set = true, 60
	p.part = []byte("OUT_SP_1 8")
	usual := p.answer
	p.answer = func(line string) string {
		if line == "IN_SP_1" {
			return "60.0 1 \r\n" // it does not follow
		}
		return usual(line)
	}
	bench(t, "namur-hotplate", p, nil, func(c *clock.World, i *Instrument, _ *Bench) error {
		for k := range 5 {
			p.say(c.Now()+clock.Instant(k+1)*30*clock.Millisecond, "10.0 1 \r\n")
		}
		e, err := seized(c, i)
		if err == nil || e.Grade != drivers.Unconfirmed {
			t.Errorf("old answers were taken for evidence: %+v", e)
		}
		expect(t, "the real answer", err, "it is not confirmed safe", `answered "60.0 1 \r\n"`, "expected 10.0")
		if p.heard[0] != "OUT_SP_1 8" || p.heard[1] != "STOP_1" || p.on {
			t.Errorf("expected the half line ended and the stop sent first, got %q", p.heard)
		}
		return nil
	})
}

// What hears but does not speak is switched off all the same.
func TestSafeOfAMuteInstrument(t *testing.T) {
	m := newMeter()
	m.values["OUTP"] = "1"
	usual := m.answer
	m.answer = func(line string) string { usual(line); return "" }
	bench(t, "scpi-source-meter", m, nil, func(c *clock.World, i *Instrument, _ *Bench) error {
		began := c.Now()
		e, err := seized(c, i)
		expect(t, "mute", err, "not confirmed safe", "no complete answer")
		if e.Grade != drivers.Unconfirmed || m.values["OUTP"] != "0" || m.count("OUTP OFF") < 2 {
			t.Errorf("got %+v; heard %q", e, m.heard)
		}
		if c.Now() > began+5*clock.Second {
			t.Errorf("it took %g s of 5", (c.Now() - began).Seconds())
		}
		return nil
	})
}

// It hears and does not speak, but old answers go on coming, each of them just what
// the evidence should be. The profile's question that only it can answer tells.
func TestOldAnswersAreNoEvidence(t *testing.T) {
	p := newPlate()
	p.on = true
	usual := p.answer
	p.answer = func(line string) string { usual(line); return "" }
	bench(t, "namur-hotplate", p, nil, func(c *clock.World, i *Instrument, _ *Bench) error {
		for k := range 25 {
			p.say(c.Now()+clock.Instant(k+1)*201*clock.Millisecond, "10.0 1 \r\n")
		}
		e, err := seized(c, i)
		if err == nil || e.Grade != drivers.Unconfirmed || p.on {
			t.Errorf("old answers were taken for evidence: %+v, %v", e, err)
		}
		return nil
	})
}

func TestSafeThatDoesNotShowIsNotSafe(t *testing.T) {
	m := newMeter()
	usual := m.answer
	m.answer = func(line string) string {
		if line == "OUTP?" {
			return "1\n"
		}
		return usual(line)
	}
	bench(t, "scpi-source-meter", m, nil, func(c *clock.World, i *Instrument, _ *Bench) error {
		e, err := seized(c, i)
		expect(t, "stuck", err, `asked "OUTP?\n", answered "1\n"`, "expected 0")
		if e.Grade != drivers.Unconfirmed {
			t.Errorf("the grade is %q", e.Grade)
		}
		return nil
	})
}

func TestSafeEndsTheWatchdog(t *testing.T) {
	p := newPlate()
	bench(t, "namur-hotplate", p, &judge{}, func(c *clock.World, i *Instrument, _ *Bench) error {
		if err := i.Prepare(soon(c)); err != nil {
			return err
		}
		if err := i.Apply(set("heat", "on", 0, ""), soon(c)); err != nil {
			return err
		}
		p.heard = nil
		e, err := seized(c, i)
		if err != nil || e.Grade != drivers.Indirect || p.heard[len(p.heard)-1] != "RESET" {
			t.Errorf("got %+v, %v, heard %q", e, err, p.heard)
		}
		if i.FeedDue(clock.Never) {
			t.Error("the watchdog is still to be fed")
		}
		return nil
	})
}

// cut ends a link in the middle, as a pulled cable does: it takes a device that
// breaks its promise to give bytes.
type cut struct {
	*meter
	pulled bool
}

func (d *cut) NextAt() clock.Instant {
	if d.pulled {
		return 0
	}
	return d.meter.NextAt()
}

func (d *cut) Take(at clock.Instant, dst []byte) []byte {
	if d.pulled {
		return dst
	}
	return d.meter.Take(at, dst)
}

func TestALostLinkIsAnErrorAndIsOpenedAgain(t *testing.T) {
	d := &cut{meter: newMeter()}
	bench(t, "scpi-source-meter", d, &judge{}, func(c *clock.World, i *Instrument, b *Bench) error {
		if err := sourcing(i, 1e-5, "off", soon(c)); err != nil {
			return err
		}
		d.pulled = true
		_, err := i.Measure(0, nil, soon(c))
		expect(t, "a pulled cable", err, "link lost")
		d.pulled = false
		_, err = i.Measure(0, nil, soon(c))
		expect(t, "the same link", err, "link lost")
		old := i.port
		e, err := seized(c, i)
		if err != nil || e.Grade != drivers.Direct || d.values["OUTP"] != "0" {
			t.Errorf("after the cable was back: %+v, %v", e, err)
		}
		if i.port == old {
			t.Error("the link was not opened again")
		}
		return nil
	})
}

// While a cable was out, its port was given to another instrument of the same kind: what
// that one says is no evidence, until the cable leads to the right one again.
func TestAnotherInstrumentAtThePortConfirmsNothing(t *testing.T) {
	d := &cut{meter: newMeter()}
	usual, serial := d.answer, "0042"
	d.answer = func(line string) string {
		if line == "*IDN?" {
			return "VIRTUAL,SM," + serial + ",1\n"
		}
		return usual(line)
	}
	bench(t, "scpi-source-meter", d, &judge{}, func(c *clock.World, i *Instrument, b *Bench) error {
		if _, err := i.Identify(soon(c)); err != nil {
			return err
		}
		if err := sourcing(i, 1e-5, "off", soon(c)); err != nil {
			return err
		}
		d.pulled = true
		_, err := i.Measure(0, nil, soon(c))
		expect(t, "a pulled cable", err, "link lost")
		d.pulled, serial = false, "0099"
		for range 2 { // the second attempt finds the link as it should be
			e, err := seized(c, i)
			expect(t, "another one", err, "not confirmed safe", "another instrument is at its port", `"VIRTUAL,SM,0099,1", and it was "VIRTUAL,SM,0042,1"`)
			if e.Grade != drivers.Unconfirmed || d.values["OUTP"] != "0" {
				t.Errorf("expected what makes safe to be sent and not believed: %+v", e)
			}
		}
		serial = "0042"
		if e, err := seized(c, i); err != nil || e.Grade != drivers.Direct {
			t.Errorf("the right one again: %+v, %v", e, err)
		}
		return nil
	})
}

// Making safe goes ahead of an exchange that is under way.
func TestSafeGoesAheadOfAReading(t *testing.T) {
	m := newMeter()
	bench(t, "scpi-source-meter", m, &judge{}, func(c *clock.World, i *Instrument, _ *Bench) error {
		if err := sourcing(i, 1e-5, "off", soon(c)); err != nil {
			return err
		}
		i.End()
		m.delay = 150 * clock.Millisecond
		var reading drivers.Reading
		finished := clock.NewEvent(c)
		c.Go("poll", func() error {
			if err := i.Begin(soon(c)); err != nil {
				return err
			}
			r, err := measure(c, i, 0)
			reading = r
			i.End()
			finished.Signal()
			return err
		})
		if err := c.Sleep(c.Now() + 50*clock.Millisecond); err != nil {
			return err
		}
		began := c.Now()
		m.heard = nil
		e, err := seized(c, i)
		if err != nil || e.Grade != drivers.Direct {
			t.Errorf("got %+v, %v", e, err)
		}
		if reading.Flag != drivers.CutShort || m.heard[0] != "OUTP OFF" && m.heard[1] != "OUTP OFF" {
			t.Errorf("expected a reading cut short and the output off first, got %+v, %q after %g s", reading, m.heard, (c.Now() - began).Seconds())
		}
		return nil
	})
}

func TestBenchOfRealPorts(t *testing.T) {
	c := clock.Wall(0)
	err := c.Run(func() error {
		r := &Rig{Instruments: []Description{{Name: "plate", Profile: &Profile{}, Address: wire.Address{Kind: wire.Twin, Text: "twin"}}}}
		_, err := Open(c, r, nil, Opening{}, c.Now()+clock.Second)
		expect(t, "a twin without a virtual bench", err, "plate: there is no virtual bench")
		address, err := wire.ParseAddress("serial:/dev/no-such-port-of-the-test")
		if err != nil {
			return err
		}
		r.Instruments[0].Address = address
		_, err = Open(c, r, nil, Opening{}, c.Now()+clock.Second)
		expect(t, "no such port", err, "plate", "no-such-port-of-the-test")
		lock, err := wire.Take(address.Key(), "me")
		if err != nil {
			return err // the bench that failed to open must have given its lock back
		}
		_, err = Open(c, r, nil, Opening{}, c.Now()+clock.Second)
		expect(t, "a port in use", err, "plate", "in use")
		return lock.Give()
	})
	if err != nil {
		t.Error(err)
	}
}
