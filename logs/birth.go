package logs

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io/fs"
	"iter"
	"path/filepath"
	"slices"
)

// A folder is born with more than grows: inputs, run.json, what describes readings.csv. The
// first line of the chain has a hash over that, so that it is covered too where no seal is.

// bornMark stands in the first line of the chain between the name and the hash.
const bornMark = " born "

// firstLine is the first line of the chain of a new folder.
func firstLine(dir string, id Identity) ([]byte, error) {
	sum, err := birth(id, readingsMetadata())
	return []byte(chainStart + filepath.Base(dir) + bornMark + sum + "\n"), err
}

// birth is that hash: SHA-256 over run.json as it was at first, with the digests of the
// inputs, and what describes readings.csv. What is known later only is left out.
func birth(id Identity, metadata []byte) (string, error) {
	id.StopUTC, id.Outcome, id.Reason, id.Safe, id.Exit, id.Readings, id.Unsealed, id.Segments = "", "", "", nil, nil, 0, false, nil
	id.Replays = nil // how far they came; what is replayed stands in the rig file
	id.Instruments = slices.Clone(id.Instruments)
	for i := range id.Instruments {
		id.Instruments[i].Identity = "" // nobody has answered yet
	}
	text, err := encodeJSON(id)
	sum := sha256.Sum256(append(text, metadata...))
	return hex.EncodeToString(sum[:]), err
}

// born is the hash in the first line of the chain, "" for a folder from before there was one.
func born(first []byte) string {
	_, sum, _ := bytes.Cut(bytes.TrimSuffix(first, []byte("\n")), []byte(bornMark))
	if len(sum) < 2*sha256.Size {
		return ""
	}
	return string(sum[len(sum)-2*sha256.Size:])
}

// rebirth is the first line for a folder whose run.json has been changed on purpose.
func (r *Run) rebirth(first []byte) ([]byte, error) {
	then := born(first)
	if then == "" {
		return first, nil
	}
	id, err := r.Identity()
	if err != nil {
		return nil, err
	}
	metadata, err := r.File(readingsName + metadataSuffix)
	if err != nil {
		return nil, err
	}
	now, err := birth(id, metadata)
	return bytes.Replace(first, []byte(then), []byte(now), 1), err
}

// changedBirth compares what run.json says, and what describes readings.csv, with the chain's
// first line.
func (r *Run) changedBirth(id Identity) iter.Seq[Finding] {
	return func(yield func(Finding) bool) {
		const metadataName = readingsName + metadataSuffix
		text, err := r.File(chainName)
		if err != nil {
			if !errors.Is(err, fs.ErrNotExist) { // of one that is gone, others tell
				yield(findingOf(chainName, err))
			}
			return
		}
		first, _, _ := bytes.Cut(text, []byte("\n"))
		want := born(first)
		if want == "" {
			return
		}
		metadata, err := r.File(metadataName)
		if err != nil {
			yield(findingOf(metadataName, err))
			return
		}
		now, err := birth(id, metadata)
		if err != nil {
			yield(findingOf(identityName, err))
			return
		}
		if now == want {
			return
		}
		if sum, _ := birth(id, readingsMetadata()); sum == want {
			yield(Finding{Changed, metadataName, 0, "not as the run was begun with it", nil})
			return
		}
		yield(Finding{Changed, identityName, 0, "what stands there of the run's beginning is not what the chain's first line was made from", nil})
	}
}

// Unprotected lists files of a folder that nothing speaks of, for it has not been sealed
// since they were written.
func (r *Run) Unprotected() (names []string, err error) {
	s, err := r.readSeal()
	if err != nil {
		return nil, err
	}
	open, err := r.goesBeyond(s)
	if err != nil || len(s.Sealings) > 0 && !open {
		return nil, err
	}
	covered := append([]string{chainName, sealName, signaturesName, CrateName}, streamNames[:]...)
	if text, err := r.File(chainName); err == nil {
		if first, _, _ := bytes.Cut(text, []byte("\n")); born(first) != "" {
			covered = append(covered, identityName, readingsName+metadataSuffix)
		}
	}
	if id, err := r.Identity(); err == nil {
		for _, in := range id.Inputs {
			covered = append(covered, in.Name)
		}
	}
	for _, one := range s.Sealings {
		for _, d := range one.Files {
			covered = append(covered, d.Name)
		}
	}
	if linked, err := r.guardIsLinked(); err == nil && linked {
		covered = append(covered, guardName)
	}
	all, err := r.fileNames()
	return slices.DeleteFunc(all, func(name string) bool { return slices.Contains(covered, name) }), err
}
