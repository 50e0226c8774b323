package plan

import (
	"bytes"
	"math"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"

	"dwell/drivers/quantity"
	"dwell/drivers/rig"
	"dwell/drivers/yamltext"
	"dwell/safety"
)

// faults lists what must never be true of a plan that was compiled without a
// mistake, whatever the protocol: unknown channels or instruments, waits without a
// bound, setpoints at or beyond a limit. It looks at the plan alone, as the gate and
// the drivers will.
func faults(p *Plan, r *rig.Rig) []string {
	var found []string
	wrong := func(a Action, what string) { found = append(found, a.Step+" "+string(a.Op)+": "+what) }
	if err := p.bounded(); err != nil {
		found = append(found, err.Error())
	}
	polled := map[string]bool{}
	for _, x := range p.Polled {
		polled[x.Channel] = true
		if r.Channel(x.Channel) < 0 || x.EveryNs <= 0 || x.StaleNs <= x.EveryNs {
			found = append(found, "polled: "+x.Channel)
		}
	}
	for _, a := range p.Actions {
		for _, name := range append(slices.Clone(a.Channels), a.Channel) {
			if name != "" && r.Channel(name) < 0 {
				wrong(a, "unknown channel "+name)
			}
		}
		if (a.Op == Arrive || a.T0 == "onset") && !polled[a.Channel] {
			wrong(a, "waits for a channel that is not read")
		}
		for _, x := range a.Polled {
			if !polled[x.Channel] || x.EveryNs > 0 && x.StaleNs <= x.EveryNs {
				wrong(a, "rate of "+x.Channel)
			}
		}
		for _, s := range a.Setpoints {
			found = append(found, unsafeSetpoint(p, r, a, s)...)
		}
	}
	return found
}

func unsafeSetpoint(p *Plan, r *rig.Rig, a Action, s Setpoint) (found []string) {
	i := r.Instrument(s.Instrument)
	if i < 0 || r.Instruments[i].Profile.Set(s.Quantity) < 0 {
		return []string{a.Step + ": no such setpoint: " + s.Instrument + " " + s.Quantity}
	}
	profile := r.Instruments[i].Profile
	set := profile.Sets[profile.Set(s.Quantity)]
	if s.State != "" {
		if set.State(s.State) < 0 {
			found = append(found, a.Step+": no such state: "+s.State)
		}
		return found
	}
	values := append([]float64{s.Value}, a.Values...)
	if a.Op == Ramp {
		values = append(values, a.From)
	}
	for _, v := range values {
		if math.IsNaN(v) || v < set.Least || v > set.Most {
			found = append(found, a.Step+": "+s.Quantity+" outside what the instrument can do")
		}
		for _, l := range p.Rules.Limits {
			ch := r.Channels[r.Channel(l.Channel)]
			if ch.Instrument != i || ch.Quantity != set.Bounds || ch.Through != "" {
				continue
			}
			if l.Below != nil && v >= *l.Below || l.Above != nil && v <= *l.Above {
				found = append(found, a.Step+": "+s.Quantity+" beyond a limit of "+l.Channel+" from "+l.From)
			}
		}
	}
	return found
}

// TestFaults sees the property fail: each kind of damage to a good plan is found.
func TestFaults(t *testing.T) {
	r, _ := bench(t, &yamltext.Mistakes{})
	for _, name := range examples {
		p := example(t, name)
		if found := append(faults(p, r), perform(p, r)...); found != nil {
			t.Errorf("%s: %q", name, found)
		}
	}
	for i, damage := range []func(p *Plan){
		func(p *Plan) { p.AtMostNs = 0 },
		func(p *Plan) { p.Polled[0].Channel = "plate.colour" },
		func(p *Plan) { first(p, Arrive).AtMostNs = 0 },
		func(p *Plan) { first(p, Arrive).Channel = "foil.colour" },
		func(p *Plan) { first(p, Until).AtMostNs = -1 },
		func(p *Plan) { first(p, Sweep).Channels = nil },
		func(p *Plan) { first(p, Sweep).Values[0] = -0.00015 },
		func(p *Plan) { first(p, Sweep).Values[0] = 2 },
		func(p *Plan) { first(p, Wait).DurationNs = -1 },
		func(p *Plan) { first(p, Set).Setpoints[0].Instrument = "oven" },
		func(p *Plan) { first(p, Set).Setpoints[5].State = "warm" },
		func(p *Plan) { heat(p).Value = 60 },
		func(p *Plan) { first(p, Mark).Op = "sing" },
	} {
		p := example(t, "staircase")
		if damage(p); faults(p, r) == nil {
			t.Errorf("damage number %d is not found", i)
		}
	}
}

func example(t *testing.T, name string) *Plan {
	t.Helper()
	text, err := os.ReadFile(leafClip + name + ".yaml")
	if err != nil {
		t.Fatal(err)
	}
	p, m := compile(t, name+".yaml", string(text))
	if m.Len() > 0 {
		t.Fatal(printed(m))
	}
	return p
}

func first(p *Plan, op Op) *Action {
	return &p.Actions[slices.IndexFunc(p.Actions, func(a Action) bool { return a.Op == op })]
}

func heat(p *Plan) *Setpoint {
	for i := range p.Actions {
		for k := range p.Actions[i].Setpoints {
			if s := &p.Actions[i].Setpoints[k]; s.Quantity == "temperature" {
				return s
			}
		}
	}
	return nil
}

// FuzzCompile: whatever the protocol, compiling ends without a panic, every mistake
// has a place inside its file, and a plan without a mistake has the property above,
// stands alone (its conditions need no names), and survives being written and read.
func FuzzCompile(f *testing.F) {
	for _, name := range examples {
		text, err := os.ReadFile(leafClip + name + ".yaml")
		if err != nil {
			f.Fatal(err)
		}
		f.Add(string(text))
	}
	wrong, _ := os.ReadDir("testdata/wrong")
	for _, entry := range wrong {
		if strings.HasSuffix(entry.Name(), ".yaml") && entry.Name() != "too-many-actions.yaml" {
			text, err := os.ReadFile("testdata/wrong/" + entry.Name())
			if err != nil {
				f.Fatal(err)
			}
			f.Add(string(text))
		}
	}
	r, s := bench(f, &yamltext.Mistakes{})
	f.Fuzz(func(t *testing.T, text string) {
		m := &yamltext.Mistakes{}
		doc := yamltext.Parse("fuzz.yaml", []byte(text), m)
		if doc.Root == nil {
			return
		}
		p := Compile(doc, r, s, Options{}, m)
		lines := strings.Count(text, "\n") + 1
		for _, x := range m.All() {
			if x.Pos.Line < 1 || x.Pos.Column < 1 || x.File == "fuzz.yaml" && x.Pos.Line > lines || x.Text == "" {
				t.Errorf("a mistake without a place: %s", x)
			}
		}
		if m.Len() > 0 {
			return
		}
		if found := faults(p, r); found != nil {
			t.Errorf("%q\n%s", found, text)
		}
		if _, err := safety.NewGate(p.Rules, r); err != nil {
			t.Errorf("the gate refuses the rules: %v\n%s", err, text)
		}
		written, err := WriteJSON(p)
		if err != nil {
			t.Fatal(err)
		}
		back, err := ReadJSON(written)
		if err != nil || !reflect.DeepEqual(back, p) {
			t.Errorf("the plan does not come back: %v\n%s", err, text)
		}
	})
}

// TestReadJSON refuses what it does not know and what could run for ever.
func TestReadJSON(t *testing.T) {
	good, err := WriteJSON(example(t, "response"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := ReadJSON(good); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ old, new, says string }{
		{`"version": 2`, `"version": 1`, "version 1, this dwell executes version 2"},
		{`"title"`, `"titel"`, `unknown field "titel"`},
		{`"op": "loop"`, `"op": "lopp"`, "does not know this operation"},
		{`"count": 3`, `"count": 0`, "1 to 1000000 times"},
		{`"jump": `, `"jump": 1`, "another place than the beginning of its loop"},
		{`"op": "again"`, `"op": "begin"`, "does not end"},
		{`"at_most_ns": 1200000000000`, `"at_most_ns": 0`, "wait for ever"},
		{`"every_ns": `, `"every_ns": -`, "is read every -"},
		{`"stale_ns": `, `"stale_ns": 1, "was_ns": `, "unknown field"},
		{`"stale_ns": `, `"stale_ns": -`, "and stale after -"},
		{"}\n", "}{}\n", "after top-level value"},
		{"{", "", "plan.json: "},
	} {
		damaged := strings.Replace(string(good), c.old, c.new, 1)
		if c.old == "}\n" {
			damaged = string(good) + "{}"
		}
		if _, err := ReadJSON([]byte(damaged)); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s -> %s: expected an error with %q, got %v", c.old, c.new, c.says, err)
		}
	}
	again, err := WriteJSON(example(t, "response"))
	if err != nil || !bytes.Equal(again, good) {
		t.Errorf("the same protocol gave other bytes (%v)", err)
	}
}

// TestResolve: a condition in a plan needs no names any more.
func TestResolve(t *testing.T) {
	K, _ := quantity.LookUp("K")
	names := map[string]given{"setpoint": {degC(25), nil}, "band": {quantity.Quantity{Value: 0.1, Unit: K}, nil}, "s": {degC(1), nil}}
	for text, want := range map[string]string{
		"plate.temperature > setpoint":                  "plate.temperature > 25 degC",
		"abs(plate.temperature-setpoint) < band":        "abs(plate.temperature-25 degC) < 0.1 K",
		"rate(plate.temperature, 30 s) > 1 K/min":       "rate(plate.temperature, 30 s) > 1 K/min",
		"mean(setpoint.temperature, 5 min)>setpoint":    "mean(setpoint.temperature, 5 min)>25 degC",
		"setpoint_2 > band2 and not (setpoint < 1e3 K)": "setpoint_2 > band2 and not (25 degC < 1e3 K)",
	} {
		if got := resolve(text, names); got != want {
			t.Errorf("%s: got %s, want %s", text, got, want)
		}
	}
}
