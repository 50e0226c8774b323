package main

import (
	"encoding/json"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/logs"
	"dwell/safety"
	"dwell/sequence"
	"dwell/sequence/plan"

	"github.com/spf13/cobra"
)

func showCommand(s *speech) *cobra.Command {
	return &cobra.Command{
		Use:   "show RUN",
		Short: "the summary of a run, from its folder",
		Long: `show prints the summary of a run again, from its folder alone: of one that has ended,
of one that is still going on, and of one that was cut short. It changes nothing.`,
		Example: `  dwell show runs/20261125T105047Z-staircase-LC-07`,
		Args:    cobra.ExactArgs(1),
		RunE:    func(_ *cobra.Command, args []string) error { return show(s, args[0]) },
	}
}

// retold is what a run folder tells of its run.
type retold struct {
	execution
	id      logs.Identity
	last    clock.Instant // of which something is recorded
	step    string        // the last one
	done    progress
	guarded bool // its guard has ended it
	begun   bool // its guard has begun to, and its record does not say that it finished
	trying  int  // the process number of a guard that is still at it
	flagged int64
}

func show(s *speech, dir string) error {
	r, err := openRun(s, dir)
	if err != nil {
		return err
	}
	t := &retold{execution: execution{speech: s, folder: dir, job: &job{}, record: &record{}}}
	if err := t.read(r); err != nil {
		return usage(fmt.Errorf("%s cannot be shown: %w", dir, err))
	}
	slices.SortFunc(t.outcome.Report.Evidence, func(a, b drivers.Evidence) int {
		return t.job.rig.Instrument(a.Instrument) - t.job.rig.Instrument(b.Instrument)
	})
	s.result(t.summary(t.took()))
	object := map[string]any{"run": dir, "outcome": nil, "safe": t.id.Safe, "readings": t.outcome.Readings, "flagged": t.flagged, "exit": exitDone}
	if t.id.Outcome == "" {
		left, text := t.left()
		s.result(t.latest() + text)
		if text != "" {
			object["left_s"] = left.Seconds()
		}
	}
	if t.id.Outcome != "" {
		object["outcome"] = t.id.Outcome
	}
	switch {
	case t.id.Outcome == "" && t.unsafe():
		s.say("\n%s", s.alarmed(loud))
		switch {
		case t.trying > 0:
			s.say("hint: that guard goes on trying; dwell safe --rig %s says how far it is", filepath.Join(dir, "rig.yaml"))
		case t.begun:
			s.say("hint: if the guard is gone too: dwell safe --rig %s", filepath.Join(dir, "rig.yaml"))
		}
	case t.unsafe():
		s.say("\n%s", s.red("when this run ended the rig was NOT confirmed safe"))
	}
	s.object(object)
	return nil
}

// latest is what each channel of the plan read last, and how long before the end of the
// record, in a run that has not ended.
func (t *retold) latest() string {
	var rows [][]string
	for _, polled := range t.job.plan.Polled {
		if i := t.job.rig.Channel(polled.Channel); i >= 0 && t.record.latest[i].At > 0 {
			x := t.record.latest[i]
			rows = append(rows, []string{polled.Channel, valueText(x, t.job.rig.Channels[i]), span(t.last-x.At) + " before"})
		}
	}
	if len(rows) == 0 {
		return ""
	}
	return fmt.Sprintf("last read, in a record of %s\n", span(t.last)) + table(rows)
}

// left is how long a run that has not ended has still to go, as far as its record says.
func (t *retold) left() (left clock.Instant, text string) {
	left, ok := t.done.left(t.job.plan, t.last)
	start, err := time.Parse(time.RFC3339Nano, t.id.StartUTC)
	if !ok || err != nil || t.unsafe() || t.guarded {
		return 0, ""
	}
	return left, hung("left", leftText(t.job.plan, left, start.Add(time.Duration(t.last))), t.speech.page())
}

// unsafe is whether the folder's last word is that the bench is not confirmed safe.
func (t *retold) unsafe() bool {
	if t.begun {
		return true
	}
	if t.id.Safe != nil {
		return !*t.id.Safe
	}
	for _, e := range t.outcome.Report.Evidence {
		if e.Grade == drivers.Unconfirmed {
			return true
		}
	}
	return false
}

func (t *retold) read(r *logs.Run) error {
	var err error
	if t.id, err = r.IdentityIfWhole(); err != nil {
		return err
	}
	text, err := r.File("plan.json")
	if err != nil {
		return err
	}
	if t.job.plan, err = plan.ReadJSON(text); err != nil && json.Valid(text) {
		return err
	} else if err != nil {
		t.job.plan = &plan.Plan{Title: "its plan is damaged"}
	}
	if t.job.rig, err = keptRig(r, nil); err != nil {
		return err
	}
	t.record.latest = make([]drivers.Reading, len(t.job.rig.Channels))
	t.outcome.Missed = -1 // nobody wrote it down
	if err := t.events(r); err != nil {
		return err
	}
	if err := t.readings(r); err != nil {
		return err
	}
	if t.outcome.Word = t.id.Outcome; t.outcome.Word != "" {
		t.outcome.Cause = nil // of a part before the last one
		if t.id.Reason != "" {
			t.outcome.Cause = &safety.Cause{Text: t.id.Reason}
		}
		return nil
	}
	t.outcome.Word = "not ended: it is going on, or was cut short"
	if t.step != "" {
		t.outcome.Word += " in " + t.step
	}
	return t.guard(r)
}

// events takes the marks, and how making the bench safe went.
func (t *retold) events(r *logs.Run) error {
	for line, err := range r.Events() {
		if err != nil {
			return err
		}
		var e struct {
			Event, Step, Text string
			AtNs              int64   `json:"t_ns"`
			Gap               float64 `json:"gap_s"`
			FromS             float64 `json:"from_s"`
			Cycles, Begun     float64
		}
		if err := json.Unmarshal(line, &e); err != nil {
			return fmt.Errorf("events.jsonl: %w", err)
		}
		t.last, t.step = max(t.last, clock.Instant(e.AtNs)), e.Step
		t.done.hear(e.Event, e.Step, clock.Instant(e.AtNs), clock.Instant(e.Gap*1e9))
		t.record.died.hear(e.Event, e.Text, clock.Instant(e.AtNs), e.Cycles, e.Begun, e.FromS)
		switch e.Event {
		case "mark":
			t.record.mark(sequence.Event{At: clock.Instant(e.AtNs), Text: e.Text})
		case "paused":
			t.outcome.Pauses++
		case "resumed":
			t.outcome.Paused += clock.Instant(e.Gap * 1e9)
		case "safe", "not safe":
			t.evidence(e.Text)
		case "segment":
			t.outcome.Cause = nil
		case "tripped", "failed", "stopped":
			t.outcome.Cause = &safety.Cause{Text: e.Text}
		}
	}
	return nil
}

// evidence takes the last word on each instrument, as the run writes it.
func (t *retold) evidence(text string) {
	name, rest, _ := strings.Cut(text, ": ")
	grade, words, _ := strings.Cut(rest, ": ")
	e := drivers.Evidence{Instrument: name, Text: words}
	for _, g := range []drivers.Grade{drivers.Indirect, drivers.Direct} {
		if g.String() == grade {
			e.Grade = g
		}
	}
	all := &t.outcome.Report.Evidence
	for i := range *all {
		if (*all)[i].Instrument == name {
			(*all)[i] = e
			return
		}
	}
	*all = append(*all, e)
}

// readings counts, and finds what was last read before each mark: rows stand in the
// order in which they were read.
func (t *retold) readings(r *logs.Run) error {
	next := 0
	for row, err := range r.Rows() {
		if err != nil {
			return err
		}
		done := clock.Instant(row.AtNs + row.WithinNs)
		for ; next < len(t.record.marks) && done > t.record.marks[next].at; next++ {
			copy(t.record.marks[next].values, t.record.latest)
		}
		t.last = max(t.last, done)
		t.outcome.Readings++
		t.record.judge(flagOf(row.Flag))
		if i := t.job.rig.Channel(row.Channel); i >= 0 {
			t.record.latest[i] = drivers.Reading{Channel: i, At: clock.Instant(row.AtNs), Within: clock.Instant(row.WithinNs),
				Value: row.Value * t.job.rig.Channels[i].Unit.Factor, Flag: flagOf(row.Flag)}
		}
	}
	for ; next < len(t.record.marks); next++ {
		copy(t.record.marks[next].values, t.record.latest)
	}
	t.flagged = t.record.bad
	return nil
}

// flagOf is the flag that a row of readings.csv has; an unknown one is no good reading.
func flagOf(word string) drivers.Flag {
	for f := drivers.Good; f <= drivers.CutShort; f++ {
		if f.String() == word {
			return f
		}
	}
	return drivers.Lost
}

// guard adds what the guard process wrote after a run that could not end by itself.
func (t *retold) guard(r *logs.Run) error {
	lines, err := guardLines(r)
	if err != nil {
		return err
	}
	running := t.outcome.Word
	for _, e := range lines {
		switch e.Event {
		case "armed": // the run was taken up again
			t.outcome.Word, t.guarded, t.begun = running, false, false
		case "taking over":
			t.outcome.Word, t.guarded, t.begun = "ended by its guard: "+e.Text, true, true
		case "made safe", "not safe":
			t.evidence(e.Text)
		case "safe":
			t.begun = false
		case "confirmed":
			if strings.HasPrefix(e.Text, bySafe) {
				t.outcome.Word, t.guarded, t.begun = "cut short: "+e.Text, true, false
			}
		}
	}
	if t.begun {
		t.outcome.Word = "its guard began to take over and did not finish: the bench was NOT confirmed safe"
		if t.trying = livingGuard(t.folder); t.trying > 0 {
			t.outcome.Word = fmt.Sprintf("its guard, process %d, has taken over and is trying to make the rig safe, which is NOT confirmed yet", t.trying)
		}
		t.outcome.Report.Evidence = slices.DeleteFunc(t.outcome.Report.Evidence, func(e drivers.Evidence) bool { return e.Grade != drivers.Unconfirmed })
	}
	return nil
}

// took is how long the run took, or has been going on as far as the record goes.
func (t *retold) took() string {
	start, err := time.Parse(time.RFC3339Nano, t.id.StartUTC)
	stop, ended := time.Parse(time.RFC3339Nano, t.id.StopUTC)
	text := span(t.last) + " as far as the record goes"
	if err == nil && ended == nil {
		text = span(clock.Instant(stop.Sub(start)))
	}
	if t.id.Kind == "rehearsal" {
		text += fmt.Sprintf(" of bench time (virtual bench, seed %d)", t.id.Seed)
	}
	return text
}
