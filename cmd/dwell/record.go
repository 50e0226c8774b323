package main

import (
	"fmt"
	"maps"
	"slices"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/drivers/wire"
	"dwell/logs"
	"dwell/logs/figures"
	"dwell/sequence"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
)

// record is the sequence's Recorder: rows and exchanges go to the run folder as
// they are, events are encoded by zap and written by the folder, so that a full
// disk is seen. It keeps what the summary shows.
type record struct {
	clock   clock.Clock
	writer  keeper
	encoder zapcore.Encoder
	fields  []zapcore.Field
	failed  error // of an exchange: there was nobody to tell

	latest  []drivers.Reading // by channel
	bad     int64             // readings flagged, without those that were cut short
	cut     int64
	marks   []mark
	lost    int64
	died    died
	onEvent func(sequence.Event)
	tried   map[string]*tried // by instrument
}

// tried is the attempts to make an instrument safe that fail alike, of which not every one
// is worth a line: each has its exchanges in wire.jsonl.
type tried struct {
	last   sequence.Event
	unsaid int           // since the last line
	due    clock.Instant // the next one
	pause  clock.Instant
}

// A failure that stays the same is written again after firstPause, then after twice as
// long, and so on up to lastPause. Common practice, no source.
const (
	firstPause = clock.Second
	lastPause  = clock.Minute
)

// died is the end of a specimen's part of a run.
type died struct {
	at   clock.Instant
	says string // "" while it is sound
}

// hear takes the failure of a specimen. What a gap leaves out counts for nothing.
func (d *died) hear(kind, text string, at clock.Instant, cycles, begun, gapFromS float64) {
	switch {
	case kind == "specimen failed":
		*d = died{at, figures.SpecimenFailed(text, cycles, begun)}
	case kind == "gap" && d.at.Seconds() > gapFromS:
		*d = died{}
	}
}

// numberOf is a number of an event, 0 where it has none of that name.
func numberOf(e sequence.Event, key string) float64 {
	for _, f := range e.Fields {
		if f.Key == key {
			return f.Value
		}
	}
	return 0
}

// mark is what was last read when the protocol set a mark.
type mark struct {
	text   string
	at     clock.Instant
	values []drivers.Reading
}

// mostMarks bounds the summary's table, not the record.
const mostMarks = 60

func newRecord(c clock.Clock, w keeper, r *rig.Rig, onEvent func(sequence.Event)) *record {
	return &record{clock: c, writer: w, onEvent: onEvent, latest: make([]drivers.Reading, len(r.Channels)), encoder: eventEncoder(), tried: map[string]*tried{}}
}

// eventEncoder has no level, time, caller or stack of zap's: an event's own time is the
// run's.
func eventEncoder() zapcore.Encoder {
	return zapcore.NewJSONEncoder(zapcore.EncoderConfig{MessageKey: "event", SkipLineEnding: true,
		EncodeDuration: zapcore.NanosDurationEncoder})
}

// Reading implements sequence.Recorder.
func (r *record) Reading(x drivers.Reading, c *rig.Channel, step string) error {
	r.judge(x.Flag)
	r.latest[x.Channel] = x
	if r.failed != nil {
		return r.failed
	}
	return r.writer.Reading(asRow(x, c, step))
}

// judge counts what is not good. A reading that making safe has cut short says nothing
// about the instrument.
func (r *record) judge(f drivers.Flag) {
	switch f {
	case drivers.Good:
	case drivers.CutShort:
		r.cut++
	default:
		r.bad++
	}
}

// asRow is a reading as readings.csv has it.
func asRow(x drivers.Reading, c *rig.Channel, step string) logs.Row {
	return logs.Row{AtNs: int64(x.At), WithinNs: int64(x.Within), Channel: c.Name,
		Value: x.Value / c.Unit.Factor, Unit: c.Unit.Symbol, Flag: x.Flag.String(), Step: step}
}

// mark keeps what was last read.
func (r *record) mark(e sequence.Event) {
	if len(r.marks) == mostMarks {
		r.lost++
		return
	}
	r.marks = append(r.marks, mark{e.Text, e.At, append([]drivers.Reading(nil), r.latest...)})
}

// Event implements sequence.Recorder.
func (r *record) Event(e sequence.Event) error {
	if e.Kind == "mark" {
		r.mark(e)
	}
	r.died.hear(e.Kind, e.Text, e.At, numberOf(e, "cycles"), numberOf(e, "begun"), numberOf(e, "from_s"))
	err := r.sparing(e)
	if r.onEvent != nil {
		r.onEvent(e)
	}
	return err
}

// sparing writes an event, unless it says once more what the one before has said of an
// attempt to make an instrument safe. What was held back stands, counted, before whatever
// is new of that instrument, and before the end.
func (r *record) sparing(e sequence.Event) error {
	if e.Kind == "ended" {
		for _, name := range slices.Sorted(maps.Keys(r.tried)) {
			if err := r.heldBack(r.tried[name]); err != nil {
				return err
			}
		}
	}
	if e.Evidence == nil {
		return r.event(e)
	}
	t := r.tried[e.Evidence.Instrument]
	if t == nil || t.last.Text != e.Text || t.last.Kind != e.Kind || t.last.Step != e.Step {
		if err := r.heldBack(t); err != nil {
			return err
		}
		r.tried[e.Evidence.Instrument] = &tried{last: e, due: e.At + firstPause, pause: firstPause}
		return r.event(e)
	}
	t.last, t.unsaid = e, t.unsaid+1
	if e.Kind == "not safe" && e.At < t.due {
		return nil
	}
	t.pause = min(2*t.pause, lastPause)
	t.due = e.At + t.pause
	return r.heldBack(t)
}

// heldBack writes the last of the attempts that were not written, and how many they are.
func (r *record) heldBack(t *tried) error {
	if t == nil || t.unsaid == 0 {
		return nil
	}
	e := t.last
	e.Fields = append(slices.Clone(e.Fields), sequence.Field{Key: "tries", Value: float64(t.unsaid)})
	t.unsaid = 0
	return r.event(e)
}

// event writes one.
func (r *record) event(e sequence.Event) error {
	r.fields = append(r.fields[:0], zap.Int64("t_ns", int64(e.At)), zap.String("step", e.Step), zap.String("text", e.Text))
	for _, f := range e.Fields {
		r.fields = append(r.fields, zap.Float64(f.Key, f.Value))
	}
	line, err := r.encoder.EncodeEntry(zapcore.Entry{Message: e.Kind}, r.fields)
	if err != nil {
		return fmt.Errorf("event %q: %w", e.Kind, err)
	}
	defer line.Free()
	return r.writer.Event(line.Bytes())
}

// exchange is the tap of every port. A failure shows with the next reading.
func (r *record) exchange(x *wire.Exchange) {
	err := r.writer.Exchange(logs.Exchange{Port: x.Port, SentNs: int64(x.Sent), FirstNs: int64(x.First), LastNs: int64(x.Last),
		Request: x.Request, Reply: x.Reply, Ended: x.Ended.String()})
	if err != nil && r.failed == nil {
		r.failed = err
	}
}

// Sync implements sequence.Recorder.
func (r *record) Sync() error {
	want := r.writer.Written()
	for !r.writer.Acknowledged().Covers(want) {
		b := r.writer.Begin()
		if b == nil {
			return r.writer.Err()
		}
		if err := r.clock.Block(b.Commit); err != nil {
			return err
		}
		if err := b.Done(); err != nil {
			return err
		}
	}
	return r.writer.Err()
}
