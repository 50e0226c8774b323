package logs

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"path/filepath"
	"slices"
)

// seal is seal.json.
type seal struct {
	Format   int       `json:"format"`
	Sealings []Sealing `json:"sealings"`
}

// Sealing is the state of every file at one moment. SHA256 is over the hash of the
// sealing before (in hexadecimal, nothing for the first) and this one as compact
// JSON with an empty sha256.
type Sealing struct {
	UTC     string   `json:"utc"`
	Dwell   string   `json:"dwell"`
	Note    string   `json:"note"`
	Files   []Digest `json:"files"`
	Derived []Digest `json:"derived"`
	LeftOut string   `json:"left_out,omitempty"` // of a copy: what it lacks
	CopyOf  string   `json:"copy_of,omitempty"`  // and the sha256 of the last sealing of the folder itself
	SHA256  string   `json:"sha256"`
}

const (
	sealFormat = 1
	sealNote   = "By itself this seal finds accidents, not forgers: whoever can edit a file can edit its hash."
)

// derivedNames can be computed from the other files again.
var derivedNames = []string{alignedName, alignedName + metadataSuffix, FiguresName, ReportName}

// WriteDerived puts a derived file in place of the one that is there. No other file of a
// run folder is written by this.
func (r *Run) WriteDerived(name string, content []byte) error {
	if !slices.Contains(derivedNames, name) {
		return fmt.Errorf("%s is no derived file of a run folder", name)
	}
	return replaceFile(r.fs, filepath.Join(r.dir, name), content)
}

func (s *Sealing) hash(before string) string {
	plain := *s
	plain.SHA256 = ""
	text, _ := json.Marshal(plain) // strings and numbers: it cannot fail
	sum := sha256.Sum256(append([]byte(before), text...))
	return hex.EncodeToString(sum[:])
}

// Seal adds a sealing to seal.json: size and SHA-256 of every file as it is now,
// the derived ones apart. It refuses a folder that is torn or whose chain or
// earlier seal is broken, for it would cover that up. The seal is not signed: it
// finds accidents, not forgers.
//
// Until then run.json of a run that has ended says that it is unsealed. The seal is over
// run.json without that word, which is taken out last: so a seal that is not there yet is
// told from one that has gone, wherever a crash comes in between.
func Seal(disk FS, dir, utc, dwell string) error {
	r, tails, err := Open(disk, dir)
	if err != nil {
		return err
	}
	if len(tails) > 0 {
		return &Damage{ErrTorn, tails[0].File, tails[0].Line, tails[0].Offset, tails[0].String()}
	}
	for f := range r.brokenBlocks() {
		return f.asError()
	}
	old, err := r.readSeal()
	if err != nil {
		return err
	}
	s := Sealing{UTC: utc, Dwell: dwell, Note: sealNote}
	if s.Files, s.Derived, err = r.digests(); err != nil {
		return err
	}
	identity, late, err := r.sealedIdentity()
	if errors.Is(err, fs.ErrNotExist) {
		err = nil
	}
	for i := range s.Files {
		if late && s.Files[i].Name == identityName {
			s.Files[i] = digests([]Input{{identityName, identity}})[0]
		}
	}
	if err == nil {
		err = r.addSealing(old, s)
	}
	if err == nil && late {
		err = replaceFile(disk, filepath.Join(dir, identityName), identity)
	}
	return err
}

// Unsealed tells whether a run has been recorded, or gone on, since its folder was sealed
// last. sealings is how many there were.
func (r *Run) Unsealed() (unsealed bool, sealings int, err error) {
	s, err := r.readSeal()
	if err != nil {
		return false, 0, err
	}
	beyond, err := r.goesBeyond(s)
	return len(s.Sealings) == 0 || beyond, len(s.Sealings), err
}

// goesBeyond tells whether the run was taken up again after the last sealing.
func (r *Run) goesBeyond(s seal) (bool, error) {
	text, err := r.File(identityName)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return false, err
	}
	var id Identity
	if json.Unmarshal(text, &id) != nil { // which changedInputs finds
		return false, nil
	}
	n := len(id.Segments)
	return n > 0 && id.Segments[n-1].Sealings >= len(s.Sealings), nil
}

// digests are size and SHA-256 of every file but the seal and what a bundle has besides, the
// derived ones apart.
func (r *Run) digests() (files, derived []Digest, err error) {
	files, derived = []Digest{}, []Digest{}
	names, err := r.fileNames()
	if err != nil {
		return nil, nil, err
	}
	for _, name := range names {
		d, err := r.digest(name, -1)
		switch {
		case err != nil:
			return nil, nil, err
		case slices.Contains(derivedNames, name):
			derived = append(derived, d)
		case name != sealName && name != signaturesName && name != CrateName:
			files = append(files, d)
		}
	}
	return files, derived, nil
}

// SealDerived adds a sealing to a sealed folder of which these derived files have been
// computed again. What it says of all other files is what the sealing before said of them:
// it looks at none, and covers nothing up.
func SealDerived(disk FS, dir, utc, dwell string, written ...string) error {
	r, _, err := Open(disk, dir)
	if err != nil {
		return err
	}
	old, err := r.readSeal()
	beyond, err2 := r.goesBeyond(old)
	if err := errors.Join(err, err2); err != nil || len(old.Sealings) == 0 || beyond {
		return err // there is no seal yet that would speak of the whole run
	}
	last := old.Sealings[len(old.Sealings)-1]
	s := Sealing{UTC: utc, Dwell: dwell, Note: sealNote, Files: last.Files, Derived: []Digest{}}
	for _, name := range derivedNames {
		if slices.Contains(written, name) {
			d, err := r.digest(name, -1)
			if err != nil {
				return err
			}
			s.Derived = append(s.Derived, d)
		} else if i := slices.IndexFunc(last.Derived, func(d Digest) bool { return d.Name == name }); i >= 0 {
			s.Derived = append(s.Derived, last.Derived[i])
		}
	}
	return r.addSealing(old, s)
}

// addSealing writes seal.json with one more sealing.
func (r *Run) addSealing(to seal, s Sealing) error {
	before := ""
	if n := len(to.Sealings); n > 0 {
		before = to.Sealings[n-1].SHA256
	}
	s.SHA256 = s.hash(before)
	to.Sealings = append(to.Sealings, s)
	text, err := encodeJSON(to)
	if err != nil {
		return err
	}
	return replaceFile(r.fs, filepath.Join(r.dir, sealName), text)
}

// readSeal reads seal.json and checks it against itself, to the byte. None is an
// empty one.
func (r *Run) readSeal() (seal, error) {
	s := seal{Format: sealFormat}
	text, err := r.File(sealName)
	if errors.Is(err, fs.ErrNotExist) {
		return s, nil
	}
	if err != nil {
		return s, err
	}
	corrupt := func(text string) error { return &Damage{ErrCorrupt, sealName, 0, 0, text} }
	if err := json.Unmarshal(text, &s); err != nil {
		return s, corrupt(err.Error())
	}
	if s.Format != sealFormat {
		return s, corrupt(fmt.Sprintf("format %d, this program reads %d", s.Format, sealFormat))
	}
	before := ""
	for i := range s.Sealings {
		if s.Sealings[i].hash(before) != s.Sealings[i].SHA256 {
			return s, corrupt(fmt.Sprintf("sealing %d has been changed", i+1))
		}
		before = s.Sealings[i].SHA256
	}
	if again, err := encodeJSON(s); err != nil || !bytes.Equal(again, text) || len(s.Sealings) == 0 {
		return s, corrupt("not as dwell wrote it")
	}
	return s, nil
}

// digest hashes the first n bytes of a file, all of it when n is negative. A file
// that is shorter gives what it has.
func (r *Run) digest(name string, n int64) (Digest, error) {
	f, err := r.fs.Open(filepath.Join(r.dir, filepath.FromSlash(name)))
	if err != nil {
		return Digest{}, err
	}
	defer f.Close()
	size, err := f.Size()
	if n >= 0 {
		size = min(n, size)
	}
	sum := sha256.New()
	if err == nil {
		_, err = io.Copy(sum, io.NewSectionReader(f, 0, size))
	}
	return Digest{name, size, hex.EncodeToString(sum.Sum(nil))}, err
}

// Kind is what sort of thing a Finding is.
type Kind string

// The kinds of findings.
const (
	Missing  Kind = "missing"  // a file is gone
	Extra    Kind = "extra"    // a file that was not sealed
	Changed  Kind = "changed"  // a file is not what was sealed, or what the run started from
	Broken   Kind = "broken"   // the chain or a record is
	Torn     Kind = "torn"     // records that were never acknowledged: a crash leaves them
	Outdated Kind = "outdated" // a derived file is not what was sealed: compute it again
)

// Finding is one thing that Verify found.
type Finding struct {
	Kind Kind
	File string
	Line int64 // 0 when the whole file is meant
	Text string
	Disk error // what the file system said, where it is to blame
}

// asError is why nothing can be built on a folder with this finding.
func (f Finding) asError() error {
	if f.Disk != nil {
		return f.Disk
	}
	return &Damage{ErrCorrupt, f.File, f.Line, 0, f.Text}
}

// findingOf is what an error while looking at a file means.
func findingOf(name string, err error) Finding {
	var place *Damage
	if errors.As(err, &place) {
		return Finding{Broken, place.File, place.Line, place.Text, nil}
	}
	if errors.Is(err, fs.ErrNotExist) {
		return Finding{Missing, name, 0, "the file is gone", err}
	}
	return Finding{Broken, name, 0, err.Error(), err}
}

func (f Finding) String() string {
	if f.Line > 0 {
		return fmt.Sprintf("%s:%d: %s: %s", f.File, f.Line, f.Kind, f.Text)
	}
	return fmt.Sprintf("%s: %s: %s", f.File, f.Kind, f.Text)
}

// Verify looks at everything: the chain over the growing files, each of their
// records, the inputs against run.json, that against the chain, guard.jsonl, the seal, and the signatures. A folder nobody touched has
// no findings, or Torn ones after a crash.
func (r *Run) Verify() iter.Seq[Finding] {
	return func(yield func(Finding) bool) {
		for _, t := range r.tails {
			if !yield(Finding{Torn, t.File, t.Line, t.String(), nil}) {
				return
			}
		}
		for _, findings := range []iter.Seq[Finding]{r.brokenBlocks(), r.brokenRecords(), r.changedInputs(), r.brokenGuard(), r.brokenCrate(), r.brokenSeal(), r.brokenSignatures()} {
			for f := range findings {
				if !yield(f) {
					return
				}
			}
		}
	}
}

// brokenBlocks recomputes the chain. Neighbouring blocks that do not match are one
// finding: after a lost line all that follows is out of place.
func (r *Run) brokenBlocks() iter.Seq[Finding] {
	return func(yield func(Finding) bool) {
		var files [streams]File
		var broken [streams]*Finding
		more := true
		flush := func(stream int, upTo int64) {
			if f := broken[stream]; f != nil && more {
				f.Text = fmt.Sprintf("lines %d to %d do not match the chain", f.Line, upTo)
				more = yield(*f)
			}
			broken[stream] = nil
		}
		for i, name := range streamNames {
			f, err := r.fs.Open(filepath.Join(r.dir, name))
			if err == nil {
				files[i] = f
				defer f.Close()
			} else if more {
				more = yield(findingOf(name, err))
			}
		}
		_, err := r.readChain(func(c *chain, _ int64, l link) error {
			last, f := c.last[l.stream], files[l.stream]
			if f == nil {
				return nil
			}
			sum, err := c.rehash(l, f)
			if err != nil && err != io.EOF {
				return fmt.Errorf("%s: %w", streamNames[l.stream], err)
			}
			if err == nil && sum == l.hash {
				flush(l.stream, last.lines)
			} else if broken[l.stream] == nil {
				broken[l.stream] = &Finding{Kind: Broken, File: streamNames[l.stream], Line: last.lines + 1}
			}
			if !more {
				return io.EOF // nobody listens
			}
			return nil
		})
		for i := range broken {
			flush(i, r.chain.last[i].lines)
		}
		if more && err != nil {
			yield(findingOf(chainName, err))
		}
	}
}

// brokenRecords looks for lines that cannot be read, ten a file at most.
func (r *Run) brokenRecords() iter.Seq[Finding] {
	return func(yield func(Finding) bool) {
		for stream := range streamNames {
			const most = 10
			found := 0
			check := func(line []byte) (struct{}, error) { return struct{}{}, checkLine(stream, 2, line) }
			for _, err := range records(r, stream, check) {
				if err == nil || errors.Is(err, fs.ErrNotExist) { // the chain has told
					continue
				}
				if !yield(findingOf(streamNames[stream], err)) {
					return
				}
				if found++; found == most {
					break
				}
			}
		}
	}
}

// changedInputs compares the input files with what run.json says the run had, and that with
// the chain.
func (r *Run) changedInputs() iter.Seq[Finding] {
	return func(yield func(Finding) bool) {
		id, err := r.Identity()
		if errors.Is(err, fs.ErrNotExist) {
			return // the seal knows whether there was one
		}
		if err != nil {
			yield(findingOf(identityName, err))
			return
		}
		for _, want := range id.Inputs {
			if f, ok := r.compare(want, -1); !ok && !yield(f) {
				return
			}
		}
		r.changedBirth(id)(yield)
	}
}

// compare tells whether a file is, up to n bytes, what a digest says.
func (r *Run) compare(want Digest, n int64) (Finding, bool) {
	got, err := r.digest(want.Name, n)
	switch {
	case err != nil:
		return findingOf(want.Name, err), false
	case got != want:
		return Finding{Changed, want.Name, 0, fmt.Sprintf("expected %d bytes with SHA-256 %.8s…, got %d with %.8s…", want.Bytes, want.SHA256, got.Bytes, got.SHA256), nil}, false
	}
	return Finding{}, true
}

// brokenSignatures checks signatures.json, where the seal can be read.
func (r *Run) brokenSignatures() iter.Seq[Finding] {
	return func(yield func(Finding) bool) {
		s, err := r.readSeal()
		if err != nil {
			if !errors.Is(err, ErrCorrupt) { // that has been found already
				yield(findingOf(sealName, err))
			}
			return
		}
		if _, err := r.readSignatures(s); err != nil {
			yield(findingOf(signaturesName, err))
		}
	}
}

// brokenSeal compares the folder with seal.json: exactly with the last sealing;
// with the ones before it, and with all of a run that has gone on since, files may have
// grown, run.json may be another.
func (r *Run) brokenSeal() iter.Seq[Finding] {
	return func(yield func(Finding) bool) {
		s, err := r.readSeal()
		if err != nil {
			yield(findingOf(sealName, err))
			return
		}
		if len(s.Sealings) == 0 {
			return
		}
		n := len(s.Sealings) - 1
		last, earlier := s.Sealings[n], s.Sealings[:n]
		open, err := r.goesBeyond(s)
		if err != nil {
			yield(findingOf(identityName, err))
			return
		}
		if open {
			last, earlier = Sealing{}, s.Sealings
		}
		for _, f := range r.sealedFiles(earlier, last) {
			if !yield(f) {
				return
			}
		}
		if open {
			return
		}
		names, err := r.fileNames()
		if err != nil {
			yield(findingOf(".", err))
			return
		}
		for _, name := range names {
			sealed := name == sealName || name == signaturesName || name == CrateName || slices.Contains(derivedNames, name) ||
				slices.ContainsFunc(last.Files, func(d Digest) bool { return d.Name == name })
			if !sealed && !yield(Finding{Extra, name, 0, "was not there when the folder was sealed", nil}) {
				return
			}
		}
	}
}

func (r *Run) sealedFiles(earlier []Sealing, last Sealing) (found []Finding) {
	for _, want := range last.Files {
		f, ok := r.compare(want, -1)
		if !ok && want.Name == identityName { // ended between the seal and its last word
			text, late, err := r.sealedIdentity()
			ok = err == nil && late && digests([]Input{{identityName, text}})[0] == want
		}
		if !ok {
			found = append(found, f)
		}
	}
	for _, want := range last.Derived {
		if f, ok := r.compare(want, -1); !ok {
			f.Kind = Outdated
			found = append(found, f)
		}
	}
	for i, s := range earlier {
		for _, want := range s.Files {
			if want.Name == identityName {
				continue // it says more with every part
			}
			if f, ok := r.compare(want, want.Bytes); !ok {
				f.Text = fmt.Sprintf("not as sealing %d of %s has it: %s", i+1, s.UTC, f.Text)
				found = append(found, f)
			}
		}
	}
	return found
}
