package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"iter"
	"path/filepath"
	"slices"
	"time"

	"dwell/drivers/rig"
	"dwell/drivers/twin"
	"dwell/drivers/wire"
	"dwell/logs"
	"dwell/safety"
	"dwell/sequence"
)

// A rehearsal that was broken off has lost nothing: its time stood still, and the same seed
// gives the same bytes. So it is done again from its beginning, held against its record line
// by line, and goes on from where the record ends: what it comes to is what the undisturbed
// one comes to. Of one that had ended (tripped, failed) the virtual bench is taken over as it
// was left then, and the way back begins there, as on a real bench. Where the lines are not
// the same, as with another model of the bench, there is a new bench and the way back.

// keeper is what takes records: the writer of a run folder, or that with what stands in the
// folder already.
type keeper interface {
	Reading(logs.Row) error
	Exchange(logs.Exchange) error
	Event([]byte) error
	Written() logs.Mark
	Acknowledged() logs.Mark
	Begin() *logs.Batch
	Err() error
}

// retraced holds records against those of a folder. What comes after the last of those goes
// to the keeper.
type retraced struct {
	keeper
	rows, exchanges, events *lines
	goesOn                  func() error // called before the first new event
	differs                 error
}

// lines are the records of one file, as their bytes.
type lines struct {
	name string
	next func() ([]byte, error, bool)
	stop func()
	n    int64 // looked at
	over bool
}

// errRetraced is the end of a look: all that the record has was done again.
var errRetraced = errors.New("the record ends here")

// nowhere is a keeper that ends the first who has something new, or takes it and forgets.
type nowhere struct{ endless bool }

func (n nowhere) take() error {
	if n.endless {
		return nil
	}
	return errRetraced
}

func (n nowhere) Reading(logs.Row) error       { return n.take() }
func (n nowhere) Exchange(logs.Exchange) error { return n.take() }
func (n nowhere) Event([]byte) error           { return n.take() }
func (n nowhere) Written() logs.Mark           { return logs.Mark{} }
func (n nowhere) Acknowledged() logs.Mark      { return logs.Mark{} }
func (n nowhere) Begin() *logs.Batch           { return nil }
func (n nowhere) Err() error                   { return nil }

// wentOn is the event that says where a rehearsal went on. It is none of the rehearsal's own.
const wentOn = "went on"

func retrace(r *logs.Run, k keeper) *retraced {
	row := func(x logs.Row, err error) ([]byte, error) {
		if err != nil {
			return nil, err
		}
		return logs.AppendRow(nil, x)
	}
	exchange := func(x logs.Exchange, err error) ([]byte, error) {
		if err != nil {
			return nil, err
		}
		return logs.AppendExchange(nil, x)
	}
	event := func(line []byte, err error) ([]byte, error) { return slices.Clone(line), err }
	return &retraced{keeper: k, rows: linesOf("readings.csv", r.Rows(), row), exchanges: linesOf("wire.jsonl", r.Exchanges(), exchange),
		events: linesOf("events.jsonl", r.Events(), event)}
}

func linesOf[T any](name string, all iter.Seq2[T, error], encode func(T, error) ([]byte, error)) *lines {
	pulled, stop := iter.Pull2(all)
	next := func() ([]byte, error, bool) {
		x, err, more := pulled()
		if !more {
			return nil, nil, false
		}
		line, err := encode(x, err)
		return line, err, true
	}
	return &lines{name: name, next: next, stop: stop}
}

func (r *retraced) close() {
	for _, l := range []*lines{r.rows, r.exchanges, r.events} {
		l.stop()
	}
}

// complete tells whether all that stands in the folder has come again.
func (r *retraced) complete() bool {
	for _, l := range []*lines{r.rows, r.exchanges, r.events} {
		if _, _, more := l.next(); more && !l.over {
			return false
		}
	}
	return r.differs == nil
}

// same tells whether a line stands in the folder already. One that is not the same ends the
// look.
func (r *retraced) same(l *lines, line []byte) (bool, error) {
	if r.differs != nil || l.over {
		return false, r.differs
	}
	was, err, more := l.next()
	for more && err == nil && bytes.Contains(was, []byte(`"event":"`+wentOn+`"`)) {
		l.n++
		was, err, more = l.next()
	}
	if !more {
		l.over = true
		return false, nil
	}
	if l.n++; err == nil && !bytes.Equal(was, line) {
		err = fmt.Errorf("%s, record %d: it was %s, and is %s now", l.name, l.n, bytes.TrimSpace(was), bytes.TrimSpace(line))
	}
	r.differs = err
	return err == nil, err
}

// Reading implements keeper.
func (r *retraced) Reading(x logs.Row) error {
	line, err := logs.AppendRow(nil, x)
	if err != nil {
		return err
	}
	if same, err := r.same(r.rows, line); same || err != nil {
		return err
	}
	return r.fresh(r.keeper.Reading(x))
}

// Exchange implements keeper.
func (r *retraced) Exchange(x logs.Exchange) error {
	line, err := logs.AppendExchange(nil, x)
	if err != nil {
		return err
	}
	if same, err := r.same(r.exchanges, line); same || err != nil {
		return err
	}
	return r.fresh(r.keeper.Exchange(x))
}

// Event implements keeper.
func (r *retraced) Event(line []byte) error {
	if same, err := r.same(r.events, bytes.TrimSuffix(line, []byte("\n"))); same || err != nil {
		return err
	}
	if say := r.goesOn; say != nil {
		r.goesOn = nil
		if err := say(); err != nil {
			return err
		}
	}
	return r.fresh(r.keeper.Event(line))
}

// fresh lets a look go on until every file has come to its end.
func (r *retraced) fresh(err error) error {
	if errors.Is(err, errRetraced) && !(r.rows.over && r.exchanges.over && r.events.over) {
		return nil
	}
	return err
}

// retrace looks whether a rehearsal comes to what its folder holds, and leaves the bench as
// it is then. Nothing is written.
func (t *takenUp) retrace() error {
	r, _, err := logs.Open(logs.Disk{}, t.folder)
	if err != nil {
		return err
	}
	bench, err := twin.New(t.job.rig, t.job.specimen, t.identity.Seed)
	if err != nil {
		return err
	}
	ended := t.identity.Outcome != ""
	x := &execution{speech: &speech{out: io.Discard, err: io.Discard}, job: t.job, kind: t.identity.Kind, outlook: outlook{root: filepath.Dir(t.folder), start: t.startOfDay()}}
	if x.offBy, _, _, err = x.look(t.job.plan); err != nil {
		return err
	}
	x.stage(bench, 0)
	look := retrace(r, nowhere{endless: ended})
	defer look.close()
	if err := x.clock.Run(func() error { return x.perform(look) }); err != nil {
		return err
	}
	if look.differs != nil {
		return look.differs
	}
	if !look.complete() {
		return errors.New("it ends before its record does")
	}
	if ended {
		t.bench = bench
	}
	t.exact = !ended
	return nil
}

// retraces takes over the bench of a rehearsal, where it can be had again.
func (t *takenUp) retraces() {
	recorded := func(d rig.Description) bool { return d.Address.Kind == wire.Record }
	byWay := func(s logs.Segment) bool { return !s.Retraced }
	s := &t.segment
	if t.identity.Kind != "rehearsal" || s.Ports != nil || s.Differences != nil || slices.ContainsFunc(t.identity.Segments, byWay) || slices.ContainsFunc(t.job.rig.Instruments, recorded) {
		return
	}
	if t.identity.Twin != twin.Version {
		sound := ""
		if t.from.Cycles > 0 {
			sound = fmt.Sprintf(", and its film has not been bent %d times", t.from.Cycles)
		}
		t.speech.say("note: the virtual bench of this run was version %d of its model, today's is %d: it is a new bench%s", t.identity.Twin, twin.Version, sound)
	} else if err := t.retrace(); err != nil {
		t.speech.say("note: the virtual bench does not come to what was recorded, so it is a new one: %v", err)
	}
	s.Retraced = t.exact
}

// startOfDay is the time of day at which a run began.
func (t *takenUp) startOfDay() string {
	began, err := time.Parse(time.RFC3339Nano, t.identity.StartUTC)
	if err != nil {
		return ""
	}
	return began.Local().Format("15:04")
}

// perform does the job on the bench of an execution, for a keeper and nobody else.
func (x *execution) perform(k keeper) error {
	gate, err := safety.NewGate(x.job.plan.Rules, x.job.rig)
	if err != nil {
		return err
	}
	x.record = newRecord(x.clock, k, x.job.rig, nil)
	bench, err := rig.Open(x.clock, x.job.rig, gate, rig.Opening{Attach: x.attach, Tap: x.record.exchange}, x.clock.Now()+openPatience)
	if err != nil {
		return err
	}
	defer bench.Close()
	run, err := sequence.New(x.job.plan, bench, gate, sequence.Options{Clock: x.clock, Record: x.record, Person: x.person, OffBy: x.offBy})
	if err != nil {
		return err
	}
	x.outcome = run.Execute()
	return nil
}

// keeper is where the records of an execution go: to the folder, or, of a rehearsal that is
// done again, what does not stand there yet.
func (x *execution) keeper(w *logs.Writer) (k keeper, done func(), err error) {
	if x.again == nil || !x.again.exact {
		return w, func() {}, nil
	}
	r, _, err := logs.Open(logs.Disk{}, x.folder)
	if err != nil {
		return nil, nil, err
	}
	again := retrace(r, w)
	again.goesOn = func() error {
		return x.record.event(sequence.Event{At: x.clock.Now(), Kind: wentOn, Text: "the rehearsal was broken off here, and done again up to here, the same to the byte: nothing is missing"})
	}
	return again, again.close, nil
}
