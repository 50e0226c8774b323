package main

import (
	"encoding/json"
	"testing"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/logs"
	"dwell/sequence"
)

// A night in which one instrument cannot be made safe leaves some hundred lines, not one
// every half second: each change in full, and every attempt counted.
func TestAttemptsThatFailAlikeAreCounted(t *testing.T) {
	t.Parallel()
	m := logs.NewMemory()
	w, err := logs.Create(m, "runs", "night", nil, logs.Identity{})
	if err != nil {
		t.Fatal(err)
	}
	heard := 0
	r := newRecord(nil, w, &rig.Rig{}, func(sequence.Event) { heard++ })
	say := func(at clock.Instant, kind, text string, grade drivers.Grade) {
		if err := r.Event(sequence.Event{At: at, Kind: kind, Text: text, Evidence: &drivers.Evidence{Instrument: "plate", Grade: grade, Text: text, At: at}}); err != nil {
			t.Fatal(err)
		}
	}
	const all = 8 * 3600 * 2
	for k := range clock.Instant(all) {
		text := "plate: no answer"
		if k == 10_000 || k == all-1 {
			text = "plate: it answered nonsense"
		}
		say(k*clock.Second/2, "not safe", text, drivers.Unconfirmed)
	}
	say(all*clock.Second/2, "safe", "plate: off", drivers.Indirect)
	if err := r.Event(sequence.Event{At: all * clock.Second, Kind: "ended"}); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if heard != all+2 {
		t.Errorf("the screen heard of %d events, expected all %d", heard, all+2)
	}
	run, _, err := logs.Open(m, w.Dir())
	if err != nil {
		t.Fatal(err)
	}
	lines, tries, nonsense, last, widest := 0, 0, 0, int64(0), int64(0)
	for line, err := range run.Events() {
		var e struct {
			Event, Text string
			AtNs        int64 `json:"t_ns"`
			Tries       int
		}
		if err != nil || json.Unmarshal(line, &e) != nil {
			t.Fatal(err, string(line))
		}
		if e.Event == "not safe" {
			lines, tries = lines+1, tries+max(1, e.Tries)
			last, widest = e.AtNs, max(widest, e.AtNs-last)
		}
		if e.Text == "plate: it answered nonsense" {
			nonsense++
		}
	}
	if lines > 600 || tries != all || nonsense != 2 || clock.Instant(widest) > lastPause+clock.Second {
		t.Errorf("%d lines of %d tries, %d of the other failure, %v between two", lines, tries, nonsense, clock.Instant(widest))
	}
}
