package safety

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/quantity"
	"dwell/drivers/rig"
)

// told makes setpoints of short texts: "heat on", "40 degC", "output off".
func told(t testing.TB, text string) drivers.Setpoint {
	t.Helper()
	instrument := map[bool]string{true: "meter", false: "plate"}[strings.HasPrefix(text, "output")]
	for unit, level := range map[string]string{"A": "current", "V": "voltage"} {
		if strings.HasSuffix(text, unit) {
			q, err := quantity.Parse(text)
			if err != nil {
				t.Fatal(err)
			}
			return drivers.Setpoint{Instrument: "meter", Quantity: level, Value: q}
		}
	}
	if what, state, ok := strings.Cut(text, " "); ok && (state == "on" || state == "off") {
		return drivers.Setpoint{Instrument: instrument, Quantity: what, State: state}
	}
	q, err := quantity.Parse(text)
	if err != nil {
		t.Fatal(err)
	}
	return drivers.Setpoint{Instrument: instrument, Quantity: "temperature", Value: q}
}

// script is what happens to a gate: readings of one channel a second, and what is told
// or done in between.
type script struct {
	t       testing.TB
	g       *Gate
	channel int
	s       float64
	cause   *Cause
	tripped float64
}

// reads shows readings, one a second, until the gate says stop.
func (x *script) reads(values ...float64) *script {
	for _, v := range values {
		x.readsFlagged(v, drivers.Good)
	}
	return x
}

func (x *script) readsFlagged(v float64, f drivers.Flag) *script {
	if x.cause == nil {
		if x.cause = x.g.Observe(drivers.Reading{Channel: x.channel, At: at(x.s), Value: v, Flag: f}); x.cause != nil {
			x.tripped = x.s
		}
		x.s++
	}
	return x
}

// line shows n readings on a straight line, without its first value.
func (x *script) line(from, to float64, n int) *script {
	for k := 1; k <= n; k++ {
		x.reads(from + (to-from)*float64(k)/float64(n))
	}
	return x
}

func (x *script) tell(texts ...string) *script {
	for _, text := range texts {
		x.g.Sent(told(x.t, text))
	}
	return x
}

// expect checks at which second the gate said stop, -1 for never, and why.
func (x *script) expect(name string, s float64, says ...string) {
	x.t.Helper()
	if x.cause == nil {
		if s >= 0 {
			x.t.Errorf("%s: nothing said, expected at %g s", name, s)
		}
		return
	}
	if x.tripped != s || x.cause.Kind != Tripped {
		x.t.Errorf("%s: at %g s %v (kind %d), expected at %g s", name, x.tripped, x.cause, x.cause.Kind, s)
	}
	for _, want := range says {
		if !strings.Contains(x.cause.Error(), want) {
			x.t.Errorf("%s: %q does not say %q", name, x.cause, want)
		}
	}
}

var (
	heatsNot     = HeatsNot{Instrument: "plate", Channel: "plate.temperature", AboveK: 5, ByK: 2, WithinNs: 20e9, From: "built-in: heats not"}
	keepsWarming = KeepsWarming{Instrument: "plate", Channel: "plate.temperature", OvershootK: 7, DriftKPerS: 0.01, From: "built-in: keeps warming"}
)

func scripted(t testing.TB, rules Rules, channel string) *script {
	rules.Stale = polled
	g, find := gateFor(t, rules)
	return &script{t: t, g: g, channel: find(channel)}
}

func TestHeatsNot(t *testing.T) {
	begin := func() *script { return scripted(t, Rules{HeatsNot: []HeatsNot{heatsNot}}, "plate.temperature") }
	cold := make([]float64, 60)
	for i := range cold {
		cold[i] = 20
	}
	// The first reading starts the clock; 20 s later is within, 21 s later is not.
	begin().tell("heat on", "40 degC").reads(cold...).expect("stays cold", 21, "plate was told to heat to 40 degC", "is 20 degC", "2 K in 20 s", "built-in: heats not")
	begin().reads(cold...).expect("was told nothing", -1)
	begin().tell("40 degC").reads(cold...).expect("is off", -1)
	begin().tell("heat on").reads(cold...).expect("was not told where to", -1)
	begin().tell("heat on", "25 degC").reads(cold...).expect("is near enough", -1)
	begin().tell("heat on", "25.1 degC").reads(cold...).expect("is not near enough", 21)
	begin().tell("heat on", "40 degC").reads(cold[:10]...).tell("heat off").reads(cold...).expect("was switched off", -1)
	begin().tell("heat on", "40 degC").reads(cold[:10]...).tell("heat off", "heat on", "40 degC").reads(cold...).expect("between two readings nothing is noticed", 21)
	// at 0.1 K/s it gains 2 K every 20 s exactly, at a little less it does not
	begin().tell("heat on", "90 degC").reads(20).line(20, 40, 200).expect("just fast enough", -1)
	begin().tell("heat on", "90 degC").reads(20).line(20, 39, 200).expect("too slow", 21)
	begin().tell("heat on", "90 degC").reads(20).line(20, 50, 30).reads(50, 50).line(50, 20, 300).expect("breaks on the way", 51)
	// a load cools it: what counts is what is gained on the lowest reading
	begin().tell("heat on", "90 degC").reads(60).line(60, 40, 10).line(40, 43, 9).line(43, 80, 37).expect("cold load", -1)
	begin().tell("heat on", "40 degC").reads(20).line(20, 36, 16).reads(cold[0]+16, 36, 36, 36, 36, 36, 36, 36, 36, 36, 36, 36, 36, 36, 36, 36, 36, 36, 36, 36, 36, 36, 36).expect("has arrived", -1)

	x := begin().tell("heat on", "40 degC").reads(20)
	for range 60 { // bad readings say nothing: they are silence
		x.readsFlagged(math.NaN(), drivers.NoProbe)
	}
	x.expect("no probe", -1)
	x.reads(20).expect("as cold as before", 61)
}

// drives10 is for a meter that promises 2 nA up to 10 uA and 20 nA up to 100 uA.
var drives10 = Drives{Instrument: "meter", Quantity: "current", Channel: "meter.current", LastingNs: 2e9, From: "built-in: drives another level",
	Within: []Nearness{{UpTo: 10e-6, Of: 0.02, By: 8e-9}, {UpTo: 100e-6, Of: 0.02, By: 80e-9}, {Of: 0.1, By: 100e-12}}}

func TestDrives(t *testing.T) {
	begin := func() *script { return scripted(t, Rules{Drives: []Drives{drives10}}, "meter.current") }
	many := func(uA float64) []float64 {
		all := make([]float64, 20)
		for i := range all {
			all[i] = uA * 1e-6
		}
		return all
	}
	on := func(level string) *script { return begin().tell(level, "output on") }
	// Seen at 0 s at the earliest, and 2 s later it has lasted.
	on("10 uA").reads(many(140)...).expect("drives too much", 2, "meter was told to drive 10 uA and drives another current: meter.current is 140 uA, more than 208 nA from that", "built-in: drives another level")
	on("10 uA").reads(many(9.7)...).expect("too little", 2)
	on("10 uA").reads(many(10.207)...).expect("just near enough", -1)
	on("10 uA").reads(many(10.209)...).expect("just not", 2)
	on("10 uA").reads(many(-10)...).expect("the other way round", 2)
	on("-10 uA").reads(many(-10)...).expect("as it was told", -1)
	on("-10 uA").reads(many(-10.3)...).expect("not as it was told", 2)
	on("50 uA").reads(many(51.07)...).expect("the next range", -1)
	on("50 uA").reads(many(51.09)...).expect("beyond that, too", 2)
	on("5 mA").reads(many(5490)...).expect("nothing is promised there", -1)
	on("5 mA").reads(many(5510)...).expect("and that is too much", 2)
	on("0 A").reads(many(0.0079)...).expect("nothing, with its offset", -1)
	on("0 A").reads(many(0.1)...).expect("something instead of nothing", 2)
	begin().tell("10 uA").reads(many(140)...).expect("the output is off", -1)
	begin().tell("output on").reads(many(140)...).expect("was told nothing", -1)
	on("10 uA").reads(many(140)[:2]...).tell("output off").reads(many(140)...).expect("was switched off", -1)
	on("10 uA").reads(many(10)...).tell("20 uA").reads(10e-6).reads(many(20)...).expect("a reading of before the change", -1)
	on("10 uA").reads(many(10)...).tell("20 uA").reads(many(10)...).expect("does not follow", 22)
	// A sweep: each level is read once. What is wrong at all of them is noticed.
	x, y := on("1 uA"), on("1 uA")
	for k := -10; k <= 10; k++ {
		level := fmt.Sprintf("%d uA", k)
		x.tell(level).reads(float64(k) * 1e-6)
		y.tell(level).reads(1.5 * float64(k) * 1e-6)
	}
	x.expect("a sweep", -1)
	y.expect("a sweep of too much", 2)
	// now and then one reading is wrong: flicker is no level
	z := on("10 uA")
	for range 20 {
		z.reads(many(10)[:9]...).reads(11e-6)
	}
	z.expect("a reading now and then", -1)
	for _, f := range []drivers.Flag{drivers.InCompliance, drivers.Garbled, drivers.NotMeasured} {
		x := on("10 uA")
		for range 20 {
			x.readsFlagged(2e-6, f)
		}
		x.expect("flagged "+f.String(), -1)
	}
	// A source that drives a voltage now is not held to the current that it was told before.
	both := Rules{Drives: []Drives{drives10, {Instrument: "meter", Quantity: "voltage", Channel: "meter.voltage", LastingNs: 2e9, Within: []Nearness{{Of: 0.02, By: 1e-3}}, From: "v"}}}
	scripted(t, both, "meter.current").tell("10 uA", "output on").reads(many(10)...).tell("output off", "1 V", "output on").reads(many(140)...).expect("a voltage now", -1)
	scripted(t, both, "meter.voltage").tell("10 uA", "output on").tell("output off", "1 V", "output on").reads(1.1, 1.1, 1.1).expect("another voltage", 2, "told to drive 1 V")
	x = on("10 uA")
	x.g.Off()
	x.reads(many(140)...).expect("everything is being switched off", -1)
}

func TestKeepsWarming(t *testing.T) {
	begin := func() *script {
		return scripted(t, Rules{KeepsWarming: []KeepsWarming{keepsWarming}}, "plate.temperature")
	}
	hour := 3600
	begin().tell("heat on", "40 degC").reads(20).line(20, 47, 27).reads(47).expect("overshoots as it may", -1)
	begin().tell("heat on", "40 degC").reads(20).line(20, 60, 40).expect("passes its set temperature", 28, "told to hold 40 degC and keeps warming", "is 48 degC", "7 K above 40 degC")
	begin().reads(20).line(20, 30, 10).expect("was never told to heat", 8, "told to be off and keeps warming")
	begin().reads(20).line(20, 20+7+0.009*3600, hour).expect("a room warms", -1)
	begin().reads(20).line(20, 20+0.02*3600, hour).expect("a little heat, all the time", 701) // 7 K at 0.01 K/s more than a room
	x := begin().tell("heat on", "80 degC").reads(20).line(20, 60, 40).tell("heat off")
	x.line(60, 66, 6).line(66, 40, 60).expect("goes on for its dead time, and cools", -1)
	x.line(40, 48, 8).expect("and warms again", 106+8-0, "7 K above 40")
	begin().tell("heat on", "80 degC").reads(20).line(20, 60, 40).tell("heat off").line(60, 90, 30).expect("welded while it warms", 48, "told to be off")
	begin().tell("heat on", "40 degC").reads(40).reads(40, 40).tell("30 degC").line(40, 30, 50).reads(30, 37).expect("comes down", -1)
	begin().tell("heat on", "40 degC").reads(40).reads(40, 40).tell("30 degC").line(40, 60, 20).expect("does not come down", 10, "told to hold 30 degC", "7 K above 40")
	begin().tell("heat on", "40 degC").reads(40).reads(40, 40).tell("30 degC").line(40, 35, 10).line(35, 60, 25).expect("turns round on its way", 20)
	begin().tell("heat on", "60 degC").reads(20).line(20, 60, 40).tell("heat on", "40 degC").line(60, 40, 60).reads(40, 46).expect("told to heat once more, and to less", -1)
	begin().tell("heat on", "60 degC").reads(20).line(20, 60, 40).tell("heat on", "40 degC").line(60, 80, 20).expect("told to heat once more, to less, and warms", 41+7, "told to hold 40 degC", "7 K above 60")
	// told less again and again, as a ramp does, is no excuse to follow it up
	x = begin().tell("heat on", "60 degC").reads(60, 60)
	for k := range 20 {
		x.tell(fmt.Sprintf("%d degC", 59-k)).reads(60 + float64(k))
	}
	x.expect("a ramp down that goes up", 10)
	begin().tell("heat on", "40 degC").reads(40, 40).tell("heat off", "heat on").reads(70, 70).expect("between START and the set temperature nothing is known", -1)

	x = begin().tell("heat on", "60 degC").reads(20).line(20, 50, 30)
	x.g.Off()
	x.line(50, 60, 10).expect("while it is made safe", 38, "told to be off and keeps warming")
}

func TestFrozen(t *testing.T) {
	noise := Frozen{Channel: "element.resistance", Readings: 4, AfterNs: 6e9, From: "built-in: frozen"}
	begin := func() *script { return scripted(t, Rules{Frozen: []Frozen{noise}}, "element.resistance") }
	// five equal readings and more than 6 s since the first
	begin().reads(1, 2, 3, 3, 3, 3, 3, 3, 3, 3).expect("noise stops", 9, "element.resistance is frozen: it has been 3 Ohm for 7 s")
	begin().reads(3, 3, 3, 3, 3, 3, 3, 4, 4, 4, 4, 4, 4, 4, 5, 5).expect("moves in time", -1)
	x := begin().reads(3, 3)
	for range 20 {
		x.readsFlagged(math.NaN(), drivers.NotMeasured)
	}
	x.expect("not measured is not frozen", -1)
	x.reads(3, 3).expect("and counts neither for nor against", -1)
	x.reads(3).expect("the fifth", 24)

	setpoint := Frozen{Channel: "plate.temperature", Heater: "plate", Lowest: 19, BehindBy: 1, MovedBy: 10, AfterNs: 15e9, From: "built-in: frozen"}
	begin = func() *script { return scripted(t, Rules{Frozen: []Frozen{setpoint}}, "plate.temperature") }
	plateau := make([]float64, 43200)
	for i := range plateau {
		plateau[i] = 30
	}
	begin().tell("heat on", "30 degC").reads(plateau...).expect("a display on a plateau, for a night", -1)
	begin().tell("heat on", "31 degC").reads(plateau[:60]...).expect("1 K behind is not more than 1 K", -1)
	begin().tell("heat on", "31.5 degC").reads(plateau[:60]...).expect("told to warm", 16, "plate was told to be elsewhere")
	begin().tell("heat on", "19 degC").reads(plateau[:60]...).expect("told to cool", 16)
	begin().tell("heat on", "19 degC").reads(29, 29).reads(make60(29)...).expect("nearly there", -1)
	begin().tell("heat on", "5 degC").reads(make60(28)...).expect("as cold as it gets", -1)
	begin().tell("41 degC").reads(plateau[:60]...).expect("off", -1)
	setpoint.SeenBy = 6
	begin().tell("heat on", "22 degC").reads(plateau[:60]...).expect("told to cool, and the room may be as warm", -1)
	begin().tell("heat on", "22 degC").reads(24.1).reads(plateau[:60]...).expect("as cold as it was before, nearly", -1)
	begin().tell("heat on", "22 degC").reads(22).reads(plateau[:60]...).expect("told to cool, and was that cold before", 17)
	begin().tell("heat on", "22 degC").reads(22).reads(make60(28)...).expect("near enough", -1)
	begin().tell("heat on", "30 degC").reads(plateau[:1000]...).tell("50 degC").reads(plateau[:15]...).reads(30.1, 31, 32).expect("begins to move after a while", -1)
}

func make60(v float64) []float64 {
	all := make([]float64, 60)
	for i := range all {
		all[i] = v
	}
	return all
}

// What lies on a plate must show that the plate has moved, while it lies there.
func TestFrozenWhatFollows(t *testing.T) {
	rules := Rules{Stale: polled, Frozen: []Frozen{{Channel: "foil.temperature", Follows: "plate.temperature", MovedBy: 5, AfterNs: 30e9, While: OnPlate, From: "f"},
		{Channel: "plate.temperature", Below: "foil.temperature", MovedBy: 3, AfterNs: 60e9, While: OnPlate, From: "f"}}}
	for _, c := range []struct {
		name        string
		plate, foil func(s float64) float64
		lifted      bool
		trips       float64
	}{
		{"both rest", func(float64) float64 { return 30 }, func(float64) float64 { return 28 }, false, -1},
		{"the plate moves a little", func(s float64) float64 { return 30 + min(s/10, 5) }, func(float64) float64 { return 28 }, false, -1},
		{"the plate moves", func(s float64) float64 { return 30 + min(s/10, 10) }, func(float64) float64 { return 28 }, false, 82},
		{"the foil follows late", func(s float64) float64 { return 30 + min(s/10, 10) }, func(s float64) float64 { return 28 + min(10, math.Floor(max(0, s-65)/10)) }, false, -1},
		{"it is elsewhere", func(s float64) float64 { return 30 + min(s/10, 10) }, func(float64) float64 { return 28 }, true, -1},
		{"the foil gets warmer than a plate that rests", func(float64) float64 { return 30 }, func(s float64) float64 { return 28 + min(s/10, 5.1) }, false, 113}, // 3 K after 51 s, seen with the next reading
		{"as warm as both may be wrong", func(float64) float64 { return 30 }, func(s float64) float64 { return 28 + min(s/10, 5) }, false, -1},
		{"the plate does not rest", func(s float64) float64 { return 30 - math.Floor(s/50)/10 }, func(s float64) float64 { return 28 + min(s/10, 5.1) }, false, -1},
		{"only the foil moves", func(float64) float64 { return 30 }, func(s float64) float64 { return 18 + min(s, 10) }, false, -1},
	} {
		g, channel := gateFor(t, rules)
		g.Specimen(!c.lifted)
		tripped := -1.0
		for s := 0.0; s < 300 && tripped < 0; s++ {
			if g.Observe(drivers.Reading{Channel: channel("plate.temperature"), At: at(s), Value: c.plate(s)}) != nil ||
				g.Observe(drivers.Reading{Channel: channel("foil.temperature"), At: at(s + 0.1), Value: c.foil(s)}) != nil {
				tripped = s
			}
		}
		if tripped != c.trips {
			t.Errorf("%s: at %g s, expected at %g s: %v", c.name, tripped, c.trips, g.Latched())
		}
	}
}

func TestEnergy(t *testing.T) {
	begin := func() *script {
		return scripted(t, Rules{Energy: []Energy{{Power: "element.resistance", BelowJ: 10, From: "specimen.yaml:9:5"}}}, "element.resistance")
	}
	x := begin().reads(1, 1, 1)
	x.expect("with the output off nothing is put in", -1)
	// 1 W from the first reading on: 10 J after 10 s more
	x.tell("output on").reads(1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1).expect("adds up", 13, "the specimen has taken 10 J and must take less than 10 J", "specimen.yaml:9:5")
	begin().tell("output on").reads(1, 1, 1).tell("output off").reads(1, 1, 1).tell("output on").reads(1, 1, 1, 1).expect("goes on from what it had", -1)
	begin().tell("output on").reads(-2, -2, -2, -2, -2, -2).expect("either way round", 5)
	begin().tell("output on").reads(0, 5, 0).expect("the greater power of two readings", 2)
	x = begin().tell("output on").reads(1)
	for range 8 {
		x.readsFlagged(math.NaN(), drivers.Overflow)
	}
	x.expect("not known meanwhile", -1)
	x.reads(1.2).expect("is counted when it is known again", 9)
	x = begin().tell("output on")
	for range 11 {
		x.readsFlagged(1, drivers.InCompliance)
	}
	x.expect("in compliance, too", 10)

	// the same from voltage and current
	g, channel := gateFor(t, Rules{Stale: polled, Energy: []Energy{{Voltage: "plate.temperature", Current: "foil.temperature", BelowJ: 10, From: "e"}}})
	g.Sent(told(t, "output on"))
	tripped := -1.0
	for s := 0.0; s < 30 && tripped < 0; s++ {
		g.state.Told[0].Output = true // its channels belong to the plate here
		g.Observe(drivers.Reading{Channel: channel("plate.temperature"), At: at(s), Value: 2})
		if g.Observe(drivers.Reading{Channel: channel("foil.temperature"), At: at(s), Value: 0.5}) != nil {
			tripped = s
		}
	}
	if tripped != 10 {
		t.Errorf("1 W from 2 V and 0.5 A is 10 J after 10 s, tripped at %g s", tripped)
	}
}

func TestFindings(t *testing.T) {
	g, _ := gateFor(t, Rules{Stale: polled, Watched: []Watched{{Instrument: "meter", For: rig.FoundReset, EveryNs: 1e10, From: "built-in: reset"}}})
	news := errors.New("asked, answered 128")
	for _, f := range []rig.Finding{{Instrument: "plate", What: rig.FoundReset, Err: news}, {Instrument: "meter", What: rig.FoundErrors, Err: news}} {
		if c := g.Found(&f, 1, 5); c != nil {
			t.Errorf("%+v: %v, though nothing holds the run to it", f, c)
		}
	}
	c := g.Found(&rig.Finding{Instrument: "meter", What: rig.FoundReset, Err: news}, 1, 5)
	if c == nil || c.Kind != Tripped || c.At != 5 || !strings.Contains(c.Error(), "meter: reset or changed behind our back: asked, answered 128") {
		t.Errorf("%v", c)
	}
}

// A condition is judged while it is armed only, and begins anew each time.
func TestArming(t *testing.T) {
	for _, c := range []struct {
		while     string
		arm, free func(g *Gate)
	}{
		{Heating, func(g *Gate) { g.Sent(told(t, "heat on")) }, func(g *Gate) { g.Sent(told(t, "heat off")) }},
		{Sourcing, func(g *Gate) { g.Sent(told(t, "output on")) }, func(g *Gate) { g.Sent(told(t, "output off")) }},
		{OnPlate, func(g *Gate) { g.Specimen(true) }, func(g *Gate) { g.Specimen(false) }},
	} {
		x := scripted(t, Rules{Interlocks: []Interlock{{When: "plate.temperature > 30 degC", While: c.while, LastingNs: 3e9, Then: "trip", From: "i"}}}, "plate.temperature")
		c.free(x.g)
		x.reads(make60(50)...).expect(c.while+", not armed", -1)
		c.arm(x.g)
		x.reads(50, 50, 50)
		c.free(x.g)
		x.reads(50, 50, 50).expect(c.while+", not for long enough", -1)
		c.arm(x.g)
		x.reads(50, 50, 50, 50).expect(c.while+", begins anew", 69)
	}
	// unknown from the beginning is no reason while it is not armed, and is one then
	x := scripted(t, Rules{Interlocks: []Interlock{{When: "plate.temperature > 30 degC and element.resistance > 1 Ohm", While: Sourcing, Then: "trip", From: "i"}}}, "plate.temperature")
	x.reads(make60(50)...).expect("unknown, not armed", -1)
	x.tell("output on").reads(50, 50, 50, 50, 50).expect("unknown, armed: longer than a reading may stay away", 64, "cannot be judged")
	for _, rules := range []Rules{{Interlocks: []Interlock{{When: "plate.temperature > 30 degC", While: "sometimes", From: "here"}}},
		{Interlocks: []Interlock{{When: "plate.temperature > 30 degC", Then: "pause", From: "here"}}},
		{Frozen: []Frozen{{Channel: "nothing", From: "here"}}}, {Frozen: []Frozen{{Channel: "plate.temperature", Follows: "nothing", From: "here"}}},
		{HeatsNot: []HeatsNot{{Instrument: "oven", Channel: "plate.temperature", From: "here"}}},
		{KeepsWarming: []KeepsWarming{{Instrument: "plate", Channel: "nothing", From: "here"}}},
		{Energy: []Energy{{Power: "nothing", From: "here"}}}, {Energy: []Energy{{Voltage: "nothing", Current: "plate.temperature", From: "here"}}},
		{Drives: []Drives{{Instrument: "meter", Channel: "nothing", From: "here"}}},
		{Watched: []Watched{{Instrument: "oven", From: "here"}}}} {
		rules.Stale = polled
		if _, err := NewGate(rules, testRig(t)); err == nil || !strings.Contains(err.Error(), "here") {
			t.Errorf("%+v: %v", rules, err)
		}
	}
}

// While an instrument is used for something else, as planned, what it does not read is
// no reason to stop: not for a condition that looks at it, either.
func TestAPlannedPauseExcusesConditions(t *testing.T) {
	g, channel := gateFor(t, Rules{Stale: polled, Interlocks: []Interlock{{When: "plate.temperature > 90 degC or element.resistance > 2 kOhm", Then: "trip", From: "i"}}})
	plate, element := channel("plate.temperature"), channel("element.resistance")
	g.Observe(drivers.Reading{Channel: element, At: at(0), Value: 1000})
	g.Pause(element, at(30))
	tripped := -1.0
	for s := 1.0; s < 60 && tripped < 0; s++ {
		if g.Observe(drivers.Reading{Channel: plate, At: at(s), Value: 20}) != nil {
			tripped = s
		}
	}
	if tripped != 34 { // 3 s, the longest that one of its channels may stay away, after the pause
		t.Errorf("tripped at %g s: %v", tripped, g.Latched())
	}
}

func TestPausing(t *testing.T) {
	rules := Rules{Interlocks: []Interlock{{When: "plate.temperature > 30 degC", LastingNs: 2e9, Then: "pause",
		Pause: &Pause{ClearNs: 5e9, AtMostNs: 20e9, Heater: "plate", DegC: 25}, From: "p"}}}
	begin := func() *script { return scripted(t, rules, "plate.temperature") }
	is := func(x *script, name string, want bool) {
		t.Helper()
		if how := x.g.Pausing(); (how != nil) != want || want && (x.g.WhyPausing() != "plate.temperature > 30 degC (p)" || how.DegC != 25) {
			t.Errorf("%s: at %g s pausing %v: %s", name, x.s, how, x.g.WhyPausing())
		}
	}
	x := begin().reads(29, 31, 31)
	is(x, "not for long enough", false)
	x.reads(31)
	is(x, "for 2 s", true)
	x.reads(29, 29, 29, 29, 29)
	is(x, "clear for 4 s", true)
	x.reads(29)
	is(x, "clear for 5 s", false)
	x.reads(31, 31)
	is(x, "begins anew", false)
	x.reads(31)
	is(x, "again", true)
	x.expect("a pause is no trip", -1)

	x = begin().reads(31, 31, 31).reads(29, 29, 29, 29, 31, 29, 29, 29, 29)
	is(x, "clear, but not in one piece", true)
	x.readsFlagged(math.NaN(), drivers.Garbled).reads(29, 29, 29, 29)
	is(x, "unknown is not clear", true)
	x.reads(29, 29)
	is(x, "clear at last", false)

	begin().reads(make60(31)...).expect("the ceiling", 23, "paused for 20 s, and plate.temperature > 30 degC has not been clear for 5 s")
	begin().reads(31, 31, 31).reads(29, 29, 29, 29, 31, 29, 29, 29, 29, 31, 29, 29, 29, 29, 31, 31, 29, 29, 29, 29, 29).expect("clear too late", 23)
	x = begin()
	for range 12 { // polled every second, stale after 3: unknown for too long holds
		x.readsFlagged(math.NaN(), drivers.Garbled)
	}
	is(x, "unknown", true)
}

// Built-in rules are plain data, too: a gate restored from its text decides as the
// original does, from any moment on.
func TestBuiltInStateIsPlainData(t *testing.T) {
	rules := Rules{Stale: polled, HeatsNot: []HeatsNot{heatsNot}, KeepsWarming: []KeepsWarming{keepsWarming},
		Frozen:     []Frozen{{Channel: "plate.temperature", Heater: "plate", Lowest: 19, BehindBy: 5, MovedBy: 10, AfterNs: 15e9, From: "f"}},
		Energy:     []Energy{{Power: "plate.temperature", BelowJ: 1e9, From: "e"}},
		Interlocks: []Interlock{{When: "plate.temperature > 30 degC", While: Heating, Then: "pause", Pause: &Pause{ClearNs: 5e9, AtMostNs: 8e9}, From: "p"}}}
	for _, cut := range []int{0, 1, 5, 12, 25} {
		g, channel := gateFor(t, rules)
		h, _ := gateFor(t, rules)
		i := channel("plate.temperature")
		g.Sent(told(t, "heat on"))
		g.Sent(told(t, "60 degC"))
		trips := 0
		for s := range 40 {
			if s == cut {
				text, err := json.Marshal(g.Save())
				if err != nil {
					t.Fatal(err)
				}
				var state State
				if err := json.Unmarshal(text, &state); err != nil {
					t.Fatal(err)
				}
				h.Restore(state)
			}
			x := drivers.Reading{Channel: i, At: at(float64(s)), Value: 20 + float64(min(s, 12))}
			a := g.Observe(x)
			if s < cut {
				continue
			}
			if b := h.Observe(x); !reflect.DeepEqual(a, b) {
				t.Fatalf("cut at %d s, at %d s: %v and %v", cut, s, a, b)
			}
			if a != nil {
				trips++
			}
		}
		if trips == 0 {
			t.Error("nothing tripped: the test shows nothing")
		}
	}
}

func TestBuiltInRulesDoNotAllocate(t *testing.T) {
	g, channel := gateFor(t, Rules{Stale: polled, HeatsNot: []HeatsNot{heatsNot}, KeepsWarming: []KeepsWarming{keepsWarming},
		Frozen: []Frozen{{Channel: "plate.temperature", Heater: "plate", BehindBy: 10, MovedBy: 10, AfterNs: 1e15, From: "f"},
			{Channel: "plate.temperature", Follows: "foil.temperature", MovedBy: 1, AfterNs: 1e15, From: "f"}},
		Energy: []Energy{{Power: "plate.temperature", BelowJ: 1e9, From: "e"}},
		Drives: []Drives{{Instrument: "plate", Quantity: "temperature", Channel: "plate.temperature", Within: []Nearness{{Of: 1}}, From: "d"}},
		Interlocks: []Interlock{{When: "abs(plate.temperature - foil.temperature) > 15 K", While: OnPlate, Then: "pause",
			Pause: &Pause{ClearNs: 1e9, AtMostNs: 1e15}, From: "i"}}})
	g.Sent(told(t, "heat on"))
	g.Sent(told(t, "60 degC"))
	i, foil, s := channel("plate.temperature"), channel("foil.temperature"), 0.0
	if n := testing.AllocsPerRun(200, func() {
		s += 0.01
		g.Observe(drivers.Reading{Channel: foil, At: at(s), Value: 20})
		g.Observe(drivers.Reading{Channel: i, At: at(s), Value: 59 + s})
		g.Pausing()
	}); n != 0 {
		t.Errorf("%g allocations a reading", n)
	}
	if g.Latched() != nil {
		t.Error(g.Latched())
	}
}

// What is shown of a temperature after the heat went off.
func TestCooling(t *testing.T) {
	h := rig.Heating{RateKPerS: 1, DeadS: 2, CoolingS: 80}
	w := coolingOf(h, 0.1, 18)
	if w.settleNs != 4*clock.Second || w.lookNs != 4*clock.Second || w.giveUpNs != 20*clock.Second || w.riseK != 2 || w.nearDegC != 26 {
		t.Fatalf("%+v", w)
	}
	for _, c := range []struct {
		name string
		degC func(s float64) float64
		want verdict
		at   float64
	}{
		{"cools at once", func(s float64) float64 { return 60 - 0.5*s }, behaves, 0.5},
		{"goes on for its dead time, then cools", func(s float64) float64 { return 60 + min(s, 2)*1.5 - max(0, s-2)*0.5 }, behaves, 2.5},
		{"goes on warming", func(s float64) float64 { return 60 + s }, warms, 6.5},
		{"goes on warming slowly", func(s float64) float64 { return 60 + 0.3*s }, warms, 11},
		{"stays hot", func(float64) float64 { return 60 }, stays, 20.5},
		{"stays, just above what is near the room", func(float64) float64 { return 26.1 }, stays, 20.5},
		{"rests near the room", func(float64) float64 { return 20 }, behaves, 4},
		{"rests near the room, after a little warmth", func(s float64) float64 { return 20 + min(s, 3)*0.5 }, behaves, 8},
		{"warms near the room", func(s float64) float64 { return 19 + s }, warms, 6.5},
		{"flickers by a digit", func(s float64) float64 { return 60 + 0.1*float64(int(2*s)%2) }, stays, 20.5},
	} {
		var s seen
		found, when := open, -1.0
		for at := 0.0; at < 30 && found == open; at += 0.5 {
			found, when = w.judge(&s, clock.Instant(at*1e9), c.degC(at)), at
		}
		if found != c.want || when != c.at {
			t.Errorf("%s: verdict %d at %g s, expected %d at %g s", c.name, found, when, c.want, c.at)
		}
	}
}
