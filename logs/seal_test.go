package logs

import (
	"bytes"
	"errors"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// finished is a short run with derived files, sealed or not.
func finished(t *testing.T, sealed bool) (*Memory, string) {
	t.Helper()
	m := NewMemory()
	var acknowledged Mark
	w, err := shortRun(m, &acknowledged)
	if err != nil {
		t.Fatal(err)
	}
	run, _, err := Open(m, w.Dir())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Align(run, 250_000_000, []Column{{"element.resistance", 1e9}}); err != nil {
		t.Fatal(err)
	}
	if sealed {
		if err := Seal(m, w.Dir(), "2026-01-02T04:00:00Z", "1.0"); err != nil {
			t.Fatal(err)
		}
	}
	return m, w.Dir()
}

func verify(m *Memory, dir string) (found []Finding) {
	run, _, _ := Open(m, dir)
	return slices.Collect(run.Verify())
}

func TestUntouchedFolderHasNoFindings(t *testing.T) {
	for _, sealed := range []bool{false, true} {
		m, dir := finished(t, sealed)
		if found := verify(m, dir); len(found) > 0 {
			t.Errorf("sealed %v: %v", sealed, found)
		}
	}
	root := t.TempDir()
	w := writeExample(t, Disk{}, root)
	if err := errors.Join(w.Identify(Identity{Kind: "run"}), w.Close(), Seal(Disk{}, w.Dir(), "", "")); err != nil {
		t.Fatal(err)
	}
	run, _, err := Open(Disk{}, w.Dir())
	if err != nil {
		t.Fatal(err)
	}
	for f := range run.Verify() {
		t.Error(f)
	}
}

// TestEveryByteUnderTheChain changes each byte of the growing files, without a seal.
func TestEveryByteUnderTheChain(t *testing.T) {
	if testing.Short() {
		t.Skip("long, and all of it on one thread")
	}
	m, dir := finished(t, false)
	edits := 0
	for _, name := range append(streamNames[:], chainName) {
		data := m.find(filepath.Join(dir, name)).data
		for i, was := range data {
			data[i] ^= 1 << (i % 8)
			edits++
			found := verify(m, dir)
			line := int64(1 + bytes.Count(data[:i], []byte("\n")))
			if len(found) == 0 || name != chainName && !slices.ContainsFunc(found, func(f Finding) bool { return f.File == name && f.Line <= line }) {
				t.Errorf("%s:%d: byte %d changed from %q to %q, found %v", name, line, i, was, data[i], found)
			}
			data[i] = was
		}
	}
	if found := verify(m, dir); len(found) > 0 {
		t.Errorf("all put right again: %v", found)
	}
	t.Logf("%d of %d single-byte edits under the chain found", edits, edits)
}

// TestEveryByteOfTheSeal: the seal guards itself.
func TestEveryByteOfTheSeal(t *testing.T) {
	m, dir := finished(t, true)
	data := m.find(filepath.Join(dir, sealName)).data
	for i, was := range data {
		data[i] ^= 1 << (i % 7)
		if found := verify(m, dir); len(found) == 0 {
			t.Errorf("byte %d changed from %q to %q, nothing found", i, was, data[i])
		}
		data[i] = was
	}
	t.Logf("%d of %d single-byte edits of the seal found", len(data), len(data))
}

// TestLinesUnderTheChain drops, doubles and swaps each line, and adds one, without
// a seal; the finding must begin at or before the place.
func TestLinesUnderTheChain(t *testing.T) {
	m, dir := finished(t, false)
	edits := 0
	for _, name := range append(streamNames[:], chainName) {
		n := m.find(filepath.Join(dir, name))
		whole := n.data
		lines := bytes.SplitAfter(whole, []byte("\n"))
		lines = lines[:len(lines)-1]
		for i := range lines {
			dropped := slices.Concat(lines[:i], lines[i+1:])
			doubled := slices.Concat(lines[:i+1], lines[i:])
			swapped := slices.Clone(lines)
			j := (i + 1) % len(lines)
			swapped[i], swapped[j] = swapped[j], swapped[i]
			for what, edited := range map[string][][]byte{"dropped": dropped, "doubled": doubled, "swapped": swapped} {
				n.data = bytes.Join(edited, nil)
				edits++
				found := verify(m, dir)
				if len(found) == 0 || name != chainName && !slices.ContainsFunc(found, func(f Finding) bool { return f.File == name && f.Line <= int64(i+2) }) {
					t.Errorf("%s: line %d %s, found %v", name, i+1, what, found)
				}
			}
		}
		n.data = whole
	}
	t.Logf("%d of %d dropped, doubled and swapped lines found", edits, edits)
}

// TestPlaceOfAnEdit: one digit is found in its block, and no more is blamed.
func TestPlaceOfAnEdit(t *testing.T) {
	m, dir := finished(t, false)
	data := m.find(filepath.Join(dir, readingsName)).data
	i := bytes.Index(data, []byte("9871.25,")) // row 0, in the second block (the first is the header)
	data[i] = '7'
	want := []Finding{{Broken, readingsName, 2, "lines 2 to 2 do not match the chain", nil}}
	if found := verify(m, dir); !slices.Equal(found, want) {
		t.Errorf("expected %v, got %v", want, found)
	}
	j := bytes.LastIndex(data, []byte("Ohm"))
	data[j] = '\n'
	found := verify(m, dir)
	places := map[int64]int{}
	for _, f := range found {
		places[f.Line]++
	}
	if places[2] == 0 || places[9] == 0 || places[15] == 0 || !strings.HasPrefix(found[0].String(), "readings.csv:2: broken: ") {
		t.Errorf("expected blocks at lines 2 and 9 and a broken line 15: %v", found)
	}
}

// TestFindingsAreBounded: a file of rubbish does not make a list as long as itself.
func TestFindingsAreBounded(t *testing.T) {
	m, dir := finished(t, false)
	n := m.find(filepath.Join(dir, readingsName))
	n.data = bytes.Repeat([]byte("x\n"), len(n.data)/2)
	if found := verify(m, dir); len(found) < 11 || len(found) > 12 {
		t.Errorf("%d findings: %v", len(found), found)
	}
}

// edit changes a file at a random place in one of several ways.
func edit(rng *rand.Rand, data []byte) ([]byte, string) {
	i := rng.IntN(len(data))
	lines := bytes.SplitAfter(data, []byte("\n"))
	a, b := rng.IntN(len(lines)), rng.IntN(len(lines))
	switch kind := rng.IntN(6); kind {
	case 0:
		return slices.Concat(data[:i], []byte{byte(rng.IntN(256))}, data[i:]), "byte inserted"
	case 1:
		return slices.Concat(data[:i], data[i+1:]), "byte removed"
	case 2:
		return data[:i], "cut"
	case 3:
		lines[a], lines[b] = lines[b], lines[a]
		return bytes.Join(lines, nil), "lines swapped"
	case 4:
		return slices.Concat(data, lines[a]), "line appended"
	}
	changed := bytes.Clone(data)
	changed[i] ^= byte(1 + rng.IntN(255))
	return changed, "byte changed"
}

func TestRandomEditsOfASealedFolder(t *testing.T) {
	m, dir := finished(t, true)
	run, _, _ := Open(m, dir)
	names, err := run.fileNames()
	if err != nil || len(names) != 11 {
		t.Fatal(names, err)
	}
	rng := rand.New(rand.NewPCG(1, 2))
	edits, kinds := 0, map[Kind]int{}
	for edits < 500 {
		name := names[rng.IntN(len(names))]
		n := m.find(filepath.Join(dir, name))
		whole := n.data
		changed, how := edit(rng, whole)
		if bytes.Equal(changed, whole) {
			continue
		}
		edits++
		n.data = changed
		found := verify(m, dir)
		if !slices.ContainsFunc(found, func(f Finding) bool { return f.File == name }) {
			t.Errorf("%s: %s, found %v", name, how, found)
		}
		for _, f := range found {
			kinds[f.Kind]++
		}
		n.data = whole
	}
	if found := verify(m, dir); len(found) > 0 || kinds[Changed] == 0 || kinds[Broken] == 0 || kinds[Outdated] == 0 || kinds[Torn] == 0 {
		t.Errorf("put right again: %v; kinds seen: %v", found, kinds)
	}
	t.Logf("%d of %d random edits of a sealed folder found, 0 false alarms", edits, edits)
}

func TestFilesGoneAndCome(t *testing.T) {
	m, dir := finished(t, true)
	run, _, _ := Open(m, dir)
	names, _ := run.fileNames()
	for _, name := range names {
		folder := m.find(filepath.Dir(filepath.Join(dir, name)))
		base := filepath.Base(name)
		n := folder.names[base]
		delete(folder.names, base)
		want := Missing
		switch {
		case slices.Contains(derivedNames, name):
			want = Outdated
		case name == chainName:
			want = Broken
		}
		if found := verify(m, dir); name != sealName && !slices.ContainsFunc(found, func(f Finding) bool { return f.File == name && f.Kind == want }) {
			t.Errorf("%s is gone, found %v", name, found)
		}
		folder.names[base] = n
	}
	for _, extra := range []string{"note.txt", "profiles/more.yaml", "readings.csv.torn-1"} {
		f, err := m.Create(filepath.Join(dir, extra))
		if err != nil {
			t.Fatal(err)
		}
		f.Close()
		if found := verify(m, dir); len(found) != 1 || found[0].Kind != Extra || found[0].File != extra {
			t.Errorf("%s has come, found %v", extra, found)
		}
		m.Remove(filepath.Join(dir, extra))
	}
	if f, err := m.Create(filepath.Join(dir, "report.html")); err != nil || f.Close() != nil {
		t.Fatal(err)
	}
	if found := verify(m, dir); len(found) > 0 {
		t.Errorf("a report made later is no accident: %v", found)
	}
}

// TestInputsWithoutASeal: run.json alone tells a changed input.
func TestInputsWithoutASeal(t *testing.T) {
	m, dir := finished(t, false)
	m.find(filepath.Join(dir, "protocol.yaml")).data[0] ^= 1
	if found := verify(m, dir); len(found) != 1 || found[0].Kind != Changed || found[0].File != "protocol.yaml" {
		t.Errorf("found %v", found)
	}
	m.find(filepath.Join(dir, identityName)).data = []byte("{")
	if found := verify(m, dir); len(found) != 1 || found[0].Kind != Broken || found[0].File != identityName {
		t.Errorf("found %v", found)
	}
}

// resealed goes on with a sealed run and seals it again.
func resealed(t *testing.T, m *Memory, dir string) error {
	t.Helper()
	w, err := Append(m, dir)
	if err != nil {
		return err
	}
	var acknowledged Mark
	if err := goOn(w, 14, &acknowledged); err != nil {
		t.Fatal(err)
	}
	return Seal(m, dir, "2026-01-03T04:00:00Z", "1.1")
}

func TestSealAgain(t *testing.T) {
	m, dir := finished(t, true)
	if err := resealed(t, m, dir); err != nil {
		t.Fatal(err)
	}
	if found := verify(m, dir); len(found) > 0 {
		t.Errorf("grown and sealed again: %v", found)
	}
	run, _, _ := Open(m, dir)
	s, err := run.readSeal()
	if err != nil || len(s.Sealings) != 2 || s.Sealings[0].Dwell != "1.0" || s.Sealings[1].UTC != "2026-01-03T04:00:00Z" {
		t.Fatal(s, err)
	}
	derived := s.Sealings[1].Derived
	if len(derived) != 2 || derived[0].Name != alignedName || len(s.Sealings[1].Files) != 8 || !strings.Contains(s.Sealings[1].Note, "not forgers") {
		t.Errorf("sealing: %+v", s.Sealings[1])
	}
	f, _ := m.Append(filepath.Join(dir, eventsName))
	f.Write([]byte("{"))
	if err := Seal(m, dir, "", ""); !errors.Is(err, ErrTorn) {
		t.Errorf("a torn folder is sealed: %v", err)
	}
}

// TestSealDerived: what is derived again, by whatever version, is sealed beside the rest,
// and no edit of the rest is covered up by that.
func TestSealDerived(t *testing.T) {
	m, dir := finished(t, true)
	run, _, err := Open(m, dir)
	if err != nil {
		t.Fatal(err)
	}
	if err := run.WriteDerived(alignedName, []byte("t_s\r\n")); err != nil {
		t.Fatal(err)
	}
	if found := verify(m, dir); len(found) == 0 {
		t.Error("a derived file that was written anew is not found")
	}
	if err := SealDerived(m, dir, "2026-02-03T04:00:00Z", "1.2", alignedName); err != nil {
		t.Fatal(err)
	}
	if found := verify(m, dir); len(found) > 0 {
		t.Errorf("sealed again: %v", found)
	}
	m.find(filepath.Join(dir, "profiles", "plate.yaml")).data[0] ^= 1
	if err := SealDerived(m, dir, "2026-02-03T05:00:00Z", "1.2", alignedName); err != nil {
		t.Fatal(err)
	}
	if found := verify(m, dir); len(found) == 0 {
		t.Error("an edit of a profile is covered up")
	}
}

// TestSealDerivedOnlyWhatWasWritten: an edit of one derived file is still found when
// another has been derived again.
func TestSealDerivedOnlyWhatWasWritten(t *testing.T) {
	m, dir := finished(t, true)
	run, _, err := Open(m, dir)
	if err != nil {
		t.Fatal(err)
	}
	m.find(filepath.Join(dir, alignedName)).data[0] ^= 1
	if err := run.WriteDerived(FiguresName, []byte("[]\n")); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if err := SealDerived(m, dir, "2026-02-03T04:00:00Z", "1.2", FiguresName); err != nil {
			t.Fatal(err)
		}
		if found := verify(m, dir); len(found) != 1 || found[0].Kind != Outdated || found[0].File != alignedName {
			t.Errorf("expected the edited %s, found %v", alignedName, found)
		}
	}
}

// TestSealCoversNothingUp: what was changed since one sealing is still found after
// the next, or there is none.
func TestSealCoversNothingUp(t *testing.T) {
	m, dir := finished(t, true)
	m.find(filepath.Join(dir, "profiles", "plate.yaml")).data[0] ^= 1
	if err := resealed(t, m, dir); err != nil {
		t.Fatal(err)
	}
	if found := verify(m, dir); !slices.ContainsFunc(found, func(f Finding) bool { return strings.Contains(f.Text, "sealing 1") && f.File == "profiles/plate.yaml" }) {
		t.Errorf("a changed input is sealed over: %v", found)
	}
	for _, name := range []string{readingsName, chainName, sealName} {
		m, dir := finished(t, true)
		data := m.find(filepath.Join(dir, name)).data
		data[bytes.IndexByte(data, '3')] = '8'
		if err := Seal(m, dir, "", ""); !errors.Is(err, ErrCorrupt) {
			t.Errorf("%s is changed and sealed over: %v", name, err)
		}
	}
}

// TestVerifyCanBeLeft: a consumer that breaks off is left in peace, at each finding.
func TestVerifyCanBeLeft(t *testing.T) {
	m, dir := finished(t, true)
	for _, name := range append(streamNames[:], "protocol.yaml", "profiles/plate.yaml", sealName) {
		data := m.find(filepath.Join(dir, name)).data
		data[len(data)/2] = 0
	}
	f, _ := m.Append(filepath.Join(dir, readingsName))
	f.Write([]byte("torn"))
	m.Create(filepath.Join(dir, "extra"))
	all := verify(m, dir)
	if len(all) < 10 {
		t.Fatalf("expected many findings, got %v", all)
	}
	run, _, _ := Open(m, dir)
	for n := range all {
		i := 0
		for range run.Verify() {
			if i++; i > n {
				break
			}
		}
	}
}

// A run that ended and could not be sealed says so itself; a seal that has gone is found.
// That holds wherever sealing is broken off, and for a run that is taken up again.
func TestUnsealedIsNoLoss(t *testing.T) {
	m, dir := finished(t, false)
	identify := func(change func(*Identity)) {
		t.Helper()
		run, _, err := Open(m, dir)
		if err != nil {
			t.Fatal(err)
		}
		id, err := run.Identity()
		if err != nil {
			t.Fatal(err)
		}
		change(&id)
		w, err := Append(m, dir)
		if err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(w.Identify(id), w.Close()); err != nil {
			t.Fatal(err)
		}
	}
	expect := func(when string, unsealed bool, sealings int) {
		t.Helper()
		run, _, err := Open(m, dir)
		if err != nil {
			t.Fatal(err)
		}
		u, n, err := run.Unsealed()
		if found := slices.Collect(run.Verify()); err != nil || u != unsealed || n != sealings || len(found) > 0 {
			t.Errorf("%s: unsealed %v after %d sealings, %v; findings %v", when, u, n, err, found)
		}
	}
	identity := func() string { text, _ := readFile(m, filepath.Join(dir, identityName), 1<<20); return string(text) }

	identify(func(id *Identity) { id.Outcome, id.Unsealed = "stopped", true })
	expect("closed", true, 0)
	before := identity()
	if err := Seal(m, dir, "2026-01-02T04:00:00Z", "1.0"); err != nil {
		t.Fatal(err)
	}
	expect("sealed", false, 1)
	if strings.Contains(identity(), "unsealed") {
		t.Errorf("run.json of a sealed folder:\n%s", identity())
	}
	after := identity()
	if err := replaceFile(m, filepath.Join(dir, identityName), []byte(before)); err != nil { // the crash came between the two
		t.Fatal(err)
	}
	expect("sealed, and run.json as it was", false, 1)
	other := strings.Replace(before, `"stopped"`, `"stopQed"`, 1)
	if err := replaceFile(m, filepath.Join(dir, identityName), []byte(other)); err != nil {
		t.Fatal(err)
	}
	if found := verify(m, dir); len(found) != 1 || found[0].File != identityName {
		t.Errorf("an edited run.json of a folder whose sealing was broken off: %v", found)
	}
	if err := replaceFile(m, filepath.Join(dir, identityName), []byte(after)); err != nil {
		t.Fatal(err)
	}

	identify(func(id *Identity) { id.Outcome, id.Segments = "", []Segment{{Sealings: 1}} })
	w, err := Append(m, dir)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(w.Event([]byte(`{"event":"segment"}`)), w.Close()); err != nil {
		t.Fatal(err)
	}
	expect("taken up again", true, 1)
	if err := SealDerived(m, dir, "2026-01-02T05:00:00Z", "1.0"); err != nil {
		t.Fatal(err)
	}
	expect("taken up again, and derived files sealed", true, 1)
	identify(func(id *Identity) { id.Outcome, id.Unsealed = "completed", true })
	expect("closed again", true, 1)
	if err := Seal(m, dir, "2026-01-02T06:00:00Z", "1.0"); err != nil {
		t.Fatal(err)
	}
	expect("sealed again", false, 2)
}
