package logs

import (
	"errors"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

func TestFoldersAreNeverOverwritten(t *testing.T) {
	for name, disk := range map[string]FS{"memory": NewMemory(), "disk": Disk{}} {
		root := filepath.Join("deep", "down", "runs")
		if name == "disk" {
			root = filepath.Join(t.TempDir(), root)
		}
		for n, want := range []string{"example", "example-2", "example-3"} {
			w, err := Create(disk, root, "example", []Input{{"protocol.yaml", []byte{byte('0' + n)}}}, Identity{Kind: "run"})
			if err != nil || w.Dir() != filepath.Join(root, want) {
				t.Fatalf("%s: expected %s, got %v, %v", name, want, w, err)
			}
			if err := w.Close(); err != nil {
				t.Fatal(err)
			}
		}
		for n, folder := range []string{"example", "example-2", "example-3"} {
			if got := content(t, disk, filepath.Join(root, folder, "protocol.yaml")); got != string(rune('0'+n)) {
				t.Errorf("%s: %s holds run %s", name, folder, got)
			}
		}
		entries, err := disk.List(root)
		if err != nil || len(entries) != 3 {
			t.Errorf("%s: expected three folders and nothing beside them, got %v, %v", name, entries, err)
		}
	}
	root := t.TempDir()
	if err := (Disk{}).Mkdir(filepath.Join(root, "example")); err != nil { // empty: a rename alone would replace it
		t.Fatal(err)
	}
	if w, err := Create(Disk{}, root, "example", nil, Identity{Kind: "run"}); err != nil || w.Dir() != filepath.Join(root, "example-2") || w.Close() != nil {
		t.Errorf("got %v, %v", w, err)
	}
	m := NewMemory()
	m.Mkdir("runs")
	m.Mkdir("runs/.example.tmp") // left by a crash
	if w, err := Create(m, "runs", "example", nil, Identity{Kind: "run"}); err != nil || w.Dir() != filepath.Join("runs", "example-2") {
		t.Errorf("got %v, %v", w, err)
	}
}

// TestNameTakenMeanwhile: somebody makes the folder between the look and the rename.
func TestNameTakenMeanwhile(t *testing.T) {
	m := NewMemory()
	m.Mkdir("runs")
	m.Before = func(c Call) error {
		if c.Op == "rename" {
			m.Before = nil
			return m.Mkdir("runs/example")
		}
		return nil
	}
	w, err := Create(m, "runs", "example", nil, Identity{Kind: "run"})
	if err != nil || w.Dir() != filepath.Join("runs", "example-2") {
		t.Errorf("got %v, %v", w, err)
	}
	if entries, _ := m.List("runs"); len(entries) != 2 {
		t.Errorf("left behind: %v", entries)
	}
}

func TestNamesThatCannotBe(t *testing.T) {
	m := NewMemory()
	for _, name := range []string{"", ".", "..", ".hidden", "a/b", "a\nb"} {
		if _, err := Create(m, "runs", name, nil, Identity{Kind: "run"}); err == nil {
			t.Errorf("folder %q: expected an error", name)
		}
	}
	for _, name := range []string{"", "/a", "a/", "a//b", "../a", "a/../b", "a/.b", `a\b`, "c:a", "a\tb", "a.tmp", "a.tmp/b",
		readingsName, eventsName, wireName, chainName, identityName, sealName, alignedName, readingsName + metadataSuffix} {
		if _, err := Create(m, "runs", "x", []Input{{Name: name}}, Identity{Kind: "run"}); err == nil {
			t.Errorf("input %q: expected an error", name)
		}
	}
	if _, err := Create(m, "runs", "x", []Input{{Name: "a"}, {Name: "a"}}, Identity{Kind: "run"}); err == nil {
		t.Error("two inputs of one name: expected an error")
	}
	if _, err := Create(m, "runs", "x", []Input{{Name: "a/b"}, {Name: "a"}}, Identity{Kind: "run"}); err == nil {
		t.Error("a file and a folder of one name: expected an error")
	}
	if entries, err := m.List("runs"); len(entries) != 0 {
		t.Errorf("something was left behind: %v, %v", entries, err)
	}
	if w, err := Create(m, "runs", "x", []Input{{Name: "profiles/a/b.yaml"}, {Name: "profiles/readings.csv"}}, Identity{Kind: "run"}); err != nil || w == nil {
		t.Error(err)
	}
}

func TestBatches(t *testing.T) {
	m := NewMemory()
	w, err := Create(m, "runs", "example", nil, Identity{Kind: "run"})
	if err != nil {
		t.Fatal(err)
	}
	if w.Begin() != nil {
		t.Error("a batch of nothing")
	}
	appendNumber(w, 0)
	first := w.Begin()
	if first == nil || w.Pending() != 0 || w.Begin() != nil {
		t.Fatal("expected one batch, and no second beside it")
	}
	appendNumber(w, 1) // while the first is on its way
	if w.Begin() != nil {
		t.Fatal("a second batch beside the first")
	}
	if w.Acknowledged() != (Mark{}) || !w.Written().Covers(Mark{2, 2, 2, 0}) {
		t.Errorf("acknowledged %+v of %+v before anything is on disk", w.Acknowledged(), w.Written())
	}
	if err := w.Close(); !errors.Is(err, errUnderWay) {
		t.Errorf("close under a batch says %v", err)
	}
	if err := errors.Join(first.Commit(), first.Done(), first.Done()); err != nil {
		t.Fatal(err)
	}
	if got := w.Acknowledged(); got != (Mark{1, 1, 1, rowNumber(0).AtNs}) {
		t.Errorf("acknowledged %+v", got)
	}
	if w.Acknowledged().Covers(w.Written()) {
		t.Error("the second record is not on disk")
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if err := w.Reading(rowNumber(2)); !errors.Is(err, errClosed) || w.Begin() != nil {
		t.Errorf("after close: %v", err)
	}
	run, tails, err := Open(m, w.Dir())
	if err != nil || len(tails) > 0 || holds(t, run, w.Acknowledged()).Readings != 2 {
		t.Errorf("after close: %v %v", tails, err)
	}
}

func TestBatchGivenBack(t *testing.T) {
	w := writeExample(t, NewMemory(), "runs")
	w.Reading(rowNumber(0))
	if err := w.Begin().Done(); !errors.Is(err, errGivenUp) || w.Err() == nil {
		t.Errorf("a batch that was never written is done: %v", err)
	}
}

// TestCloseAfterCommit: who saw Commit fail need not say Done to get the files closed.
func TestCloseAfterCommit(t *testing.T) {
	for _, broken := range []error{nil, errors.New("broken")} {
		m := NewMemory()
		w := writeExample(t, m, "runs")
		w.Reading(rowNumber(0))
		closed := 0
		m.Before = func(c Call) error {
			if c.Op == "close" {
				closed++
			}
			if c.Op == "write" {
				return broken
			}
			return nil
		}
		if err := w.Begin().Commit(); !errors.Is(err, broken) {
			t.Fatal(err)
		}
		if err := w.Close(); !errors.Is(err, broken) || closed != 4 {
			t.Errorf("after %v: close says %v, %d files closed", broken, err, closed)
		}
	}
}

// TestIntentBeforeTheByte: what must be on disk before a command goes out is there
// when Acknowledged covers it, whatever the power does then.
func TestIntentBeforeTheByte(t *testing.T) {
	m := NewMemory()
	w, err := Create(m, "runs", "example", nil, Identity{Kind: "run"})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Event([]byte(eventNumber(0))); err != nil {
		t.Fatal(err)
	}
	mark := w.Written()
	for !w.Acknowledged().Covers(mark) {
		commit(t, w)
	}
	run, _, err := Open(m.CrashClone(0, 1), w.Dir())
	if err != nil || holds(t, run, mark).Events != 1 {
		t.Error("the intent is gone", err)
	}
}

func TestDiskThatDoesNotKeepUp(t *testing.T) {
	w := writeExample(t, nothing{NewMemory()}, "runs")
	event := []byte(`{"a":"` + strings.Repeat("x", 1<<20) + `"}`)
	n := 0
	var err error
	for ; err == nil && n < 200; n++ {
		err = w.Event(event)
	}
	if !errors.Is(err, ErrBehind) || w.Pending() > mostPending || n < 60 {
		t.Fatalf("after %d MiB: %v", n, err)
	}
	if w.Err() != nil {
		t.Error("the writer is dead, though the disk has not failed")
	}
	commit(t, w)
	if err := w.Event(event); err != nil {
		t.Errorf("the disk has caught up: %v", err)
	}
}

func TestUnsynced(t *testing.T) {
	m := NewMemory()
	w, err := Create(m, "runs", "example", nil, Identity{Kind: "run"})
	if err != nil {
		t.Fatal(err)
	}
	w.Unsynced = true
	var synced []string
	m.Before = func(c Call) error {
		if c.Op == "sync" {
			synced = append(synced, filepath.Base(c.Name))
		}
		return nil
	}
	for i := range 10 {
		appendNumber(w, i)
		commit(t, w)
	}
	if len(synced) != 0 {
		t.Errorf("synced: %v", synced)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(synced, []string{wireName, eventsName, readingsName, chainName}) {
		t.Errorf("at the end: %v", synced)
	}
	run, tails, err := Open(m.CrashClone(0, 1), w.Dir())
	if err != nil || len(tails) > 0 || holds(t, run, w.Acknowledged()).Readings != 10 {
		t.Error(tails, err)
	}
}

// TestUnsyncedWritesTheSame: a rehearsal gathers its batches, through many spills,
// and leaves the very bytes of a run; a full disk is seen, and nothing is read back
// that was not written whole.
func TestUnsyncedWritesTheSame(t *testing.T) {
	var folders [2]*Memory
	for i := range folders {
		folders[i] = NewMemory()
		w := writeExample(t, folders[i], "runs")
		w.Unsynced = i == 1
		steadily(t, w, 20_000)
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
	}
	for _, name := range append(streamNames[:], chainName) {
		a, b := content(t, folders[0], "runs/example/"+name), content(t, folders[1], "runs/example/"+name)
		if a != b || len(a) < 20 {
			t.Errorf("%s: %d bytes of a run, %d of a rehearsal, not the same", name, len(a), len(b))
		}
	}
	for capacity := int64(100_000); capacity < 3_000_000; capacity += 700_001 {
		m := NewMemory()
		m.Capacity = capacity
		w := writeExample(t, m, "runs")
		w.Unsynced = true
		var err error
		for i := 0; err == nil && i < 20_000; i++ {
			if err = w.Reading(rowNumber(i)); err == nil && i%100 == 99 {
				b := w.Begin()
				err = errors.Join(b.Commit(), b.Done())
			}
		}
		err = errors.Join(err, w.Close())
		if !errors.Is(err, ErrFull) {
			t.Fatalf("%d bytes: %v", capacity, err)
		}
		m.Capacity = 0
		if _, err := Repair(m, w.Dir()); err != nil {
			t.Errorf("%d bytes: %v", capacity, err)
		}
		if found := verify(m, w.Dir()); len(found) > 0 {
			t.Errorf("%d bytes: %v", capacity, found)
		}
	}
}

// TestReadWhileWritten: a viewer opens the folder at every moment of a batch.
func TestReadWhileWritten(t *testing.T) {
	m := NewMemory()
	w, err := Create(m, "runs", "example", nil, Identity{Kind: "run"})
	if err != nil {
		t.Fatal(err)
	}
	views := 0
	var before func(c Call) error
	before = func(c Call) error {
		m.Before = nil
		run, _, err := Open(m, w.Dir())
		if err != nil {
			t.Fatalf("before %s: %v", c, err)
		}
		holds(t, run, w.Acknowledged())
		m.Before = before
		views++
		return nil
	}
	m.Before = before
	var acknowledged Mark
	if err := goOn(w, 0, &acknowledged); err != nil {
		t.Fatal(err)
	}
	if views < 40 {
		t.Errorf("only %d views", views)
	}
}

func TestAppendNeedsOrder(t *testing.T) {
	m := NewMemory()
	var acknowledged Mark
	w, err := shortRun(m, &acknowledged)
	if err != nil {
		t.Fatal(err)
	}
	f, _ := m.Append(filepath.Join(w.Dir(), readingsName))
	f.Write([]byte("1.5,0,torn"))
	_, err = Append(m, w.Dir())
	var place *Damage
	if !errors.Is(err, ErrTorn) || errors.Is(err, ErrCorrupt) || !errors.As(err, &place) || place.Line != 16 {
		t.Errorf("expected it to be torn at line 16, got %v", err)
	}
	tails, err := Repair(m, w.Dir())
	if err != nil || len(tails) != 1 || tails[0].Torn != 10 || tails[0].Whole != 0 {
		t.Errorf("got %v, %v", tails, err)
	}
	if got := content(t, m, filepath.Join(w.Dir(), readingsName+".torn-1")); got != "1.5,0,torn" {
		t.Errorf("the torn tail was not kept: %q", got)
	}
	f.Truncate(50)
	if _, err = Append(m, w.Dir()); !errors.Is(err, ErrCorrupt) || errors.Is(err, ErrTorn) {
		t.Errorf("expected it to be corrupt, got %v", err)
	}
	if _, err = Repair(m, w.Dir()); !errors.Is(err, ErrCorrupt) {
		t.Errorf("a corrupt folder is repaired: %v", err)
	}
	if size, _ := f.Size(); size != 50 {
		t.Error("the repair touched a corrupt file")
	}
	if _, err = Append(m, "nowhere"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("got %v", err)
	}
}

// TestRepairDoesNotCoverUp: a byte changed under the chain is not repaired away.
func TestRepairDoesNotCoverUp(t *testing.T) {
	m := NewMemory()
	var acknowledged Mark
	w, err := shortRun(m, &acknowledged)
	if err != nil {
		t.Fatal(err)
	}
	f, _ := m.Append(filepath.Join(w.Dir(), readingsName))
	f.Write([]byte("torn"))
	data := m.find(filepath.Join(w.Dir(), readingsName)).data
	i := strings.Index(string(data), "9871")
	data[i] = '8'
	if _, err := Repair(m, w.Dir()); !errors.Is(err, ErrCorrupt) {
		t.Errorf("got %v", err)
	}
	if !strings.HasSuffix(content(t, m, filepath.Join(w.Dir(), readingsName)), "torn") {
		t.Error("the repair touched a corrupt folder")
	}
}

// TestLongLines: readers meet lines longer than their buffer, and longer than any
// line may be.
func TestLongLines(t *testing.T) {
	m := NewMemory()
	w := writeExample(t, m, "runs")
	long := Row{0, 0, "c", 1, "K", "", strings.Repeat("y", 300_000)}
	for range 3 {
		if err := w.Reading(long); err != nil {
			t.Fatal(err)
		}
	}
	commit(t, w)
	f, _ := m.Append(filepath.Join(w.Dir(), readingsName))
	f.Write([]byte("1,0,c,1,K,," + strings.Repeat("z", 3*longestLine) + "\r\n1,0,c,1,K,,\r\n"))
	run, tails, err := Open(m, w.Dir())
	if err != nil || len(tails) != 1 || tails[0].Whole != 0 || tails[0].Line != 8 {
		t.Fatal(tails, err)
	}
	n := 0
	for row, err := range run.Rows() {
		if err != nil {
			t.Fatal(err)
		}
		if n++; n > 3 && row != long {
			t.Error("a long row came back as another")
		}
	}
	if n != 6 {
		t.Errorf("%d rows", n)
	}
}

// TestDiskThatCannotBeRead: what the disk says is not called damage.
func TestDiskThatCannotBeRead(t *testing.T) {
	m := NewMemory()
	var acknowledged Mark
	w, err := shortRun(m, &acknowledged)
	if err != nil {
		t.Fatal(err)
	}
	reads := 0
	m.Before = func(c Call) error {
		if c.Op == "read" || c.Op == "open" || c.Op == "size" || c.Op == "list" {
			reads++
		}
		return nil
	}
	everything := func() error {
		run, _, err := Open(m, w.Dir())
		if err != nil {
			return err
		}
		for _, err := range run.Rows() {
			if err != nil {
				return err
			}
		}
		_, err = run.Identity()
		return err
	}
	if err := everything(); err != nil {
		t.Fatal(err)
	}
	for n, last := 1, reads; n <= last; n++ {
		reads = 0
		broken := errors.New("broken")
		m.Before = func(c Call) error {
			if c.Op == "read" || c.Op == "open" || c.Op == "size" || c.Op == "list" {
				if reads++; reads == n {
					return broken
				}
			}
			return nil
		}
		if err := everything(); !errors.Is(err, broken) {
			t.Errorf("read %d of %d failed, and Open says %v", n, last, err)
		}
	}
}

// TestIdentity uses the example of FIPS 180-4 for the inputs (SHA-256 of "abc", from the
// standard's published example).
func TestIdentity(t *testing.T) {
	m := NewMemory()
	w, err := Create(m, "runs", "example", []Input{{"protocol.yaml", []byte("abc")}}, Identity{Kind: "run"})
	if err != nil {
		t.Fatal(err)
	}
	run, _, _ := Open(m, w.Dir())
	if id, err := run.Identity(); err != nil || id.Kind != "run" || id.Operator != "" || len(id.Inputs) != 1 {
		t.Errorf("as it is born: %+v, %v", id, err)
	}
	yes, six := true, 6
	id := Identity{Kind: "run", Dwell: "1", Operator: "A <b>", Instruments: []Instrument{{Name: "plate", Identity: "x"}}, Safe: &yes, Exit: &six}
	if err := w.Identify(id); err != nil {
		t.Fatal(err)
	}
	got, err := run.Identity()
	if err != nil || got.Format != 1 || got.Operator != id.Operator || !*got.Safe || *got.Exit != 6 || got.Instruments[0] != id.Instruments[0] {
		t.Errorf("got %+v, %v", got, err)
	}
	const abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
	if len(got.Inputs) != 1 || got.Inputs[0] != (Digest{"protocol.yaml", 3, abc}) {
		t.Errorf("inputs: %+v", got.Inputs)
	}
	w.Close()
	again, err := Append(m, w.Dir())
	if err != nil {
		t.Fatal(err)
	}
	if err := again.Identify(Identity{Kind: "run"}); err != nil {
		t.Fatal(err)
	}
	if got, err = run.Identity(); err != nil || len(got.Inputs) != 1 || got.Safe != nil {
		t.Errorf("after a second writer: %+v, %v", got, err)
	}
	for _, text := range []string{"", "{", `{"format":2}`} {
		m.find(filepath.Join(w.Dir(), identityName)).data = []byte(text)
		if _, err := run.Identity(); err == nil {
			t.Errorf("%q: expected an error", text)
		}
	}
}

// TestIdentifyWhenDead: the outcome is written though the record is lost.
func TestIdentifyWhenDead(t *testing.T) {
	w := writeExample(t, NewMemory(), "runs")
	w.err = errors.New("dead")
	if err := w.Identify(Identity{Outcome: "failed"}); err != nil {
		t.Error(err)
	}
}
