package condition

import (
	"math/rand/v2"
	"strings"
	"testing"
)

// The plate shows -50 degC to 450 degC; nothing is known of the other channels.
func TestConditionsThatCannotChange(t *testing.T) {
	for _, c := range []struct{ text, says string }{
		{"plate.temperature > 500 degC", "never"},
		{"plate.temperature > 450 degC", "never"},
		{"plate.temperature >= 450 degC", ""},
		{"plate.temperature > 449 degC", ""},
		{"500 degC < plate.temperature", "never"},
		{"plate.temperature < -50 degC", "never"},
		{"plate.temperature <= -50 degC", ""},
		{"plate.temperature > -60 degC", "always"},
		{"not (plate.temperature > -60 degC)", "never"},
		{"not (plate.temperature > 500 degC)", "always"},
		{"foil.temperature > 5000 degC", ""},
		{"mean(plate.temperature, 30 s) > 500 degC", "never"},
		{"rate(plate.temperature, 30 s) > 500 K/s", ""},
		{"abs(plate.temperature - foil.temperature) < 0 K", "never"},
		{"abs(plate.temperature - 20 degC) > 430 K", "never"},
		{"abs(plate.temperature - 20 degC) > 429 K", ""},
		{"-abs(plate.temperature - 20 degC) > 1 K", "never"},
		{"2 * (plate.temperature - 20 degC) > 900 K", "never"},
		{"(plate.temperature - 20 degC) / -2 > 40 K", "never"},
		{"5 K / (plate.temperature - 20 degC) > 900", ""},
		{"max(plate.temperature, 20 degC) < 19 degC", "never"},
		{"min(plate.temperature, 20 degC) > 21 degC", "never"},
		{"min(plate.temperature, foil.temperature) > 500 degC", "never"},
		{"max(plate.temperature, foil.temperature) > 500 degC", ""},
		{"foil.temperature > 30 degC and foil.temperature < 20 degC", "never"},
		{"30 degC < foil.temperature < 20 degC", "never"},
		{"20 degC < foil.temperature < 30 degC", ""},
		{"foil.temperature > 30 degC and plate.temperature < 20 degC", ""},
		{"foil.temperature > 30 degC or foil.temperature < 20 degC", ""},
		{"plate.temperature > 500 degC or foil.temperature < 20 degC", ""},
		{"plate.temperature > 500 degC or plate.temperature < -60 degC", "never"},
		{"plate.temperature > 500 degC and foil.temperature < 20 degC", "never"},
		{"foil.temperature > 30 degC and foil.temperature < 30 degC", "never"},
		{"foil.temperature >= 30 degC and foil.temperature < 30 degC", "never"},
		{"foil.temperature >= 30 degC and foil.temperature <= 30 degC", ""},
		{"foil.temperature > 30 degC and not (foil.temperature > 20 degC)", "never"},
		{"foil.temperature > 30 degC and not (foil.temperature > 40 degC)", ""},
		{"not (foil.temperature > 20 degC or foil.temperature < 30 degC)", "never"},
		{"foil.temperature > 20 degC or foil.temperature < 30 degC", "always"},
		{"foil.temperature > 20 degC or foil.temperature < 20 degC", ""},
		{"foil.temperature >= 20 degC or foil.temperature < 20 degC", "always"},
		{"not (not (foil.temperature > 30 degC) or foil.temperature > 20 degC)", "never"},
		{"elapsed < 0 s", "never"},
		{"elapsed > 0 s", ""},
		{"foil.temperature > foil.temperature", "never"},
		{"plate.temperature - plate.temperature > 1 K", "never"},
		{"plate.temperature - plate.temperature < 1 K", "always"},
		{"foil.temperature - foil.temperature < 1 K", "always"},
		{"abs(foil.temperature - foil.temperature) > 1 K", "never"},
		{"foil.temperature > foil.temperature + 1 K", "never"},
		{"foil.temperature + 1 K > foil.temperature", "always"},
		{"2 * (foil.temperature - 20 degC) < (foil.temperature - 20 degC) * 3 - (foil.temperature - 20 degC)", "never"},
		{"element.resistance / element.resistance > 2", "never"},
		{"element.resistance / element.resistance < 2", "always"},
		{"2 * element.resistance / element.resistance > 1", "always"},
		{"element.resistance * element.resistance / (element.resistance * element.resistance) > 2", "never"},
		{"element.resistance / (element.resistance + 1 kOhm) > 2", ""},
		{"min(foil.temperature, foil.temperature) > foil.temperature", "never"},
		{"mean(foil.temperature, 30 s) - mean(foil.temperature, 30 s) > 1 K", "never"},
		{"mean(foil.temperature, 30 s) - mean(foil.temperature, 40 s) > 1 K", ""},
		{"mean(foil.temperature, 30 s) - foil.temperature > 1 K", ""},
		{"foil.temperature < plate.temperature and plate.temperature < foil.temperature", "never"},
		{"foil.temperature <= plate.temperature and plate.temperature <= foil.temperature", ""},
		{"foil.temperature < plate.temperature or plate.temperature <= foil.temperature", "always"},
		{"foil.temperature - plate.temperature > 2 K and plate.temperature > foil.temperature", "never"},
		{"foil.temperature - plate.temperature > 2 K and plate.temperature > foil.temperature - 3 K", ""},
		{"abs(foil.temperature - plate.temperature) > 5 K and abs(foil.temperature - plate.temperature) < 4 K", "never"},
		{"abs(foil.temperature - plate.temperature) > 5 K and abs(plate.temperature - foil.temperature) < 4 K", "never"},
		{"elapsed - elapsed > 1 s", "never"},
		{"foil.temperature < slab.temperature and slab.temperature < plate.temperature and plate.temperature < foil.temperature", "never"},
		{"foil.temperature <= slab.temperature and slab.temperature <= plate.temperature and plate.temperature <= foil.temperature", ""},
		{"foil.temperature > 50 degC and slab.temperature < 40 degC and foil.temperature < slab.temperature", "never"},
		{"foil.temperature > 50 degC and slab.temperature < 40 degC and foil.temperature < slab.temperature + 20 K", ""},
		{"foil.temperature > 50 degC and slab.temperature < 40 degC and foil.temperature < slab.temperature + 9 K", "never"},
		{"foil.temperature >= 50.3 degC and slab.temperature <= 50.1 degC and foil.temperature <= slab.temperature + 0.2 K", ""},
		{"not (foil.temperature > 50 degC) or not (slab.temperature < 40 degC) or foil.temperature > slab.temperature", "always"},
		{"foil.temperature - 2 * (slab.temperature - 20 degC) > 50 degC and foil.temperature < slab.temperature", ""},
		{"foil.temperature > slab.temperature", ""},
		{"slab.temperature - foil.temperature > 1 K", ""},
		{"(slab.temperature - 0 degC) / (foil.temperature - 0 degC) > 2", ""},
		{"foil.temperature < slab.temperature and slab.temperature < plate.temperature", ""},
	} {
		v := bench()
		slab := v.Channels[1] // a name as long as that of another
		slab.Name = "slab.temperature"
		v.Channels = append(v.Channels, slab)
		_, faults := Compile(c.text, v)
		switch {
		case c.says == "" && len(faults) > 0, c.says != "" && len(faults) != 1:
			t.Errorf("%s: %v", c.text, faults)
		case c.says != "" && (!strings.Contains(faults[0].Text, c.says) || faults[0].Offset > 1):
			t.Errorf("%s: %+v, expected %s", c.text, faults[0], c.says)
		}
		if c.says != "" && strings.Contains(c.text, "plate") && (len(faults) != 1 || faults[0].Hint != "plate.temperature shows -50 degC to 450 degC") {
			t.Errorf("%s: %+v gives no reason", c.text, faults)
		}
	}
}

// What is said never to hold does not, and what is said always to hold does, whatever
// good readings come: conditions and readings at random.
func TestDecidedConditionsAreNeverBelied(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	v := bench()
	channels := []string{"plate.temperature", "foil.temperature"}
	v.Channels[1].Lowest, v.Channels[1].Highest = -10, 10
	number := func() string {
		return []string{"-60", "-50", "-20", "-10", "0", "5", "10", "20", "450", "460"}[r.IntN(10)]
	}
	quantity := func() string {
		ch := channels[r.IntN(2)]
		return []string{ch + " - 0 degC", "abs(" + ch + " - 0 degC)", "-(" + ch + " - 0 degC)", "2 * (" + ch + " - 0 degC)",
			"max(" + ch + ", 0 degC) - 0 degC", "min(" + ch + ", plate.temperature) - 0 degC", "100 K * (5 K / (" + ch + " - 15 degC))",
			"foil.temperature - plate.temperature", ch + " - " + channels[r.IntN(2)], "100 K * ((" + ch + " - 1 degC) / (" + channels[r.IntN(2)] + " - 1 degC))"}[r.IntN(10)]
	}
	var condition func(depth int) string
	condition = func(depth int) string {
		switch k := r.IntN(5); {
		case depth > 0 && k == 0:
			return "(" + condition(depth-1) + ") and (" + condition(depth-1) + ")"
		case depth > 0 && k == 1:
			return "(" + condition(depth-1) + ") or (" + condition(depth-1) + ")"
		case depth > 0 && k == 2:
			return "not (" + condition(depth-1) + ")"
		case k == 3:
			return channels[r.IntN(2)] + []string{" < ", " <= ", " > ", " >= "}[r.IntN(4)] + number() + " degC"
		}
		return quantity() + []string{" < ", " <= ", " > ", " >= "}[r.IntN(4)] + number() + " K"
	}
	decided := 0
	for range 20_000 {
		text := condition(2)
		c := compiler{vocabulary: v, condition: new(Condition)}
		x := c.compile(text)
		if x.truth == nil && len(c.faults) > 0 && strings.Contains(c.faults[0].Text, "both sides are the same") {
			continue
		}
		if x.truth == nil {
			t.Fatalf("%s: %v", text, c.faults)
		}
		if !x.can.never && !x.can.always {
			continue
		}
		decided++
		for range 40 {
			m := NewMemory(v)
			edge := []float64{-50, 450, -50 + 500*r.Float64()}[r.IntN(3)]
			m.Observe(plate, 0, edge, true)
			m.Observe(foil, 0, []float64{-10, 10, -10 + 20*r.Float64()}[r.IntN(3)], true)
			if got := x.truth(frame{m, 0, 0}); got == True && x.can.never || got == False && x.can.always {
				t.Fatalf("%s is %s with the plate at %g: %+v", text, got, edge, x.can)
			}
		}
	}
	if decided < 1000 {
		t.Errorf("only %d conditions were decided: the test shows little", decided)
	}
}
