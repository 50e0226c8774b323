package rig

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"dwell/drivers"
	"dwell/drivers/clock"
)

func TestSettingAPlate(t *testing.T) {
	p := newPlate()
	p.forgets = true
	j := &judge{}
	bench(t, "namur-hotplate", p, j, func(c *clock.World, i *Instrument, _ *Bench) error {
		if err := i.Prepare(soon(c)); err != nil {
			return err
		}
		if p.set != 10 || p.on {
			t.Errorf("after preparing the plate is at %g, heating %t", p.set, p.on)
		}
		p.heard = nil
		for _, s := range []drivers.Setpoint{set("heat", "on", 0, ""), set("temperature", "", 40, "degC")} {
			if err := i.Apply(s, soon(c)); err != nil {
				return err
			}
		}
		want := "OUT_WD1@60 START_1 OUT_SP_1 40.0 IN_SP_1"
		if got := strings.Join(p.heard, " "); got != want || p.set != 40 || !p.on {
			t.Errorf("expected %s, got %s; set to %g", want, got, p.set)
		}
		if got := strings.Join(j.asked, "|"); got != "it heat on|it temperature 40 degC" {
			t.Errorf("the judge was asked %s", got)
		}
		return i.Watch(soon(c))
	})
}

func TestNothingIsSentThatIsRefused(t *testing.T) {
	p := newPlate()
	j := &judge{forbid: func(s drivers.Setpoint) bool { return s.State == "on" || s.Value.Value > 80 }}
	bench(t, "namur-hotplate", p, j, func(c *clock.World, i *Instrument, _ *Bench) error {
		for _, x := range []struct {
			s    drivers.Setpoint
			says string
		}{
			{set("heat", "on", 0, ""), "it heat on: not sent: the test forbids it"},
			{set("temperature", "", 90, "degC"), "the test forbids it"},
			{set("temperature", "", 301, "degC"), "the instrument itself can do 0 degC to 300 degC"},
			{set("temperature", "", 30, "K"), "what can be set is heat, temperature"},
			{set("temprature", "", 30, "degC"), "did you mean temperature?"},
			{set("heat", "full", 0, ""), "heat can be off or on"},
			{drivers.Setpoint{Instrument: "other", Quantity: "heat", State: "off"}, "this is it"},
		} {
			expect(t, x.s.String(), i.Apply(x.s, soon(c)), x.says)
		}
		if len(p.heard) != 0 {
			t.Errorf("sent %q", p.heard)
		}
		return nil
	})
	bench(t, "namur-hotplate", p, nil, func(c *clock.World, i *Instrument, _ *Bench) error {
		expect(t, "without a judge", i.Apply(set("heat", "off", 0, ""), soon(c)), "nobody judges")
		if len(p.heard) != 0 {
			t.Errorf("sent %q", p.heard)
		}
		return nil
	})
}

func TestAValueThatDoesNotArriveIsAnError(t *testing.T) {
	p := newPlate()
	bench(t, "namur-hotplate", p, &judge{}, func(c *clock.World, i *Instrument, _ *Bench) error {
		if err := i.Prepare(soon(c)); err != nil {
			return err
		}
		p.deaf = "OUT_SP_1"
		err := i.Apply(set("temperature", "", 40, "degC"), soon(c))
		expect(t, "deaf", err, "it temperature 40 degC", `asked "IN_SP_1\r\n", answered "10.0 1 \r\n"`, "expected 40 degC")
		if n := p.count("OUT_SP_1 40"); n != 1 {
			t.Errorf("the command was sent %d times", n)
		}
		p.deaf = "OUT_WD1"
		expect(t, "no watchdog", i.Apply(set("heat", "on", 0, ""), soon(c)), "arming the watchdog", "no complete answer")
		if p.on || p.count("START_1") > 0 {
			t.Error("the heat was switched on without its watchdog")
		}
		return nil
	})
}

func TestChangesBehindOurBack(t *testing.T) {
	p := newPlate()
	bench(t, "namur-hotplate", p, &judge{}, func(c *clock.World, i *Instrument, _ *Bench) error {
		if err := i.Prepare(soon(c)); err != nil {
			return err
		}
		p.set = 60 // somebody turns the knob
		expectFound(t, "the knob", i.Watch(soon(c)), FoundReset, "temperature is not as it was set", `"60.0 1 \r\n"`, "expected 10 degC")
		return nil
	})
	m := newMeter()
	bench(t, "scpi-source-meter", m, &judge{}, func(c *clock.World, i *Instrument, _ *Bench) error {
		if err := sourcing(i, 1e-5, "off", soon(c)); err != nil {
			return err
		}
		if err := i.Watch(soon(c)); err != nil {
			return err
		}
		m.event = 128
		expectFound(t, "power-on bit", i.Watch(soon(c)), FoundReset, `asked "*ESR?\n", answered "128\n"`, "off and on again, since it was prepared")
		if r, _ := measure(c, i, 0); r.Flag != drivers.NotMeasured {
			t.Errorf("after a reset the output is not known to be on, got %+v", r)
		}
		if err := sourcing(i, 1e-5, "off", soon(c)); err != nil {
			return err
		}
		m.values["OUTP"] = "0"
		expectFound(t, "the output button", i.Watch(soon(c)), FoundReset, "output is not as it was set", `answered "0\n"`)
		m.errors = []string{`-222,"Data out of range"`}
		expectFound(t, "the queue", i.Watch(soon(c)), FoundErrors, `error -222 "Data out of range"`)
		// an answer that is none says nothing about the instrument
		for _, garbage := range []string{"%", "2"} {
			if err := sourcing(i, 1e-5, "off", soon(c)); err != nil {
				return err
			}
			m.values["OUTP"] = garbage
			err := i.Watch(soon(c))
			if f := (*Finding)(nil); err == nil || errors.As(err, &f) {
				t.Errorf("the answer %q: %#v", garbage, err)
			}
		}
		return nil
	})
}

func expectFound(t *testing.T, name string, err error, what string, says ...string) {
	t.Helper()
	expect(t, name, err, says...)
	if f := (*Finding)(nil); !errors.As(err, &f) || f.What != what {
		t.Errorf("%s: %#v is not found as %q", name, err, what)
	}
}

func TestTheErrorQueueIsReadAfterEveryChange(t *testing.T) {
	m := newMeter()
	bench(t, "scpi-source-meter", m, &judge{}, func(c *clock.World, i *Instrument, _ *Bench) error {
		if err := i.Prepare(soon(c)); err != nil {
			return err
		}
		m.heard = nil
		m.errors = []string{`-410,"Query INTERRUPTED"`} // an answer that was lost: nothing was changed by that
		if err := i.Apply(set("current", "", 1e-5, "A"), soon(c)); err != nil {
			return err
		}
		want := "SOUR:CURR 1.000000E-05|SYST:ERR?|SYST:ERR?|SOUR:CURR?"
		if got := strings.Join(m.heard, "|"); got != want {
			t.Errorf("expected %s, got %s", want, got)
		}
		m.errors = []string{`-113,"Undefined header"`, `-222,"Data out of range"`}
		expect(t, "two errors", i.Apply(set("current", "", 2e-5, "A"), soon(c)), "-113", "-222")
		if i.memory.Known[i.p.Set("current")].Is {
			t.Error("the current is taken as known after an error")
		}
		for range 100 {
			m.errors = append(m.errors, `803,"Not permitted"`)
		}
		m.heard = nil
		expect(t, "a queue without an end", i.Apply(set("current", "", 2e-5, "A"), soon(c)), "still errors after 32")
		if n := m.count("SYST:ERR?"); n != 33 {
			t.Errorf("the queue was asked %d times", n)
		}
		m.errors = []string{"oops"}
		expect(t, "no entry", i.Apply(set("current", "", 2e-5, "A"), soon(c)), "expected a number and a text of the error queue")
		return nil
	})
}

func TestOrderAndStatesOfAMeter(t *testing.T) {
	m := newMeter()
	bench(t, "scpi-source-meter", m, &judge{}, func(c *clock.World, i *Instrument, _ *Bench) error {
		expect(t, "before it is prepared", i.Apply(set("compliance", "", 1, "V"), soon(c)), "while function is current")
		if err := sourcing(i, 1e-5, "off", soon(c)); err != nil {
			return err
		}
		expect(t, "a compliance in A", i.Apply(set("compliance", "", 1e-3, "A"), soon(c)), "it can only be set while function is voltage")
		expect(t, "the function with the output on", i.Apply(set("function", "voltage", 0, ""), soon(c)), "it can only be changed while output is off")
		m.heard = nil
		if err := i.Apply(set("function", "current", 0, ""), soon(c)); err != nil || len(m.heard) > 0 {
			t.Errorf("the same function again: %v, sent %q", err, m.heard)
		}
		if err := i.Apply(set("output", "off", 0, ""), soon(c)); err != nil {
			return err
		}
		if err := i.Apply(set("function", "voltage", 0, ""), soon(c)); err != nil {
			return err
		}
		if i.memory.Known[i.p.Set("current")].Is {
			t.Error("the level is taken as known after the function was changed")
		}
		m.values["SENS:CURR:PROT"] = ""
		return i.Apply(set("compliance", "", 1e-3, "A"), soon(c))
	})
}

// An answer that is lost leaves open whether the command was carried out: it is not
// sent again, but asked about.
func TestACommandIsNeverSentTwice(t *testing.T) {
	mode, setTo, lost := "0", "20.00", false
	d := &scripted{}
	d.answer = func(line string) string {
		switch {
		case line == "VERSION":
			return "BATH 3\r\n"
		case line == "IN_MODE_05":
			return mode + "\r\n"
		case line == "IN_SP_00":
			return setTo + "\r\n"
		case strings.HasPrefix(line, "OUT_MODE_05 "):
			mode = line[len("OUT_MODE_05 "):]
			if lost {
				return ""
			}
		case line == "OUT_SP_00 90.00":
			return "ERR_6\r\n"
		}
		return "OK\r\n"
	}
	bench(t, "namur-bath-ok", d, &judge{}, func(c *clock.World, i *Instrument, _ *Bench) error {
		if err := i.Prepare(soon(c)); err != nil {
			return err
		}
		expect(t, "refused by the bath", i.Apply(set("temperature", "", 90, "degC"), soon(c)), "ERR_6 (value not allowed)")
		lost = true
		if err := i.Apply(set("heat", "on", 0, ""), soon(c)); err != nil {
			return err
		}
		if n := d.count("OUT_MODE_05 1"); n != 1 || mode != "1" {
			t.Errorf("sent %d times", n)
		}
		return nil
	})
}

func TestEchoesAreCompared(t *testing.T) {
	status, echo := "2", ""
	d := &scripted{}
	d.answer = func(line string) string {
		switch {
		case line == "STATUS":
			return "STATUS " + status + "\r\n"
		case line == "IN_SP_1":
			return "IN_SP_1 10.0\r\n"
		case line == "START_1":
			status = "1"
		}
		if echo != "" {
			return echo
		}
		return line + "\r\n"
	}
	bench(t, "namur-hotplate-echo", d, &judge{}, func(c *clock.World, i *Instrument, _ *Bench) error {
		if who, err := i.Identify(soon(c)); err != nil || who != "STATUS 2" {
			t.Errorf("identified as %q, %v", who, err)
		}
		if err := i.Prepare(soon(c)); err != nil {
			return err
		}
		if err := i.Apply(set("heat", "on", 0, ""), soon(c)); err != nil {
			return err
		}
		if got := fmt.Sprint(d.count("CC_ON"), d.count("START_1")); got != "1 1" {
			t.Errorf("watchdog and start were sent %s times", got)
		}
		status = "0"
		expectFound(t, "taken to local", i.Watch(soon(c)), FoundFault, "local operation")
		echo = "STOP_1\r\n"
		expect(t, "another echo", i.Apply(set("temperature", "", 10, "degC"), soon(c)), "the answer to another command")
		return nil
	})
}

func TestFeedingTheWatchdog(t *testing.T) {
	p := newPlate()
	bench(t, "namur-hotplate", p, &judge{}, func(c *clock.World, i *Instrument, _ *Bench) error {
		if err := i.Feed(soon(c)); err != nil || len(p.heard) > 0 || i.FeedDue(clock.Never) {
			t.Errorf("a watchdog that is not armed was fed: %q, %v", p.heard, err)
		}
		if err := i.Prepare(soon(c)); err != nil {
			return err
		}
		if err := i.Apply(set("heat", "on", 0, ""), soon(c)); err != nil {
			return err
		}
		if i.FeedDue(c.Now() + 14*clock.Second) {
			t.Error("fed too early")
		}
		if !i.FeedDue(c.Now() + 15*clock.Second) {
			t.Error("not fed in time")
		}
		memory := i.Save()
		i.forget()
		if i.Restore(memory); !i.memory.Armed {
			t.Error("what was saved was not restored")
		}
		if err := i.Feed(soon(c)); err != nil {
			return err
		}
		if n := p.count("OUT_WD1@60"); n != 2 {
			t.Errorf("the watchdog's command was sent %d times", n)
		}
		usual, silent := p.answer, 1
		p.answer = func(line string) string {
			if line == "OUT_WD1@60" && silent > 0 {
				silent--
				return ""
			}
			return usual(line)
		}
		if err := i.Feed(soon(c)); err != nil || silent != 0 {
			t.Errorf("an answer of the watchdog was lost once: %v", err)
		}
		p.deaf = "OUT_WD1"
		expect(t, "a watchdog that does not answer", i.Feed(soon(c)), "feeding the watchdog")
		return nil
	})
}

func TestIdentify(t *testing.T) {
	name := "MAKER,MODEL,0001,1.0\n"
	d := &scripted{answer: func(line string) string {
		if line == "*IDN?" {
			return name
		}
		return ""
	}}
	bench(t, "scpi-multimeter", d, &judge{}, func(c *clock.World, i *Instrument, _ *Bench) error {
		if who, err := i.Identify(soon(c)); err != nil || who != "MAKER,MODEL,0001,1.0" {
			t.Errorf("identified as %q, %v", who, err)
		}
		d.answer = func(string) string { return "PLATE 7\r\n" }
		_, err := i.Identify(soon(c))
		expect(t, "another instrument", err, "no instrument of the profile scpi-multimeter", `"*,*,*,*"`, `"PLATE 7\r\n"`)
		return nil
	})
	d = &scripted{answer: func(string) string { return "MAKER,MODEL,0001,1.0,and more\n" }}
	bench(t, "scpi-source-meter", d, &judge{}, func(c *clock.World, i *Instrument, _ *Bench) error {
		_, err := i.Identify(soon(c))
		expect(t, "five fields", err, "no instrument of the profile")
		return nil
	})
	for pattern, texts := range map[string][2]string{"*": {"anything at all", "25.3 2"}, "*plate*": {"My PLATE 7", "My heater"},
		"STATUS *": {"STATUS -1", "STATUT 1"}, "abc": {"ABC", "abcd"}, "*x*y": {"axby", "ayx"}} {
		who := Identity{Pattern: pattern}
		if !who.recognises([]byte(texts[0]+"\r\n")) || who.recognises([]byte(texts[1]+"\r\n")) {
			t.Errorf("%q: expected yes to %q and no to %q", pattern, texts[0], texts[1])
		}
	}
	for _, reply := range []string{"OK\r\n", "ERR_3\r\n", "\r\n", "+1.0E-01,+1.0E-05\n", "25.3\r\n"} {
		if (&Identity{Pattern: "*"}).recognises([]byte(reply)) {
			t.Errorf("%q was taken for a name", reply)
		}
	}
}
