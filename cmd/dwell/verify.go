package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"iter"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/drivers/wire"
	"dwell/logs"
	"dwell/sequence"

	"github.com/spf13/cobra"
)

func verifyCommand(s *speech) *cobra.Command {
	var g signing
	c := &cobra.Command{
		Use:   "verify RUN",
		Short: "look for edits, and derive every reading again from the bytes",
		Long: `verify compares every file of a run folder with its seal, and what was
acknowledged with its chain, after a crash too. Then it plays the recorded bytes
back through the drivers and derives every row of readings.csv once more: each
must come out the same, to the byte. What differs is shown with file and line, and
the exit code is 7. A bundle of dwell export is read as it is.

An unsigned seal finds accidents, not forgers. --sign signs the last sealing of a folder
in which nothing was found, with an ed25519 key and a name; a second person signs in the
same way with another key. Who holds a key, only that person can tell you: compare it.`,
		Example: `  dwell verify runs/20261125T105047Z-staircase-LC-07
  dwell verify --sign my.key --new-key --name M.K. runs/20261125T105047Z-staircase-LC-07`,
		Args: cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			folder, done, err := unbundled(args[0])
			if err != nil {
				return err
			}
			defer done()
			if err := g.check(args[0], folder); err != nil {
				return usage(err)
			}
			v := &verification{}
			if err := v.folder(folder); err != nil {
				return usage(errors.New(strings.ReplaceAll(err.Error(), folder, args[0]))) // of a bundle, not of its copy
			}
			if _, err := os.Lstat(filepath.Join(folder, logs.CrateName)); folder != args[0] && errors.Is(err, fs.ErrNotExist) {
				v.missing(logs.CrateName, "the bundle has nothing that describes it")
			}
			if g.key != "" {
				if err := g.sign(v, folder); err != nil {
					return err
				}
			}
			return v.report(s, args[0])
		},
	}
	c.Flags().StringVar(&g.key, "sign", "", "sign the seal with the key in this file, if nothing is found")
	c.Flags().BoolVar(&g.make, "new-key", false, "make that key first")
	c.Flags().StringVar(&g.name, "name", "", "the name of who signs")
	return c
}

// verification is what was found in a run folder.
type verification struct {
	findings   []logs.Finding
	untold     int // differences in readings beyond the first few
	readings   int64
	derived    int64 // of these: the same again from the bytes
	without    int64 // of these: no exchange was made for them, and they have no value
	crashed    bool  // it was never closed
	unsealed   bool  // it was closed, but not sealed since
	sealings   int
	tails      []logs.Tail
	signatures []logs.Signature
	leftOut    string   // of a copy
	copyOf     string   // the hash of the seal of the folder itself
	free       []string // files that nothing speaks of, for there is no seal since
}

// mostDifferences of one sort are shown.
const mostDifferences = 20

// folder looks at a run folder; the error is that there is none.
func (v *verification) folder(dir string) error {
	if err := v.look(dir); err != nil {
		return err
	}
	r, _, _ := logs.Open(logs.Disk{}, dir)
	if r == nil {
		return nil // it has gone meanwhile
	}
	if err := v.rederive(r); err != nil {
		v.findings = append(v.findings, logs.Finding{Kind: logs.Broken, File: "readings.csv", Text: "cannot be derived again: " + err.Error()})
	}
	return nil
}

// look compares a folder with its seal and its chain.
func (v *verification) look(dir string) error {
	if info, err := os.Stat(dir); err != nil || !info.IsDir() {
		return fmt.Errorf("there is no run folder %s", dir)
	}
	r, tails, err := logs.Open(logs.Disk{}, dir)
	if r == nil {
		return err
	}
	if !slices.ContainsFunc([]string{"run.json", "readings.csv", "wire.jsonl", "events.jsonl", "readings.chain"}, func(name string) bool {
		_, err := os.Lstat(filepath.Join(dir, name))
		return err == nil
	}) {
		return fmt.Errorf("%s is no run folder: it has none of a run's files", dir)
	}
	if bornInVain(r, tails) {
		return fmt.Errorf("%s: nothing had begun when this run was broken off: it has no run.json, and nothing was recorded; start it again", dir)
	}
	v.tails = tails
	for f := range r.Verify() {
		again := slices.ContainsFunc(v.findings, func(o logs.Finding) bool { return o.String() == f.String() })
		if f.Kind != logs.Torn && !again {
			v.findings = append(v.findings, f)
		}
	}
	if err != nil && len(v.findings) == 0 {
		v.findings = append(v.findings, logs.Finding{Kind: logs.Broken, File: ".", Text: err.Error()})
	}
	v.sealed(r)
	v.leftOut, v.copyOf = r.LeftOut()
	v.signatures, _ = r.Signatures() // what is wrong with them has been found
	v.free, _ = r.Unprotected()
	return nil
}

// bornInVain is of a folder whose run was ended between its birth and its first word, as
// could be before folders were born with their run.json.
func bornInVain(r *logs.Run, tails []logs.Tail) bool {
	_, err := os.Lstat(filepath.Join(r.Dir(), "run.json"))
	events, err2 := os.Stat(filepath.Join(r.Dir(), "events.jsonl"))
	return errors.Is(err, fs.ErrNotExist) && err2 == nil && events.Size() == 0 && len(tails) == 0 && r.Acknowledged() == logs.Mark{}
}

// sealed misses what a folder that was closed must have. A run that was killed between its
// end and its seal says so itself, in run.json: that is no edit.
func (v *verification) sealed(r *logs.Run) {
	id, err := r.Identity()
	if err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			v.missing("run.json", "the file is gone")
		}
		return // otherwise it has been found already
	}
	unsealed, sealings, err := r.Unsealed()
	v.sealings, v.crashed = sealings, id.Outcome == ""
	v.unsealed = err == nil && unsealed && id.Unsealed
	had := 0
	if n := len(id.Segments); n > 0 {
		had = id.Segments[n-1].Sealings
	}
	switch {
	case err != nil: // which has been found
	case !v.crashed && unsealed && !id.Unsealed:
		v.missing("seal.json", "the run was closed and sealed, but its seal is gone")
	case sealings < had:
		v.missing("seal.json", "the run was sealed before it was taken up again, and that seal is gone")
	}
	if !v.crashed {
		for _, t := range v.tails {
			v.findings = append(v.findings, logs.Finding{Kind: logs.Torn, File: t.File, Line: t.Line, Text: "the run was closed, but " + t.String()})
		}
	}
}

func (v *verification) missing(file, text string) {
	v.findings = append(v.findings, logs.Finding{Kind: logs.Missing, File: file, Text: text})
}

// rederive makes every reading again and compares.
func (v *verification) rederive(r *logs.Run) error {
	bench, err := keptRig(r, nil)
	if err != nil {
		return err
	}
	exchanges, stop := iter.Pull2(r.Exchanges())
	defer stop()
	events, stop := iter.Pull2(r.Events())
	defer stop()
	world := clock.Virtual(0)
	return world.Run(func() error {
		d := sequence.NewRederivation(world, bench, exchangesOf(exchanges), eventsOf(events))
		line := int64(1)
		for row, err := range r.Rows() {
			line++
			if err != nil {
				continue // a line that is none has been found already
			}
			v.readings++
			why, err := v.row(d, bench, row)
			if err != nil {
				return err
			}
			v.differs(line, why)
		}
		return nil
	})
}

// differs notes why a row is not what the bytes say, if it is not.
func (v *verification) differs(line int64, why string) {
	switch {
	case why == "":
	case v.untold == 0 && len(v.findings) < mostDifferences:
		v.findings = append(v.findings, logs.Finding{Kind: logs.Changed, File: "readings.csv", Line: line, Text: why})
	default:
		v.untold++
	}
}

// exchangesOf goes through wire.jsonl. What cannot be read there has been found already.
func exchangesOf(next func() (logs.Exchange, error, bool)) func() (sequence.Recorded, bool) {
	line := int64(0)
	return func() (sequence.Recorded, bool) {
		for {
			x, err, more := next()
			if !more {
				return sequence.Recorded{}, false
			}
			line++
			ended, known := wire.EndingOf(x.Ended)
			if err != nil || !known {
				continue
			}
			return sequence.Recorded{Line: line, Exchange: wire.Exchange{Port: x.Port, Request: x.Request, Reply: x.Reply,
				Sent: clock.Instant(x.SentNs), First: clock.Instant(x.FirstNs), Last: clock.Instant(x.LastNs), Ended: ended}}, true
		}
	}
}

// eventsOf goes through events.jsonl.
func eventsOf(next func() ([]byte, error, bool)) func() (sequence.Happened, bool) {
	return func() (sequence.Happened, bool) {
		for {
			line, err, more := next()
			if !more {
				return sequence.Happened{}, false
			}
			var e struct {
				Event, Step, Text string
				At                int64 `json:"t_ns"`
			}
			if err != nil || json.Unmarshal(line, &e) != nil {
				continue
			}
			h := sequence.Happened{At: clock.Instant(e.At), Kind: e.Event, Text: e.Text}
			switch e.Event {
			case "step":
				h.Text = e.Step
			case "set", "segment":
			default:
				continue
			}
			return h, true
		}
	}
}

// row derives one reading again and says what differs.
func (v *verification) row(d *sequence.Rederivation, bench *rig.Rig, row logs.Row) (string, error) {
	channel := bench.Channel(row.Channel)
	if channel < 0 {
		return fmt.Sprintf("this rig has no channel %q", row.Channel), nil
	}
	at, within := clock.Instant(row.AtNs), clock.Instant(row.WithinNs)
	if row.Flag == drivers.NotMeasured.String() && within == 0 && row.Value != row.Value {
		v.without++
		return v.step(d, at, at, row), nil
	}
	found, ok, err := d.Find(channel, at)
	if err != nil {
		return "", err
	}
	if !ok {
		return fmt.Sprintf("no recorded exchange brings a reading of %s at %s s", row.Channel, seconds(clock.Instant(row.AtNs))), nil
	}
	again := asRow(found.Reading, &bench.Channels[channel], row.Step)
	a, err1 := logs.AppendRow(nil, row)
	b, err2 := logs.AppendRow(nil, again)
	if err := errors.Join(err1, err2); err != nil {
		return "", err
	}
	if !bytes.Equal(a, b) {
		return fmt.Sprintf("stands as %q, but wire.jsonl:%d gives %q", strings.TrimSpace(string(a)), found.Line, strings.TrimSpace(string(b))), nil
	}
	if why := v.step(d, at-within, at+within, row); why != "" {
		return why, nil
	}
	v.derived++
	return "", nil
}

func (v *verification) step(d *sequence.Rederivation, from, to clock.Instant, row logs.Row) string {
	if d.IsStep(from, to, row.Step) {
		return ""
	}
	return fmt.Sprintf("the step %q was not on at %s s", row.Step, seconds(clock.Instant(row.AtNs)))
}

// report says what was found and returns the error whose code the program exits with.
func (v *verification) report(s *speech, dir string) error {
	code := exitDone
	var found []map[string]any
	for _, f := range v.findings {
		found = append(found, map[string]any{"kind": f.Kind, "file": f.File, "line": f.Line, "text": f.Text})
	}
	if len(v.findings) > 0 {
		code = exitDiffering
	}
	var b strings.Builder
	for _, f := range v.findings {
		fmt.Fprintf(&b, "%s\n", f)
	}
	if v.untold > 0 {
		fmt.Fprintf(&b, "readings.csv: and %d more rows that differ\n", v.untold)
	}
	for _, t := range v.tails {
		if v.crashed {
			fmt.Fprintf(&b, "the end was never acknowledged: %s\n", t)
		}
	}
	b.WriteString(v.open())
	fmt.Fprintf(&b, "%d readings: %d derived again from the recorded bytes, the same to the byte", v.readings, v.derived)
	if v.without > 0 {
		fmt.Fprintf(&b, "; %d without a value, for which nothing was asked", v.without)
	}
	switch {
	case code == exitDone && (v.crashed || v.unsealed):
		b.WriteString("\nno difference was found in what is protected\n")
	case code == exitDone:
		b.WriteString("\nno difference was found\n")
	default:
		fmt.Fprintf(&b, "\n%s\n", s.red("this folder is not as the run left it"))
	}
	if v.leftOut != "" {
		fmt.Fprintf(&b, "this is a copy without %s: its hashes are its own; the last sealing of the folder itself is %s\n", v.leftOut, v.copyOf)
	}
	b.WriteString(v.signers())
	s.result(b.String())
	s.object(map[string]any{"run": dir, "holds": code == exitDone, "findings": append([]map[string]any{}, found...), "closed": !v.crashed, "sealed": !v.crashed && !v.unsealed,
		"readings": v.readings, "rederived": v.derived, "without_exchange": v.without, "signed": len(v.signatures) > 0,
		"signatures": append([]logs.Signature{}, v.signatures...), "not_protected": append([]string{}, v.free...), "left_out": v.leftOut, "exit": code})
	if code != exitDone {
		return said(code)
	}
	return nil
}

// open says what holds of a folder that nothing has sealed since it was written last.
func (v *verification) open() string {
	what := ""
	switch {
	case v.unsealed:
		what = "the run was closed, and ended before its folder could be sealed"
	case v.crashed && v.sealings > 0:
		what = "the run was taken up again and never closed since"
	case v.crashed:
		what = "the run was never closed"
	default:
		return ""
	}
	if v.sealings > 0 {
		what += ": the seal holds for what was before, the chain for what was acknowledged since"
	} else {
		what += ": there is no seal, and the chain holds what was acknowledged"
	}
	if v.unsealed {
		what += "; dwell resume, figures or report seals it"
	}
	why := "the run was never closed"
	if v.unsealed {
		why = "the folder was never sealed since"
	}
	for _, name := range append([]string{"what stood behind the last acknowledged line, and how run.json says that the run ended"}, v.free...) {
		what += "\nnot protected: " + name + ": " + why
	}
	return what + "\n"
}

// signers says who signed what.
func (v *verification) signers() string {
	if len(v.signatures) == 0 && v.sealings == 0 {
		return "" // nothing is sealed
	}
	if len(v.signatures) == 0 {
		return "the seal is not signed: it finds accidents, not forgers\n"
	}
	var b strings.Builder
	for _, one := range v.signatures {
		fmt.Fprintf(&b, "signed as %s, %s, with the key %s", one.Name, one.UTC, one.Key)
		if one.Number < one.Of {
			fmt.Fprintf(&b, ": sealing %d of %d; what was sealed later it does not speak of", one.Number, one.Of)
		}
		b.WriteString("\n")
	}
	b.WriteString("whether a key is that person's, and whether somebody else has signed too, only they can tell\n")
	return b.String()
}
