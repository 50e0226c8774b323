package logs

import (
	"bytes"
	"path/filepath"
	"strings"
	"testing"
)

// A folder that was never closed has no seal: what it was born with, and the guard's lines,
// are covered all the same, and what is not is named.
func TestEditsOfAFolderThatWasNeverClosed(t *testing.T) {
	id := Identity{Kind: "run", Protocol: "staircase", Specimen: "LC-07", Seed: 1, Operator: "M.K.", StartUTC: "2026-11-25T10:50:47Z",
		Instruments: []Instrument{{Name: "meter", Port: "COM3"}}}
	fresh := func() (*Memory, *Writer) {
		m := NewMemory()
		w, err := Create(m, "runs", "broken", []Input{{"protocol.yaml", []byte("format: 1\n")}}, id)
		if err != nil {
			t.Fatal(err)
		}
		guard, last := []byte(nil), ""
		for _, line := range []string{`{"event":"armed","text":"a"}`, `{"event":"taking over","text":"b"}`, `{"event":"safe","text":"c"}`} {
			linked, hash := Link(last, []byte(line))
			guard, last = append(guard, linked...), hash
		}
		put(t, m, filepath.Join(w.Dir(), guardName), append(guard, `{"event":"to`...)) // torn
		put(t, m, filepath.Join(w.Dir(), FiguresName), []byte("[]"))
		return m, w
	}
	found := func(m *Memory, w *Writer) (all []string) {
		r, _, err := Open(m, w.Dir())
		if err != nil {
			t.Fatal(err)
		}
		for f := range r.Verify() {
			all = append(all, f.File)
		}
		return all
	}
	m, w := fresh()
	if all := found(m, w); len(all) > 0 {
		t.Errorf("found in an untouched folder: %v", all)
	}
	r, _, _ := Open(m, w.Dir())
	if free, err := r.Unprotected(); err != nil || strings.Join(free, " ") != FiguresName {
		t.Errorf("not protected: %v, %v", free, err)
	}
	end := id
	yes := true
	end.Outcome, end.Safe, end.Instruments[0].Identity, end.Segments = "tripped", &yes, "DEMO,SM,1,2", []Segment{{FromNs: 5}}
	end.Replays = []Replay{{Instrument: "meter", Exchanges: 12}}
	if err := w.Identify(end); err != nil {
		t.Fatal(err)
	}
	if all := found(m, w); len(all) > 0 {
		t.Errorf("found when the run has ended: %v", all)
	}
	for _, c := range []struct{ file, from, to string }{
		{identityName, "M.K.", "M.L."}, {identityName, `"seed": 1`, `"seed": 2`}, {identityName, "COM3", "COM4"},
		{identityName, `"name": "protocol.yaml"`, `"name": "protokol.yaml"`},
		{"protocol.yaml", "1", "2"}, {readingsName + metadataSuffix, "t_s", "t_x"},
		{guardName, `"text":"a"`, `"text":"x"`}, {guardName, `"event":"safe"`, `"event":"alarm"`},
		{guardName, `{"event":"safe"`, "{\"event\":\"alarm\"}\n{\"event\":\"safe\""},
		{guardName, "\"text\":\"b\"", "\"text\":\"b"}, {guardName, `{"event":"taking over"`, ``}, {chainName, " born ", " born 0"},
	} {
		m, w := fresh()
		name := filepath.Join(w.Dir(), c.file)
		text, err := readFile(m, name, 1<<20)
		if err != nil || !bytes.Contains(text, []byte(c.from)) {
			t.Fatalf("%s has no %q: %v", c.file, c.from, err)
		}
		put(t, m, name, bytes.Replace(text, []byte(c.from), []byte(c.to), 1))
		if all := found(m, w); len(all) == 0 {
			t.Errorf("%s: %q in place of %q is not found", c.file, c.to, c.from)
		}
	}
	m, w = fresh() // the middle line of the guard's gone
	name := filepath.Join(w.Dir(), guardName)
	text, _ := readFile(m, name, 1<<20)
	lines := bytes.SplitAfter(text, []byte("\n"))
	put(t, m, name, bytes.Join(append(lines[:1:1], lines[2:]...), nil))
	if all := found(m, w); len(all) != 1 || all[0] != guardName {
		t.Errorf("a line of the guard's that is gone: %v", all)
	}
}

// A folder from before lines of the guard had hashes, that has been taken up since, is no
// edited one.
func TestGuardsLinesFromBeforeThereWereHashes(t *testing.T) {
	m, dir := finished(t, false)
	old := "{\"event\":\"armed\"}\n{\"event\":\"released\"}\n"
	one, hash := Link("", []byte(`{"event":"armed"}`))
	two, _ := Link(hash, []byte(`{"event":"released"}`))
	for text, want := range map[string]int{old: 0, old + string(one) + string(two): 0, old + string(two): 1, old + string(one) + old: 2, "{\n" + string(one): 0} {
		put(t, m, filepath.Join(dir, guardName), []byte(text))
		if found := verify(m, dir); len(found) != want {
			t.Errorf("found %v in\n%s", found, text)
		}
	}
}

// What an earlier sealing speaks of is protected in a folder that was taken up since and not
// closed.
func TestWhatAnEarlierSealProtects(t *testing.T) {
	m, dir := finished(t, false)
	put(t, m, filepath.Join(dir, "note.txt"), []byte("cold"))
	if err := Seal(m, dir, "2026-01-02T04:00:00Z", "1.0"); err != nil {
		t.Fatal(err)
	}
	w, err := Append(m, dir)
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Identify(Identity{Kind: "run", Segments: []Segment{{Sealings: 1}}}); err != nil {
		t.Fatal(err)
	}
	put(t, m, filepath.Join(dir, ReportName), []byte("<p>"))
	r, _, err := Open(m, dir)
	if err != nil {
		t.Fatal(err)
	}
	if free, err := r.Unprotected(); err != nil || strings.Join(free, " ") != "aligned.csv aligned.csv-metadata.json report.html" {
		t.Errorf("not protected: %v, %v", free, err)
	}
}

func put(t *testing.T, m *Memory, name string, content []byte) {
	t.Helper()
	if err := replaceFile(m, name, content); err != nil {
		t.Fatal(err)
	}
}
