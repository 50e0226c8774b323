package logs

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"io/fs"
	"iter"
)

// guardName is what the guard process of a run writes, line by line. Each line has the hash
// of itself and of the line before, for the chain of the run is not its own to write.
const guardName = "guard.jsonl"

// linkMark stands before the hash, which is the last member of a line.
const linkMark = `,"chain":"`

// Link puts the hash into a line that is one JSON object: SHA-256 over the hash of the line
// before (in hexadecimal, nothing for the first) and the line without it. It returns the
// line and the hash.
func Link(before string, line []byte) (linked []byte, hash string) {
	plain := bytes.TrimRight(line, "\n")
	sum := sha256.Sum256(append([]byte(before), plain...))
	hash = hex.EncodeToString(sum[:])
	open, ok := bytes.CutSuffix(plain, []byte("}"))
	if !ok || len(open) < 2 {
		return line, before // it is no object with members
	}
	return append(append(bytes.Clone(open), linkMark+hash+"\"}"...), '\n'), hash
}

// unlink takes a line apart again: without its hash, and that, "" for none.
func unlink(line []byte) (plain []byte, hash string) {
	const length = len(linkMark) + 2*sha256.Size + len(`"}`)
	if at := len(line) - length; at > 0 && bytes.HasPrefix(line[at:], []byte(linkMark)) && json.Valid(line) {
		return append(bytes.Clone(line[:at]), '}'), string(line[at+len(linkMark) : len(line)-len(`"}`)])
	}
	return line, ""
}

// LastLink is the hash of the last linked line of such a text.
func LastLink(text []byte) (last string) {
	for line := range bytes.SplitSeq(text, []byte("\n")) {
		if _, hash := unlink(line); hash != "" {
			last = hash
		}
	}
	return last
}

func (r *Run) guardIsLinked() (bool, error) {
	text, err := r.File(guardName)
	return err == nil && LastLink(text) != "", err
}

// brokenGuard follows the hashes of guard.jsonl. Lines before the first that has one are
// from before there were any; a line that is torn is no finding, as it was being written.
func (r *Run) brokenGuard() iter.Seq[Finding] {
	return func(yield func(Finding) bool) {
		text, err := r.File(guardName)
		if err != nil {
			if !errors.Is(err, fs.ErrNotExist) {
				yield(findingOf(guardName, err))
			}
			return
		}
		before, number := "", int64(0)
		for line := range bytes.SplitSeq(text, []byte("\n")) {
			number++
			plain, hash := unlink(line)
			switch {
			case hash == "" && (before == "" || !json.Valid(line)): // of old, torn, or empty; what follows shows an edit
			case hash == "":
				if !yield(Finding{Broken, guardName, number, "the line has no hash, as the others have", nil}) {
					return
				}
			default:
				if _, want := Link(before, plain); want != hash && !yield(Finding{Broken, guardName, number, "the line, or one before it, is not as it was written", nil}) {
					return
				}
				before = hash
			}
		}
	}
}
