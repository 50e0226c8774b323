// Package sequence executes a plan on a bench. One process performs the plan's
// actions; one process an instrument asks for its readings; one looks for silence;
// one writes to the disk. They share one state, change it only between waits, and
// stop for the first reason the gate latches.
//
// The same code runs in virtual and in wall time. The room knows plans, channels
// and setpoints, never words on a wire, and never decides what is safe: it asks the
// gate before every setpoint (through the driver) and shows it every reading. There
// is one way out of every run, good or bad: safety.MakeSafe.
package sequence

import (
	"errors"
	"fmt"
	"slices"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/safety"
	"dwell/safety/condition"
	"dwell/sequence/plan"
)

// Recorder keeps what happens. An error from it is a disk that failed, and stops
// the run.
type Recorder interface {
	Reading(r drivers.Reading, c *rig.Channel, step string) error
	Event(e Event) error
	// Sync returns when all that was recorded before is on the disk.
	Sync() error
}

// Event is something that happened besides readings and exchanges.
type Event struct {
	At     clock.Instant
	Kind   string // "step", "set", "arrived", "mark", "trip", ...
	Step   string
	Text   string
	Fields []Field

	Evidence *drivers.Evidence // of an attempt to make an instrument safe, as Text has it; otherwise nil
}

// Field is a number that belongs to an event, in the unit its key names.
type Field struct {
	Key   string
	Value float64
}

// Person is whoever stands at the bench.
type Person interface {
	// Ask shows a text and waits for an answer.
	Ask(text string, by clock.Instant) (string, error)
	// Move asks for the specimen to be laid on the plate (to "plate") or taken
	// elsewhere, and returns when it was, with a bound on the error.
	Move(to string, by clock.Instant) (at, within clock.Instant, err error)
	// Dismiss ends a question that is open: the run is being stopped.
	Dismiss()
}

// Outcome is how a run ended.
type Outcome struct {
	Word       string // "completed", "tripped", "failed", "stopped"
	Cause      *safety.Cause
	Safe       bool
	Report     safety.Report
	Readings   int64
	Identities map[string]string // by instrument
	Missed     int64             // readings that were due while their instrument was busy
	Pauses     int               // by interlocks
	Paused     clock.Instant     // in all of them
	GaveUp     bool              // the operator ended the attempts to make the bench safe
}

// Run is one execution of a plan.
type Run struct {
	plan   *plan.Plan
	bench  *rig.Bench
	gate   *safety.Gate
	clock  clock.Clock
	record Recorder
	person Person
	offBy  clock.Instant
	at     func(State) // called at every boundary, with all instruments at rest
	watch  *Watched    // nil when nobody watches

	pause      pause
	watchEvery []clock.Instant // by instrument: how often it is asked after its health; 0 for never

	index  map[string]int // channels by name
	instr  map[string]int // instruments by name
	whens  map[string]*condition.Condition
	state  State
	polls  []poller // by instrument
	latest []drivers.Reading

	wake    *clock.Event // for the process that performs: look again
	armed   *clock.Event // for the one that looks for silence
	settled *clock.Event // the bench has been made safe, or not
	disk    *clock.Turn
	want    wanted
	begun   int64 // the last of the cycles that are being made; 0 between
	onset   *onset

	judged   int64         // readings, and looks for silence
	polling  int           // pollers at work
	slept    clock.Instant // as the computer said last
	safingAt clock.Instant // since when the bench is being made safe
	attempts []attempted   // by instrument

	lives []int // by action: where the block begins in which the specimen may fail there, or -1

	goesOn   bool // from a saved state: the instruments are as they were
	again    *Resumption
	ending   bool // no new readings are asked for
	safing   bool
	untold   bool // its cause was not recorded yet
	stops    int  // on the operator's word
	giveUp   bool
	outcome  Outcome
	report   *safety.Report
	diskLost bool
	epoch    int // boundaries passed
}

// State is what a run goes on from: plain data, complete at every boundary (in a
// rehearsal together with the twin's).
type State struct {
	At        clock.Instant
	Lost      clock.Instant // of the time up to now: not spent on the plan, before the run was taken up again
	Next      int           // the action to perform next
	Loops     []int64       // passes completed, by action
	Cycles    int64         // of bending, confirmed by the stage's standing at flat after them
	Opens     int64         // readings of a specimen that was open, in the block in which it may fail
	Failed    bool          // it has
	Answered  Answered
	FlatSince clock.Instant // when the stage was seen to stand flat; 0 when it does not
	LifeBegan clock.Instant // when that block did
	Step      string
	Rates     []Rate          // by channel
	WatchAt   []clock.Instant // by instrument: when to ask after its health
	Memory    *condition.Memory
	Gate      safety.State

	Instruments []rig.Memory
}

// Rate is how often a channel is read, and when next.
type Rate struct {
	EveryNs clock.Instant
	Due     clock.Instant
}

// Options are what a run needs beside plan and bench.
type Options struct {
	Clock  clock.Clock
	Record Recorder
	Person Person
	OffBy  clock.Instant // when the plan's time of day comes; 0 for none
	At     func(State)   // may be nil
	Watch  *Watched      // may be nil
	From   *State        // where to go on; nil to begin
	Again  *Resumption   // where to take up a run whose bench is at rest; nil to begin
}

// New prepares a run.
func New(p *plan.Plan, b *rig.Bench, g *safety.Gate, o Options) (*Run, error) {
	r := &Run{plan: p, bench: b, gate: g, clock: o.Clock, record: o.Record, person: o.Person, offBy: o.OffBy, at: o.At, watch: o.Watch,
		index: map[string]int{}, instr: map[string]int{}, whens: map[string]*condition.Condition{},
		wake: clock.NewEvent(o.Clock), armed: clock.NewEvent(o.Clock),
		settled: clock.NewEvent(o.Clock), disk: clock.NewTurn(o.Clock),
		latest: make([]drivers.Reading, len(b.Rig.Channels)), attempts: make([]attempted, len(b.Instruments))}
	r.outcome.Identities = map[string]string{}
	for i, instrument := range b.Instruments {
		if instrument.Heats() {
			r.attempts[i].cools = safety.CoolsWithin(b, instrument)
		}
	}
	for i, c := range b.Rig.Channels {
		r.index[c.Name] = i
	}
	for i, d := range b.Rig.Instruments {
		r.instr[d.Name] = i
	}
	r.lives = livesOf(p)
	r.polls = newPollers(o.Clock, b)
	r.pause.off = make([]bool, len(b.Instruments))
	r.watchEvery = make([]clock.Instant, len(b.Instruments))
	for _, w := range p.Rules.Watched {
		i, every := r.instr[w.Instrument], clock.Instant(w.EveryNs)
		if r.watchEvery[i] == 0 || every < r.watchEvery[i] {
			r.watchEvery[i] = every
		}
	}
	memory, err := r.conditions(o.Again)
	if err != nil {
		return nil, err
	}
	r.state = State{Loops: make([]int64, len(p.Actions)), Rates: make([]Rate, len(b.Rig.Channels)),
		WatchAt: make([]clock.Instant, len(b.Instruments)), Memory: memory}
	if o.From != nil {
		r.state = o.From.clone()
		g.Restore(o.From.Gate)
		for i, m := range o.From.Instruments {
			b.Instruments[i].Restore(m)
		}
		r.goesOn = true
	}
	if o.Again != nil {
		r.takeUp(o.Again)
	}
	return r, nil
}

// conditions compiles every expression of the plan, in the words of its rules: a
// step may change the rate of a channel, and those know the fastest and the slowest.
func (r *Run) conditions(again *Resumption) (*condition.Memory, error) {
	v := safety.Vocabulary(r.bench.Rig.Channels, r.plan.Rules.Stale)
	var all []*condition.Condition
	actions := r.plan.Actions
	if again != nil {
		actions = slices.Concat(actions, again.Back)
	}
	for _, a := range actions {
		if a.When == "" || r.whens[a.When] != nil {
			continue
		}
		c, faults := condition.Compile(a.When, v)
		if len(faults) > 0 {
			return nil, fmt.Errorf("plan: step %s: %q: %s", a.Step, a.When, faults[0].Text)
		}
		r.whens[a.When] = c
		all = append(all, c)
	}
	return condition.NewMemory(v, all...), nil
}

// Execute performs the plan and leaves the bench safe. It must run as the main
// process of its clock.
func (r *Run) Execute() Outcome {
	r.start("disk", r.syncing)
	var err error
	if !r.goesOn {
		err = r.protected("preparing", r.prepare)
	}
	if err != nil {
		r.latch(err)
	} else {
		r.wayBackBegins()
		r.startPolling()
		r.start("silence", r.silence)
		r.start("ceilings", r.ceilings)
		if err := r.protected("on the way back", r.goBack); err != nil {
			r.latch(err)
		} else if err := r.protected("performing", r.perform); err != nil {
			r.latch(err)
		}
	}
	r.makeSafe()
	for r.report == nil {
		if _, err := r.settled.Wait(clock.Never); err != nil {
			break
		}
	}
	return r.finish()
}

// start starts a process whose failure is a reason to stop, not the end of time.
func (r *Run) start(name string, f func() error) {
	r.clock.Go(name, func() error {
		if err := r.protected(name, f); err != nil {
			r.latch(err)
		}
		return nil
	})
}

// protected turns a panic into a cause.
func (r *Run) protected(name string, f func() error) (err error) {
	defer func() {
		if v := recover(); v != nil {
			err = &safety.Cause{Kind: safety.Program, At: r.clock.Now(), Text: fmt.Sprintf("fault of the program in %s: %v", name, v)}
		}
	}()
	return f()
}

// latch takes an error as the reason to stop, if there is none yet, and sees to it
// that the bench is made safe at once, whatever the plan is doing. The words for that, and
// whoever waits for something else, come later: on one thread, what was started last runs
// first.
func (r *Run) latch(err error) {
	if errors.Is(err, clock.ErrEnded) {
		return
	}
	c := &safety.Cause{}
	if !errors.As(err, &c) {
		*c = safety.Cause{Kind: safety.Failed, Text: err.Error(), At: r.clock.Now()}
	}
	r.gate.Latch(*c)
	if r.ending {
		return
	}
	r.untold = r.untold || !r.safing
	r.clock.Go("after the cause", func() error {
		r.tell()
		r.wake.Signal()
		r.person.Dismiss()
		if err := r.sync(); err != nil && !errors.Is(err, clock.ErrEnded) {
			r.lostDisk(err)
		}
		return nil
	})
	r.makeSafe()
}

// Stop ends the run on the operator's word; the second time it gives up waiting
// for the confirmation of a safe state, but not the attempt under way. Of a bench
// that is being made safe already, the first one gives up nothing either.
func (r *Run) Stop() {
	if r.stops++; r.stops > 1 {
		r.giveUp = true
	} else if r.stopsAlready() {
		r.event(Event{Kind: "warning", Text: "the rig is being made safe already; to stop once more gives up waiting for that"})
	} else {
		r.latch(&safety.Cause{Kind: safety.Stopped, Text: "stopped by the operator", At: r.clock.Now()})
	}
}

// StopFor is Stop for somebody elsewhere, who may ask again without giving up.
func (r *Run) StopFor(who string) {
	if !r.stopsAlready() {
		r.latch(&safety.Cause{Kind: safety.Stopped, Text: "stopped by " + who, At: r.clock.Now()})
	}
}

func (r *Run) stopsAlready() bool { return r.gate.Latched() != nil || r.safing }

// Lost stops the run when the link to an instrument has gone, which shows before
// anything is asked of it. Once the bench is being made safe, that deals with it.
func (r *Run) Lost(instrument string) {
	if err := r.bench.Instruments[r.instr[instrument]].Lost(); err != nil && !r.safing {
		r.latch(err)
	}
}

// Fail stops the run for a reason that somebody outside of it has seen.
func (r *Run) Fail(text string) {
	r.latch(&safety.Cause{Kind: safety.Failed, Text: text, At: r.clock.Now()})
}

// Force tightens a rule of the gate until what is read breaches it, for a proof test, and
// returns what was done and when.
func (r *Run) Force(of safety.Ref) (how string, at clock.Instant, err error) {
	if of.Kind == safety.OfWatched {
		how, err = r.provoke(&r.plan.Rules.Watched[of.Index])
	} else {
		how, err = r.gate.Force(of)
	}
	if err != nil {
		return "", 0, err
	}
	r.event(Event{Kind: "forced", Text: how})
	r.armed.Signal()
	return how, r.clock.Now(), nil
}

// provoke has an instrument say of itself what a rule is about, and asked for that at once.
func (r *Run) provoke(w *safety.Watched) (how string, err error) {
	i := r.instr[w.Instrument]
	by := r.clock.Now() + boundaryPatience
	if err := r.bench.Instruments[i].Begin(by); err != nil {
		return "", err
	}
	defer r.bench.Instruments[i].End()
	if how, err = r.bench.Instruments[i].Provoke(w.For, by); err == nil {
		r.state.WatchAt[i] = r.clock.Now()
	}
	return how, err
}

// Starve lets an instrument's own watchdog trip, for a proof test: it is never fed again.
// Until then, if that is in the future, nothing is asked of the instrument either: there
// are watchdogs that any command feeds.
func (r *Run) Starve(instrument string, until clock.Instant) {
	i := r.instr[instrument]
	r.event(Event{Kind: "forced", Text: instrument + " is left alone until its own watchdog trips"})
	r.polls[i].starved = true
	if until <= r.clock.Now() {
		return
	}
	r.pauseReadings(i, until)
	r.start("end of the silence", func() error {
		if err := r.sleep(until); err != nil {
			return nil // the run is being stopped
		}
		r.resumeReadings(i)
		return nil
	})
}

// Note records a remark of somebody who looks on.
func (r *Run) Note(text string) { r.event(Event{Kind: "note", Text: text}) }

// Remark is a note of another kind.
func (r *Run) Remark(kind, text string) { r.event(Event{Kind: kind, Text: text}) }

// makeSafe starts making the bench safe, once.
func (r *Run) makeSafe() {
	if r.safing {
		return
	}
	r.safing, r.safingAt = true, r.clock.Now()
	r.gate.Off()
	var report *safety.Report
	report = safety.Begin(r.clock, r.bench, func() bool { return r.giveUp }, r.evidence, func() {
		r.report = report
		r.settled.Signal()
	})
}

// tell records the cause, before anything that comes of it.
func (r *Run) tell() {
	if c := r.gate.Latched(); r.untold {
		r.untold = false
		r.event(Event{Kind: outcomeWord(c), Text: c.Error()})
	}
}

func (r *Run) evidence(e drivers.Evidence) {
	r.tell()
	r.progress(e)
	kind, p := "safe", &r.polls[r.instr[e.Instrument]]
	if p.safe = e.Grade != drivers.Unconfirmed; !p.safe {
		kind = "not safe"
	}
	p.look.Signal()
	r.event(Event{Kind: kind, Text: e.Instrument + ": " + e.Grade.String() + ": " + e.Text, Evidence: &e})
}

// finish closes the record and says how it went.
func (r *Run) finish() Outcome {
	r.ending = true
	o := &r.outcome
	o.Word, o.Cause = outcomeWord(r.gate.Latched()), r.gate.Latched()
	if r.report != nil {
		o.Report, o.Safe, o.GaveUp = *r.report, r.report.Confirmed, r.giveUp && !r.report.Confirmed
	}
	if r.pause.on {
		o.Paused += r.clock.Now() - r.pause.began
	}
	for _, w := range o.Report.Warm { // how it was left, which needs nobody to wait
		r.event(Event{Kind: "warmth", Text: w.Text(r.bench.Rig, r.plan.CoolDegC)})
	}
	r.event(Event{Kind: "ended", Text: o.Word})
	if err := r.sync(); err != nil && o.Cause == nil {
		o.Word = "failed"
		o.Cause = &safety.Cause{Kind: safety.Failed, Text: err.Error(), At: r.clock.Now()}
	}
	return *o
}

func outcomeWord(c *safety.Cause) string {
	if c == nil {
		return "completed"
	}
	switch c.Kind {
	case safety.Tripped:
		return "tripped"
	case safety.Stopped:
		return "stopped"
	}
	return "failed"
}

// event records one; a disk that fails then is a reason to stop like any other.
func (r *Run) event(e Event) {
	e.At, e.Step = r.clock.Now(), r.state.Step
	if err := r.record.Event(e); err != nil {
		r.lostDisk(err)
	}
}

func (r *Run) lostDisk(err error) {
	if r.diskLost {
		return
	}
	r.diskLost = true
	r.latch(&safety.Cause{Kind: safety.Failed, Text: "the record cannot be written: " + err.Error(), At: r.clock.Now()})
}

// sync has all that was recorded put on the disk; one process at a time.
func (r *Run) sync() error {
	if err := r.disk.Take(clock.Never); err != nil {
		return err
	}
	defer r.disk.Give()
	if r.diskLost {
		return errors.New("the record cannot be written")
	}
	return r.record.Sync()
}

// groupEvery is half of what may be lost in a power cut: a reading is on the disk
// at most a second after it was taken.
const groupEvery = clock.Second / 2

func (r *Run) syncing() error {
	for at := r.clock.Now() + groupEvery; ; at += groupEvery {
		if err := r.clock.Sleep(at); err != nil {
			return nil
		}
		if err := r.sync(); err != nil && !errors.Is(err, clock.ErrEnded) {
			r.lostDisk(err)
			return nil
		}
		at = max(at, r.clock.Now()-groupEvery)
	}
}

// silence stops the run when readings stay away. Where another process watches, it
// goes on with the proof of life until the end.
func (r *Run) silence() error {
	if r.watch != nil {
		r.slept = r.watch.Slept()
	}
	for {
		now := r.clock.Now()
		cause, next := r.gate.Silent(now)
		if cause != nil && !r.safing {
			r.latch(cause)
		}
		if r.watch != nil {
			next = min(next, r.prove(now))
		} else if cause != nil {
			return nil
		}
		if _, err := r.armed.Wait(next); err != nil {
			return nil
		}
	}
}

// ceilings stops the run at its longest duration, and early enough to be cool at
// the time of day the protocol names.
func (r *Run) ceilings() error {
	limit, text := clock.Instant(r.plan.AtMostNs).After(r.state.Lost), "the longest duration of the whole run is reached"
	if cooling := clock.Instant(r.plan.Summary.CoolingNs); r.offBy > 0 && r.offBy-cooling < limit {
		limit, text = r.offBy-cooling, "to be off and cool by "+r.plan.OffBy+" the heat must go off now"
	}
	if limit <= 0 {
		return nil
	}
	if err := r.clock.Sleep(limit); err != nil {
		return nil
	}
	return &safety.Cause{Kind: safety.Ceiling, Text: text, At: r.clock.Now()}
}

// Status is how a run stands, for whoever looks on.
type Status struct {
	Step     string
	Readings int64
	Latest   []drivers.Reading // by channel; At is 0 before the first
	Stopping bool
	Cause    *safety.Cause // nil where there is none
	Since    clock.Instant // when making the bench safe began
	Stops    int           // how often the operator said stop; the second one gives up
	Over     bool
	Safe     bool
}

// Status copies how the run stands now.
func (r *Run) Status() Status {
	return Status{Step: r.state.Step, Readings: r.outcome.Readings, Latest: append([]drivers.Reading(nil), r.latest...),
		Stopping: r.safing, Cause: r.gate.Latched(), Since: r.safingAt, Stops: r.stops, Over: r.report != nil, Safe: r.report != nil && r.report.Confirmed}
}
