package drill

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/drivers/twin"
	"dwell/drivers/yamltext"
	"dwell/safety"
	"dwell/sequence/plan"
)

const leafClip = "../../examples/leaf-clip/"

func text(t testing.TB, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// compiled is a protocol on the bench of the examples; every call makes its own.
func compiled(t testing.TB, protocol string) (*plan.Plan, *rig.Rig, *rig.Specimen) {
	t.Helper()
	return compiledFor(t, leafClip, protocol)
}

// compiledFor is a protocol on the bench whose files lie in a folder.
func compiledFor(t testing.TB, folder, protocol string) (*plan.Plan, *rig.Rig, *rig.Specimen) {
	t.Helper()
	m := &yamltext.Mistakes{}
	read := func(name, text string) *yamltext.Document { return yamltext.Parse(name, []byte(text), m) }
	r := rig.Load(read("rig.yaml", text(t, folder+"rig.yaml")), nil, m)
	s := rig.LoadSpecimen(read("specimen.yaml", text(t, folder+"specimen.yaml")), m)
	p := plan.Compile(read("protocol.yaml", protocol), r, s, plan.Options{}, m)
	if err := m.Err(); err != nil {
		t.Fatal(err)
	}
	return p, r, s
}

// interlocks are what can be taken away from a run, by names of the tests here.
var interlocks = map[string]func(p *plan.Plan, r *rig.Rig, d *Drill){
	"limits": func(p *plan.Plan, _ *rig.Rig, _ *Drill) { p.Rules.Limits = nil },
	"written": func(p *plan.Plan, _ *rig.Rig, _ *Drill) { // those of the files
		p.Rules.Rates = nil
		p.Rules.Interlocks = slices.DeleteFunc(slices.Clone(p.Rules.Interlocks), func(x safety.Interlock) bool { return x.Name == "" })
	},
	"built-in": func(p *plan.Plan, _ *rig.Rig, _ *Drill) {
		p.Rules.HeatsNot, p.Rules.KeepsWarming, p.Rules.Frozen, p.Rules.Energy, p.Rules.Drives = nil, nil, nil, nil, nil
		p.Rules.Interlocks = slices.DeleteFunc(slices.Clone(p.Rules.Interlocks), func(x safety.Interlock) bool { return x.Name != "" })
	},
	"compliance": func(p *plan.Plan, _ *rig.Rig, _ *Drill) { p.Rules.Compliance = nil },
	"silence": func(p *plan.Plan, _ *rig.Rig, _ *Drill) { // is a fault: no channel expects a reading
		for i := range p.Polled {
			p.Polled[i].StaleNs = 0
		}
		for _, a := range p.Actions {
			for i := range a.Polled {
				a.Polled[i].StaleNs = 0
			}
		}
	},
	"ceilings": func(p *plan.Plan, _ *rig.Rig, _ *Drill) { // of steps; that of the run stays
		for i := range p.Actions {
			p.Actions[i].AtMostNs = p.AtMostNs
		}
	},
	"watch": func(p *plan.Plan, r *rig.Rig, _ *Drill) { // whether settings are what was set, and errors
		p.Rules.Watched = nil
		for _, d := range r.Instruments {
			d.Profile.Watch, d.Profile.Errors = rig.Watch{}, nil
		}
	},
	"watchdog": func(_ *plan.Plan, r *rig.Rig, _ *Drill) { // of the plate
		for _, d := range r.Instruments {
			d.Profile.Watchdog = nil
		}
	},
	"evidence": func(_ *plan.Plan, r *rig.Rig, _ *Drill) { // told to be safe counts as safe, and nobody looks whether it cools
		for _, d := range r.Instruments {
			if k := d.Profile.Set("heat"); k >= 0 {
				d.Profile.Sets[k].Energises = nil
			}
			d.Profile.Footing.Ask.Ask = nil
			for i := range d.Profile.Safe {
				d.Profile.Safe[i].Back = nil
			}
		}
	},
	"retries": func(_ *plan.Plan, _ *rig.Rig, d *Drill) { d.patience = 0 },
	"disk":    func(_ *plan.Plan, _ *rig.Rig, d *Drill) { d.silentDisk = true },
}

// drilled prepares a drill of a run without some of its interlocks. The limits that must
// hold stay as they are.
func drilled(t testing.TB, protocol string, without ...string) *Drill {
	t.Helper()
	p, r, s := compiled(t, protocol)
	held := p.Rules
	d := &Drill{plan: p, held: &held, rig: r, specimen: s, seed: 1, patience: patience}
	for _, name := range without {
		interlocks[name](p, r, d)
	}
	if err := d.prepare(); err != nil {
		t.Fatal(err)
	}
	return d
}

// strike performs one fault at a named moment.
func (d *Drill) strike(t *testing.T, f *Fault, on, moment string) Row {
	t.Helper()
	i := slices.IndexFunc(d.Moments, func(m Moment) bool { return m.Name == moment })
	if i < 0 {
		t.Fatalf("there is no moment %q, only %v", moment, d.Moments)
	}
	if f.On != Port {
		on = f.places(d.rig)[0]
	}
	row, err := d.Perform(Case{[]Strike{{f, on, d.Moments[i].At}}, moment})
	if err != nil {
		t.Fatal(err)
	}
	return row
}

func fault(t *testing.T, name string) *Fault {
	t.Helper()
	i := slices.IndexFunc(Faults, func(f Fault) bool { return f.Name == name })
	if i < 0 {
		t.Fatalf("there is no fault %q", name)
	}
	f := Faults[i]
	return &f
}

// unheard is what keeps a bench from being heated while an instrument says nothing.
const unheard = "silence written built-in watch watchdog"

// proofs say which interlock makes each fault safe: what ends the run, and what must
// be taken away before the row turns unsafe.
var proofs = []struct {
	fault, on, moment string
	with              Verdict
	by                string // begins what ended the run
	without           string
}{
	{"film open", "", "plateau", Safe, "in compliance", "compliance"},
	{"foil thermometer open", "", "plateau", Safe, "silence is a fault", "silence written built-in"},
	{"foil thermometer shorted", "", "plateau", Safe, "silence is a fault", "silence written built-in"},
	{"foil thermometer fallen off", "", "plateau", Safe, "abs(plate.temperature - foil.temperature) > 9 K", "written built-in"},
	{"foil thermometer drifting", "", "plateau", Safe, "abs(plate.temperature - foil.temperature) > 9 K", "written built-in"},
	{"foil thermometer frozen", "", "sourcing", Safe, "frozen", "written built-in"},
	{"plate thermometer drifting", "", "plateau", Safe, "frozen", "written built-in"}, // though the foil gets warmer
	{"plate thermometer frozen", "", "heating", Safe, "frozen", "written built-in"},
	{"heater relay welded", "", "plateau", NeedsHardware, "keeps warming", "evidence built-in"},
	{"setpoint ignored", "", "plateau", Safe, "frozen", "ceilings built-in"},
	{"plate turned up at its knob", "", "plateau", Safe, "", "watch limits written built-in"},
	{"plate hangs", "", "plateau", NeedsHardware, "silence is a fault", "evidence built-in"},
	{"compliance turned down", "", "plateau", Safe, "in compliance", "compliance"},
	{"source drives too much", "", "plateau", Safe, "", "limits built-in"}, // whichever reading comes first
	{"source drives another level", "", "plateau", Safe, "drives another level", "built-in"},
	{"source-meter switched off and on", "", "sourcing", Safe, "", unheard},
	{"output stuck on", "", "plateau", NeedsHardware, "", "evidence built-in"},
	{"no answers", "plate", "plateau", Safe, "silence is a fault", unheard},
	{"no answers", "meter", "plateau", Safe, "silence is a fault", unheard},
	{"dead cable", "plate", "plateau", Safe, "silence is a fault", unheard},
	{"dead cable", "meter", "plateau", NeedsHardware, "silence is a fault", unheard},
	{"answers too late", "plate", "plateau", Safe, "silence is a fault", unheard},
	{"answers too late", "meter", "plateau", Safe, "silence is a fault", unheard},
	{"garbage", "plate", "plateau", Safe, "", unheard},
	{"garbage", "meter", "plateau", Safe, "silence is a fault", unheard},
	{"half lines", "plate", "plateau", Safe, "silence is a fault", unheard},
	{"half lines", "meter", "plateau", Safe, "silence is a fault", unheard},
	{"echo", "plate", "plateau", Safe, "", unheard},
	{"echo", "meter", "plateau", Safe, "silence is a fault", unheard},
	{"answers shifted by one", "plate", "plateau", Safe, "silence is a fault", unheard},
	{"answers shifted by one", "meter", "plateau", Safe, "silence is a fault", unheard},
	{"another channel's answers", "plate", "plateau", Safe, "", unheard},
	{"port gone and back", "plate", "plateau", Safe, "plate on twin: link lost", "retries"},
	{"port gone and back", "meter", "plateau", Safe, "meter on twin: link lost", "retries"},
	{"disk full", "", "plateau", Safe, "the record cannot be written", "disk"},
}

func TestEveryInterlockCounts(t *testing.T) {
	if testing.Short() {
		t.Skip("long, and all of it on one thread")
	}
	warm := text(t, "testdata/warm.yaml")
	whole := drilled(t, warm)
	drills := map[string]*Drill{}
	for _, x := range proofs {
		t.Run(x.fault+" "+x.on, func(t *testing.T) {
			with := whole.strike(t, fault(t, x.fault), x.on, x.moment)
			if with.Verdict != x.with || !strings.HasPrefix(with.Tripped(), x.by) {
				t.Errorf("expected it %s, ended by %q; got %s, ended by %q: %s", x.with, x.by, with.Verdict, with.Tripped(), with.Why)
			}
			d := drills[x.without]
			if d == nil {
				d = drilled(t, warm, strings.Fields(x.without)...)
				drills[x.without] = d
			}
			without := d.strike(t, fault(t, x.fault), x.on, x.moment)
			if without.Verdict != Unsafe {
				t.Errorf("expected it unsafe without %s, got %s, %s safe: %v, ended by %q", x.without, without.Verdict,
					without.Outcome.Word, without.Outcome.Safe, without.Tripped())
			}
		})
	}
}

// harmless are faults that take nothing but readings, or heat: without any interlock
// at all nothing is left on in peril. (A source-meter that is not watched is asked but
// one question: there is no other to get an answer from.)
var harmless = []struct{ fault, on string }{{"film bridged", ""}, {"specimen fallen off", ""}, {"heater broken", ""},
	{"plate switched off and on", ""}, {"another channel's answers", "meter"}, {"slow answers", "plate"}, {"slow answers", "meter"},
	{"every tenth answer lost", "plate"}, {"every tenth answer lost", "meter"}, {"answers twice", "plate"}, {"answers twice", "meter"},
	{"disk slow", ""}, {"clock stepped", ""}}

func TestHarmlessFaultsNeedNoInterlock(t *testing.T) {
	if testing.Short() {
		t.Skip("long, and all of it on one thread")
	}
	d := drilled(t, text(t, "testdata/warm.yaml"), "limits", "written", "built-in", "compliance", "silence", "ceilings",
		"watch", "watchdog")
	for _, x := range harmless {
		for _, m := range d.Moments {
			if strings.Contains(m.Name, "quarter") || m.Name == "half-way" {
				continue // a phase of another name is like it
			}
			if row := d.strike(t, fault(t, x.fault), x.on, m.Name); row.Verdict != Safe {
				t.Errorf("%s %s, %s: %s: %s", x.fault, x.on, m.Name, row.Verdict, row.Why)
			}
		}
	}
}

// heatOnly is a protocol without a source: what is on by itself is the plate.
func heatOnly(t *testing.T) string {
	return without(t, text(t, "testdata/warm.yaml"),
		"  - source: {instrument: meter, current: 10 uA, compliance: 2 V, wires: 4, integration: 1, reverse: true}\n",
		"  element.resistance: 1 s\n", "  element.power: {below: 50 uW, lasting: 2 s}\n")
}

func without(t *testing.T, text string, lines ...string) string {
	t.Helper()
	for _, l := range lines {
		before, after, found := strings.Cut(text, l)
		if !found {
			t.Fatalf("there is no line %q", l)
		}
		text = before + after
	}
	return text
}

// Where the whole program stands still nothing but the plate's own watchdog is left.
// (The guard process is a program too, and not drilled here.)
func TestTheWatchdogCounts(t *testing.T) {
	protocol := heatOnly(t)
	with, without := drilled(t, protocol), drilled(t, protocol, "watchdog")
	long := 2 * noticeAfter
	for _, f := range []*Fault{{Name: "process stopped", Stops: long}, {Name: "computer asleep", Sleeps: long, Hardware: keepsAwake}} {
		row := with.strike(t, f, "", "plateau")
		if row.Verdict != Safe || row.Outcome.Word == "completed" || !row.Outcome.Safe {
			t.Errorf("%s: %s, %s: %s", f.Name, row.Verdict, row.Outcome.Word, row.Why)
		}
		if row := without.strike(t, f, "", "plateau"); row.Verdict != Unsafe {
			t.Errorf("%s, without watchdog: %s, %s", f.Name, row.Verdict, row.Outcome.Word)
		}
		if shipped := fault(t, f.Name); (shipped.Stops > 0) != (f.Stops > 0) || (shipped.Sleeps > 0) != (f.Sleeps > 0) {
			t.Errorf("%s is another fault now", f.Name)
		}
	}
}

// A port that is gone for good is beyond software, but for the plate's watchdog. Then
// the run must say so, and hardware is an excuse only where there is some to name.
func TestAPortIsGoneForGood(t *testing.T) {
	warm := text(t, "testdata/warm.yaml")
	with, bare := drilled(t, warm), drilled(t, warm, "watchdog")
	f := fault(t, "port gone")
	for _, x := range []struct {
		d    *Drill
		on   string
		want Verdict
	}{{with, "plate", Safe}, {bare, "plate", NeedsHardware}, {with, "meter", NeedsHardware}} {
		row := x.d.strike(t, f, x.on, "plateau")
		if row.Verdict != x.want || row.Outcome.Safe || (row.Hardware == cutsEither) != (x.want == NeedsHardware) {
			t.Errorf("%s: %s, expected %s; confirmed safe: %v; hardware %q", x.on, row.Verdict, x.want, row.Outcome.Safe, row.Hardware)
		}
	}
	f.Hardware = ""
	if row := bare.strike(t, f, "plate", "plateau"); row.Verdict != Unsafe {
		t.Errorf("with nothing to blame: %s", row.Verdict)
	}
}

// Hardware that would have switched off one thing is no excuse for another, nor for
// what was noticed too late.
func TestHardwareExcusesOnlyItsOwn(t *testing.T) {
	d := drilled(t, text(t, "testdata/warm.yaml"), "written", "built-in")
	at := d.Moments[slices.IndexFunc(d.Moments, func(m Moment) bool { return m.Name == "plateau" })].At
	for _, x := range []struct {
		first, then string
		after       clock.Instant
		want        Verdict
	}{
		{"output stuck on", "film open", clock.Second, NeedsHardware},
		{"output stuck on", "plate thermometer drifting", 0, Unsafe},
		{"plate thermometer drifting", "plate hangs", 15 * clock.Minute, Unsafe},
		{"plate thermometer drifting", "plate hangs", clock.Minute, NeedsHardware},
	} {
		first, then := fault(t, x.first), fault(t, x.then)
		row, err := d.Perform(Case{[]Strike{{first, first.places(d.rig)[0], at}, {then, then.places(d.rig)[0], at + x.after}}, "plateau"})
		if err != nil || row.Verdict != x.want {
			t.Errorf("%s: %s, expected %s: %s; %v", row.Case, row.Verdict, x.want, row.Why, err)
		}
	}
	stuck, hangs := fault(t, "output stuck on"), fault(t, "plate hangs")
	for _, x := range []struct {
		excuse string
		want   Verdict
	}{{hangs.Hardware, NeedsHardware}, {"", Unsafe}} {
		hangs.Hardware = x.excuse
		row, err := d.Perform(Case{[]Strike{{stuck, "meter", at}, {hangs, "plate", at}}, "plateau"})
		if err != nil || row.Verdict != x.want {
			t.Errorf("%s, %q for the plate: %s, expected %s; %v", row.Case, x.excuse, row.Verdict, x.want, err)
		}
	}
}

// elsewhere are faults of what the bench of the other proofs does not have, with what must be
// taken away before the row turns unsafe; none where nothing need be, however much is. They
// strike on the bench for bending, or on that with a switch in the plate's mains.
var elsewhere = []struct{ fault, moment, by, without string }{
	{"stage switched off and on", "moving", "stage alarm", "built-in watch ceilings"}, // it believes that it is at zero
	{"stage hangs", "moving", "silence is a fault", ""},                               // it goes where it was told to, and stands
	{"carriage stuck", "moving", "", ""},
	{"strip slips in a clamp", "moving", "", ""},
	{"stage held at its panel", "moving", "3 bend: the stage has not arrived", ""},
	{"mains switch opens", "plateau", "stop contact", ""}, // it takes the heat
	{"mains switch welded", "plateau", "", ""},            // and this one needs a second fault: TestTheMainsSwitch
}

func TestInterlocksOfOtherBenchesCount(t *testing.T) {
	bench := func(moment string) *Drill {
		if moment == "moving" {
			return bends(t, nil)
		}
		return switched(t, text(t, "testdata/warm.yaml"))
	}
	for _, x := range elsewhere {
		with := bench(x.moment).strike(t, fault(t, x.fault), "", x.moment)
		if with.Verdict != Safe || !strings.Contains(with.Tripped(), x.by) {
			t.Errorf("%s: %s, ended by %q: %s", x.fault, with.Verdict, with.Tripped(), with.Why)
		}
		want, names := Unsafe, strings.Fields(x.without)
		if len(names) == 0 {
			want, names = Safe, []string{"limits", "written", "built-in", "compliance", "silence", "ceilings", "watch"}
		}
		d := bench(x.moment)
		held := d.plan.Rules
		d.held = &held
		for _, name := range names {
			interlocks[name](d.plan, d.rig, d)
		}
		if err := d.prepare(); err != nil {
			t.Fatal(err)
		}
		if row := d.strike(t, fault(t, x.fault), "", x.moment); row.Verdict != want {
			t.Errorf("%s without %v: %s, expected %s; ended by %q: %s", x.fault, names, row.Verdict, want, row.Tripped(), row.Why)
		}
	}
}

// Every fault has a proof, or is harmless, or has a test of its own.
func TestEveryFaultIsProved(t *testing.T) {
	proved := map[string]int{"port gone": 2, "process stopped": 1, "computer asleep": 1}
	for _, x := range proofs {
		proved[x.fault]++
	}
	for _, x := range harmless {
		proved[x.fault]++
	}
	for _, x := range elsewhere {
		proved[x.fault]++
	}
	_, r, _ := compiled(t, text(t, leafClip+"short.yaml"))
	for i := range Faults {
		f := &Faults[i]
		places := len(f.places(r))
		if places == 0 { // another bench has what it breaks
			places = 1
		}
		if proved[f.Name] != places {
			t.Errorf("%s has %d places and %d proofs", f.Name, places, proved[f.Name])
		}
		delete(proved, f.Name)
	}
	for name := range proved {
		t.Errorf("%q is no fault", name)
	}
	if len(Faults) < 25 {
		t.Errorf("%d kinds of fault", len(Faults))
	}
}

// example is a protocol of the examples, with less of what it repeats.
func example(t testing.TB, name string) string {
	whole := text(t, leafClip+name)
	return strings.Replace(strings.Replace(whole, "times: 12}", "times: 1}", 1), "times: 3}", "times: 2}", 1)
}

// whole drills all of the examples, every pass and every moment.
func whole() bool { return os.Getenv("DWELL_DRILL") != "" }

// protocols are all that lie beside a rig below examples.
func protocols(t *testing.T) (names []string) {
	t.Helper()
	err := fs.WalkDir(os.DirFS(leafClip), ".", func(path string, _ fs.DirEntry, err error) error {
		if err == nil && strings.HasSuffix(path, ".yaml") && strings.Contains(text(t, leafClip+path), "\nsteps:\n") {
			names = append(names, path)
		}
		return err
	})
	if err != nil || len(names) < 6 {
		t.Fatalf("only %v: %v", names, err)
	}
	return names
}

// No row of any example ends unsafe. It takes DWELL_DRILL=1 for all of each; in a short
// test only one moment is tried, of whatever the protocol has heated by then.
func TestExamples(t *testing.T) {
	for _, name := range protocols(t) {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			protocol := example(t, name)
			if whole() {
				protocol = text(t, leafClip+name)
			}
			table(t, leafClip+filepath.Dir(name)+"/", protocol)
		})
	}
}

// tried tells whether a moment is drilled in this test: a phase of another name is like
// the quarters.
func tried(d *Drill, moment string) bool {
	switch {
	case whole():
		return true
	case testing.Short():
		return moment == d.Moments[len(d.Moments)/2].Name
	}
	return moment != "half-way" && moment != "third quarter"
}

// table performs the rows of a protocol.
func table(t *testing.T, folder, protocol string) {
	p, r, s := compiledFor(t, folder, protocol)
	d, err := New(p, r, s, 1)
	if err != nil {
		t.Fatal(err)
	}
	if len(d.Moments) < 4 {
		t.Errorf("only %d moments: %v", len(d.Moments), d.Moments)
	}
	count, rows, reacted := map[Verdict]int{}, 0, 0
	for _, c := range d.Cases() {
		if !tried(d, c.Moment) {
			continue
		}
		row, err := d.Perform(c)
		if err != nil {
			t.Fatal(err)
		}
		count[row.Verdict]++
		rows++
		if row.Verdict == Unsafe {
			t.Errorf("%s, %s: %s", c, c.Moment, row.Why)
		}
		if k := row.Reaction; k != nil {
			reacted++
			if late := !k.InTime(); late && !c.Beyond() || k.Took <= 0 {
				t.Errorf("%s, %s: off after %s s, and %.1f degC; the plan says of %q %+v", c, c.Moment, Seconds(k.Took), k.PeakDegC, row.Tripped(), k.Plan)
			}
		}
		if row.Verdict == NeedsHardware && (row.Hardware == "" || row.Outcome.Safe && slices.Max(row.Outcome.Report.Attempts) < 3) {
			t.Errorf("%s, %s: needs hardware %q, and the run has never said that it could not: %v", c, c.Moment, row.Hardware, row.Outcome.Report)
		}
	}
	t.Log(count)
	if reacted < rows/5 {
		t.Errorf("of only %d rows of %d it is known how fast a rule reacted", reacted, rows)
	}
}

// How long a rule took is measured from when it could have asked, and compared with
// what the plan says of that very rule.
func TestReactions(t *testing.T) {
	d := drilled(t, text(t, "testdata/warm.yaml"))
	for _, x := range []struct{ fault, on, rule string }{
		{"film open", "", "meter in compliance"},
		{"foil thermometer open", "", "no good reading of plate.temperature, foil.temperature"},
		{"half lines", "meter", "no good reading of element.resistance, element.current, element.voltage, element.power"},
		{"source-meter switched off and on", "meter", "meter reset or changed behind our back"},
		{"source drives another level", "meter", "meter drives another current"},
	} {
		row := d.strike(t, fault(t, x.fault), x.on, "plateau")
		if k := row.Reaction; k == nil || k.Plan.Rule != x.rule || !k.InTime() || k.Took <= 0 || k.Took > row.ToSafe {
			t.Errorf("%s: %+v, expected %s; ended by %q, %s s to safe", x.fault, k, x.rule, row.Tripped(), Seconds(row.ToSafe))
		}
	}
	if row := d.strike(t, fault(t, "process stopped"), "", "plateau"); row.Reaction != nil && row.Reaction.InTime() {
		t.Errorf("a program that stands still for %s s reacts within %s s", Seconds(stopped), Seconds(row.Reaction.Took))
	}
	if row := d.strike(t, fault(t, "answers twice"), "meter", "plateau"); row.Reaction != nil {
		t.Errorf("nothing ended it, and %+v", row.Reaction)
	}
}

// Of a fault that creeps, what check speaks of begins with the breach, minutes later.
func TestABreachMayComeLongAfterTheFault(t *testing.T) {
	d := drilled(t, text(t, "testdata/warm.yaml"))
	for _, x := range []struct {
		fault, on   string
		least, most clock.Instant
	}{
		// 9 K at 1.2 K/min, less the 1.6 K by which foil and plate differ anyway at 40 degC
		{"foil thermometer drifting", "", 4 * clock.Minute, 9 * clock.Minute},
		{"film open", "", 0, 3 * clock.Second},
		{"port gone and back", "plate", -1, -1}, // no rule
	} {
		row := d.strike(t, fault(t, x.fault), x.on, "plateau")
		k := row.Reaction
		if x.most < 0 {
			if k != nil {
				t.Errorf("%s: %+v", x.fault, k)
			}
			continue
		}
		if k == nil || k.Breach < x.least || k.Breach > x.most || !k.InTime() || k.Breach+k.Took > row.ToSafe || k.Breach+k.Took+15*clock.Second < row.ToSafe {
			t.Errorf("%s: %+v, %s s to safe", x.fault, k, Seconds(row.ToSafe))
		}
	}
}

// What takes more than a day is drilled with two passes of each loop, and says so; a
// night is drilled as it is.
func TestLongProtocolsAreShortened(t *testing.T) {
	p, r, s := compiledFor(t, leafClip+"bending/", text(t, leafClip+"bending/fatigue.yaml"))
	cycles := func(p *plan.Plan) (n int64) {
		var many []int64 // of the loops round it
		for _, a := range p.Actions {
			times := int64(1)
			for _, m := range many {
				times *= m
			}
			switch a.Op {
			case plan.Loop:
				many = append(many, a.Count)
			case plan.Again:
				many = many[:len(many)-1]
			case plan.Cycle, plan.Move:
				n += times * a.Count
			}
		}
		return n
	}
	short := shortened(p)
	// 200 of them, and 300 up to each of 500, 1000, 2000, 5000 and 10,000; then twice, instead
	// of nine times, twice 300.
	if whole, left := cycles(p), cycles(short); whole != 100_000 || left != 200+5*300+2*2*300 {
		t.Errorf("%d cycles, and %d of them", whole, left)
	}
	nine := func(a plan.Action) bool { return a.Op == plan.Loop && a.Count == 9 }
	if !slices.ContainsFunc(p.Actions, nine) || slices.ContainsFunc(short.Actions, nine) || len(short.Actions) != len(p.Actions) {
		t.Error("the plan itself was changed")
	}
	d, err := New(p, r, s, 1)
	if err != nil {
		t.Fatal(err)
	}
	if d.Whole < 30*clock.Hour || d.Whole != clock.Instant(p.Summary.DurationNs) || d.Undisturbed.Outcome.Report.Done > 3*clock.Hour {
		t.Errorf("of %s s %s s are drilled", Seconds(d.Whole), Seconds(d.Undisturbed.Outcome.Report.Done))
	}
	if p, _, _ := compiled(t, text(t, leafClip+"overnight.yaml")); shortened(p) != p {
		t.Error("a night is shortened")
	}
}

// A row that goes on from a snapshot is the row that is performed from the beginning,
// and the same row again is the same; the same holds for what is drawn by the seed.
func TestRowsAreReproducible(t *testing.T) {
	if testing.Short() {
		t.Skip("long, and all of it on one thread")
	}
	d := drilled(t, text(t, "testdata/warm.yaml"))
	anew := *d
	anew.starts = nil
	if len(d.starts) < len(d.Moments)-2 || len(d.starts) > mostStarts+len(d.Moments) {
		t.Errorf("%d snapshots for %d moments", len(d.starts), len(d.Moments))
	}
	// A heartbeat is no part of a run's state: a sleep is found up to its interval later.
	drawn := d.Random(10)
	cases := slices.DeleteFunc(slices.Clone(drawn), Case.sleeps)
	if len(cases) < 5 {
		t.Fatalf("only %d cases of %v", len(cases), drawn)
	}
	for _, m := range d.Moments {
		cases = append(cases, Case{[]Strike{{fault(t, "every tenth answer lost"), "meter", m.At}}, m.Name},
			Case{[]Strike{{fault(t, "plate thermometer drifting"), "plate", m.At}}, m.Name})
	}
	for _, c := range cases {
		var rows [3]string
		for i, x := range []*Drill{d, &anew, d} {
			r, err := x.Perform(c)
			if err != nil {
				t.Fatal(c, err)
			}
			r.Case, r.Outcome.Cause = Case{}, nil             // hold pointers
			r.Outcome.Readings, r.Outcome.Identities = 0, nil // counted from where a row begins
			if k := r.Reaction; k != nil {
				rows[i] = k.Plan.Rule + " in " + Seconds(k.Took) + " s, "
			}
			r.Reaction = nil
			rows[i] += fmt.Sprintf("%+v", r)
		}
		if rows[0] != rows[1] || rows[0] != rows[2] {
			t.Errorf("%s, %s:\nfrom a snapshot    %s\nfrom the beginning %s\nonce more          %s", c, c.Moment, rows[0], rows[1], rows[2])
		}
	}
	if again := d.Random(10); fmt.Sprint(drawn) != fmt.Sprint(again) {
		t.Errorf("drawn again: %v, before %v", again, drawn)
	}
	for _, c := range drawn {
		if len(c.Strikes) == 0 || len(c.Strikes) > 3 || c.at() > d.Undisturbed.Outcome.Report.Began {
			t.Errorf("%s at %v", c, c.at())
		}
	}
}

// That the calendar is set changes nothing in a run, to the last reading.
func TestTheCalendarDoesNotMatter(t *testing.T) {
	d := drilled(t, text(t, "testdata/warm.yaml"))
	d.starts = nil
	got := d.strike(t, fault(t, "clock stepped"), "", "heating").Outcome
	if want := d.Undisturbed.Outcome; got.Readings != want.Readings || got.Report.Done != want.Report.Done || got.Missed != want.Missed {
		t.Errorf("%+v, undisturbed %+v", got, want)
	}
}

// Moments lie where their names say.
func TestMoments(t *testing.T) {
	for name, want := range map[string]string{
		"short.yaml":     "sourcing, first quarter, heating, half-way, sweep, end",
		"staircase.yaml": "sourcing, sweep, heating, first quarter, half-way, third quarter, cooling, plateau, end",
		"response.yaml":  "sourcing, first quarter, specimen off, half-way, plateau, third quarter, end",
		"overnight.yaml": "sourcing, heating, plateau, end",
	} {
		d := drilled(t, example(t, name))
		x, err := d.performance(Case{})
		if err != nil {
			t.Fatal(err)
		}
		did := make([]string, len(d.Moments))
		x.onLook = func() {
			for i, m := range d.Moments {
				if x.clock.Now() <= m.At {
					did[i] = doing(x.bench)
				}
			}
		}
		if err := x.live(); err != nil {
			t.Fatal(err)
		}
		var names []string
		for i, m := range d.Moments {
			names = append(names, m.Name)
			switch m.Name {
			case "sourcing", "heating", "plateau", "cooling", "specimen off":
				if did[i] != m.Name {
					t.Errorf("%s: at %s, at %s s, the bench does %q", name, m.Name, Seconds(m.At), did[i])
				}
			}
			if s := d.before(m.At); s != nil && m.At-s.state.At > longestPrefix+settledIn {
				t.Errorf("%s: %s is %s s after its snapshot", name, m.Name, Seconds(m.At-s.state.At))
			}
		}
		if got := strings.Join(names, ", "); got != want {
			t.Errorf("%s: moments %s, expected %s", name, got, want)
		}
	}
}

// A protocol that goes wrong by itself, or leaves its bench in peril, is not drilled.
func TestAProtocolMustEndWell(t *testing.T) {
	warm := text(t, "testdata/warm.yaml")
	for _, x := range []struct{ protocol, says string }{
		{strings.Replace(warm, "at most: 6 min", "at most: 20 s", 1), "failed: 3.1.1 bring: plate.temperature was to reach 25 degC"},
		{strings.Replace(warm, "9 K", "2 K", 1), "tripped: abs(plate.temperature - foil.temperature) > 2 K holds"},
	} {
		p, r, s := compiled(t, x.protocol)
		_, err := New(p, r, s, 1)
		if notWell := (*NotWell)(nil); !errors.As(err, &notWell) || !strings.Contains(err.Error(), x.says) {
			t.Errorf("expected %q, got %v", x.says, err)
		}
	}
	p, r, s := compiled(t, warm)
	colder := 30.0
	held := safety.Rules{Limits: []safety.Limit{{Channel: "plate.temperature", Below: &colder, From: "somewhere"}}}
	d := &Drill{plan: p, held: &held, rig: r, specimen: s, seed: 1, patience: patience}
	if err := d.prepare(); err == nil || !regexp.MustCompile(`plate\.temperature was truly [0-9.]+ degC, beyond`).MatchString(err.Error()) {
		t.Errorf("expected it to be beyond a limit, got %v", err)
	}
}

// What a rig says of how fast it must act holds instead of the rules of thumb.
func TestTheRigSaysHowFast(t *testing.T) {
	warm := text(t, "testdata/warm.yaml")
	f := fault(t, "foil thermometer open")
	for _, x := range []struct {
		within clock.Instant
		want   Verdict
	}{{0, Safe}, {10 * clock.Second, Safe}, {2 * clock.Second, Unsafe}} {
		d := drilled(t, warm)
		d.rig.ActWithin = x.within
		if row := d.strike(t, f, "", "plateau"); row.Verdict != x.want {
			t.Errorf("must act within %s s: %s: %s", Seconds(x.within), row.Verdict, row.Why)
		}
	}
}

// The plate is hot after the heat is off: that is told apart.
func TestCoolingIsToldApart(t *testing.T) {
	d := drilled(t, strings.Replace(text(t, "testdata/warm.yaml"), "40 degC]", "40 degC, 48 degC, 55 degC]", 1))
	row := d.strike(t, fault(t, "film open"), "", "plateau")
	// From 55 to 43 degC in a room of 18 degC with 80 s: 80 s ln(37/25) = 31 s, from when
	// the heat went off; more for the dead time, more or less for the plate's error.
	if cold := row.ToSafe + row.Cooling; row.ToSafe > 15*clock.Second || row.Cooling < 15*clock.Second || cold < 30*clock.Second || cold > 42*clock.Second {
		t.Errorf("safe after %s s, cool after %s s more", Seconds(row.ToSafe), Seconds(row.Cooling))
	}
	if o := row.Outcome; row.ToSafe != o.Report.Done-row.At() {
		t.Errorf("safe after %s s, known to be at %s s, struck at %s s", Seconds(row.ToSafe), Seconds(o.Report.Done), Seconds(row.At()))
	}
	welded := d.strike(t, fault(t, "heater relay welded"), "", "plateau")
	if welded.PlateDegC < 115 || welded.ToSafe == clock.Never || welded.Verdict != NeedsHardware || welded.Hardware != cutsMains {
		t.Errorf("a welded relay: %.1f degC, safe after %d ns by the circuit at 120 degC, %s %s", welded.PlateDegC, welded.ToSafe, welded.Verdict, welded.Hardware)
	}
}

// Where the files ask for nothing, the built-in interlocks do.
func TestBuiltInInterlocksCount(t *testing.T) {
	warm := text(t, "testdata/warm.yaml")
	with, without := drilled(t, warm, "written"), drilled(t, warm, "written", "built-in")
	for _, x := range []struct{ fault, moment, by string }{
		{"foil thermometer fallen off", "plateau", "thermometers disagree"},
		{"foil thermometer drifting", "plateau", "thermometers disagree"},
		{"foil thermometer frozen", "sourcing", "frozen"},
		{"plate thermometer frozen", "sourcing", "frozen"},
		{"heater broken", "heating", "heats not"},
	} {
		f := fault(t, x.fault)
		if row := with.strike(t, f, "", x.moment); row.Verdict != Safe || row.Tripped() != x.by {
			t.Errorf("%s: %s, ended by %q, expected %q: %s", x.fault, row.Verdict, row.Tripped(), x.by, row.Why)
		}
		bare := without.strike(t, f, "", x.moment)
		if bare.Tripped() == x.by || bare.Verdict != Unsafe && x.fault != "heater broken" {
			t.Errorf("%s, without: %s, ended by %q", x.fault, bare.Verdict, bare.Tripped())
		}
	}
}

// Readings count as lost that were bad, left out, or not kept.
func TestReadingsLost(t *testing.T) {
	d := drilled(t, text(t, "testdata/warm.yaml"))
	for _, x := range []struct {
		fault, on   string
		least, most int64
	}{{"clock stepped", "", 0, 0}, {"answers twice", "meter", 0, 0}, {"disk full", "", 1, 10}, {"foil thermometer open", "", 2, 5},
		{"disk slow", "", 0, 0}, {"every tenth answer lost", "meter", 0, 0}, {"half lines", "meter", 3, 10}} {
		if row := d.strike(t, fault(t, x.fault), x.on, "plateau"); row.Lost < x.least || row.Lost > x.most {
			t.Errorf("%s: %d readings lost, expected %d to %d", x.fault, row.Lost, x.least, x.most)
		}
	}
}

// A limit that may be passed for a while is not passed before.
func TestALimitMayLast(t *testing.T) {
	d := drilled(t, text(t, "testdata/warm.yaml"), "limits", "written", "built-in")
	f := fault(t, "source drives too much")
	f.World = func(w *twin.Faults) { w.SourceGain = 1.3 } // no disobedience yet
	for _, x := range []struct {
		lasting clock.Instant
		want    Verdict
	}{{0, Unsafe}, {10 * clock.Minute, Unsafe}, {clock.Hour, Safe}} {
		watts := 1.1e-6
		d.held.Limits = []safety.Limit{{Channel: "element.power", Below: &watts, LastingNs: int64(x.lasting), From: "a test"}}
		if row := d.strike(t, f, "", "plateau"); row.Verdict != x.want {
			t.Errorf("lasting %s s: %s, expected %s: %s", Seconds(x.lasting), row.Verdict, x.want, row.Why)
		}
	}
}

// Several short perils of a kind count as one; silence counts from the last reading.
func TestPerilsAddUp(t *testing.T) {
	for _, x := range []struct {
		kind peril
		want clock.Instant
	}{{deceived, 30 * clock.Second}, {blind, 10 * clock.Second}} {
		w := &witness{}
		w.within[x.kind] = clock.Second
		for k := range clock.Instant(3) {
			began := k * clock.Minute
			for _, after := range []clock.Instant{0, 5 * clock.Second, 10 * clock.Second} {
				w.note(heat, x.kind, true, began, began+after, func() string { return "peril" })
			}
			w.note(heat, x.kind, false, 0, began+10*clock.Second, nil)
		}
		if got := w.perils[heat][x.kind].longest; got != x.want {
			t.Errorf("peril %d lasted %s s, expected %s s", x.kind, Seconds(got), Seconds(x.want))
		}
		if found := w.found(heat); !strings.HasPrefix(found, "peril for ") || w.found(output) != "" {
			t.Errorf("found %q, and of the output %q", found, w.found(output))
		}
	}
}
