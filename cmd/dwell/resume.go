package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"time"

	"dwell/drivers/clock"
	"dwell/drivers/quantity"
	"dwell/drivers/rig"
	"dwell/drivers/twin"
	"dwell/logs"
	"dwell/safety"
	"dwell/sequence"
	"dwell/sequence/plan"

	"github.com/spf13/cobra"
)

func resumeCommand(s *speech) *cobra.Command {
	var confirm, acknowledge, operator, rigFile, reason string
	var yes bool
	c := &cobra.Command{
		Use:   "resume RUN",
		Short: "go on with a run that was broken off",
		Long: `resume takes up a run that crashed, lost its power, was stopped, failed or
tripped, from the boundary of the last step that is safely on the disk. It executes
the plan of the run folder, and appends to it.

A rehearsal that was cut off is done again, the same to the byte, up to where its record
ends, and goes on from there. All others need the way back.

First it says the way back: what has to be switched on, and which temperature to be
approached from which side, before that step can begin again. Then it asks. The
instruments must be the same; the specimen is confirmed again; whoever has to lay it
down is asked again, and so is what a person was asked to do before (ask).
What is missing between is recorded as a gap.

--rig names today's rig file. What it says in another way than the one of the run is
weighed as for rerun: ports are harmless; a blocking difference needs --reason, which goes
into run.json; of limits the tighter ones hold from here on. What its bytes mean a run
keeps to its end: other channels, profiles or instruments need a new run.

After a trip, or when the rig was not confirmed safe, it goes on only with a written
acknowledgement and a name.`,
		Example: `  dwell resume runs/20261125T105047Z-staircase-LC-07
  dwell resume --acknowledge "foil clip had come off, fixed" --operator M.K. runs/20261125T105047Z-staircase-LC-07`,
		Args: cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			if err := awaitGuard(s, args[0]); err != nil {
				return usage(err)
			}
			again, err := takeUp(s, args[0])
			if again == nil {
				return usage(err)
			}
			if err := again.today(rigFile, reason); err != nil {
				return usage(err)
			}
			if err := again.acknowledge(acknowledge, operator); err != nil {
				return usage(err)
			}
			return again.resume(confirm, yes)
		},
	}
	c.Flags().StringVar(&rigFile, "rig", "", "today's rig file (default: the one of the run)")
	c.Flags().StringVar(&reason, "reason", "", "why it goes on in spite of blocking differences; goes into run.json")
	c.Flags().StringVar(&confirm, "confirm", "", "the id of the specimen on the bench, instead of being asked for it")
	c.Flags().StringVar(&acknowledge, "acknowledge", "", "after a trip: what was found and done, in words; goes into the record")
	c.Flags().StringVar(&operator, "operator", "", "who goes on with this run, for run.json")
	c.Flags().BoolVar(&yes, "yes", false, "do not ask before the way back")
	return c
}

// takenUp is a run folder of a run that was broken off, and what is known from it.
type takenUp struct {
	speech   *speech
	folder   string
	job      *job
	identity logs.Identity // as run.json is to be, without the end
	from     sequence.Resumption
	before   string // how it ended
	moved    bool   // the stage was told to move in the step that was broken off
	tripped  bool   // or it was left without being confirmed safe
	words    string // acknowledgement
	operator string
	segment  logs.Segment

	bench *twin.Bench // the virtual one, as the rehearsal left it; nil for a new one
	exact bool        // the rehearsal is done again, and goes on where its record ends
}

// takeUp reads a run folder. Nothing in it is changed before the bench is open.
func takeUp(s *speech, dir string) (*takenUp, error) {
	v := &verification{}
	if err := v.look(dir); err != nil {
		return nil, err
	}
	if len(v.findings) > 0 {
		return nil, fmt.Errorf("%s: %s: a run goes on only from a folder that is as it was left (dwell verify tells more)", dir, v.findings[0])
	}
	r, _, err := logs.Open(logs.Disk{}, dir)
	if err != nil {
		return nil, err
	}
	t := &takenUp{speech: s, folder: filepath.Clean(dir), segment: logs.Segment{Sealings: v.sealings}}
	if t.identity, err = r.Identity(); err != nil {
		return nil, err
	}
	if t.identity.Outcome == "completed" && v.unsealed {
		return nil, t.sealLate()
	}
	if t.identity.Outcome == "completed" {
		return nil, fmt.Errorf("%s: the run was completed: there is nothing to go on with", dir)
	}
	if t.job, err = keptJob(r); err != nil {
		return nil, err
	}
	if err := movePorts(t.job.rig, t.identity); err != nil {
		return nil, err
	}
	if err := t.place(r); err != nil {
		return nil, err
	}
	if err := t.wayBack(t.job.rig.AmbientDegC); err != nil {
		return nil, err
	}
	return t, nil
}

// sealLate seals the folder of a run that ended just before it could.
func (t *takenUp) sealLate() error {
	if err := sealUnsealed(t.speech, t.folder); err != nil {
		return err
	}
	id := t.identity
	t.speech.say("the run was completed and had only not been sealed; it is now")
	t.speech.object(map[string]any{"run": t.folder, "outcome": id.Outcome, "safe": id.Safe, "readings": id.Readings, "exit": exitDone})
	return nil
}

// sealUnsealed seals a folder in which nothing was found, and which nobody is writing to.
// What the run had no time to derive is derived first.
func sealUnsealed(s *speech, dir string) error {
	folder, err := lockFolder(dir, "")
	if err != nil {
		return err
	}
	defer folder.Give()
	if err := deriveLate(s, dir); err != nil {
		return err
	}
	return logs.Seal(logs.Disk{}, dir, clock.Today().UTC.Format(time.RFC3339Nano), version)
}

// deriveLate derives what a run derives at its end. What lies there may be from before it
// was taken up again.
func deriveLate(s *speech, dir string) error {
	r, _, err := logs.Open(logs.Disk{}, dir)
	if err != nil {
		return err
	}
	id, err := r.Identity()
	if err != nil {
		return err
	}
	x := &execution{speech: s, folder: dir}
	x.outcome.Readings = id.Readings
	if x.job, err = keptJob(r); err != nil {
		return err
	}
	return x.derive()
}

// keptJob is the job of a run folder, from the bytes that lie there.
func keptJob(r *logs.Run) (*job, error) {
	j := &job{}
	var err error
	if j.rig, err = keptRig(r, j); err != nil {
		return nil, err
	}
	if j.specimen, err = keptSpecimen(r, j); err != nil {
		return nil, err
	}
	text, err := r.File("plan.json")
	if err != nil {
		return nil, err
	}
	if j.plan, err = plan.ReadJSON(text); err != nil {
		return nil, err
	}
	j.add("plan.json", text)
	id, err := r.Identity()
	if err != nil {
		return nil, err
	}
	return j, j.tighten(id)
}

// tighten has the rules hold with which a run went on, after a rig file of that day.
func (j *job) tighten(id logs.Identity) error {
	for _, s := range id.Segments {
		if len(s.Rules) == 0 {
			continue
		}
		p := *j.plan
		p.Rules = safety.Rules{}
		if err := json.Unmarshal(s.Rules, &p.Rules); err != nil {
			return fmt.Errorf("run.json: the rules of a part: %w", err)
		}
		j.plan, j.tightened = &p, true
	}
	return nil
}

// place finds the last boundary that is safely on the disk, the identities of the
// instruments, and how the run ended.
func (t *takenUp) place(r *logs.Run) error {
	t.from.Expect = map[string]string{}
	known := r.Acknowledged().Events
	n := int64(0)
	for line, err := range r.Events() {
		if err != nil {
			return err
		}
		n++
		if err := t.event(line, n, n <= known); err != nil {
			return fmt.Errorf("events.jsonl:%d: %w", n, err)
		}
	}
	for row, err := range r.Rows() {
		if err != nil {
			return err
		}
		t.from.LastAt = max(t.from.LastAt, clock.Instant(row.AtNs+row.WithinNs))
	}
	for x, err := range r.Exchanges() {
		if err != nil {
			return err
		}
		t.from.LastAt = max(t.from.LastAt, clock.Instant(x.LastNs))
	}
	if t.identity.Outcome != "" {
		unsafe := t.identity.Safe != nil && !*t.identity.Safe
		t.tripped = t.identity.Outcome == "tripped" || unsafe
		t.before = t.identity.Outcome
		if t.identity.Reason != "" {
			t.before += ": " + t.identity.Reason
		}
		if unsafe {
			t.before += "; the rig was not confirmed safe"
		}
	}
	if t.before == "" {
		t.before = "it was never closed: the program or the computer ended"
	}
	return t.leftUnconfirmed(r)
}

// leftUnconfirmed looks for who has confirmed the bench safe, after a run that did not live
// to say so.
func (t *takenUp) leftUnconfirmed(r *logs.Run) error {
	if t.identity.Kind == "rehearsal" || t.identity.Safe != nil || !opensPorts(t.job.rig) {
		return nil
	}
	lines, err := guardLines(r)
	if why := unconfirmed(lines); why != "" {
		t.tripped = true
		t.before += "; " + why
	}
	return err
}

// event takes from a line of events.jsonl what a run that goes on must know.
func (t *takenUp) event(line []byte, number int64, acknowledged bool) error {
	var e struct {
		Event, Step, Text string
		At                int64 `json:"t_ns"`
		To, Cycles        float64
	}
	if err := json.Unmarshal(line, &e); err != nil {
		return err
	}
	t.from.LastAt = max(t.from.LastAt, clock.Instant(e.At))
	t.bent(e.Event, e.Step, e.Text, int64(max(e.To, e.Cycles)))
	switch e.Event {
	case "segment":
		t.tripped, t.before = false, ""
	case "tripped":
		t.tripped, t.before = true, "tripped: "+e.Text
	case "instrument":
		if name, who, ok := strings.Cut(e.Text, ": "); ok && t.from.Expect[name] == "" {
			t.from.Expect[name] = who
		}
	case "boundary":
		if !acknowledged {
			return nil
		}
		var all map[string]any
		if err := json.Unmarshal(line, &all); err != nil {
			return err
		}
		numbers := map[string]float64{}
		for name, v := range all {
			if n, is := v.(float64); is {
				numbers[name] = n
			}
		}
		place, err := sequence.ReadPlace(clock.Instant(e.At), number, numbers)
		if err != nil {
			return err
		}
		t.from.Place, t.from.Begun, t.moved = place, 0, false
	}
	return nil
}

// bent follows which cycles may have been made beyond those that count at the boundary. A
// gap has said so already.
func (t *takenUp) bent(event, step, text string, cycles int64) {
	switch event {
	case "gap":
		t.from.Begun, t.moved = 0, false
	case "cycling", "cycled":
		t.from.Begun = max(t.from.Begun, cycles)
	case "set": // the cycle at a count that is measured is made of single motions
		b := t.job.rig.Bending
		next := t.from.Next
		if b != nil && next < len(t.job.plan.Actions) && step == t.job.plan.Actions[next].Step && strings.HasPrefix(text, b.Stage+" position ") {
			t.moved = true
		}
	}
}

// wayBack works out how the bench gets back.
func (t *takenUp) wayBack(ambientDegC float64) (err error) {
	p := t.job.plan
	if t.from.Next >= len(p.Actions) {
		return fmt.Errorf("the last boundary is action %d, the plan has %d", t.from.Next, len(p.Actions))
	}
	for i, n := t.from.Next+1, t.from.Cycles; t.moved && i < len(p.Actions) && p.Actions[i].Op != plan.Begin; i++ {
		if p.Actions[i].Op == plan.Move {
			n += p.Actions[i].Count
			t.from.Begun = max(t.from.Begun, n)
		}
	}
	t.segment.Boundary, t.segment.BoundaryNs = p.Actions[t.from.Next].Step, int64(t.from.At)
	t.from.Back, err = p.WayBack(t.from.Next, t.from.Passes, ambientDegC)
	return err
}

// acknowledge lets a run go on after a trip, for somebody who says what was done.
func (t *takenUp) acknowledge(words, operator string) error {
	t.words, t.operator = strings.TrimSpace(words), strings.TrimSpace(operator)
	switch {
	case !t.tripped && t.words != "":
		return errors.New("--acknowledge is for a run that tripped, or was left without being confirmed safe; this one was not")
	case t.tripped && (t.words == "" || t.operator == ""):
		return fmt.Errorf("the run %s\nit goes on only with --acknowledge \"what was found and done\" and --operator with a name", t.before)
	}
	return nil
}

// resume goes on, on the clock and the bench that the run had.
func (t *takenUp) resume(confirm string, yes bool) error {
	x := &execution{speech: t.speech, job: t.job, kind: t.identity.Kind, seed: t.identity.Seed, outlook: outlook{root: filepath.Dir(t.folder)}, folder: t.folder, again: t, operator: t.operator}
	x.origin = clock.Today()
	t.retraces()
	if x.kind == "rehearsal" {
		x.start = t.startOfDay()
	}
	if err := t.begin(x); err != nil {
		return usage(err)
	}
	t.speech.say("%s", t.tell())
	if t.exact {
		return x.rehearseFrom(0)
	}
	if x.kind == "rehearsal" {
		return x.rehearseFrom(clock.Instant(t.segment.FromNs))
	}
	if err := x.preflight(false); err != nil {
		return err
	}
	held, err := rig.Hold(t.job.rig, asking())
	if err != nil {
		return usage(err)
	}
	defer held.Give()
	if x.held = held; !yes && !t.agreed() {
		return usage(errors.New("nothing was done: nobody said yes"))
	}
	return x.runFrom(clock.Instant(t.segment.FromNs), confirm)
}

// agreed asks whether to go on. It reads no more than the answer: what comes after it is
// for the run.
func (t *takenUp) agreed() bool {
	t.speech.say("go on? (yes or no)")
	var answer []byte
	for b := make([]byte, 1); len(answer) < 100; {
		if n, err := os.Stdin.Read(b); n == 0 || err != nil || b[0] == '\n' {
			break
		}
		answer = append(answer, b[0])
	}
	return strings.EqualFold(strings.TrimSpace(string(answer)), "yes")
}

// rehearsedGap is how long after its end a rehearsal is taken up, in virtual time.
const rehearsedGap = 10 * clock.Minute

// begin places the new segment on the time base of the run.
func (t *takenUp) begin(x *execution) error {
	s := &t.segment
	s.Dwell, s.Before, s.Acknowledged, s.Operator = versionText(), t.before, t.words, t.operator
	start, err := time.Parse(time.RFC3339Nano, t.identity.StartUTC)
	if err != nil {
		return fmt.Errorf("run.json: start_utc: %w", err)
	}
	s.Placed = "from the calendar of both computers"
	now := clockState(x.origin)
	s.Clock = now
	if before := t.identity.Clock; before.WithinNs > 0 && now.WithinNs > 0 && before.Synchronised && now.Synchronised {
		s.WithinNs = before.WithinNs + now.WithinNs
	} else {
		s.Placed += ", of which at least one cannot say how well it keeps time"
	}
	from := clock.Instant(x.origin.UTC.Sub(start))
	if t.exact {
		from, s.WithinNs, s.Placed = t.from.LastAt, 0, "where the record ends: virtual time stood still"
		x.origin.UTC = start.Add(time.Duration(from))
	} else if x.kind == "rehearsal" {
		from, s.WithinNs, s.Placed = t.from.LastAt+rehearsedGap, 0, "ten minutes after the last record, in virtual time"
		x.origin.UTC = start.Add(time.Duration(from))
	} else if from <= t.from.LastAt {
		from, s.WithinNs, s.Placed = t.from.LastAt+clock.Second, 0, "a second after the last record: the calendar says that this was earlier, and cannot be believed"
	}
	s.FromNs, s.StartUTC = int64(from), x.origin.UTC.Format(time.RFC3339Nano)
	x.origin.UTC = x.origin.UTC.Add(-time.Duration(from))
	t.identity.StopUTC, t.identity.Outcome, t.identity.Reason, t.identity.Safe, t.identity.Exit, t.identity.Readings = "", "", "", nil, nil, 0
	t.identity.Unsealed = false
	t.identity.Segments = append(t.identity.Segments, *s)
	return nil
}

func clockState(o clock.Origin) logs.ClockState {
	return logs.ClockState{Synchronised: o.Synchronised == "yes", Source: "system clock, synchronised: " + o.Synchronised,
		WithinNs: int64(math.Round(o.UncertaintyS * 1e9))}
}

// tell is the way back in words.
func (t *takenUp) tell() string {
	var b strings.Builder
	if t.exact {
		fmt.Fprintf(&b, "%s\n  the rehearsal: %s\n  it is done again, the same to the byte up to %s s, where its record ends, and goes on from there: nothing is missing\n",
			t.folder, t.before, seconds(t.from.LastAt))
		return b.String()
	}
	fmt.Fprintf(&b, "%s\n  the run: %s\n  it goes on with step %s, whose beginning was recorded at %s s\n", t.folder, t.before, t.segment.Boundary,
		quantity.AppendSeconds(nil, t.segment.BoundaryNs))
	fmt.Fprintf(&b, "  %s later, placed %s\n", span(clock.Instant(t.segment.FromNs)-t.from.LastAt), t.segment.Placed)
	if text := t.from.Uncertain(); text != "" {
		b.WriteString("  " + text + "\n")
	}
	b.WriteString("the way back:\n")
	n := b.Len()
	for _, a := range t.from.Back {
		if line := wayLine(t.job.rig, a); line != "" {
			b.WriteString("  - " + line + "\n")
		}
	}
	if b.Len() == n {
		b.WriteString("  nothing: nothing was switched on before this step\n")
	}
	return b.String()
}

// wayLine is an action of a way back in words.
func wayLine(r *rig.Rig, a plan.Action) string {
	switch a.Op {
	case plan.Confirm:
		return "confirm the specimen " + a.Confirm.Specimen + " again, at a harmless current"
	case plan.Until:
		return "wait until " + a.When + ", at most " + span(clock.Instant(a.AtMostNs)) + ", so that the specimen can be told by its resistance"
	case plan.Person:
		return "a person is asked: " + a.Text
	case plan.Place:
		return "the specimen goes onto the plate (" + a.By + ")"
	case plan.Lift:
		return "the specimen goes off the plate, to " + a.To + " (" + a.By + ")"
	case plan.Wrap:
		return "a person lays the strip " + a.Text
	case plan.Home:
		text := a.Setpoints[0].Instrument + " looks for its switch"
		if a.Text != "" {
			text += ", once a person has said that it may"
		}
		return text
	case plan.Move:
		to := a.Setpoints[len(a.Setpoints)-1]
		return to.Instrument + " goes to " + inUnit(to.Value, to.Unit) + "; whether the strip lies flat is asked, or read, before it is bent on"
	case plan.Arrive:
		return "wait until " + a.Channel + " is at " + inUnit(a.Target, r.Channels[r.Channel(a.Channel)].Unit.Dim.String()) + ", at most " + span(clock.Instant(a.AtMostNs))
	case plan.Set:
		var all []string
		for _, s := range a.Setpoints {
			if s.State != "" {
				all = append(all, s.Instrument+" "+s.Quantity+" "+s.State)
			} else {
				all = append(all, s.Instrument+" "+s.Quantity+" "+inUnit(s.Value, s.Unit))
			}
		}
		return "set " + strings.Join(all, ", ")
	}
	return ""
}

// append puts the end of the run folder in order and opens it to write on.
func (x *execution) append() (*logs.Writer, error) {
	if _, err := logs.Repair(logs.Disk{}, x.folder); err != nil {
		return nil, err
	}
	w, err := logs.Append(logs.Disk{}, x.folder)
	if err != nil {
		return nil, err
	}
	w.Unsynced = x.kind == "rehearsal"
	return w, w.Identify(x.identity())
}

// remark records that the run goes on, and who answers for that.
func (t *takenUp) remark(r *record, now clock.Instant) error {
	if t == nil || t.exact {
		return nil
	}
	err := r.Event(sequence.Event{At: now, Kind: "segment", Text: "the run goes on; before: " + t.before + "; placed " + t.segment.Placed,
		Fields: []sequence.Field{{Key: "u_t0_s", Value: clock.Instant(t.segment.WithinNs).Seconds()}}})
	if err == nil && t.words != "" {
		err = r.Event(sequence.Event{At: now, Kind: "acknowledged", Text: t.operator + ": " + t.words})
	}
	return err
}

// resumption is what the sequence has to know of that.
func (t *takenUp) resumption() *sequence.Resumption {
	if t == nil || t.exact {
		return nil
	}
	return &t.from
}
