package safety

import (
	"encoding/json"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/quantity"
	"dwell/drivers/rig"
	"dwell/drivers/yamltext"
)

const benchText = `
format: 1
rig: test bench
ambient: {temperature: 18 degC, cooling: none}
instruments:
  plate: {profile: namur-hotplate, port: twin}
  meter: {profile: scpi-source-meter, port: twin}
channels:
  foil.temperature: {from: plate.probe}
  element.resistance: {from: meter.resistance}
`

func testRig(t testing.TB) *rig.Rig {
	t.Helper()
	m := &yamltext.Mistakes{}
	text := benchText
	doc := yamltext.Parse("rig.yaml", []byte(text), m)
	r := rig.Load(doc, nil, m)
	if err := m.Err(); err != nil {
		t.Fatal(err)
	}
	return r
}

// gateFor makes a gate; channel finds a channel's index by name.
func gateFor(t testing.TB, rules Rules) (g *Gate, channel func(string) int) {
	t.Helper()
	r := testRig(t)
	g, err := NewGate(rules, r)
	if err != nil {
		t.Fatal(err)
	}
	return g, func(name string) int {
		for i, c := range r.Channels {
			if c.Name == name {
				return i
			}
		}
		t.Fatalf("no channel %s", name)
		return -1
	}
}

func at(s float64) clock.Instant { return clock.Instant(s * 1e9) }

func number(v float64) *float64 { return &v }

func degC(v float64) quantity.Quantity {
	u, _ := quantity.LookUp("degC")
	return quantity.Quantity{Value: v, Unit: u}
}

var polled = []Stale{
	{Channel: "plate.temperature", EveryNs: 1e9, AfterNs: 3e9},
	{Channel: "foil.temperature", EveryNs: 1e9, AfterNs: 3e9},
	{Channel: "element.resistance", EveryNs: 5e8, AfterNs: 2e9},
}

func TestLevels(t *testing.T) {
	below60 := Limit{Channel: "plate.temperature", Below: number(60), From: "rig.yaml:9:5"}
	lasting := Limit{Channel: "plate.temperature", Below: number(60), LastingNs: 2e9, From: "rig.yaml:9:5"}
	above10 := Limit{Channel: "plate.temperature", Above: number(10), From: "rig.yaml:9:5"}
	for _, c := range []struct {
		name   string
		limit  Limit
		values []float64 // one a second
		flag   drivers.Flag
		trips  int // index of the reading that trips, -1 for none
	}{
		{"inside", below60, []float64{20, 59.9}, drivers.Good, -1},
		{"the limit itself does not pass", below60, []float64{59, 60}, drivers.Good, 1},
		{"over at once", below60, []float64{61}, drivers.Good, 0},
		{"under the lower one", above10, []float64{11, 10}, drivers.Good, 1},
		{"not a number is not below", below60, []float64{math.NaN()}, drivers.Good, 0},
		{"not long enough", lasting, []float64{61, 61, 59, 59, 59, 59, 59, 61}, drivers.Good, -1},
		{"long enough", lasting, []float64{59, 61, 61, 61}, drivers.Good, 3},
		{"flicker does not postpone for ever", lasting, []float64{61, 61, 59, 61, 61}, drivers.Good, 4},
		{"a bad reading is the business of silence", below60, []float64{99}, drivers.Garbled, -1},
	} {
		g, channel := gateFor(t, Rules{Limits: []Limit{c.limit}, Stale: polled})
		tripped := -1
		for i, v := range c.values {
			cause := g.Observe(drivers.Reading{Channel: channel("plate.temperature"), At: at(float64(i)), Value: v, Flag: c.flag})
			if cause != nil {
				tripped = i
				if cause.Kind != Tripped || !strings.Contains(cause.Error(), "plate.temperature") || !strings.Contains(cause.Error(), "rig.yaml:9:5") {
					t.Errorf("%s: cause %+v", c.name, cause)
				}
				break
			}
		}
		if tripped != c.trips {
			t.Errorf("%s: tripped at reading %d, expected %d", c.name, tripped, c.trips)
		}
	}
}

// A cause says since when its rule could have asked for it: readings come every second,
// and what they show may have begun right after the one before. What must last is seen
// to have lasted up to two intervals late.
func TestACauseSaysSinceWhen(t *testing.T) {
	level := func(lasting float64) Rules {
		return Rules{Stale: polled, Limits: []Limit{{Channel: "plate.temperature", Below: number(60), LastingNs: int64(lasting * 1e9), From: "rig.yaml:9:5"}}}
	}
	for _, c := range []struct {
		name           string
		rules          Rules
		over           []float64 // when it was too hot
		tripped, since float64
	}{
		{"at once", level(0), []float64{10}, 10, 9},
		{"lasting", level(2), []float64{10, 11, 12}, 12, 11},
		{"lasting and a little more", level(2.5), []float64{10, 11, 12, 13}, 13, 11.5},
		{"held for a while before", level(4), []float64{3, 4, 5, 8, 9, 10}, 10, 9.5}, // for 2 s, of which half a second was forgotten
		{"begun anew", level(2), []float64{3, 10, 11, 12}, 12, 11},
		{"an interlock", Rules{Stale: polled, Interlocks: []Interlock{{When: "plate.temperature > 60 degC", LastingNs: 2.5e9, Then: "trip", From: "x"}}},
			[]float64{10, 11, 12, 13}, 13, 11.5},
		{"a rule without expression", Rules{Stale: polled, HeatsNot: []HeatsNot{heatsNot}}, nil, 22, 21},
	} {
		g, channel := gateFor(t, c.rules)
		g.Arm(channel("plate.temperature"), 0, at(3))
		g.Sent(told(t, "heat on"))
		g.Sent(told(t, "40 degC"))
		var cause *Cause
		for s := 1.0; s < 30 && cause == nil; s++ {
			v := 20.0
			if slices.Contains(c.over, s) {
				v = 61
			}
			cause = g.Observe(drivers.Reading{Channel: channel("plate.temperature"), At: at(s), Value: v})
		}
		if cause == nil || cause.At != at(c.tripped) || cause.Since != at(c.since) {
			t.Errorf("%s: %+v, expected at %g s since %g s", c.name, cause, c.tripped, c.since)
		}
	}
	g, channel := gateFor(t, Rules{Stale: polled})
	g.Arm(channel("plate.temperature"), at(1), at(3))
	if c, _ := g.Silent(at(5)); c == nil || c.Since != at(4) {
		t.Errorf("silence: %+v, expected since 4 s", c)
	}
}

func TestTheFirstCauseIsKept(t *testing.T) {
	g, channel := gateFor(t, Rules{Limits: []Limit{{Channel: "plate.temperature", Below: number(60), From: "a"}}, Stale: polled})
	g.Observe(drivers.Reading{Channel: channel("plate.temperature"), At: at(1), Value: 70})
	first := g.Latched()
	g.Latch(Cause{Kind: Stopped, Text: "later"})
	g.Observe(drivers.Reading{Channel: channel("plate.temperature"), At: at(2), Value: 20})
	if first == nil || g.Latched() != first {
		t.Errorf("latched %v, first was %v", g.Latched(), first)
	}
}

func TestSetpoints(t *testing.T) {
	g, channel := gateFor(t, Rules{Limits: []Limit{
		{Channel: "plate.temperature", Below: number(60), Above: number(5), From: "specimen.yaml:4:7"},
		{Channel: "meter.current", Below: number(1e-3), Above: number(-1e-3), From: "specimen.yaml:6:7"},
	}, Stale: polled})
	ampere, _ := quantity.LookUp("A")
	set := func(instrument, what string, q quantity.Quantity) error {
		return g.Allow(drivers.Setpoint{Instrument: instrument, Quantity: what, Value: q})
	}
	for _, c := range []struct {
		name    string
		err     error
		allowed bool
	}{
		{"below the limit", set("plate", "temperature", degC(59)), true},
		{"at the limit", set("plate", "temperature", degC(60)), false},
		{"far over", set("plate", "temperature", degC(400)), false},
		{"not a number", set("plate", "temperature", degC(math.NaN())), false},
		{"under the lower limit", set("plate", "temperature", degC(4)), false},
		{"current inside", set("meter", "current", quantity.Quantity{Value: 1e-5, Unit: ampere}), true},
		{"current beyond", set("meter", "current", quantity.Quantity{Value: -2e-3, Unit: ampere}), false},
		{"a state", g.Allow(drivers.Setpoint{Instrument: "plate", Quantity: "heat", State: "on"}), true},
	} {
		if (c.err == nil) != c.allowed {
			t.Errorf("%s: %v", c.name, c.err)
		}
		if c.err != nil && !strings.Contains(c.err.Error(), "specimen.yaml") {
			t.Errorf("%s: %v does not say where the limit stands", c.name, c.err)
		}
	}
	g.Observe(drivers.Reading{Channel: channel("plate.temperature"), At: at(1), Value: 70})
	if set("plate", "temperature", degC(20)) == nil || g.Allow(drivers.Setpoint{Instrument: "plate", Quantity: "heat", State: "on"}) == nil {
		t.Error("something may be set after a trip")
	}
}

func TestSilence(t *testing.T) {
	good := func(c int, s float64) drivers.Reading { return drivers.Reading{Channel: c, At: at(s), Value: 20} }
	for _, c := range []struct {
		name string
		do   func(g *Gate, c int)
		now  float64
		kind int // -1: no cause
	}{
		{"fresh", func(g *Gate, c int) { g.Observe(good(c, 5)) }, 7.9, -1},
		{"silent from the beginning", func(*Gate, int) {}, 3.1, int(Failed)},
		{"silent since", func(g *Gate, c int) { g.Observe(good(c, 5)) }, 8.1, int(Failed)},
		{"garbage is silence", func(g *Gate, c int) {
			g.Observe(drivers.Reading{Channel: c, At: at(3), Value: 20, Flag: drivers.Garbled})
		}, 3.1, int(Failed)},
		{"no probe is a trip", func(g *Gate, c int) {
			g.Observe(drivers.Reading{Channel: c, At: at(3), Value: 999.9, Flag: drivers.NoProbe})
		}, 3.1, int(Tripped)},
		{"not expected any more", func(g *Gate, c int) { g.Arm(c, at(1), 0) }, 100, -1},
		{"a planned pause", func(g *Gate, c int) { g.Pause(c, at(50)) }, 52.9, -1},
		{"after the planned pause", func(g *Gate, c int) { g.Pause(c, at(50)) }, 53.1, int(Failed)},
	} {
		g, channel := gateFor(t, Rules{Stale: polled})
		i := channel("plate.temperature")
		g.Arm(i, 0, at(3))
		c.do(g, i)
		cause, next := g.Silent(at(c.now))
		switch {
		case cause == nil && c.kind >= 0:
			t.Errorf("%s: nothing said", c.name)
		case cause != nil && int(cause.Kind) != c.kind:
			t.Errorf("%s: %v (kind %d)", c.name, cause, cause.Kind)
		case cause == nil && next <= at(c.now):
			t.Errorf("%s: to look again at %d ns, which is past", c.name, next)
		}
	}
}

func TestRatesAndInterlocks(t *testing.T) {
	rate := Rules{Rates: []Rate{{Channel: "plate.temperature", Below: 0.1, WindowNs: 10e9, From: "r"}}, Stale: polled}
	apart := Rules{Interlocks: []Interlock{{When: "abs(plate.temperature - foil.temperature) > 15 K", LastingNs: 2e9, Then: "trip", From: "i"}}, Stale: polled}
	for _, c := range []struct {
		name  string
		rules Rules
		plate func(s float64) float64
		foil  func(s float64) (float64, bool) // false: no reading
		trips float64                         // not before, and within two readings
	}{
		{"slow enough", rate, func(s float64) float64 { return 20 + 0.09*s }, nil, -1},
		{"too fast", rate, func(s float64) float64 { return 20 + 0.11*s }, nil, 10},
		{"falling too fast", rate, func(s float64) float64 { return 90 - 0.2*s }, nil, 10},
		{"together", apart, func(float64) float64 { return 30 }, func(float64) (float64, bool) { return 29, true }, -1},
		{"apart for long", apart, func(float64) float64 { return 30 }, func(s float64) (float64, bool) { return 29 - s, true }, 17},
		{"one of them is silent", apart, func(float64) float64 { return 30 }, func(s float64) (float64, bool) { return 29, s < 10 }, 12},
	} {
		g, channel := gateFor(t, c.rules)
		tripped := -1.0
		for s := 0.0; s < 40 && tripped < 0; s++ {
			if c.foil != nil {
				if v, ok := c.foil(s); ok {
					g.Observe(drivers.Reading{Channel: channel("foil.temperature"), At: at(s), Value: v})
				}
			}
			if g.Observe(drivers.Reading{Channel: channel("plate.temperature"), At: at(s), Value: c.plate(s)}) != nil {
				tripped = s
			}
		}
		if c.trips < 0 && tripped >= 0 || c.trips >= 0 && !(tripped >= c.trips && tripped <= c.trips+5) {
			t.Errorf("%s: tripped at %g s, expected %g s: %v", c.name, tripped, c.trips, g.Latched())
		}
	}
}

func TestAWarningDoesNotStop(t *testing.T) {
	g, channel := gateFor(t, Rules{Interlocks: []Interlock{{When: "plate.temperature > 40 degC", Then: "warn", From: "i"}}, Stale: polled})
	warnings := 0
	for s := range 10 {
		if c := g.Observe(drivers.Reading{Channel: channel("plate.temperature"), At: at(float64(s)), Value: 50}); c != nil {
			t.Fatal(c)
		}
		warnings += len(g.Warnings())
	}
	if warnings != 1 {
		t.Errorf("%d warnings while it held once", warnings)
	}
}

func TestCompliance(t *testing.T) {
	g, channel := gateFor(t, Rules{Compliance: []Compliance{{Instrument: "meter", LastingNs: 1e9, From: "c"}}, Stale: polled})
	var flags []drivers.Flag
	for range 3 {
		flags = append(flags, drivers.Good, drivers.InCompliance, drivers.Good, drivers.Good, drivers.Good, drivers.Good)
	}
	flags = append(flags, drivers.InCompliance, drivers.InCompliance, drivers.InCompliance)
	for i, f := range flags {
		c := g.Observe(drivers.Reading{Channel: channel("element.resistance"), At: at(0.5 * float64(i)), Value: 1e4, Flag: f})
		if last := i == len(flags)-1; (c != nil) != last {
			t.Fatalf("reading %d of %d: %v", i, len(flags), c)
		}
	}
}

// What the gate remembers is plain data: a gate restored from its text decides as
// the original does.
func TestStateIsPlainData(t *testing.T) {
	rules := Rules{Limits: []Limit{{Channel: "plate.temperature", Below: number(60), LastingNs: 3e9, From: "l"}},
		Rates: []Rate{{Channel: "plate.temperature", Below: 5, WindowNs: 4e9, From: "r"}}, Stale: polled}
	g, channel := gateFor(t, rules)
	h, _ := gateFor(t, rules)
	i := channel("plate.temperature")
	g.Arm(i, 0, at(3))
	for s := range 7 {
		g.Observe(drivers.Reading{Channel: i, At: at(float64(s)), Value: 58 + float64(s)/2})
	}
	text, err := json.Marshal(g.Save())
	if err != nil {
		t.Fatal(err)
	}
	var s State
	if err := json.Unmarshal(text, &s); err != nil {
		t.Fatal(err)
	}
	h.Restore(s)
	for s := 7.0; s < 12; s++ {
		x := drivers.Reading{Channel: i, At: at(s), Value: 61.5}
		a, b := g.Observe(x), h.Observe(x)
		if !reflect.DeepEqual(a, b) {
			t.Fatalf("at %g s: %v and %v", s, a, b)
		}
	}
	if g.Latched() == nil {
		t.Error("the limit never tripped: the test shows nothing")
	}
}

func TestARuleOnNothingIsRefused(t *testing.T) {
	for _, rules := range []Rules{
		{Limits: []Limit{{Channel: "plate.temprature", Below: number(1), From: "here"}}},
		{Rates: []Rate{{Channel: "nothing", Below: 1, WindowNs: 1e9, From: "here"}}},
		{Interlocks: []Interlock{{When: "nothing > 1 K", From: "here"}}},
		{Interlocks: []Interlock{{When: "meter.voltage > 1 V", From: "here"}}, Stale: polled}, // never polled
	} {
		if _, err := NewGate(rules, testRig(t)); err == nil || !strings.Contains(err.Error(), "here") {
			t.Errorf("%+v: %v", rules, err)
		}
	}
}

func TestJudgingAReadingDoesNotAllocate(t *testing.T) {
	g, channel := gateFor(t, Rules{
		Limits:     []Limit{{Channel: "plate.temperature", Below: number(60), From: "l"}},
		Interlocks: []Interlock{{When: "abs(plate.temperature - foil.temperature) > 15 K", Then: "trip", From: "i"}}, Stale: polled})
	i, s := channel("plate.temperature"), 0.0
	g.Observe(drivers.Reading{Channel: channel("foil.temperature"), At: 0, Value: 20})
	if n := testing.AllocsPerRun(100, func() {
		s += 0.01
		g.Observe(drivers.Reading{Channel: i, At: at(s), Value: 20})
	}); n != 0 {
		t.Errorf("%g allocations a reading", n)
	}
}
