package main

import (
	"fmt"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/drivers/wire"
	"dwell/logs"
	"dwell/sequence"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
)

// record is the sequence's Recorder: rows and exchanges go to the run folder as
// they are, events are encoded by zap and written by the folder, so that a full
// disk is seen. It keeps what the summary shows.
type record struct {
	clock   clock.Clock
	writer  *logs.Writer
	encoder zapcore.Encoder
	fields  []zapcore.Field
	failed  error // of an exchange: there was nobody to tell

	latest  []drivers.Reading // by channel
	bad     int64             // readings flagged, without those that were cut short
	cut     int64
	marks   []mark
	lost    int64
	onEvent func(sequence.Event)
}

// mark is what was last read when the protocol set a mark.
type mark struct {
	text   string
	at     clock.Instant
	values []drivers.Reading
}

// mostMarks bounds the summary's table, not the record.
const mostMarks = 60

func newRecord(c clock.Clock, w *logs.Writer, r *rig.Rig, onEvent func(sequence.Event)) *record {
	return &record{clock: c, writer: w, onEvent: onEvent, latest: make([]drivers.Reading, len(r.Channels)), encoder: eventEncoder()}
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
	if r.onEvent != nil {
		r.onEvent(e)
	}
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
