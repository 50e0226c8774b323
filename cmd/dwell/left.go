package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
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
	return linesOfGuard(text), nil
}

func linesOfGuard(text []byte) (all []guardLine) {
	for _, line := range strings.Split(string(text), "\n") {
		var l guardLine
		if json.Unmarshal([]byte(line), &l) == nil {
			all = append(all, l)
		}
	}
	return all
}

// behind makes of lines what is added to a guard.jsonl: each with its hash, so that an edit
// shows without a seal too, and none on a line that was torn.
func behind(text, lines []byte) (all []byte) {
	if n := len(text); n > 0 && text[n-1] != '\n' {
		all = append(all, '\n')
	}
	last := logs.LastLink(text)
	for line := range bytes.Lines(lines) {
		line, last = logs.Link(last, line)
		all = append(all, line...)
	}
	return all
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

// tookOver is whether a guard has, of the last part of a run.
func tookOver(lines []guardLine) (is bool) {
	for _, l := range lines {
		is = l.Event == "taking over" || is && l.Event != "armed"
	}
	return is
}

// bySafe begins what dwell safe leaves in the folder of a run that it has ended.
const bySafe = "dwell safe, process "

// doneSince is what happened to the bench of a run since this process, its guard, was stopped:
// dwell safe has made it safe, or another run has it. Empty if nothing did.
func doneSince(folder string, r *rig.Rig, run int) string {
	text, _ := os.ReadFile(filepath.Join(folder, guardFile))
	since := false
	for _, l := range linesOfGuard(text) {
		switch own := fmt.Sprintf("process %d watches ", os.Getpid()); {
		case l.Event == "armed" && strings.HasPrefix(l.Text, own):
			since = true
		case since && l.Event == "armed":
			return "the run has been taken up again since: " + l.Text
		case since && l.Event == "confirmed" && strings.HasPrefix(l.Text, bySafe):
			return l.Text
		}
	}
	for _, d := range r.Instruments {
		if d.Address.Kind == wire.Twin {
			continue
		}
		lock, err := wire.Take(d.Address.Key(), "")
		var used *wire.InUse
		var o owner
		if err == nil {
			lock.Give()
		} else if errors.As(err, &used) && json.Unmarshal([]byte(used.Owner), &o) == nil && o.Folder != "" && o.PID != run {
			return fmt.Sprintf("process %d has %s now, for the run in %s: nothing is done to it", o.PID, d.Name, o.Folder)
		}
	}
	return ""
}

// guardKey is what a guard locks for as long as it lives.
func guardKey(folder string) string {
	if whole, err := filepath.Abs(folder); err == nil {
		folder = whole
	}
	return "guard of run folder " + folder
}

// livingGuard is the process number of the guard of a run folder, if it lives; otherwise 0.
func livingGuard(folder string) int {
	lock, err := wire.Take(guardKey(folder), "")
	var used *wire.InUse
	var o owner
	switch {
	case err == nil:
		lock.Give()
	case errors.As(err, &used) && json.Unmarshal([]byte(used.Owner), &o) == nil:
		return o.PID
	}
	return 0
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
