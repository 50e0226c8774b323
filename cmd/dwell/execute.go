package main

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"time"

	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/drivers/twin"
	"dwell/drivers/wire"
	"dwell/logs"
	"dwell/logs/figures"
	"dwell/safety"
	"dwell/sequence"
)

// execution is one run of a job, in either time.
type execution struct {
	outlook
	speech     *speech
	job        *job
	kind       string // "run" or "rehearsal"
	clock      clock.Clock
	seed       uint64
	operator   string
	remarks    string
	person     sequence.Person
	attach     func(d rig.Description) (wire.Device, error)
	owner      string    // text of the locks; empty when no port is opened
	held       *rig.Held // the locks, if they were taken before; nil otherwise
	offBy      clock.Instant
	onEvent    func(sequence.Event)
	onExchange func(*wire.Exchange)
	started    func(*sequence.Run) // the operator can stop it from here on
	caller     *caller             // nil where nobody is told

	again   *takenUp    // a run that is taken up again; nil for a new one
	repeats *repetition // an old run that this one repeats; nil for none
	replays *replay     // instruments that answer as they were recorded; nil for none

	origin  clock.Origin
	bench   *rig.Bench
	folder  string
	record  *record
	outcome sequence.Outcome
}

// do executes the job and closes the run folder. The error is about what could not
// be started or kept; how the run went is in outcome.
// over, if any, is called when the world is about to end, to free whoever waits
// outside of it.
func (x *execution) do(over func()) error {
	if x.again == nil {
		x.origin = clock.Today()
	}
	var failure error
	err := x.clock.Run(func() error {
		if over != nil {
			defer over()
		}
		failure = x.world()
		return nil
	})
	return errors.Join(failure, err)
}

// world is the main process. Ports are opened before files and closed after them.
func (x *execution) world() error {
	gate, err := safety.NewGate(x.job.plan.Rules, x.job.rig)
	if err != nil {
		return err
	}
	var run *sequence.Run
	bench, err := rig.Open(x.clock, x.job.rig, gate, rig.Opening{Attach: x.attach, Owner: x.owner, Held: x.held, Records: x.replays.all(),
		Tap: func(e *wire.Exchange) {
			if x.record != nil {
				x.record.exchange(e)
			}
			if x.onExchange != nil {
				x.onExchange(e)
			}
			if e.Ended == wire.LinkLost && run != nil {
				run.Lost(e.Port)
			}
		}}, x.clock.Now()+openPatience)
	if used := (*wire.InUse)(nil); errors.As(err, &used) {
		return usage(err) // nothing was touched, and what is safe is the other's business
	}
	if err != nil {
		return untouched(err)
	}
	defer bench.Close()
	x.bench = bench
	if err := x.compareIdentities(); err != nil {
		return err
	}
	folder, writer, err := x.writer()
	if err != nil {
		return usage(err)
	}
	defer folder.Give()
	if err := x.own(); err != nil {
		return untouched(errors.Join(err, writer.Close()))
	}
	records, done, err := x.keeper(writer)
	if err != nil {
		return errors.Join(err, writer.Close())
	}
	defer done()
	x.record = newRecord(x.clock, records, x.job.rig, x.onEvent)
	if err := x.again.remark(x.record, x.clock.Now()); err != nil {
		return errors.Join(err, writer.Close())
	}
	guard, err := x.startGuard()
	if err != nil {
		return untouched(errors.Join(err, writer.Close()))
	}
	defer guard.close()
	run, err = sequence.New(x.job.plan, bench, gate, sequence.Options{
		Clock: x.clock, Record: x.record, Person: x.person, OffBy: x.offBy, Watch: guard.watched(), Again: x.again.resumption()})
	if err != nil {
		return errors.Join(err, writer.Close())
	}
	if err := guard.arm(run); err != nil {
		return untouched(errors.Join(err, writer.Close()))
	}
	if x.started != nil {
		x.started(run)
	}
	x.outcome = run.Execute()
	guard.dismiss(x.outcome)
	x.caller.tell(x.outcome)
	return x.close(writer)
}

// own adds to the locks of the ports in which folder the run is recorded.
func (x *execution) own() error {
	if x.owner == "" {
		return nil
	}
	x.owner = in(x.owner, x.folder)
	if x.held != nil {
		return x.held.Own(x.owner)
	}
	return x.bench.Own(x.owner)
}

// neverBegan is why a run has sent nothing to any instrument: a port that is not there,
// a guard that does not start.
type neverBegan struct{ error }

func (n neverBegan) Unwrap() error { return n.error }

// untouched ends a run that never began. Nothing was switched on by it, and nothing
// confirmed safe: an instrument may still do what somebody else had it do. The code is
// that for nothing touched; the others that could be meant say that the rig is safe.
func untouched(err error) error { return &coded{exitUsage, neverBegan{err}} }

// openPatience is how long all ports together may take to open.
const openPatience = 10 * clock.Second

// compareIdentities compares who is there with who was there in the run that this one
// repeats. In virtual time it is known who is there, and asking would shift the rest.
func (x *execution) compareIdentities() error {
	if x.repeats == nil || x.kind == "rehearsal" {
		return nil
	}
	if err := x.repeats.identify(x.clock, x.bench); err != nil {
		return &coded{exitFailed, err}
	}
	return usage(x.repeats.judge(x.speech))
}

// writer makes the run folder, or opens the one of a run that is taken up again, and
// keeps others from doing the same.
func (x *execution) writer() (folder *wire.Lock, w *logs.Writer, err error) {
	if x.again == nil {
		if w, err = x.create(); err != nil {
			return nil, nil, err
		}
	}
	if folder, err = lockFolder(x.folder, x.owner); err == nil && x.again != nil {
		w, err = x.append()
	}
	if err != nil && folder != nil {
		folder.Give()
	}
	if err != nil && w != nil {
		w.Close()
	}
	return folder, w, err
}

// lockFolder takes a run folder for as long as something is written to it.
func lockFolder(dir, owner string) (*wire.Lock, error) {
	whole, err := filepath.Abs(dir)
	if err != nil {
		return nil, err
	}
	return wire.Take("run folder "+whole, owner)
}

// create makes the run folder with everything that is known before.
func (x *execution) create() (*logs.Writer, error) {
	name := logs.FolderName(x.origin.UTC.Format("20060102T150405Z"), x.job.name, x.job.plan.Specimen)
	w, err := logs.Create(logs.Disk{}, x.root, name, x.job.inputs, x.identity())
	if err != nil {
		return nil, err
	}
	x.folder = w.Dir()
	w.Unsynced = x.kind == "rehearsal"
	return w, nil
}

func (x *execution) identity() logs.Identity {
	if x.again != nil {
		id := x.again.identity
		id.Instruments = slices.Clone(id.Instruments)
		for k := range id.Instruments { // a part that was never closed did not say who was there
			id.Instruments[k].Identity = cmp.Or(x.outcome.Identities[id.Instruments[k].Name], id.Instruments[k].Identity)
		}
		return id
	}
	id := logs.Identity{Kind: x.kind, Dwell: versionText(), Go: runtime.Version(), System: runtime.GOOS + "/" + runtime.GOARCH,
		Protocol: x.job.plan.Title, Specimen: x.job.plan.Specimen, Rig: x.job.rig.Name, Seed: x.seed,
		Operator: x.operator, Remarks: x.remarks, StartUTC: x.origin.UTC.Format(time.RFC3339Nano),
		Clock: clockState(x.origin), Repeats: x.repeats.record()}
	id.Replays = x.replays.results(x.outcome)
	if x.attach != nil {
		id.Twin = twin.Version
	}
	for _, d := range x.job.rig.Instruments {
		id.Instruments = append(id.Instruments, logs.Instrument{Name: d.Name, Profile: d.Profile.Name, Port: x.portText(d),
			Identity: x.outcome.Identities[d.Name], Serial: d.Serial, Calibrated: d.Calibrated})
	}
	return id
}

func (x *execution) portText(d rig.Description) string {
	if x.attach != nil && x.replays.all()[d.Name] == nil && (x.kind == "rehearsal" || d.Address.Kind == wire.Twin) {
		return "twin"
	}
	return d.Address.Text
}

// close finishes run.json, derives what follows from the record, and seals the folder. The record of
// a run that lost its disk stays as it is.
func (x *execution) close(w *logs.Writer) error {
	stop := x.origin.UTC.Add(time.Duration(x.clock.Now()))
	id := x.identity()
	code := outcomeCode(x.outcome)
	x.outcome.Readings = w.Written().Readings // of all parts
	id.StopUTC, id.Outcome, id.Readings = stop.Format(time.RFC3339Nano), x.outcome.Word, x.outcome.Readings
	id.Safe, id.Exit, id.Unsealed = &x.outcome.Safe, &code, true
	if x.outcome.Cause != nil {
		id.Reason = x.outcome.Cause.Error()
	}
	return x.clock.Block(func() error {
		err := errors.Join(w.Close(), w.Identify(id))
		if err != nil {
			return &coded{code: max(code, exitFailed), err: fmt.Errorf("%s: %w", x.folder, err)}
		}
		if err := x.derive(); err != nil {
			return onDisk(code, fmt.Errorf("%s: %w", x.folder, err))
		}
		return onDisk(code, logs.Seal(logs.Disk{}, x.folder, id.StopUTC, version))
	})
}

// onDisk gives an error its exit code where the disk is to blame: it is no fault of the program.
func onDisk(code int, err error) error {
	var path *fs.PathError
	var link *os.LinkError
	if errors.As(err, &path) || errors.As(err, &link) {
		return &coded{max(code, exitFailed), err}
	}
	return err
}

// derive writes aligned.csv, with a column for every channel that was read,
// figures.json, and report.html.
func (x *execution) derive() error {
	if x.outcome.Readings == 0 {
		return nil
	}
	r, _, err := logs.Open(logs.Disk{}, x.folder)
	if err != nil {
		return err
	}
	var columns []logs.Column
	for _, p := range x.job.plan.Polled {
		columns = append(columns, logs.Column{Channel: p.Channel, StaleNs: p.StaleNs})
	}
	if len(columns) == 0 {
		return nil
	}
	if _, err = logs.Align(r, x.alignedEvery(), columns); err != nil {
		return err
	}
	return x.deriveFigures(r)
}

// deriveFigures writes figures.json and report.html. A run without them is still a run:
// why there are none is said, and they can be asked for again.
func (x *execution) deriveFigures(r *logs.Run) error {
	defer func() {
		if v := recover(); v != nil { // the folder must still be sealed
			x.speech.say("no figures or no report: fault of the program: %v", v)
		}
	}()
	results, err := figures.Compute(r, factsOf(x.job.rig, x.job.specimen))
	if err != nil {
		x.speech.say("no figures: %v", err)
		return nil
	}
	if err := writeReport(r, results, nil); err != nil {
		x.speech.say("no report: %v", err)
	}
	return writeFigures(r, results)
}

// alignedEvery is the time base of aligned.csv: the fastest channel of the plan.
func (x *execution) alignedEvery() int64 {
	every := int64(math.MaxInt64)
	for _, p := range x.job.plan.Polled {
		every = min(every, p.EveryNs)
	}
	return every
}
