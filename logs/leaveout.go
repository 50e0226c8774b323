package logs

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
)

// numbersOnly are the files that nothing is left out of: they hold readings and what was
// to be done, and no names of instruments but those of the rig file.
var numbersOnly = []string{readingsName, alignedName, "plan.json", chainName, sealName}

// LeaveOut puts an x for every letter of some words, wherever they stand alone, into a
// copy of a sealed run folder, and seals the copy: the hashes of inputs, the chain and the
// seal are made anew, and the seal says what was left out, and of which seal this is a
// copy. It never belongs on the folder itself. Whether the copy holds is for the caller to
// verify, as it is whether the folder did.
func LeaveOut(disk FS, dir, what string, words []string, dwell string) error {
	r, tails, err := Open(disk, dir)
	if err != nil {
		return err
	}
	old, err := r.readSeal()
	if err != nil {
		return err
	}
	if len(tails) > 0 || len(old.Sealings) == 0 {
		return errors.New("the run was never closed and sealed: nothing can be left out of it")
	}
	if err := disk.Remove(filepath.Join(dir, signaturesName)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err // they are of the folder's seal, and not of the copy's
	}
	names, err := r.fileNames()
	if err != nil {
		return err
	}
	hashes := map[string]string{} // of then, to those of the copy
	for _, name := range names {
		if slices.Contains(numbersOnly, name) {
			continue
		}
		if err := r.leaveOut(name, words, hashes); err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
	}
	if err := r.rehashInputs(hashes); err != nil {
		return err
	}
	if err := r.rechain(); err != nil {
		return err
	}
	last := old.Sealings[len(old.Sealings)-1]
	if err := replaceFile(disk, filepath.Join(dir, sealName), nil); err != nil {
		return err
	}
	s := Sealing{UTC: last.UTC, Dwell: dwell, Note: sealNote, LeftOut: what, CopyOf: last.SHA256}
	if s.Files, s.Derived, err = r.digests(); err != nil {
		return err
	}
	return r.addSealing(seal{Format: sealFormat}, s)
}

// leaveOut does so in one file.
func (r *Run) leaveOut(name string, words []string, hashes map[string]string) error {
	text, err := r.File(name)
	if err != nil {
		return err
	}
	then, err := r.digest(name, -1)
	if err != nil {
		return err
	}
	changed := bytes.Clone(text)
	for _, w := range words {
		blank(changed, []byte(w))
	}
	if bytes.Equal(changed, text) {
		return nil
	}
	if err := replaceFile(r.fs, filepath.Join(r.dir, filepath.FromSlash(name)), changed); err != nil {
		return err
	}
	now, err := r.digest(name, -1)
	hashes[then.SHA256] = now.SHA256
	return err
}

// blank overwrites a word where it stands alone. Nothing moves by that.
func blank(text, word []byte) {
	for at := 0; len(word) > 0; {
		i := bytes.Index(text[at:], word)
		if i < 0 {
			return
		}
		from, to := at+i, at+i+len(word)
		if at = to; !goesOn(text, from-1, -1) && !goesOn(text, to, 1) {
			copy(text[from:to], strings.Repeat("x", len(word)))
		}
	}
}

// goesOn is whether a word or a number goes on at a place, in a direction: with a letter or
// a digit, or with a point and a digit.
func goesOn(text []byte, at, direction int) bool {
	if at < 0 || at >= len(text) {
		return false
	}
	b := text[at]
	digit := b >= '0' && b <= '9'
	if next := at + direction; b == '.' && next >= 0 && next < len(text) {
		return text[next] >= '0' && text[next] <= '9'
	}
	return digit || b >= 'a' && b <= 'z' || b >= 'A' && b <= 'Z' || b >= 0x80
}

// rehashInputs puts the hashes of changed inputs into run.json.
func (r *Run) rehashInputs(hashes map[string]string) error {
	text, err := r.File(identityName)
	if err != nil {
		return err
	}
	for then, now := range hashes {
		text = bytes.ReplaceAll(text, []byte(then), []byte(now))
	}
	return replaceFile(r.fs, filepath.Join(r.dir, identityName), text)
}

// rechain makes the hashes of the chain anew, block by block.
func (r *Run) rechain() error {
	text, err := r.File(chainName)
	if err != nil {
		return err
	}
	first, _, _ := bytes.Cut(text, []byte("\n"))
	if first, err = r.rebirth(first); err != nil {
		return err
	}
	out := append(bytes.Clone(first), '\n')
	again := newChain(out)
	var files [streams]File
	for i, name := range streamNames {
		if files[i], err = r.fs.Open(filepath.Join(r.dir, name)); err != nil {
			return err
		}
		defer files[i].Close()
	}
	if _, err = r.readChain(func(_ *chain, _ int64, l link) error {
		sum, err := again.rehash(l, files[l.stream])
		l.hash = sum
		again.move(l)
		out = appendLink(out, l)
		return err
	}); err != nil {
		return err
	}
	return replaceFile(r.fs, filepath.Join(r.dir, chainName), out)
}

// LeftOut is what the last sealing says was left out of this copy of a run folder, and
// the hash of the seal of that; "" for the folder itself.
func (r *Run) LeftOut() (what, copyOf string) {
	s, err := r.readSeal()
	if err != nil || len(s.Sealings) == 0 {
		return "", ""
	}
	for _, one := range s.Sealings {
		if one.LeftOut != "" {
			what, copyOf = one.LeftOut, one.CopyOf
		}
	}
	return what, copyOf
}
