// Package drill shows what becomes of a bench when something goes wrong. It performs
// a protocol on the virtual bench, in virtual time, once for every fault and moment,
// through the same drivers, interlocks and making safe as a run, and judges what came
// of it by what is true on the bench, never by what the run thinks of itself.
//
// One undisturbed run is shared: a row goes on from the last of its snapshots before
// its fault. Rows have nothing in common that changes, so that whoever asks may have
// several performed at once; this room itself starts nothing. It must never touch
// anything real, and never excuse a row: hardware is asked for only where the fault
// is one that software cannot do anything about, and where the run has said so.
package drill

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"

	"dwell/drivers/clock"
	"dwell/drivers/quantity"
	"dwell/drivers/rig"
	"dwell/drivers/twin"
	"dwell/safety"
	"dwell/sequence"
	"dwell/sequence/plan"
)

// Strike is a fault that happens somewhere, at a time of the program's.
type Strike struct {
	Fault *Fault
	On    string // the instrument, "" for none
	At    clock.Instant
}

func (s Strike) String() string {
	if s.Fault.On == Port {
		return s.Fault.Name + " (" + s.On + ")"
	}
	return s.Fault.Name
}

// Case is one row to perform: what happens, and in which phase of the protocol.
type Case struct {
	Strikes []Strike // in order of time
	Moment  string
}

// String names the faults.
func (c Case) String() string {
	var names []string
	for _, s := range c.Strikes {
		names = append(names, s.String())
	}
	return strings.Join(names, " + ")
}

func (c Case) at() clock.Instant {
	if len(c.Strikes) == 0 {
		return 0
	}
	return c.Strikes[0].At
}

func (c Case) sleeps() bool {
	return slices.ContainsFunc(c.Strikes, func(s Strike) bool { return s.Fault.Sleeps > 0 })
}

// hardware is what would have switched something off that software cannot, "" if
// there is no excuse.
func (c Case) hardware(r *rig.Rig, e energy) string {
	var needs []string
	for _, s := range c.Strikes {
		if h := s.Fault.Hardware; h != "" && s.frees(r, e) && !slices.Contains(needs, h) {
			needs = append(needs, h)
		}
	}
	return strings.Join(needs, "; ")
}

// frees tells whether a fault can take an energy out of the hands of software.
func (s Strike) frees(r *rig.Rig, e energy) bool {
	for _, d := range r.Instruments {
		if d.Name == s.On {
			if d.Profile.Kind == "hotplate" && r.SwitchOf(d.Name) >= 0 {
				return false // its mains can be cut
			}
			return d.Profile.Kind == "hotplate" && e == heat || d.Profile.Kind == "source-meter" && e == output || d.Profile.Kind == "stage" && e == motion
		}
	}
	return true
}

// Moment is a time at which faults are tried.
type Moment struct {
	Name string
	At   clock.Instant
}

// Drill is a protocol ready to be drilled.
type Drill struct {
	Moments     []Moment // in order of time
	Undisturbed Row
	Whole       clock.Instant // how long the protocol is, if what is drilled is shorter (see shortened)

	plan     *plan.Plan
	held     *safety.Rules // whose limits must hold, whatever the plan's gate knows
	rig      *rig.Rig
	specimen *rig.Specimen
	seed     uint64
	starts   []start // in order of time

	patience   clock.Instant // with a run that tries to make its bench safe
	silentDisk bool          // it says nothing when it is full
}

// start is where rows can go on from: a boundary of the undisturbed run.
type start struct {
	state sequence.State
	bench *twin.Bench
}

// mostStarts bounds the snapshots beside those for the moments.
const mostStarts = 24

// New prepares the drill of a protocol. One that does not end well without any fault
// cannot be drilled: the error is a *NotWell then.
func New(p *plan.Plan, r *rig.Rig, s *rig.Specimen, seed uint64) (*Drill, error) {
	d := &Drill{plan: p, held: &p.Rules, rig: r, specimen: s, seed: seed, patience: patience}
	if short := shortened(p); short != p {
		d.plan, d.Whole = short, clock.Instant(p.Summary.DurationNs)
	}
	return d, d.prepare()
}

// A night is drilled as it is. What lasts longer than longestWhole repeats itself, and is
// drilled with a first pass and a last one of each of its loops: between them are equal
// ones. What only many passes bring about, such as a film that wears, is not drilled then.
const (
	longestWhole = 24 * clock.Hour
	passes       = 2
)

// shortened is a plan as it is drilled, the same one if it need not be shorter.
func shortened(p *plan.Plan) *plan.Plan {
	repeats := func(a plan.Action) bool { return a.Op == plan.Loop && a.Count > passes }
	if clock.Instant(p.Summary.DurationNs) <= longestWhole || !slices.ContainsFunc(p.Actions, repeats) {
		return p
	}
	short := *p
	short.Actions = slices.Clone(p.Actions)
	for i := range short.Actions {
		if a := &short.Actions[i]; repeats(*a) {
			a.Count = passes
		}
	}
	return &short
}

// prepare performs the undisturbed run, twice: to find the moments, and to keep
// snapshots before them.
func (d *Drill) prepare() error {
	x, err := d.performance(Case{})
	if err != nil {
		return err
	}
	seen := &survey{plan: d.plan, x: x}
	x.onBoundary, x.onLook = seen.boundary, seen.look
	if err := x.live(); err != nil {
		return err
	}
	d.Undisturbed = x.row()
	if o := &d.Undisturbed.Outcome; o.Word != "completed" || d.Undisturbed.Verdict != Safe {
		return &NotWell{d.Undisturbed}
	}
	d.Moments = seen.moments(x.outcome.Report.Began)
	return d.keep(seen.boundaries)
}

// NotWell is a protocol that goes wrong without any fault.
type NotWell struct{ Row Row }

func (e *NotWell) Error() string {
	text := "without any fault the rehearsal is " + e.Row.Outcome.Word
	if e.Row.Outcome.Cause != nil {
		text += ": " + e.Row.Outcome.Cause.Error()
	}
	if e.Row.Why != "" {
		text += ": " + e.Row.Why
	}
	return text
}

// keep performs the undisturbed run once more and keeps snapshots: of the last
// boundary before each moment, and of some between. At the first boundary a run has
// done nothing yet.
func (d *Drill) keep(boundaries []clock.Instant) error {
	wanted := make([]bool, len(boundaries))
	for _, m := range d.Moments {
		if i := last(boundaries, m.At); i > 0 {
			wanted[i] = true
		}
	}
	every := len(boundaries)/mostStarts + 1
	for i := every; i < len(boundaries); i += every {
		wanted[i] = true
	}
	x, err := d.performance(Case{})
	if err != nil {
		return err
	}
	i := 0
	x.onBoundary = func(s sequence.State) {
		if i < len(wanted) && wanted[i] {
			d.starts = append(d.starts, start{s, x.bench.Clone()})
		}
		i++
	}
	return x.live()
}

// last is the place of the last of some instants that is not after another, or -1.
func last(all []clock.Instant, at clock.Instant) int {
	i, found := slices.BinarySearch(all, at)
	for found && i+1 < len(all) && all[i+1] == at {
		i++
	}
	if found {
		return i
	}
	return i - 1
}

// before is the last snapshot before an instant, nil if the run must begin anew.
func (d *Drill) before(at clock.Instant) *start {
	var found *start
	for i := range d.starts {
		if d.starts[i].state.At <= at {
			found = &d.starts[i]
		}
	}
	return found
}

// Cases is the whole table: every fault at every place and moment.
func (d *Drill) Cases() []Case {
	var all []Case
	for i := range Faults {
		for _, on := range Faults[i].places(d.rig) {
			for _, m := range d.Moments {
				all = append(all, Case{[]Strike{{&Faults[i], on, m.At}}, m.Name})
			}
		}
	}
	return all
}

// Random is some cases of two or three faults at any time, drawn by the seed.
func (d *Drill) Random(count int) []Case {
	draw := rand.New(rand.NewPCG(d.seed, 0))
	var all []Case
	end := d.Undisturbed.Outcome.Report.Began
	var possible []*Fault
	for i := range Faults {
		if len(Faults[i].places(d.rig)) > 0 {
			possible = append(possible, &Faults[i])
		}
	}
	for k := range count {
		c := Case{Moment: fmt.Sprintf("%d.%d", d.seed, k+1)}
		at := clock.Instant(draw.Int64N(int64(end)))
		for range 2 + draw.IntN(2) {
			f := possible[draw.IntN(len(possible))]
			places := f.places(d.rig)
			if slices.ContainsFunc(c.Strikes, func(s Strike) bool { return s.Fault == f }) {
				continue
			}
			c.Strikes = append(c.Strikes, Strike{f, places[draw.IntN(len(places))], at})
			at += clock.Instant(draw.Int64N(int64(soonAfter)))
		}
		all = append(all, c)
	}
	return all
}

// soonAfter is the longest time from one of several faults to the next.
const soonAfter = clock.Minute

// Tripped is what ended a run early, in few words: a built-in's name, or what was
// said up to the first reply. "" if nothing did.
func (r *Row) Tripped() string {
	c := r.Outcome.Cause
	if c == nil {
		return ""
	}
	if name, built := strings.CutPrefix(c.From, "built-in: "); built {
		return name
	}
	text, _, _ := strings.Cut(c.Text, "\n")
	if c.From != "" {
		text += " (" + c.From + ")"
	}
	return text
}

// At is when the first fault of a row struck.
func (r *Row) At() clock.Instant { return r.Case.at() }

// WentOn tells whether the run came to its end all the same.
func (r *Row) WentOn() bool { return r.Outcome.Word == "completed" && r.Outcome.Safe }

// Seconds is a time as a file would have it.
func Seconds(t clock.Instant) string { return string(quantity.AppendSeconds(nil, int64(t))) }
