package sequence_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/drivers/twin"
	"dwell/drivers/wire"
	"dwell/drivers/yamltext"
	"dwell/safety"
	"dwell/sequence"
	"dwell/sequence/plan"
)

// memory is a Recorder that keeps what it is given as text.
type memory struct{ lines []string }

func (m *memory) Reading(x drivers.Reading, c *rig.Channel, step string) error {
	m.lines = append(m.lines, fmt.Sprintf("%d %d %s %x %v %s", x.At, x.Within, c.Name, x.Value, x.Flag, step))
	return nil
}

func (m *memory) Event(e sequence.Event) error {
	m.lines = append(m.lines, fmt.Sprintf("%d %s %s %s %v", e.At, e.Kind, e.Step, e.Text, e.Fields))
	return nil
}

func (m *memory) Sync() error { return nil }

func (m *memory) exchange(x *wire.Exchange) {
	m.lines = append(m.lines, fmt.Sprintf("%d %d %d %s %q %q %s", x.Sent, x.First, x.Last, x.Port, x.Request, x.Reply, x.Ended))
}

const leafClip = "../examples/leaf-clip/"

// example loads one of the repository's protocols with its rig and specimen.
func example(t testing.TB, name string) (*plan.Plan, *rig.Rig, *rig.Specimen) {
	t.Helper()
	m := &yamltext.Mistakes{}
	read := func(path string) *yamltext.Document {
		text, err := os.ReadFile(filepath.Join(leafClip, path))
		if err != nil {
			t.Fatal(err)
		}
		return yamltext.Parse(path, text, m)
	}
	r := rig.Load(read("rig.yaml"), nil, m)
	s := rig.LoadSpecimen(read("specimen.yaml"), m)
	p := plan.Compile(read(name), r, s, plan.Options{}, m)
	if err := m.Err(); err != nil {
		t.Fatal(err)
	}
	return p, r, s
}

// saved is everything a run goes on from: its own state and the virtual bench.
type saved struct {
	state  sequence.State
	bench  *twin.Bench
	behind int // lines recorded before
}

// rehearse performs a plan on the bench, from the beginning or from a state.
func rehearse(t testing.TB, p *plan.Plan, r *rig.Rig, bench *twin.Bench, from *sequence.State, at func(sequence.State, int)) (*memory, sequence.Outcome) {
	t.Helper()
	start := clock.Instant(0)
	if from != nil {
		start = from.At
	}
	world, rec := clock.Virtual(start), &memory{}
	var outcome sequence.Outcome
	err := world.Run(func() error {
		gate, err := safety.NewGate(p.Rules, r)
		if err != nil {
			return err
		}
		attach := func(d rig.Description) (wire.Device, error) { return bench.Device(d.Name), nil }
		b, err := rig.Open(world, r, gate, rig.Opening{Attach: attach, Tap: rec.exchange}, clock.Never)
		if err != nil {
			return err
		}
		defer b.Close()
		o := sequence.Options{Clock: world, Record: rec, Person: bench.Person(world, p.Specimen), From: from}
		if at != nil {
			o.At = func(s sequence.State) { at(s, len(rec.lines)) }
		}
		run, err := sequence.New(p, b, gate, o)
		if err != nil {
			return err
		}
		outcome = run.Execute()
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return rec, outcome
}

// A run put down at the boundary of a step and taken up again does exactly what the
// undisturbed one does: same exchanges at the same times, same readings, same end.
func TestARunGoesOnFromEveryBoundary(t *testing.T) {
	p, r, s := example(t, "staircase.yaml")
	goesOn(t, p, r, s)
}

// The same of one that bends, whose count of cycles goes on too.
func TestBendingGoesOnFromEveryBoundary(t *testing.T) {
	p, r, s := bendingPlan(t, "  - confirm: {specimen: LC-21}\n"+readyToBend+
		"  - bend: {radius: 12 mm, at most: 10 s}\n  - cycle: {to: {radius: 12 mm}, times: 330, rate: 2 Hz, measure: {at: 1-2-5, for: 2 s}}\n")
	goesOn(t, p, r, s)
}

func goesOn(t *testing.T, p *plan.Plan, r *rig.Rig, s *rig.Specimen) {
	t.Helper()
	bench, err := twin.New(r, s, 1)
	if err != nil {
		t.Fatal(err)
	}
	var states []saved
	whole, outcome := rehearse(t, p, r, bench, nil, func(st sequence.State, behind int) {
		states = append(states, saved{st, bench.Clone(), behind})
	})
	if outcome.Word != "completed" || len(states) < 10 {
		t.Fatalf("%s after %d boundaries: %v", outcome.Word, len(states), outcome.Cause)
	}
	for k, from := range states[1:] { // at the first one the specimen is not confirmed yet
		rest, outcome := rehearse(t, p, r, from.bench, &from.state, nil)
		want := whole.lines[from.behind:]
		if outcome.Word != "completed" {
			t.Fatalf("from boundary %d: %s: %v", k+1, outcome.Word, outcome.Cause)
		}
		for i := range want {
			if i >= len(rest.lines) || rest.lines[i] != want[i] {
				t.Fatalf("from boundary %d (%s), line %d of %d:\n  undisturbed %s\n  continued   %s", k+1, from.state.Step, i, len(want),
					want[i], strings.Join(rest.lines[min(i, len(rest.lines)):min(i+1, len(rest.lines))], ""))
			}
		}
	}
	t.Logf("%d boundaries, %d lines each at most: identical", len(states)-1, len(whole.lines))
}
