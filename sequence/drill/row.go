package drill

import (
	"errors"
	"fmt"
	"strings"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/drivers/twin"
	"dwell/drivers/wire"
	"dwell/safety"
	"dwell/sequence"
)

// Verdict is what a row comes to.
type Verdict string

// The verdicts.
const (
	Safe          Verdict = "safe"
	Unsafe        Verdict = "unsafe"
	NeedsHardware Verdict = "needs hardware" // software cannot, and the run said so
)

// Row is what came of one case.
type Row struct {
	Case    Case
	Outcome sequence.Outcome
	Verdict Verdict
	Why     string // why it is not safe
	// Hardware is what would have made the bench safe.
	Hardware string

	ToSafe  clock.Instant // from the fault until heat and output were off and known to be; Never when they were not
	Cooling clock.Instant // from there until the plate was cool
	// Reaction is what the rule that ended the run has taken, nil when none did, or when
	// the bench did not become safe by it.
	Reaction *Reaction
	Lost     int64 // readings: bad, left out, or not kept
	// The highest true values since the fault.
	PlateDegC, FilmDegC, FilmWatts float64
}

const (
	// lookEvery is how often the witness looks; limits last seconds.
	lookEvery = clock.Second / 2
	// patience is how long a drill lets a run try to make its bench safe: longer than
	// an instrument's own watchdog takes.
	patience = 3 * clock.Minute
	// mostAfter bounds how long a plate is watched after the run, while it cools or
	// while nobody switches it off.
	mostCooling = 4 * clock.Hour
	leftOn      = clock.Hour
	afterEvery  = clock.Second
	// slowSync is how long a slow disk takes to keep what it was given. Demo data.
	slowSync = 20 * clock.Second
)

// performance is one run with its faults.
type performance struct {
	d       *Drill
	c       Case
	clock   *clock.World
	bench   *twin.Bench
	cables  map[string]*cable
	ahead   clock.Instant // of the bench before the program's clock
	witness *witness
	run     *sequence.Run
	outcome sequence.Outcome
	from    *sequence.State
	failure error // of the drill itself

	disk       Disk
	lost       bool             // the disk takes nothing
	bad        int64            // readings that are not good
	unkept     int64            // readings since the disk kept some last
	safing     bool             // the bench is being made safe
	before     [energies]string // what was found until then
	notSafeAt  clock.Instant    // since when the run tries in vain
	onBoundary func(sequence.State)
	onLook     func()
}

// Perform performs a case. Several may be performed at once.
func (d *Drill) Perform(c Case) (Row, error) {
	x, err := d.performance(c)
	if err != nil {
		return Row{}, err
	}
	if err := x.live(); err != nil {
		return Row{}, fmt.Errorf("%s: %w", c, err)
	}
	return x.row(), nil
}

// performance prepares a run from the last snapshot before a case.
func (d *Drill) performance(c Case) (*performance, error) {
	x := &performance{d: d, c: c, cables: map[string]*cable{}, notSafeAt: clock.Never}
	begins := clock.Instant(0)
	if s := d.before(c.at()); s != nil {
		x.from, x.bench, begins = &s.state, s.bench.Clone(), s.state.At
	} else {
		bench, err := twin.New(d.rig, d.specimen, d.seed)
		if err != nil {
			return nil, err
		}
		x.bench = bench
	}
	x.clock = clock.Virtual(begins)
	for _, i := range d.rig.Instruments {
		if device := x.bench.Device(i.Name); device != nil {
			x.cables[i.Name] = &cable{device: device, ahead: &x.ahead}
		}
	}
	x.witness = newWitness(d.plan, d.held, d.rig, x.bench, begins)
	x.witness.lost = &x.lost
	return x, nil
}

// live performs the run in a world of its own.
func (x *performance) live() error {
	err := x.clock.Run(func() error {
		gate, err := safety.NewGate(x.d.plan.Rules, x.d.rig)
		if err != nil {
			return err
		}
		attach := func(d rig.Description) (wire.Device, error) {
			if c := x.cables[d.Name]; c != nil {
				return c, nil
			}
			return nil, errors.New("the virtual bench has no such instrument")
		}
		bench, err := rig.Open(x.clock, x.d.rig, gate, rig.Opening{Attach: attach, Tap: x.exchanged}, clock.Never)
		if err != nil {
			return err
		}
		defer bench.Close()
		o := sequence.Options{Clock: x.clock, Record: x, Person: x.bench.Person(x.clock, x.d.plan.Specimen), At: x.onBoundary, From: x.from}
		if x.c.sleeps() { // a run of every day has this too, and pays for it
			o.Watch = &sequence.Watched{Beat: func(int64) {}, Energising: func() error { return nil },
				Slept: func() clock.Instant { return x.ahead }}
		}
		if x.run, err = sequence.New(x.d.plan, bench, gate, o); err != nil {
			return err
		}
		for _, s := range x.c.Strikes {
			x.clock.Go("fault", func() error { return x.happen(s) })
		}
		x.clock.Go("witness", x.watch)
		x.outcome = x.run.Execute()
		x.look()
		return nil
	})
	return errors.Join(err, x.failure)
}

// exchanged tells the run of a link that was lost.
func (x *performance) exchanged(e *wire.Exchange) {
	if e.Ended == wire.LinkLost && x.run != nil {
		x.run.Lost(e.Port)
	}
}

// now is the bench's time.
func (x *performance) now() clock.Instant { return x.clock.Now() + x.ahead }

// watch looks at the bench all the time.
func (x *performance) watch() error {
	for {
		x.look()
		if x.clock.Now()-x.d.patience > x.notSafeAt {
			x.run.Stop() // nobody would wait longer, but for the operator
		}
		if x.clock.Sleep((x.clock.Now()/lookEvery+1)*lookEvery) != nil { // at the same times from wherever a row begins
			return nil
		}
	}
}

func (x *performance) look() {
	x.bench.Advance(x.now())
	x.witness.look(x.now())
	if x.onLook != nil {
		x.onLook()
	}
}

// happen lets one fault happen, when its time has come.
func (x *performance) happen(s Strike) error {
	if x.clock.Sleep(s.At) != nil {
		return nil
	}
	x.look()
	f := s.Fault
	x.witness.struck = min(x.witness.struck, x.now())
	x.bench.Break(s.String(), func(w *twin.Faults) {
		if f.World != nil {
			f.World(w)
		}
	})
	if f.Hand != nil {
		x.failure = errors.Join(x.failure, f.Hand(x.bench, s.On))
	}
	if f.Line != nil {
		x.cables[s.On].spoil(f.Line)
	}
	if f.Disk != Sound {
		x.disk = f.Disk
	}
	x.lost = x.disk == Full
	if f.Stops > 0 {
		x.clock.Freeze(f.Stops)
	}
	x.ahead += f.Sleeps
	if f.For == 0 || x.clock.Sleep(s.At+f.For) != nil {
		return nil
	}
	x.cables[s.On].mend(x.clock.Now())
	return nil
}

// Reading implements sequence.Recorder.
func (x *performance) Reading(r drivers.Reading, _ *rig.Channel, _ string) error {
	x.bench.Advance(x.now())
	x.witness.reading(r, x.now(), x.clock.Now()-r.At+r.Within)
	if x.now() >= x.witness.struck && r.Flag != drivers.Good && !x.safing && !x.run.Status().Stopping {
		x.bad++
	}
	x.unkept++
	return x.full()
}

// Event implements sequence.Recorder. Some kinds say that the bench is being made safe.
func (x *performance) Event(e sequence.Event) error {
	switch e.Kind {
	case "not safe":
		x.notSafeAt = min(x.notSafeAt, e.At)
		fallthrough
	case "tripped", "failed", "stopped", "safe":
		if !x.safing {
			x.look()
			x.safing, x.before = true, [energies]string{x.witness.found(heat), x.witness.found(output), x.witness.found(motion)}
		}
	}
	return x.full()
}

var errFull = errors.New("no space left on the disk")

func (x *performance) full() error {
	if x.disk == Full && !x.d.silentDisk {
		return errFull
	}
	return nil
}

// Sync implements sequence.Recorder.
func (x *performance) Sync() error {
	before := x.unkept
	if x.disk == Slow {
		if err := x.clock.Sleep(x.clock.Now() + slowSync); err != nil {
			return err
		}
	}
	if x.disk != Full {
		x.unkept -= before
	}
	return x.full()
}

// row says what came of it.
func (x *performance) row() Row {
	o := x.outcome
	r := Row{Case: x.c, Outcome: o, ToSafe: clock.Never, Lost: x.bad + o.Missed + x.unkept}
	on := x.witness.on
	x.judge(&r, on)
	if !anyOf(on) {
		safe := x.witness.offAt
		if o.Safe {
			safe = max(safe, o.Report.Done+x.ahead)
		}
		r.ToSafe = max(0, safe-x.witness.struck)
		r.Reaction = x.reaction()
		r.Cooling = x.cool()
	}
	if on[heat] {
		x.after(leftOn, func() bool { return x.witness.on[heat] })
	}
	r.PlateDegC, r.FilmDegC, r.FilmWatts = x.witness.plateDegC, x.witness.filmDegC, x.witness.watts
	return r
}

// judge finds the verdict. Hardware excuses only what it would have switched off, only
// where the run has noticed in time, and only where it has said that it could not: to
// the end, or until hardware has done it.
func (x *performance) judge(r *Row, on [energies]bool) {
	var wrong []string
	excused := !r.Outcome.Safe || x.notSafeAt != clock.Never && !anyOf(on)
	for e := range energies {
		was := len(wrong)
		if on[e] {
			wrong = append(wrong, [...]string{"the heat is still on", "the output is still on", "the stage still moves"}[e])
			if r.Outcome.Safe {
				wrong = append(wrong, "the run says that all is safe")
			}
		}
		if found := x.witness.found(e); found != "" {
			wrong = append(wrong, found)
		}
		if len(wrong) == was {
			continue
		}
		hardware := x.c.hardware(x.d.rig, e)
		excused = excused && hardware != "" && x.before[e] == ""
		r.Hardware = strings.TrimPrefix(r.Hardware+"; "+hardware, "; ")
	}
	r.Hardware = strings.TrimSuffix(r.Hardware, "; ")
	switch r.Why = strings.Join(wrong, "; "); {
	case len(wrong) == 0:
		r.Verdict = Safe
	case excused:
		r.Verdict = NeedsHardware
	default:
		r.Verdict = Unsafe
	}
}

// cool lets the plate cool, and returns how long that takes until it can be touched.
func (x *performance) cool() clock.Instant {
	return x.after(mostCooling, func() bool { return x.bench.World().PlateSurface() > x.d.plan.CoolDegC })
}

// after lets the bench go on when the run is over, as long as something holds.
func (x *performance) after(most clock.Instant, holds func() bool) clock.Instant {
	began := x.now()
	for holds() && x.now()-began < most {
		x.ahead += afterEvery
		x.look()
	}
	return x.now() - began
}
