package condition

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"testing"

	"dwell/drivers/quantity"
)

func compile(t testing.TB, text string, v Vocabulary) *Condition {
	t.Helper()
	c, faults := Compile(text, v)
	if len(faults) > 0 {
		t.Fatalf("%s: %v", text, faults)
	}
	return c
}

// number asks for the value of a part of an expression.
func number(t *testing.T, text string, m *Memory, now int64) float64 {
	t.Helper()
	c := compiler{vocabulary: bench(), condition: new(Condition), leaves: map[int]leaf{}}
	tree, err := parse(c.mask(text))
	if err != nil || len(c.faults) > 0 {
		t.Fatal(text, err, c.faults)
	}
	return c.node(tree).number(frame{m, now, 0})
}

const plate, foil, element, meter = 0, 1, 2, 3

func TestEval(t *testing.T) {
	v := bench()
	m := NewMemory(v)
	m.Observe(plate, 10*s, 40, true)
	m.Observe(foil, 10*s, 24.5, true)
	m.Observe(element, 10*s, 900, true)
	for text, want := range map[string]Truth{
		"plate.temperature > 39.9 degC":                      True,
		"plate.temperature > 40 degC":                        False,
		"plate.temperature >= 40 degC":                       True,
		"plate.temperature < 40 degC":                        False,
		"plate.temperature <= 40 degC":                       True,
		"abs(foil.temperature - plate.temperature) > 15 K":   True,
		"abs(foil.temperature - plate.temperature) > 16 K":   False,
		"foil.temperature - plate.temperature < -15 K":       True,
		"20 degC < foil.temperature < 25 degC":               True,
		"20 degC < foil.temperature < 24 degC":               False,
		"25 degC < foil.temperature < 30 degC":               False,
		"element.resistance < 1 kOhm and elapsed > 2 s":      True,
		"element.resistance < 0.9 kOhm or elapsed > 20 s":    False,
		"not (element.resistance < 1 kOhm)":                  False,
		"low + 2 * rise > foil.temperature":                  True,
		"(plate.temperature - low) / rise > 399 %":           True,
		"(plate.temperature - low) / rise > 4":               False,
		"element.resistance * 1 mA > 899 mV":                 True,
		"element.resistance / 2 < 450.1 Ohm":                 True,
		"min(plate.temperature, foil.temperature) > 24 degC": True,
		"max(plate.temperature, foil.temperature) > 39 degC": True,
		"max(foil.temperature, low, 30 degC) > 30 degC":      False,
		"-(foil.temperature - plate.temperature) > 15 K":     True,
		"elapsed >= 8 s":                                     True,
		"elapsed > 8 s":                                      False,
		"elapsed > 0 s or meter.power > 1 W":                 True,
		"elapsed < 0 s or meter.power > 1 W":                 Unknown,
		"elapsed > 1 h and meter.power > 1 W":                False,
		"not (meter.power > 1 W)":                            Unknown,
		"rise / (foil.temperature - 24.5 degC) > 1":          Unknown, // divided by zero
	} {
		if got := compile(t, text, v).Eval(m, 10*s, 2*s); got != want {
			t.Errorf("%s is %v, want %v", text, got, want)
		}
	}
	if got := compile(t, "elapsed < 1 s", v).Eval(m, 10*s, 11*s); got != Unknown {
		t.Errorf("a step that begins later has lasted: %v", got)
	}
}

// Kleene's tables. a, b are set by a reading above or below the limit, or none.
func TestThreeValues(t *testing.T) {
	v := bench()
	and := compile(t, "plate.temperature > low and foil.temperature > low", v)
	or := compile(t, "plate.temperature > low or foil.temperature > low", v)
	no := compile(t, "not (plate.temperature > low)", v)
	U, F, T := Unknown, False, True
	for _, c := range []struct{ a, b, and, or, not Truth }{
		{T, T, T, T, F}, {T, F, F, T, F}, {T, U, U, T, F},
		{F, T, F, T, T}, {F, F, F, F, T}, {F, U, F, U, T},
		{U, T, U, T, U}, {U, F, F, U, U}, {U, U, U, U, U},
	} {
		m := NewMemory(v)
		for channel, truth := range []Truth{c.a, c.b} {
			if truth != Unknown {
				m.Observe(channel, 0, map[Truth]float64{True: 30, False: 10}[truth], true)
			}
		}
		if x, y, z := and.Eval(m, 0, 0), or.Eval(m, 0, 0), no.Eval(m, 0, 0); x != c.and || y != c.or || z != c.not {
			t.Errorf("%v, %v: and %v, or %v, not %v; want %v, %v, %v", c.a, c.b, x, y, z, c.and, c.or, c.not)
		}
	}
}

// Whatever makes a reading unusable makes a comparison unknown, either way
// round.
func TestUnknown(t *testing.T) {
	v := bench()
	both := []*Condition{compile(t, "plate.temperature > low", v), compile(t, "plate.temperature <= low", v)}
	for name, c := range map[string]struct {
		value float64
		good  bool
		age   int64
		known bool
	}{
		"good":               {30, true, 0, true},
		"just not stale":     {30, true, 3 * s, true},
		"stale":              {30, true, 3*s + 1, false},
		"bad":                {30, false, 0, false},
		"NaN":                {math.NaN(), true, 0, false},
		"infinite":           {math.Inf(1), true, 0, false},
		"infinitely small":   {math.Inf(-1), true, 0, false},
		"stamped a bit late": {30, true, -s, true},
	} {
		m := NewMemory(v)
		m.Observe(plate, 100*s, c.value, c.good)
		for _, x := range both {
			if got := x.Eval(m, 100*s+c.age, 0); (got != Unknown) != c.known {
				t.Errorf("%s: %v", name, got)
			}
		}
	}
	m := NewMemory(v)
	m.Observe(plate, 100*s, 30, true)
	m.Observe(plate, 101*s, 30, false)
	if got := both[0].Eval(m, 101*s, 0); got != Unknown {
		t.Errorf("the last good value stands in for a bad one: %v", got)
	}
	m.Observe(plate, 102*s, 30, true)
	if got := both[0].Eval(m, 102*s, 0); got != True {
		t.Errorf("still unknown after a good one: %v", got)
	}
	if got := both[0].Eval(new(Memory), 0, 0); got != Unknown {
		t.Errorf("an empty memory knows: %v", got)
	}
}

// fill feeds one reading a second from time zero; a NaN is a bad one.
func fill(m *Memory, channel int, values ...float64) int64 {
	for i, x := range values {
		m.Observe(channel, int64(i)*s, x, !math.IsNaN(x))
	}
	return int64(len(values)-1) * s
}

// Values computed by hand.
func TestSlopeAndMean(t *testing.T) {
	v := bench()
	m := NewMemory(v, compile(t, "rate(plate.temperature, 4 s) > 1 K/s", v))
	// t - 2: -2 -1 0 1 2; x - 2.2: -2.2 -1.2 -0.2 0.8 2.8; products sum to 12,
	// squares to 10.
	now := fill(m, plate, 0, 1, 2, 3, 5)
	if got := number(t, "rate(plate.temperature, 4 s)", m, now); math.Abs(got-1.2) > 1e-15 {
		t.Errorf("slope %v, want 1.2", got)
	}
	if got := number(t, "mean(plate.temperature, 4 s)", m, now); math.Abs(got-2.2) > 1e-15 {
		t.Errorf("mean %v, want 2.2", got)
	}
	// A window of 2.5 s takes the reading just beyond it too: t = 1 to 4, mean
	// 11/4; (-1.5)(-1.75) + (-0.5)(-0.75) + 0.5*0.25 + 1.5*2.25 = 6.5 over 5.
	if got := number(t, "mean(plate.temperature, 2.5 s)", m, now); got != 2.75 {
		t.Errorf("mean %v, want 2.75", got)
	}
	if got := number(t, "rate(plate.temperature, 2.5 s)", m, now); math.Abs(got-1.3) > 1e-15 {
		t.Errorf("slope %v, want 1.3", got)
	}
}

// A bad reading is left out of a window, not taken for a value.
func TestBadReadingInWindow(t *testing.T) {
	m := NewMemory(bench(), compile(t, "rate(plate.temperature, 4 s) > 1 K/s", bench()))
	now := fill(m, plate, 0, 1, math.NaN(), 3, 4)
	if got := number(t, "rate(plate.temperature, 4 s)", m, now); math.Abs(got-1) > 1e-15 {
		t.Errorf("slope %v, want 1", got)
	}
	if got := number(t, "mean(plate.temperature, 4 s)", m, now); got != 2 {
		t.Errorf("mean %v, want 2", got)
	}
	m.Observe(plate, now+1, 0, false)
	if got := number(t, "mean(plate.temperature, 4 s)", m, now+1); !math.IsNaN(got) {
		t.Errorf("mean %v though the latest reading is bad", got)
	}
}

// Equal readings have their own value as mean, to the last digit.
func TestMeanIsSound(t *testing.T) {
	m := NewMemory(bench(), compile(t, "mean(plate.temperature, 9 s) > low", bench()))
	now := fill(m, plate, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1)
	if got := number(t, "mean(plate.temperature, 9 s)", m, now); got != 0.1 {
		t.Errorf("mean %v, want 0.1", got)
	}
}

// A small slope on a large value, at a late time: sums of squares of the raw
// numbers would leave no digit of it.
func TestSlopeIsSound(t *testing.T) {
	v := bench()
	m := NewMemory(v, compile(t, "rate(element.resistance, 1 min) > 1 Ohm / 1 s", v))
	start, step := 30*86400*s, 370*s/1000
	for i := range int64(200) {
		m.Observe(element, start+i*step, 0x1p40+float64(i)*0.5, true)
	}
	want := 0.5 / 0.37
	if got := number(t, "rate(element.resistance, 1 min)", m, start+199*step); math.Abs(got-want) > 1e-12 {
		t.Errorf("slope %v, want %v", got, want)
	}
}

func TestSettled(t *testing.T) {
	nan := math.NaN()
	for name, c := range map[string]struct {
		values []float64
		late   int64 // asked so long after the last reading
		want   Truth
	}{
		// mean 20.03, slope 0.06/5, times 3 s is 0.036 K
		"rest": {[]float64{20.00, 20.06, 20.00, 20.06}, 0, True},
		// all within 0.075 K of the mean, but 0.05 K/s times 3 s is 0.15 K
		"drift":    {[]float64{20.00, 20.05, 20.10, 20.15}, 0, False},
		"drift up": {[]float64{20.15, 20.10, 20.05, 20.00}, 0, False},
		// slope times window 0.09 K, but one reading 0.225 K from the mean
		"jump":                     {[]float64{20, 20, 20.3, 20}, 0, False},
		"old jump":                 {[]float64{25, 20, 20, 20, 20}, 0, True},
		"window not full":          {[]float64{20, 20, 20}, 0, Unknown},
		"window not full, moving":  {[]float64{20, 25, 30}, 0, Unknown},
		"one bad among good":       {[]float64{20, 20, nan, 20, 20}, 0, Unknown}, // 3 readings in the window
		"bad ones leave too few":   {[]float64{20, nan, 20, nan, 20}, 0, Unknown},
		"latest is bad":            {[]float64{20, 20, 20, 20, 20, nan}, 0, Unknown},
		"gap of 3 s":               {[]float64{20, 20, 20, 20, nan, nan, 20}, 0, Unknown}, // 2 readings in the window
		"gap over staleness":       {[]float64{20, 20, 20, nan, nan, nan, 20, 20}, 0, Unknown},
		"asked late, not stale":    {[]float64{20, 20, 20, 20}, 2 * s, Unknown}, // 2 readings in the window
		"asked late, stale":        {[]float64{20, 20, 20, 20}, 4 * s, Unknown},
		"asked a bit late":         {[]float64{20, 20, 20, 20, 20}, s / 2, True},
		"rest on a step long past": {[]float64{0, 90, 20, 20.01, 20, 20}, 0, True},
	} {
		v := bench()
		x := compile(t, "settled(foil.temperature, 0.1 K, 3 s)", v)
		m := NewMemory(v, x)
		now := fill(m, foil, c.values...)
		if got := x.Eval(m, now+c.late, 0); got != c.want {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
}

// A window must not be bridged over a gap, even if enough readings are left.
func TestGap(t *testing.T) {
	v := bench()
	c := compile(t, "mean(element.resistance, 20 s) > 1 Ohm", v)
	for gap, want := range map[int64]Truth{3 * s: True, 3*s + 1: Unknown} {
		m := NewMemory(v, c)
		at := int64(0)
		for i := range 60 {
			m.Observe(element, at, 5, true)
			if at += s / 2; i == 40 {
				at += gap - s/2
			}
		}
		if got := c.Eval(m, at-s/2, 0); got != want {
			t.Errorf("gap of %d ns: %v, want %v", gap, got, want)
		}
	}
}

// Readings come unevenly, twice, or in the wrong order.
func TestObserve(t *testing.T) {
	v := bench()
	c := compile(t, "mean(plate.temperature, 2 s) > low", v)
	m := NewMemory(v, c)
	fill(m, plate, 10, 10, 10)
	m.Observe(plate, s, 1000, true) // older than the latest: ignored
	m.Observe(plate, 2*s, 16, true) // again at the same time: replaces
	m.Observe(-1, 2*s, 1, true)     // no such channel
	m.Observe(99, 2*s, 1, true)     // no such channel
	if got := number(t, "mean(plate.temperature, 2 s)", m, 2*s); got != 12 {
		t.Errorf("mean %v, want 12", got)
	}
	m.Observe(plate, 2*s, 16, false) // the bad one of two counts
	m.Observe(plate, 2*s, 16, true)
	if got := c.Eval(m, 2*s, 0); got != Unknown {
		t.Errorf("a bad reading was replaced by a good one of the same time: %v", got)
	}
	if got := compile(t, "plate.temperature < low", v).Eval(m, 2*s, 0); got != Unknown {
		t.Errorf("a bad reading was replaced by a good one of the same time: %v", got)
	}
}

// More readings than a window has room for make it unknown, never wrong.
func TestTooManyReadings(t *testing.T) {
	v := bench()
	c := compile(t, "mean(plate.temperature, 10 s) > low", v)
	m := NewMemory(v, c)
	room := len(m.Channels[plate].AtNs)
	for i := range int64(1000) {
		m.Observe(plate, i*s/10, 50, true)
	}
	if got := c.Eval(m, 999*s/10, 0); got != Unknown {
		t.Errorf("ten times the rate: %v", got)
	}
	for i := range int64(100) {
		m.Observe(plate, 100*s+i*s/2, 50, true)
	}
	if got := c.Eval(m, 100*s+99*s/2, 0); got != True {
		t.Errorf("twice the rate: %v", got)
	}
	if len(m.Channels[plate].AtNs) != room {
		t.Error("the memory grows")
	}
}

// A memory that went through JSON, or was cloned, goes on in the same way.
func TestMemoryIsData(t *testing.T) {
	v := bench()
	c := compile(t, "settled(foil.temperature, 0.1 K, 3 s) or rate(plate.temperature, 5 s) > 0.3 K/s", v)
	m := NewMemory(v, c)
	random := rand.New(rand.NewPCG(1, 2))
	step := func(m *Memory, i int64, x, y float64) Truth {
		m.Observe(foil, i*s, 20+x*0.15, x < 0.97)
		m.Observe(plate, i*s, 20+y, y < 0.97)
		return c.Eval(m, i*s, 0)
	}
	seen := map[Truth]int{}
	for i := range int64(300) {
		text, err := json.Marshal(m)
		if err != nil {
			t.Fatal(err)
		}
		var again Memory
		if err := json.Unmarshal(text, &again); err != nil || !reflect.DeepEqual(*m, again) {
			t.Fatalf("%v: %s", err, text)
		}
		clone, x, y := m.Clone(), random.Float64(), random.Float64()
		a, b, d := step(m, i, x, y), step(&again, i, x, y), step(clone, i, x, y)
		if a != b || a != d || !reflect.DeepEqual(m, &again) || !reflect.DeepEqual(m, clone) {
			t.Fatalf("reading %d: %v, after JSON %v, cloned %v", i, a, b, d)
		}
		seen[a]++
	}
	clone, before := m.Clone(), fmt.Sprint(*m)
	for i := range int64(50) {
		step(clone, 300+i, 0, 0)
	}
	if fmt.Sprint(*m) != before {
		t.Error("a clone shares its readings")
	}
	if len(seen) != 3 {
		t.Errorf("the test saw only %v", seen)
	}
}

// An answer given in spite of missing readings must stay the same whatever
// those readings would have been.
func TestUnknownIsSound(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	v := Vocabulary{Names: map[string]quantity.Quantity{}}
	for i := range 4 {
		v.Channels = append(v.Channels, Channel{Name: fmt.Sprintf("c%d.x", i), Dim: dim("K"), StaleNs: 3 * s})
	}
	var quantityText, conditionText func(depth int) string
	quantityText = func(depth int) string {
		if depth == 0 || random.IntN(3) == 0 {
			return [...]string{"c0.x", "c1.x", "c2.x", "c3.x", "2 K", "-1 K"}[random.IntN(6)]
		}
		a, b := quantityText(depth-1), quantityText(depth-1)
		return fmt.Sprintf([...]string{"(%s + %s)", "(%s - %s)", "min(%s, %s)", "max(%s, %s)", "abs(%s - %s)", "(%s * 1 K / %s)"}[random.IntN(6)], a, b)
	}
	conditionText = func(depth int) string {
		if depth == 0 {
			return quantityText(2) + [...]string{" < ", " <= ", " > ", " >= "}[random.IntN(4)] + quantityText(2)
		}
		if random.IntN(4) == 0 {
			return "not (" + conditionText(depth-1) + ")"
		}
		return "(" + conditionText(depth-1) + [...]string{") and (", ") or ("}[random.IntN(2)] + conditionText(depth-1) + ")"
	}
	decided, tried := 0, 0
	for tried < 1500 {
		text := conditionText(2)
		c, faults := Compile(text, v)
		if len(faults) > 0 {
			continue // a side without a channel
		}
		tried++
		missing := random.IntN(4)
		m := NewMemory(v)
		for i := range 4 {
			if i != missing {
				m.Observe(i, 0, float64(random.IntN(7)-3), true)
			}
		}
		got := c.Eval(m, 0, 0)
		if got == Unknown {
			continue
		}
		decided++
		for x := -100.0; x <= 100; x += 12.5 {
			whole := m.Clone()
			whole.Observe(missing, 0, x, true)
			if full := c.Eval(whole, 0, 0); full != Unknown && full != got {
				t.Fatalf("%s is %v without c%d, but %v when it is %v", text, got, missing, full, x)
			}
		}
	}
	if decided < 100 {
		t.Errorf("only %d of %d were decided: the test says nothing", decided, tried)
	}
}

const everything = "abs(plate.temperature - foil.temperature) > 15 K or rate(plate.temperature, 30 s) > 3 K/min " +
	"or not settled(foil.temperature, 0.1 K, 1 min) and mean(element.resistance, 10 s) < min(1 kOhm, element.resistance) and elapsed > 2 min"

func warm(t testing.TB) (*Condition, *Memory) {
	v := bench()
	c := compile(t, everything, v)
	m := NewMemory(v, c)
	for i := range int64(200) {
		m.Observe(plate, i*s, 20, true)
		m.Observe(foil, i*s, 20, true)
		m.Observe(element, i*s, 900, true)
		m.Observe(element, i*s+s/2, 900, true)
	}
	return c, m
}

func TestNothingIsAllocated(t *testing.T) {
	c, m := warm(t)
	at := 200 * s
	n := testing.AllocsPerRun(200, func() {
		m.Observe(plate, at, 20, true)
		m.Observe(foil, at, 20, true)
		m.Observe(element, at, 900, true)
		if c.Eval(m, at, 0) != False {
			t.Error("not false")
		}
		at += s
	})
	if n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func BenchmarkLimit(b *testing.B) {
	v := bench()
	c := compile(b, "abs(plate.temperature - foil.temperature) > 15 K", v)
	_, m := warm(b)
	b.ReportAllocs()
	for b.Loop() {
		c.Eval(m, 199*s, 0)
	}
}

func BenchmarkRate(b *testing.B) {
	v := bench()
	c := compile(b, "rate(plate.temperature, 30 s) > 3 K/min", v)
	_, m := warm(b)
	b.ReportAllocs()
	for b.Loop() {
		c.Eval(m, 199*s, 0)
	}
}
