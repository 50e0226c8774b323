package drill

import (
	"strings"
	"testing"

	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/drivers/yamltext"
	"dwell/sequence/plan"
)

// switched is the drill of a protocol on the bench of the examples with a switch in the
// plate's mains.
func switched(t *testing.T, protocol string) *Drill {
	t.Helper()
	m := &yamltext.Mistakes{}
	read := func(name, text string) *yamltext.Document { return yamltext.Parse(name, []byte(text), m) }
	bench := strings.Replace(text(t, leafClip+"rig.yaml"), "# What the instruments measure,",
		"  mains: {profile: mains-switch, port: twin, switches: plate}\n# What the instruments measure,", 1)
	r := rig.Load(read("rig.yaml", bench), nil, m)
	s := rig.LoadSpecimen(read("specimen.yaml", text(t, leafClip+"specimen.yaml")), m)
	p := plan.Compile(read("protocol.yaml", protocol), r, s, plan.Options{}, m)
	if err := m.Err(); err != nil {
		t.Fatal(err)
	}
	d, err := New(p, r, s, 1)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// A switch in the plate's mains makes safe what software cannot without it, also when
// the plate's own cable is cut, and opens by itself when nobody tells it anything.
func TestTheMainsSwitch(t *testing.T) {
	d := switched(t, text(t, "testdata/warm.yaml"))
	if e := d.Undisturbed.Outcome.Report.Evidence; len(e) != 3 || !strings.Contains(e[0].Text, "it has no mains: mains is open") {
		t.Errorf("without any fault: %+v", e)
	}
	for _, x := range []struct {
		fault, on string
		within    clock.Instant // of the noticing, until safe
		confirmed bool
	}{
		{"dead cable", "plate", 10 * clock.Second, true},
		{"port gone", "plate", 10 * clock.Second, true},
		{"plate hangs", "", 10 * clock.Second, true},
		{"heater relay welded", "", 90 * clock.Second, true}, // until it is seen to keep warming
		{"mains switch opens", "", 10 * clock.Second, true},
		{"dead cable", "mains", 15 * clock.Second, false}, // it opens, and nobody can know
		{"port gone", "mains", 15 * clock.Second, false},
	} {
		row := d.strike(t, fault(t, x.fault), x.on, "plateau")
		if row.Verdict != Safe || row.Outcome.Safe != x.confirmed || row.Outcome.Word == "completed" || row.ToSafe > x.within || row.Hardware != "" {
			t.Errorf("%s (%s): %s, ended by %q, safe after %s s, confirmed: %v; %s %s", x.fault, x.on, row.Verdict, row.Tripped(), Seconds(row.ToSafe), row.Outcome.Safe, row.Why, row.Hardware)
		}
	}
	// check says that the peak of a heater at full power holds also for a relay that has
	// welded, with a switch; without one it says that it does not.
	if k := d.strike(t, fault(t, "heater relay welded"), "", "plateau").Reaction; k == nil || k.Plan.PeakDegC == nil || !k.InTime() {
		t.Errorf("a welded relay: %+v", k)
	}
	if k := drilled(t, text(t, "testdata/warm.yaml")).strike(t, fault(t, "heater relay welded"), "", "plateau").Reaction; k == nil || k.Plan.PeakDegC == nil || k.InTime() {
		t.Errorf("a welded relay, and no switch: %+v", k)
	}
	// A switch that has welded cuts nothing: alone that is no danger, but a heater that
	// has welded too is one, and there is no excuse left.
	welded, relay := fault(t, "mains switch welded"), fault(t, "heater relay welded")
	if row := d.strike(t, welded, "", "plateau"); row.Verdict != Safe || row.Outcome.Safe {
		t.Errorf("a welded switch: %s, confirmed: %v; %s", row.Verdict, row.Outcome.Safe, row.Why)
	}
	at := d.Moments[len(d.Moments)/2].At
	row, err := d.Perform(Case{[]Strike{{welded, "mains", at}, {relay, "plate", at}}, "both"})
	if err != nil || row.Verdict != Unsafe {
		t.Errorf("both welded: %s; %v", row.Verdict, err)
	}
	if without := drilled(t, text(t, "testdata/warm.yaml")).strike(t, relay, "", "plateau"); without.Verdict != NeedsHardware {
		t.Errorf("without the switch: %s", without.Verdict)
	}
}

// No row of the whole table is unsafe, nor needs any hardware for the heat.
func TestTheMainsSwitchTable(t *testing.T) {
	if testing.Short() {
		t.Skip("takes some seconds under the race detector")
	}
	d := switched(t, text(t, leafClip+"short.yaml"))
	for _, c := range d.Cases() {
		row, err := d.Perform(c)
		if err != nil {
			t.Fatal(err)
		}
		if row.Verdict == Unsafe || row.Verdict == NeedsHardware && !strings.Contains(row.Why, "output") {
			t.Errorf("%s, %s: %s: %s (ended by %q)", c, c.Moment, row.Verdict, row.Why, row.Tripped())
		}
	}
}
