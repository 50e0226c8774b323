package main

import (
	"encoding/json"
	"errors"
	"io/fs"
	"strings"

	"dwell/drivers/rig"
	"dwell/drivers/wire"
	"dwell/logs"
)

// guardFile is what the guard writes into the run folder.
const guardFile = "guard.jsonl"

// guardLine is a line of it.
type guardLine struct {
	Event string `json:"event"`
	UTC   string `json:"utc"`
	Text  string `json:"text"`
}

// guardLines reads guard.jsonl, where there is one. A line that is torn is left out: it
// was being written.
func guardLines(r *logs.Run) ([]guardLine, error) {
	text, err := r.File(guardFile)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var all []guardLine
	for _, line := range strings.Split(string(text), "\n") {
		var l guardLine
		if json.Unmarshal([]byte(line), &l) == nil {
			all = append(all, l)
		}
	}
	return all, nil
}

// unconfirmed is what guard.jsonl says of a bench that nobody has confirmed to be safe since
// a guard began to watch it; empty where somebody has, or where nothing was touched.
func unconfirmed(lines []guardLine) (why string) {
	for _, l := range lines {
		switch l.Event {
		case "armed":
			why = "nobody has confirmed that the rig was made safe"
		case "taking over":
			why = "its guard took over (" + l.Text + ") and has not confirmed the rig safe"
		case "alarm":
			why += ": " + l.Text
		case "safe", "confirmed":
			why = ""
		}
	}
	return why
}

// opensPorts is whether an instrument of a rig is a real one.
func opensPorts(r *rig.Rig) bool {
	for _, d := range r.Instruments {
		if d.Address.Kind != wire.Twin {
			return true
		}
	}
	return false
}
