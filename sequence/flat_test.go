package sequence_test

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/drivers/twin"
	"dwell/safety"
	"dwell/sequence"
	"dwell/sequence/plan"
)

// counted cycles, measured now and then.
const measuredCycles = "  - cycle: {to: {radius: 8 mm}, times: 400, rate: 1 Hz, measure: {at: every 50, for: 4 s}}\n"

func broken(change func(*twin.Faults)) disturbance {
	return func(_ clock.Clock, _ *sequence.Run, b *twin.Bench) { b.Break("the strip's hold", change) }
}

// A coupling that slips does not show in what the stage says of itself: every motion
// arrives. The film says it at the next count that is measured, and which cycles are in
// doubt.
func TestSlippingCouplingIsSeenInTheFilm(t *testing.T) {
	_, o, _ := bending(t, measuredCycles, 150*clock.Second, broken(func(f *twin.Faults) { f.StageStuck = true }))
	expect(t, o, "failed", safety.Failed, "since cycle 100 the strip is not bent as it is asked for")
	rec, o, _ := bending(t, "  - cycle: {to: {radius: 8 mm}, times: 400, rate: 1 Hz}\n", 150*clock.Second, broken(func(f *twin.Faults) { f.StageStuck = true }))
	if o.Word != "completed" {
		t.Errorf("without a look at the film: %v: the test above shows nothing (%v)", o.Cause, rec.lines)
	}
}

// A strip that slips in a clamp is bowed where it was flat: that is said once, with how far
// flat has moved at least, and the run goes on. A little of it is not worth saying.
func TestSlipInAClampIsSaid(t *testing.T) {
	for _, c := range []struct {
		slipM  float64
		warned int
	}{{0.5e-3, 1}, {10e-6, 0}, {0, 0}} {
		rec, o, _ := bending(t, measuredCycles, 150*clock.Second, broken(func(f *twin.Faults) { f.ClampSlipM = c.slipM }))
		expect(t, o, "completed", 0, "")
		all := strings.Join(rec.lines, "\n")
		if n := strings.Count(all, "the strip may have slipped"); n != c.warned {
			t.Errorf("a slip of %g m is said %d times", c.slipM, n)
		}
		if c.warned > 0 && !strings.Contains(all, "since cycle 100 the strip may have slipped, as when flat has moved by more than") {
			t.Errorf("it says: %s", all)
		}
		if n := strings.Count(all, "answer to bending"); n != 8 {
			t.Errorf("the answer is recorded %d times", n)
		}
	}
}

// How far flat has moved when the answer is a tenth smaller: by the series for a small
// travel, R/L = 1/(4 pi sqrt(dL/L)), from the same integrals; a tenth of the strain of a
// radius of 8 mm is a radius of 80 mm. And the strip is compressed by pi^2 h^2/3L before it
// buckles.
func TestHowFarFlatHasMoved(t *testing.T) {
	p, _, _ := bendingPlan(t, readyToBend+measuredCycles)
	const length, thick = 50e-3, 133e-6
	part := length / (4 * math.Pi * 80e-3)
	want := length*part*part + math.Pi*math.Pi*thick*thick/3/length
	found := 0
	for _, a := range p.Actions {
		if a.Op == plan.Mark {
			found++
			if math.Abs(a.Within/want-1) > 0.01 || a.Channel != "element.resistance" {
				t.Errorf("%s: %g m, expected %g m; %+v", a.Text, a.Within, want, a)
			}
		}
	}
	if found == 0 {
		t.Error("nothing is measured")
	}
}

// boundaries is a recorder that keeps where the run was last.
type boundaries struct {
	memory
	last map[string]float64
}

func (b *boundaries) Event(e sequence.Event) error {
	if e.Kind == "boundary" {
		b.last = map[string]float64{}
		for _, f := range e.Fields {
			b.last[f.Key] = f.Value
		}
	}
	return b.memory.Event(e)
}

// stoppedAt is where a run was that is stopped then.
func stoppedAt(t *testing.T, p *plan.Plan, r *rig.Rig, s *rig.Specimen, at clock.Instant) sequence.Place {
	t.Helper()
	before := &boundaries{}
	o, _ := disturbed(t, p, r, s, before, at, func(_ clock.Clock, r *sequence.Run, _ *twin.Bench) { r.Stop() })
	expect(t, o, "stopped", safety.Stopped, "")
	place, err := sequence.ReadPlace(0, 1, before.last)
	if err != nil {
		t.Fatal(err)
	}
	return place
}

func wayBack(t *testing.T, p *plan.Plan, r *rig.Rig, place sequence.Place) []plan.Action {
	t.Helper()
	back, err := p.WayBack(place.Next, place.Passes, r.AmbientDegC)
	if err != nil {
		t.Fatal(err)
	}
	return back
}

// takenUp is what is recorded of a run that goes on from a place, and is completed.
func takenUp(t *testing.T, p *plan.Plan, r *rig.Rig, s *rig.Specimen, place sequence.Place) []string {
	t.Helper()
	rec := &memory{}
	back := wayBack(t, p, r, place)
	o, _ := attended(t, p, r, s, rec, 0, nil, func(o *sequence.Options) { o.Again = &sequence.Resumption{Place: place, Back: back} })
	expect(t, o, "completed", 0, "")
	return rec.lines
}

// nobody answers nothing.
type nobody struct{ sequence.Person }

func (nobody) Ask(string, clock.Instant) (string, error) { return "", errors.New("there is nobody") }

// A bending run that is taken up again says of the strip whether it lies flat: by its
// resistance against the last one, and by somebody who looks. Nobody is "not checked", and
// no is no.
func TestFlatnessIsAskedForAgain(t *testing.T) {
	p, r, s := bendingPlan(t, readyToBend+measuredCycles)
	place := stoppedAt(t, p, r, s, 150*clock.Second)
	if place.Cycles < 50 || !(place.FlatOhm > 1e4) || !(place.First > 0.01) || !(place.AtDegC > 15) {
		t.Fatalf("%+v", place)
	}
	back := wayBack(t, p, r, place)
	sensor, _, _ := bendingPlan(t, readyToBend+measuredCycles, "homing: harmless => homing: harmless\n  flat seen by: {channel: stage.motion, must read: still}")
	blind, _, _ := bendingPlan(t, readyToBend+measuredCycles, "homing: harmless => homing: harmless\n  flat seen by: {channel: stage.motion, must read: stopped}")
	for _, c := range []struct {
		plan   *plan.Plan
		person func(sequence.Person) sequence.Person
		word   string
		says   string
	}{
		{p, func(p sequence.Person) sequence.Person { return p }, "completed", "checked by a person; element.resistance is "},
		{sensor, func(p sequence.Person) sequence.Person { return nobody{p} }, "completed", "checked: stage.motion reads still; element.resistance is "},
		{blind, func(p sequence.Person) sequence.Person { return nobody{p} }, "completed", "; stage.motion does not read stopped"},
		{p, func(p sequence.Person) sequence.Person { return nobody{p} }, "completed", "not checked: nobody looked; element.resistance is "},
		{p, func(p sequence.Person) sequence.Person { return answers{p, "no"} }, "tripped", ""},
	} {
		rec := &memory{}
		o, _ := attended(t, c.plan, r, s, rec, 0, nil, func(o *sequence.Options) {
			o.Person, o.Again = c.person(o.Person), &sequence.Resumption{Place: place, Back: back}
		})
		all := strings.Join(rec.lines, "\n")
		if o.Word != c.word || !strings.Contains(all, c.says) || !strings.Contains(all, "of which the temperature makes") && c.says != "" {
			t.Errorf("%s: %v; it says %s", o.Word, o.Cause, all)
		}
		if c.word == "tripped" && (strings.Contains(all, "cycling") || !strings.Contains(o.Cause.Error(), "does not lie flat")) {
			t.Errorf("it went on: %v", o.Cause)
		}
		if got := readFlat(rec.lines); c.says != "" && !(math.Abs(got/place.FlatOhm-1) < 1e-3) {
			t.Errorf("it read %g Ohm flat, before it was %g Ohm", got, place.FlatOhm)
		}
		if n := strings.Count(all, "flat way"); c.says != "" && n != 1 {
			t.Errorf("it is looked at %d times", n)
		}
		if n := strings.Count(all, "the strip may have slipped"); n > 0 {
			t.Errorf("a sound strip has slipped: %s", all)
		}
	}
}

// readFlat is the resistance that the look at the strip found, Ohm; 0 when none was read.
func readFlat(lines []string) (ohm float64) {
	for _, line := range lines {
		if _, after, is := strings.Cut(line, "{before_Ohm "); is {
			_, after, _ = strings.Cut(after, "{flat_Ohm ")
			fmt.Sscan(strings.TrimSuffix(strings.Fields(after + " -")[0], "}]"), &ohm)
		}
	}
	return ohm
}

// What is on is read while somebody is asked whether the strip lies flat; and what was read
// before it lay flat, as when the specimen was confirmed, says nothing of that.
func TestOnlyWhatIsReadAtFlatIsOfFlat(t *testing.T) {
	p, r, s, place := brokenOff(t)
	back := wayBack(t, p, r, place)
	on := slices.IndexFunc(back, func(a plan.Action) bool { return a.Op == plan.Set })
	if on < 0 || back[on+1].Op != plan.Record {
		t.Fatalf("the current is on, and the next is not to read: %+v", back)
	}
	for _, read := range []bool{true, false} {
		if !read {
			back = slices.Delete(slices.Clone(back), on+1, on+2)
		}
		rec := &memory{}
		attended(t, p, r, s, rec, 0, nil, func(o *sequence.Options) { o.Again = &sequence.Resumption{Place: place, Back: back} })
		got, all := readFlat(rec.lines), strings.Join(rec.lines, "\n")
		if read && !(math.Abs(got/place.FlatOhm-1) < 1e-3) {
			t.Errorf("it read %g Ohm flat, before it was %g Ohm", got, place.FlatOhm)
		}
		if !read && (got != 0 || !strings.Contains(all, "its resistance was not read")) {
			t.Errorf("it read %g Ohm flat, and nothing was read", got)
		}
	}
}

// A strip that was held in a bend when its run was broken off is looked at flat first.
func TestFlatnessBeforeItIsBentAgain(t *testing.T) {
	p, r, s := bendingPlan(t, readyToBend+"  - bend: {radius: 12 mm, at most: 10 s}\n  - hold: 60 s\n  - mark: crept\n")
	all := strings.Join(takenUp(t, p, r, s, stoppedAt(t, p, r, s, 40*clock.Second)), "\n")
	_, after, found := strings.Cut(all, "stage position 0.0002 m")
	_, after, asked := strings.Cut(after, "checked by a person; its resistance had not been read at flat before")
	if !found || !asked || !strings.Contains(after, "stage position 0.00") || !strings.Contains(after, "crept") {
		t.Errorf("flat, looked at: %v, %v; then %s", found, asked, after)
	}
}

// What was last read of the film flat is kept from any step, and nothing that was read bent.
func TestFlatIsKeptFromAnyStep(t *testing.T) {
	p, r, s := bendingPlan(t, readyToBend+"  - flat: {at most: 10 s}\n  - hold: 3 s\n  - bend: {radius: 8 mm, at most: 10 s}\n  - hold: 20 s\n  - mark: half\n  - hold: 60 s\n")
	place := stoppedAt(t, p, r, s, 60*clock.Second)
	if place.FlatOhm == 0 || !(place.AtDegC > 15) {
		t.Fatalf("%+v", place)
	}
	lines := takenUp(t, p, r, s, place)
	if got := readFlat(lines); !(math.Abs(got/place.FlatOhm-1) < 1e-3) { // bent it is 1.5 % more
		t.Errorf("it read %g Ohm flat, before it was %g Ohm", got, place.FlatOhm)
	}
	if all := strings.Join(lines, "\n"); !strings.Contains(all, "checked by a person; element.resistance is ") || !strings.Contains(all, "of which the temperature makes") {
		t.Errorf("it says %s", all)
	}
}

// A film that cycles have worn out of the band of its file is judged by what was last read of
// it flat; where that is not known, or it is open, somebody is asked.
func TestAWornFilmIsConfirmedAgain(t *testing.T) {
	p, r, s, sound := brokenOff(t)
	unread, fresh := sound, sound
	unread.FlatOhm, fresh.Cycles = 0, 0
	is := func(p sequence.Person) sequence.Person { return p }
	no := func(p sequence.Person) sequence.Person { return answers{p, "LC-21"} } // whatever is asked
	for _, c := range []struct {
		name   string
		place  sequence.Place
		band   float64 // of the file, as a multiple of what it is
		person func(sequence.Person) sequence.Person
		word   string
		says   string
	}{
		{"worn", sound, 0.6, no, "tripped", "does not lie flat"}, // confirmed, and then nobody says that it lies flat
		{"worn, not read", unread, 0.6, is, "completed", "a person said that it is the same"},
		{"worn, not read, another", unread, 0.6, no, "tripped", "it is not the same specimen"},
		{"not worn", fresh, 0.6, is, "tripped", "expected 5.2"},
		{"as its file says", unread, 1, is, "completed", ""},
	} {
		back := wayBack(t, p, r, c.place)
		for i := range back {
			if check := back[i].Confirm; check != nil {
				another := *check
				another.LowOhm, another.HighOhm = c.band*check.LowOhm, c.band*check.HighOhm
				back[i].Confirm = &another
			}
		}
		rec := &memory{}
		o, _ := attended(t, p, r, s, rec, 0, nil, func(o *sequence.Options) {
			o.Person, o.Again = c.person(o.Person), &sequence.Resumption{Place: c.place, Back: back}
		})
		if all := strings.Join(rec.lines, "\n") + fmt.Sprint(o.Cause); o.Word != c.word || !strings.Contains(all, c.says) {
			t.Errorf("%s: %s: %v", c.name, o.Word, o.Cause)
		}
	}
}

// brokenOff is a plan that was stopped in its cycles, and where.
func brokenOff(t *testing.T) (*plan.Plan, *rig.Rig, *rig.Specimen, sequence.Place) {
	t.Helper()
	p, r, s := bendingPlan(t, "  - confirm: {specimen: LC-21, resistance within: 20 %}\n"+readyToBend+measuredCycles)
	return p, r, s, stoppedAt(t, p, r, s, 150*clock.Second)
}

// A fresh film in place of the worn one is another specimen, an open one is asked about.
func TestAFreshFilmIsNotTheWornOne(t *testing.T) {
	p, r, s, sound := brokenOff(t)
	another := sound
	another.FlatOhm *= 1.5
	back := wayBack(t, p, r, another)
	o, _ := attended(t, p, r, s, &memory{}, 0, nil, func(o *sequence.Options) { o.Again = &sequence.Resumption{Place: another, Back: back} })
	if o.Word != "tripped" || !strings.Contains(fmt.Sprint(o.Cause), "the specimen has") {
		t.Errorf("a fresh film in place of a worn one: %s: %v", o.Word, o.Cause)
	}
	back = wayBack(t, p, r, sound)
	rec := &memory{}
	attended(t, p, r, s, rec, clock.Millisecond, broken(func(f *twin.Faults) { f.FilmOpen = true }), func(o *sequence.Options) {
		o.Again = &sequence.Resumption{Place: sound, Back: back}
	})
	if all := strings.Join(rec.lines, "\n"); !strings.Contains(all, "its resistance cannot be read; a person said that it is the same") {
		t.Errorf("an open film: %s", all[:min(len(all), 2000)])
	}
}
