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
	SignedBy string             `json:"signed_by"` // "" when nobody has
	Partial  bool               `json:"partial"`   // only some rules were asked for
	Passed   bool               `json:"passed"`    // no rule has failed
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

// LastProof is the last whole proof test in a file that somebody has signed, passed or
// not; nil when there is none.
func LastProof(path string) (*ProofTest, error) {
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var last *ProofTest
	lines := bufio.NewScanner(bytes.NewReader(text))
	lines.Buffer(nil, 1<<20)
	for n := 1; lines.Scan(); n++ {
		var p ProofTest
		if err := json.Unmarshal(lines.Bytes(), &p); err != nil {
			return nil, fmt.Errorf("%s:%d: not a proof test: %w", path, n, err)
		}
		if p.SignedBy != "" && !p.Partial {
			last = &p
		}
	}
	return last, lines.Err()
}
