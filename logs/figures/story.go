package figures

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"slices"
	"strings"

	"dwell/logs"
)

// story is what a run did, from its own record: no plateau in it is guessed.
type story struct {
	stays    []stay
	moves    []move
	shapes   []shape
	bends    []bend // of the plan
	blocks   []block
	told     []float64 // s: when the plate was told another temperature
	open     *bend     // between plates that stand open; nil where a strip lies flat instead
	settings []setting
	steps    []begun
	ops      map[string]string // step → what it does, where that matters here
	sessions []session         // of a check standard
	lost     []span            // what was read in them counts for nothing
	more     float64           // cycles that may have been made so far beyond those that are counted
	fails    string            // when a specimen has failed, by the plan; "" where it does not say
	failed   *failure          // nil while the specimen is sound
	cycles   float64           // done in all
	ended    float64
	notes    []string
}

// stay is a stretch in which the plate had arrived and nothing was told to change.
type stay struct {
	from, to float64 // s
	target   float64 // degC
	step     string
	wires    string  // of the meter
	amps     float64 // its source, 0 where it was not told
	cycles   float64 // of bending, done before
	placed   bool    // the film was laid down in it, and comes from elsewhere
}

// move is the specimen laid on the plate or taken away.
type move struct {
	at, u float64 // s: when, and its standard uncertainty
	to    string  // "plate", or where it went
	until float64 // s: the next thing that changed
	step  string
	role  string
}

// span is a stretch of time, s.
type span struct{ from, to float64 }

func inAny(spans []span, at float64) bool {
	return slices.ContainsFunc(spans, func(s span) bool { return s.from <= at && at < s.to })
}

// setting is how the meter stood from a moment on.
type setting struct {
	at          float64
	reversed    bool
	wires       string
	integration float64 // periods of the mains
	amps        float64 // of the source, without sign
}

// begun is a step of the protocol that began.
type begun struct {
	at         float64
	step, role string
}

// happened is the part of an event that matters here.
type happened struct {
	Event     string   `json:"event"`
	TNs       int64    `json:"t_ns"`
	Step      string   `json:"step"`
	Text      string   `json:"text"`
	T0        float64  `json:"t0_s"`
	UT0       *float64 `json:"u_t0_s"`
	Aim       float64  `json:"target"`
	FromS     float64  `json:"from_s"`
	ToS       float64  `json:"to_s"`
	Count     float64  `json:"cycles"`
	To        float64  `json:"to"` // of cycles
	Measured  float64  `json:"measured"`
	MaybeFrom float64  `json:"uncertain_from"`
	MaybeTo   float64  `json:"uncertain_to"`
	RodM      float64  `json:"rod_m"`
}

// planned is the part of plan.json that matters here.
type planned struct {
	Actions []struct {
		Op        string `json:"op"`
		Step      string `json:"step"`
		Open      bool   `json:"open"`
		When      string `json:"when"`
		Setpoints []struct {
			Value float64 `json:"value"`
		} `json:"setpoints"`
	} `json:"actions"`
	Summary struct {
		Bends []bend `json:"bends"`
		Open  *bend  `json:"open"`
	} `json:"summary"`
}

// teller follows events in their order.
type teller struct {
	story
	facts    Facts
	now      setting
	role     string
	arrived  *stay
	off      bool // the specimen is not on the plate
	moving   int  // place in moves of the one whose end has not come, -1 for none
	holding  *shape
	bent     bool // the film is not flat: its resistance is none of a plateau's
	speed    float64
	position float64
	ways     map[string]block // step → from where to where it cycles
	cycling  *block
	turns    float64 // m, where the stage stands when a cycle has ended
	checking bool    // the meter reads the check standard
	before   setting // how it stood before that
}

func readStory(r *logs.Run, f Facts) (story, error) {
	t := teller{facts: f, moving: -1}
	t.ops, t.ways = map[string]string{}, map[string]block{}
	text, err := r.File("plan.json")
	var p planned
	var damaged error
	if err == nil {
		damaged = json.Unmarshal(text, &p)
	}
	switch {
	case err == nil && damaged == nil:
		t.bends, t.open = p.Summary.Bends, p.Summary.Open
		for _, a := range p.Actions {
			if a.Op == "sweep" || a.Op == "confirm" || a.Op == "ramp" {
				t.ops[a.Step] = a.Op
			}
			if a.Op == "life" {
				t.fails = failsBy(a.Open, a.When)
			}
			if a.Op == "cycle" && len(a.Setpoints) == 2 {
				t.ways[a.Step] = block{bent: a.Setpoints[0].Value, first: a.Setpoints[1].Value}
			}
		}
	case err == nil:
		t.notes = append(t.notes, "plan.json is damaged: sweeps are not told from other readings")
	case errors.Is(err, fs.ErrNotExist):
		t.notes = append(t.notes, "there is no plan.json: sweeps are not told from other readings")
	default:
		return t.story, err
	}
	for line, err := range r.Events() {
		if err != nil {
			return t.story, err
		}
		var e happened
		if err := json.Unmarshal(line, &e); err != nil {
			return t.story, fmt.Errorf("events.jsonl: %w", err)
		}
		t.hear(e)
	}
	if !t.over() { // cut off: what lasted, lasts to the end of the record
		t.change(math.MaxFloat64)
		t.release(math.MaxFloat64)
	}
	return t.story, nil
}

func (t *teller) hear(e happened) {
	at := float64(e.TNs) / 1e9
	if e.Event == "segment" { // the run was taken up again; the meter was prepared anew
		t.change(at)
		t.release(at)
		t.ended, t.arrived, t.now = 0, nil, setting{at: at}
		t.settings = append(t.settings, t.now)
		return
	}
	if t.over() {
		return
	}
	switch e.Event {
	case "gap":
		t.lose(span{e.FromS, e.ToS})
		if e.MaybeTo >= e.MaybeFrom && e.MaybeFrom > 0 {
			t.more += e.MaybeTo - e.MaybeFrom + 1
		}
	case "tripped", "failed", "stopped", "safe", "not safe", "ended":
		t.check(at, false, "")
		t.change(at)
		t.release(at)
		t.ended, t.arrived = at, nil
	case "step":
		if t.check(at, e.Text == checkRole, e.Step); !t.checking {
			t.cut(at, e.Text != t.role) // the same plateau goes on in another role
			t.role = e.Text
		}
		t.steps = append(t.steps, begun{at, e.Step, e.Text})
	case "arrived":
		if t.facts.Plate == "" || slices.Contains(t.facts.OnPlate, e.Text) {
			t.arrived = &stay{from: at, target: e.Aim, step: e.Step}
		}
	case "paused":
		t.change(at)
		t.arrived = nil
	case "moved":
		t.moved(e)
	case "set":
		t.set(at, e.Text, t.ops[e.Step] == "sweep" || t.ops[e.Step] == "confirm")
	default:
		t.hearBent(at, e)
	}
}

// hearBent is about bending, by a person or in cycles.
func (t *teller) hearBent(at float64, e happened) {
	switch e.Event {
	case "bending": // somebody was asked to do it, and the strip is in no shape until it is done
		t.release(at)
	case "bent":
		t.holding = &shape{from: at, arrives: at, position: e.RodM, cycles: t.cycles, more: t.more}
		t.bendTo(at, e.RodM > 0)
	case "cycling":
		if e.Measured > 0 { // of single motions, which tell of themselves
			break
		}
		t.release(at)
		t.bendTo(at, true)
		t.turns = t.facts.FlatAtM
		if way, ok := t.ways[e.Step]; ok {
			way.from, way.done, way.upTo, way.speed, way.role = at, t.cycles, e.To, t.speed, t.role
			t.cycling, t.turns = &way, way.first
		}
	case "cycled":
		if b := t.cycling; b != nil && e.Count > b.done {
			b.to, b.count = at, e.Count-b.done
			t.blocks = append(t.blocks, *b)
			if t.failed != nil && t.failed.in == b {
				t.failed.to = e.Count
			}
		}
		t.cycling = nil
		t.cycles = e.Count
		if t.holding != nil { // it was the last of them that ended in this shape
			t.holding.cycles = e.Count
		} else { // it stands where cycles begin; what is read now may have begun before
			t.holding = &shape{from: at, arrives: at + afterCycles, position: t.turns, cycles: e.Count, more: t.more}
			t.position = t.turns
		}
		t.bendTo(at, t.position != t.facts.FlatAtM)
	case "specimen failed":
		f := failure{at: at, why: e.Text, open: e.Text == isOpen, from: t.cycles, to: t.cycles}
		if t.bent { // it came in the cycle that is being measured, or in a block
			f.to++
		}
		if b := t.cycling; b != nil {
			f.in, f.to = b, max(f.to, b.upTo)
		}
		t.failed = &f
	}
}

func (t *teller) over() bool { return t.ended > 0 }

// change ends what lasted up to now.
func (t *teller) change(at float64) {
	if t.arrived != nil && t.role == "" && !t.off && !t.bent && at > t.arrived.from {
		s := *t.arrived
		s.to, s.wires, s.amps, s.cycles = at, t.now.wires, t.now.amps, t.cycles
		t.stays = append(t.stays, s)
	}
	if t.moving >= 0 {
		t.moves[t.moving].until = at
		t.moving = -1
	}
}

// lose takes out what lies in a gap: a step that was broken off, and the way back to its
// beginning.
func (t *teller) lose(g span) {
	t.lost = append(t.lost, g)
	var stays []stay
	for _, s := range t.stays {
		if s.to > g.from {
			s.to = g.from
		}
		if s.to > s.from {
			stays = append(stays, s)
		}
	}
	var moves []move
	for _, m := range t.moves {
		m.until = min(m.until, g.from)
		if m.until > m.at {
			moves = append(moves, m)
		}
	}
	t.stays, t.moves, t.moving = stays, moves, -1
	t.shapes = slices.DeleteFunc(t.shapes, func(s shape) bool { return s.to > g.from })
	t.sessions = slices.DeleteFunc(t.sessions, func(s session) bool { return s.all.to > g.from })
	if t.failed != nil && t.failed.at > g.from {
		t.failed = nil
	}
	t.blocks = slices.DeleteFunc(t.blocks, func(b block) bool { return b.to > g.from })
	if t.arrived != nil {
		t.arrived.from = max(t.arrived.from, g.to)
	}
}

// travelling is how long a stage takes at most, where it speeds up and slows down within
// half of the way: half as long again as at full speed, and a moment. A rule of thumb.
func travelling(distance, speed float64) float64 {
	if speed <= 0 {
		return 0
	}
	return 1.5*math.Abs(distance)/speed + 0.1
}

// afterCycles is how long after its last cycle a film that stands at flat is read, s: longer
// than a reading takes. Common practice, no source.
const afterCycles = 1.

// bendTo lets no plateau go on while the film is bent.
func (t *teller) bendTo(at float64, bent bool) {
	t.cut(at, bent != t.bent)
	t.bent = bent
}

// release ends the shape that was held.
func (t *teller) release(at float64) {
	if t.holding != nil && at > t.holding.arrives && t.role == "" {
		t.holding.to = at
		t.shapes = append(t.shapes, *t.holding)
	}
	t.holding = nil
}

// cut lets a plateau go on as another one, where something but the temperature changed.
func (t *teller) cut(at float64, changed bool) {
	if t.arrived == nil || !changed {
		return
	}
	was := *t.arrived
	t.change(at)
	was.from = at
	t.arrived = &was
}

func (t *teller) moved(e happened) {
	was := t.arrived
	t.change(e.T0)
	m := move{at: e.T0, to: e.Text, step: e.Step, role: t.role}
	if e.UT0 != nil {
		m.u = *e.UT0
	}
	t.moves = append(t.moves, m)
	t.moving = len(t.moves) - 1
	t.off = e.Text != "plate"
	if was != nil { // the plate stays as it is; the film's plateau begins anew
		again := *was
		again.from, again.step, again.placed = e.T0, e.Step, true
		t.arrived = &again
	}
}

// set is a setpoint; passing ones, of a sweep, are none of the plateau's.
func (t *teller) set(at float64, text string, passing bool) {
	if rest, ok := strings.CutPrefix(text, t.facts.Plate+" "); ok {
		if strings.HasPrefix(rest, "temperature ") || strings.HasPrefix(rest, "heat ") {
			t.told = append(t.told, at)
			t.change(at)
			t.arrived = nil
		}
		return
	}
	if rest, ok := strings.CutPrefix(text, t.facts.Stage+" "); ok && t.facts.Stage != "" {
		if metres, ok := strings.CutPrefix(rest, "position "); ok {
			t.release(at)
			var to float64
			fmt.Sscan(metres, &to)
			t.holding = &shape{from: at, position: to, cycles: t.cycles, more: t.more, arrives: at + travelling(to-t.position, t.speed)}
			t.position = to
			t.bendTo(at, math.Abs(to-t.facts.FlatAtM) > sameTravel)
		} else if speed, ok := strings.CutPrefix(rest, "speed "); ok {
			fmt.Sscan(speed, &t.speed)
		} else {
			t.release(at) // it looks for its switch, or worse
		}
		return
	}
	rest, ok := strings.CutPrefix(text, t.facts.Meter+" ")
	if !ok {
		return
	}
	if t.checking {
		return
	}
	quantity, value, _ := strings.Cut(rest, " ")
	t.now.at = at
	switch quantity {
	case "reverse":
		t.now.reversed = value == "on"
	case "wires":
		t.cut(at, t.now.wires != value) // leads and contacts come in, or go out
		t.now.wires = value
	case "current":
		var amps float64
		if fmt.Sscan(value, &amps); passing || amps == 0 {
			return
		}
		t.cut(at, t.now.amps != 0 && math.Abs(math.Abs(amps)-t.now.amps) > 1e-3*t.now.amps) // the film warms itself more, or less
		t.now.amps = math.Abs(amps)
	case "integration":
		fmt.Sscan(value, &t.now.integration)
	default:
		return
	}
	t.settings = append(t.settings, t.now)
}

// settingAt is how the meter stood at a moment.
func (s story) settingAt(at float64) (now setting) {
	for _, x := range s.settings {
		if x.at > at {
			break
		}
		now = x
	}
	return now
}

// roleAt is the role of the step that was under way.
func (s story) roleAt(at float64) (role string) {
	i, _ := slices.BinarySearchFunc(s.steps, at, func(b begun, at float64) int {
		if b.at <= at {
			return -1
		}
		return 1
	})
	if i == 0 {
		return ""
	}
	return s.steps[i-1].role
}

// kept is what was read, in bounded memory: of a channel with more readings, neighbours
// are averaged.
type kept struct {
	series map[string]*Series
	every  map[string]int // so many readings averaged to one
	sweeps []swept
	notes  []string
}

// swept is one sweep of current against voltage.
type swept struct {
	step     string
	from, to float64
	v, i     []float64
	role     string
}

// mostKept is how many readings of a channel are held: a day at 10 Hz is 864,000.
const mostKept = 1 << 20

// gatherer collects one channel.
type gatherer struct {
	s       *Series
	every   int
	n       int
	t, b, y float64
}

func (g *gatherer) add(t, bound, y float64) {
	if g.every > 1 {
		if math.IsNaN(y) {
			return
		}
		g.n++
		g.t, g.b, g.y = g.t+t, max(g.b, bound), g.y+y
		if g.n < g.every {
			return
		}
		t, bound, y = g.t/float64(g.n), g.b, g.y/float64(g.n)
		g.n, g.t, g.b, g.y = 0, 0, 0, 0
	}
	g.s.Time, g.s.Bound, g.s.Y = append(g.s.Time, t), append(g.s.Bound, bound), append(g.s.Y, y)
	if len(g.s.Time) == mostKept {
		g.halve()
	}
}

func (g *gatherer) halve() {
	s := g.s
	for i := 0; i+1 < len(s.Time); i += 2 {
		s.Time[i/2], s.Bound[i/2], s.Y[i/2] = (s.Time[i]+s.Time[i+1])/2, max(s.Bound[i], s.Bound[i+1]), (s.Y[i]+s.Y[i+1])/2
	}
	half := len(s.Time) / 2
	s.Time, s.Bound, s.Y = s.Time[:half], s.Bound[:half], s.Y[:half]
	g.every *= 2
}

// read goes once through the readings. Resistances of a sweep or a confirmation are none
// of the run's resistances: they were read at other currents.
func (s story) read(r *logs.Run, f Facts, channels ...string) (kept, error) {
	all := map[string]*gatherer{}
	for _, c := range channels {
		all[c] = &gatherer{s: &Series{Channel: c, Timing: f.Ages[c]}, every: 1}
	}
	k := kept{series: map[string]*Series{}, every: map[string]int{}}
	bad := map[string]int{}
	for row, err := range r.Rows() {
		if err != nil {
			return k, err
		}
		op := s.ops[row.Step]
		if op == "sweep" {
			k.swept(row, f, s)
		}
		g := all[row.Channel]
		if g == nil || (op == "sweep" || op == "confirm") && row.Channel == f.Resistance {
			continue
		}
		if g.s.Unit != "" && g.s.Unit != row.Unit {
			return k, fmt.Errorf("%s is in %q and in %q: a figure needs one unit", row.Channel, g.s.Unit, row.Unit)
		}
		g.s.Unit = row.Unit
		y := row.Value
		if !row.Good() {
			y = math.NaN()
			bad[row.Channel+", "+reason(row)]++
		}
		if row.Channel == f.Resistance && s.ofStandard(float64(row.AtNs)/1e9, y) {
			continue
		}
		g.add(float64(row.AtNs)/1e9, float64(row.WithinNs)/1e9, y)
	}
	for _, c := range channels {
		g := all[c]
		if twice := g.s.sort(); twice > 0 {
			k.notes = append(k.notes, fmt.Sprintf("%s: %d readings with the time of another left out", c, twice))
		}
		if g.every > 1 {
			k.notes = append(k.notes, fmt.Sprintf("%s: more than %d readings: %d neighbours averaged to one", c, mostKept, g.every))
		}
		k.series[c], k.every[c] = g.s, g.every
	}
	for what, n := range bad {
		k.notes = append(k.notes, fmt.Sprintf("%s: %d readings left out", what, n))
	}
	slices.Sort(k.notes)
	return k, nil
}

// swept takes a reading of a sweep: voltage and current of one exchange have one time.
func (k *kept) swept(row logs.Row, f Facts, s story) {
	if row.Channel != f.Voltage && row.Channel != f.Current || !row.Good() {
		return
	}
	at := float64(row.AtNs) / 1e9
	n := len(k.sweeps)
	if n == 0 || k.sweeps[n-1].step != row.Step || s.begins(row.Step, k.sweeps[n-1].to, at) {
		k.sweeps = append(k.sweeps, swept{step: row.Step, from: at, role: s.roleAt(at)})
		n++
	}
	w := &k.sweeps[n-1]
	if at != w.to || len(w.v) == 0 && len(w.i) == 0 {
		w.v, w.i = append(w.v, math.NaN()), append(w.i, math.NaN())
	}
	w.to = at
	if row.Channel == f.Voltage {
		w.v[len(w.v)-1] = row.Value
	} else {
		w.i[len(w.i)-1] = row.Value
	}
}

// begins tells whether a step began anew between two moments.
func (s story) begins(step string, after, upTo float64) bool {
	for i := len(s.steps) - 1; i >= 0 && s.steps[i].at > after; i-- {
		if s.steps[i].step == step && s.steps[i].at <= upTo {
			return true
		}
	}
	return false
}
