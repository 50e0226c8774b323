package logs

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
)

// This file keeps proof tests: a JSON object a line, beside the rig file they are about,
// in the order in which they were made. Nothing is ever taken out of it.

// ProofTest is one proof test (IEC 61508-4: a test that reveals hidden dangerous faults
// of a safety function) as it was signed off.
type ProofTest struct {
	UTC      string             `json:"utc"`
	Rig      string             `json:"rig"`
	Digest   string             `json:"rig_sha256"` // of the rig file and all its profiles
	Dwell    string             `json:"dwell"`
	SignedBy string             `json:"signed_by"`          // "" when nobody has
	Partial  bool               `json:"partial"`            // something was left out
	LeftOut  []string           `json:"left_out,omitempty"` // the rules and watchdogs that nobody has tried
	Passed   bool               `json:"passed"`             // every rule was proved
	Steps    []ProofStep        `json:"steps"`
	LongestS map[string]float64 `json:"longest_exchange_s"` // by instrument, measured on the way
}

// ProofStep is what came of one rule.
type ProofStep struct {
	Rule     string       `json:"rule"`
	From     string       `json:"from"`
	How      string       `json:"how,omitempty"` // it was forced
	Verdict  ProofVerdict `json:"verdict"`
	Why      string       `json:"why,omitempty"`
	HoldsS   float64      `json:"holds_s"`    // as the rule says
	AtWorstS float64      `json:"at_worst_s"` // as worked out, from then on
	SentS    float64      `json:"sent_s"`     // from the forcing until the last command that makes safe was out
	OffS     float64      `json:"off_s"`      // from the forcing until everything was read back to be off
	SafeS    float64      `json:"safe_s"`     // and until a heater was seen not to heat
	Evidence []string     `json:"evidence,omitempty"`
	Run      string       `json:"run,omitempty"` // its folder
}

// ProofVerdict is what a step came to.
type ProofVerdict string

// The verdicts.
const (
	Proved    ProofVerdict = "proved"
	NotProved ProofVerdict = "failed"
	Skipped   ProofVerdict = "skipped"
)

// Count is how many steps came to a verdict.
func (p *ProofTest) Count(v ProofVerdict) int {
	n := 0
	for _, s := range p.Steps {
		if s.Verdict == v {
			n++
		}
	}
	return n
}

// AppendProof adds a proof test to a file, and has it on the disk before it returns.
func AppendProof(path string, p *ProofTest) error {
	line, err := json.Marshal(p)
	if err != nil {
		return err
	}
	f, err := os.OpenFile(path, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o666)
	if err != nil {
		return err
	}
	_, err = f.Write(append(line, '\n'))
	if err == nil {
		err = f.Sync()
	}
	return errors.Join(err, f.Close())
}

// LastProofs are the last whole proof test in a file that somebody has signed, passed or not,
// and the last partial one if that is later; nil where there is none.
func LastProofs(path string) (whole, partial *ProofTest, err error) {
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil, nil
	}
	if err != nil {
		return nil, nil, err
	}
	lines := bufio.NewScanner(bytes.NewReader(text))
	lines.Buffer(nil, 1<<20)
	for n := 1; lines.Scan(); n++ {
		p := &ProofTest{}
		if err := json.Unmarshal(lines.Bytes(), p); err != nil {
			return nil, nil, fmt.Errorf("%s:%d: not a proof test: %w", path, n, err)
		}
		p.fill()
		switch {
		case p.SignedBy == "":
		case p.Partial:
			partial = p
		default:
			whole, partial = p, nil
		}
	}
	return whole, partial, lines.Err()
}

// fill puts into a proof test of old what was not written then: that what was skipped has
// been left out.
func (p *ProofTest) fill() {
	if p.LeftOut == nil {
		for _, s := range p.Steps {
			if s.Verdict == Skipped {
				p.LeftOut = append(p.LeftOut, s.Rule)
			}
		}
	}
	p.Partial = p.Partial || len(p.LeftOut) > 0
	p.Passed = p.Passed && !p.Partial
}

// Word is what a proof test came to.
func (p *ProofTest) Word() string {
	switch {
	case p.Passed:
		return "passed"
	case p.Partial && p.Count(NotProved) == 0 && p.Count(Proved) > 0:
		return "partial"
	}
	return "NOT passed"
}
