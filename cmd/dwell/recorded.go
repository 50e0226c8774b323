package main

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"math"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"

	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/drivers/wire"
	"dwell/logs"
	"dwell/sequence"
	"dwell/sequence/plan"
)

// replay is instruments whose port is a record, recorded:RUN/INSTRUMENT. Where all of them
// are of one run, the person and the operator do what they did in that one too.
type replay struct {
	records map[string]*wire.Recorded
	of      []logs.Replay
	then    logs.Identity // of the one run; zero for several
	ended   clock.Instant // that one, as far as it is played
	clock   clock.Clock

	cuts []clock.Instant // when an exchange was cut short
	said []doneThen      // by persons, still to come
	stop string          // who stopped it, "" for nobody
	at   clock.Instant
	gone *clock.Event
	over bool
}

// doneThen is what a person did in the recorded run.
type doneThen struct {
	at     clock.Instant
	kind   string // of the event
	text   string
	moment clock.Instant // of the key
	within clock.Instant
}

// replaying looks for instruments that answer from a record, and for what people did then.
func (x *execution) replaying() error {
	p, err := x.replayed()
	if p == nil || err != nil {
		return err
	}
	if x.replays = p; p.then.StartUTC != "" {
		x.person = p
		if x.job.plan.OffBy != "" && x.start == "" {
			x.start = p.begins()
		}
	}
	x.started = p.followed
	return nil
}

// replayed finds the instruments that answer from a record, nil for none.
func (x *execution) replayed() (*replay, error) {
	p := &replay{records: map[string]*wire.Recorded{}, clock: x.clock, gone: clock.NewEvent(x.clock)}
	runs := map[string]*logs.Run{}
	for _, d := range x.job.rig.Instruments {
		if d.Address.Kind != wire.Record {
			continue
		}
		folder, port := filepath.Split(d.Address.Path)
		r, _, err := logs.Open(logs.Disk{}, folder)
		if err != nil {
			return nil, fmt.Errorf("%s: port %s: %w", d.Name, d.Address, err)
		}
		if runs[filepath.Clean(folder)] == nil {
			if err := isAsRecorded(folder); err != nil {
				return nil, fmt.Errorf("%s: port %s: %w", d.Name, d.Address, err)
			}
		}
		runs[filepath.Clean(folder)] = r
		if p.then, err = r.Identity(); err != nil {
			return nil, fmt.Errorf("%s: port %s: %w", d.Name, d.Address, err)
		}
		exchanges := exchangesWith(r, port, firstPart(p.then))
		if len(exchanges) == 0 {
			return nil, fmt.Errorf("%s: port %s: nothing was recorded there under the name %q", d.Name, d.Address, port)
		}
		footing := d.Profile.Footing
		p.cuts = append(p.cuts, cutShort(exchanges)...)
		p.records[d.Name] = wire.NewRecorded(exchanges, footing.Clear, footing.Ask.Ask)
		p.of = append(p.of, logs.Replay{Instrument: d.Name, Run: filepath.Base(filepath.Clean(folder)), StartUTC: p.then.StartUTC, As: port})
		x.speech.say("note: %s answers as it was recorded in %s", d.Name, folder)
	}
	if len(p.of) == 0 {
		return nil, nil
	}
	if len(runs) > 1 {
		p.then = logs.Identity{}
		return p, nil
	}
	for _, r := range runs {
		p.listen(r, x.job.plan)
	}
	if len(p.then.Segments) > 0 {
		x.speech.say("note: that run was taken up again: its first part is played, up to %.3f s", firstPart(p.then).Seconds())
	}
	return p, nil
}

// isAsRecorded refuses a record that is not as its chain and its seal have it: what answered
// then is not what would be played.
func isAsRecorded(folder string) error {
	v := &verification{}
	if err := v.look(folder); err != nil {
		return err
	}
	for _, f := range v.findings {
		if isIn := []string{"wire.jsonl", "events.jsonl", "run.json", "readings.chain", "seal.json"}; slices.Contains(isIn, f.File) {
			return fmt.Errorf("%s: that is not what was recorded (dwell verify tells more)", f)
		}
	}
	return nil
}

// overNetwork has the instruments of a record that were on a network know of no baud rate,
// as they did then: how long an exchange may take follows from it, and from that the rules.
func overNetwork(r *rig.Rig) {
	for k := range r.Instruments {
		d := &r.Instruments[k]
		if d.Address.Kind != wire.Record {
			continue
		}
		folder, name := filepath.Split(d.Address.Path)
		then, _, err := logs.Open(logs.Disk{}, folder)
		if err != nil {
			continue // is said when the record is asked for
		}
		id, _ := then.Identity()
		for _, i := range id.Instruments {
			if port, err := wire.ParseAddress(i.Port); i.Name == name && err == nil && port.Kind == wire.TCP {
				d.Profile.Line.Baud = 0
			}
		}
	}
}

// firstPart is where the part of a run ends that began with it.
func firstPart(id logs.Identity) clock.Instant {
	if len(id.Segments) == 0 {
		return clock.Never
	}
	return clock.Instant(id.Segments[0].FromNs)
}

// exchangesWith reads all exchanges on one port up to a moment.
func exchangesWith(r *logs.Run, port string, until clock.Instant) (all []wire.Exchange) {
	pulled, stop := iter.Pull2(r.Exchanges())
	defer stop()
	next := exchangesOf(pulled)
	for x, more := next(); more; x, more = next() {
		if x.Exchange.Port == port && x.Exchange.Sent < until {
			all = append(all, x.Exchange)
		}
	}
	return all
}

// toldWithin is how long after a stop it is recorded at most, on a busy computer. A rule of
// thumb, no source.
const toldWithin = 100 * clock.Millisecond

// cutShort lists when exchanges were cut short.
func cutShort(exchanges []wire.Exchange) (at []clock.Instant) {
	for _, x := range exchanges {
		if x.Ended == wire.CutShort {
			at = append(at, x.Last)
		}
	}
	return at
}

// listen takes from the events of a run what people did.
func (p *replay) listen(r *logs.Run, of *plan.Plan) {
	until, began, heard := firstPart(p.then), clock.Instant(0), false
	byHand := map[string]bool{}
	for _, a := range of.Actions {
		byHand[a.Step] = byHand[a.Step] || a.By == "person" || a.Op == plan.Wrap
	}
	for line, err := range r.Events() {
		var e struct {
			Event, Step, Text string
			At                clock.Instant `json:"t_ns"`
			KeyS              float64       `json:"at_s"`
			WithinS           float64       `json:"within_s"`
			MovedS            float64       `json:"t0_s"`
			UMovedS           float64       `json:"u_t0_s"`
		}
		if err != nil || json.Unmarshal(line, &e) != nil || e.At >= until {
			continue
		}
		switch p.ended = e.At; e.Event {
		case "answer", "key":
			heard = true
			p.said = append(p.said, doneThen{e.At, e.Event, e.Text, instantOf(e.KeyS), instantOf(e.WithinS)})
		case "step":
			began, heard = e.At, false
		case "specimen": // folders of old do not say when somebody typed its id,
			if !heard {
				p.said = append(p.said, doneThen{at: began, kind: "answer", text: e.Text})
			}
		case "moved", "bent": // or pressed a key
			if !heard && byHand[e.Step] {
				p.said = append(p.said, doneThen{instantOf(e.MovedS), "key", e.Text, instantOf(e.MovedS), instantOf(e.UMovedS)})
			}
		case "stopped":
			p.stop, p.at = cmp.Or(strings.TrimPrefix(e.Text, "stopped by "), "somebody"), e.At
			for _, at := range p.cuts { // the words for it come after what it does
				if e.At-toldWithin < at && at <= p.at {
					p.at = at - 1
				}
			}
		}
	}
}

func instantOf(s float64) clock.Instant { return clock.Instant(math.Round(s * 1e9)) }

// begins is the time of day at which the recorded run began, on the clock of this computer.
func (p *replay) begins() string {
	at, err := time.Parse(time.RFC3339Nano, p.then.StartUTC)
	if err != nil {
		return ""
	}
	return at.Local().Format("15:04")
}

// past is how much of that minute had passed.
func (p *replay) past() clock.Instant {
	if p == nil {
		return 0
	}
	at, err := time.Parse(time.RFC3339Nano, p.then.StartUTC)
	if err != nil {
		return 0
	}
	return clock.Instant(at.Sub(at.Truncate(time.Minute)))
}

// all is the records by instrument.
func (p *replay) all() map[string]*wire.Recorded {
	if p == nil {
		return nil
	}
	return p.records
}

// followed watches over a run that follows records: it stops it where somebody stopped the
// one of then, and when it has left that one's way.
func (p *replay) followed(r *sequence.Run) {
	if p.stop != "" {
		p.clock.Go("who stopped the recorded run", func() error {
			if p.clock.Sleep(p.at) == nil {
				r.StopFor(p.stop)
			}
			return nil
		})
	}
	p.clock.Go("look at the records", func() error {
		for p.clock.Sleep(p.clock.Now()+clock.Second) == nil {
			if why := p.lost(); why != "" && !r.Status().Stopping {
				r.Fail(why)
			}
			if p.spent() && r.Status().Stopping {
				if p.clock.Sleep(p.clock.Now()+recordPatience) == nil {
					r.Stop()
					r.Stop()
				}
				return nil
			}
		}
		return nil
	})
}

// recordPatience is how long a bench is still made safe on which a record has nothing
// more to say: no one will confirm.
const recordPatience = 30 * clock.Second

// lost is why the run cannot go on by its records, "" if it can.
func (p *replay) lost() string {
	for _, of := range p.of {
		if _, _, parted := p.records[of.Instrument].Result(p.clock.Now()); parted.Expected == nil && parted.Request != nil {
			return fmt.Sprintf("%s: %s: this run does not go the way of the recorded one", of.Instrument, parted)
		}
	}
	if p.spent() {
		return "the record ends here, and this run does not"
	}
	return ""
}

// spent tells whether the records have had nothing more to say for a while.
func (p *replay) spent() bool {
	for _, record := range p.records {
		if !record.Over() || p.clock.Now() < record.Ends()+recordEnd {
			return false
		}
	}
	return true
}

// recordEnd is longer than a run goes on after its last exchange. A rule of thumb, no source.
const recordEnd = 10 * clock.Second

// results are what came of the records, for run.json, as far as the run has ended.
func (p *replay) results(o sequence.Outcome) (all []logs.Replay) {
	if p == nil {
		return nil
	}
	for _, of := range p.of {
		var parted wire.Departure
		if o.Word != "" {
			of.Exchanges, of.NotAsked, parted = p.records[of.Instrument].Result(p.clock.Now())
			of.Parted = parted.String()
		}
		all = append(all, of)
	}
	return all
}

// inFile is where a rule stands, which is another file in a run folder.
var inFile = regexp.MustCompile(`\([^()]*:[0-9]+:[0-9]+\)`)

// compared says in words how the run went beside the recorded one.
func (p *replay) compared(o sequence.Outcome) (lines []string) {
	if p == nil {
		return nil
	}
	for _, of := range p.results(o) {
		text := fmt.Sprintf("%s: all %d exchanges of %s until now, each at its moment", of.Instrument, of.Exchanges, of.Run)
		if of.NotAsked > 0 || of.Parted != "" {
			text = fmt.Sprintf("%s: %d of %d exchanges of %s until now; the first difference: %s", of.Instrument, of.Exchanges-of.NotAsked, of.Exchanges, of.Run, of.Parted)
		}
		lines = append(lines, text)
	}
	reason := ""
	if o.Cause != nil {
		reason = o.Cause.Error()
	}
	switch {
	case p.then.StartUTC == "":
	case p.then.Outcome == o.Word && inFile.ReplaceAllString(p.then.Reason, "") == inFile.ReplaceAllString(reason, ""):
		lines = append(lines, "it ended as the recorded run did")
	case p.then.Outcome == "":
		lines = append(lines, "the recorded run was cut off, and says of no end")
	case p.then.Outcome == o.Word:
		lines = append(lines, "the recorded run ended so too, in other words"+after("", p.then.Reason))
	case p.then.Reason == "":
		lines = append(lines, "the recorded run ended otherwise: "+p.then.Outcome)
	default:
		lines = append(lines, "the recorded run ended otherwise: "+p.then.Outcome+after(p.then.Outcome, p.then.Reason))
	}
	return lines
}

// Ask implements sequence.Person.
func (p *replay) Ask(_ string, by clock.Instant) (string, error) {
	s, err := p.person("answer", by)
	return s.text, err
}

// Move implements sequence.Person.
func (p *replay) Move(_ string, by clock.Instant) (at, within clock.Instant, err error) {
	s, err := p.person("key", by)
	return s.moment, s.within, err
}

// person waits for what was done then.
func (p *replay) person(kind string, by clock.Instant) (doneThen, error) {
	next, found := doneThen{at: by}, false
	if found = len(p.said) > 0 && p.said[0].kind == kind && p.said[0].at <= by; found {
		next, p.said = p.said[0], p.said[1:]
	}
	for !p.over && p.clock.Now() < next.at {
		if _, err := p.gone.Wait(next.at); err != nil {
			return doneThen{}, err
		}
	}
	switch {
	case p.over:
		return doneThen{}, errors.New("the run was stopped")
	case !found:
		return doneThen{}, errors.New("no answer in time, as in the recorded run")
	}
	return next, nil
}

// Dismiss implements sequence.Person.
func (p *replay) Dismiss() {
	p.over = true
	p.gone.Signal()
}
