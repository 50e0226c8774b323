package logs

import (
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// The records of the runs that are cut, filled and broken here: number i is always
// the same, so that what is read can be compared with what was written.
func rowNumber(i int) Row {
	return Row{int64(i) * 100_000_007, int64(i%3) * 500_000, "element.resistance", 9871.25 - float64(i)/7, "Ohm", "", strings.Repeat("x", i*37%200)}
}

func exchangeNumber(i int) Exchange {
	return Exchange{"meter", "read", int64(i), int64(i) + 1, int64(i) + 2, []byte(":READ?\n"), fmt.Appendf(nil, "%d\r\n", i), "answered"}
}

func eventNumber(i int) string { return fmt.Sprintf(`{"event":"heat on","n":%d}`, i) }

// appendNumber appends one of each, as far as the writer takes them.
func appendNumber(w *Writer, i int) error {
	return errors.Join(w.Exchange(exchangeNumber(i)), w.Event([]byte(eventNumber(i))), w.Reading(rowNumber(i)))
}

// holds reads a folder and demands that it holds the records 0, 1, 2, … exactly, and
// at least those of a mark.
func holds(t *testing.T, run *Run, least Mark) (got Mark) {
	t.Helper()
	for row, err := range run.Rows() {
		if err != nil || row != rowNumber(int(got.Readings)) {
			t.Fatalf("row %d: expected %v, got %v, %v", got.Readings, rowNumber(int(got.Readings)), row, err)
		}
		got.Readings++
	}
	for x, err := range run.Exchanges() {
		if err != nil || !sameExchange(x, exchangeNumber(int(got.Exchanges))) {
			t.Fatalf("exchange %d: got %v, %v", got.Exchanges, x, err)
		}
		got.Exchanges++
	}
	for e, err := range run.Events() {
		if err != nil || string(e) != eventNumber(int(got.Events)) {
			t.Fatalf("event %d: got %s, %v", got.Events, e, err)
		}
		got.Events++
	}
	if !got.Covers(least) || !got.Covers(run.Acknowledged()) {
		t.Fatalf("lost: acknowledged were %+v (%+v by the chain), there are %+v", least, run.Acknowledged(), got)
	}
	return got
}

// shortRun makes a folder, writes batches into it, and ends it. It notes what has
// been acknowledged as it goes, and stops at the first error.
func shortRun(disk FS, acknowledged *Mark) (*Writer, error) {
	w, err := Create(disk, "runs", "example", []Input{{"protocol.yaml", []byte("format: 1\n")}, {"profiles/plate.yaml", []byte("plate\n")}}, Identity{Kind: "run"})
	if err != nil {
		return nil, err
	}
	return w, goOn(w, 0, acknowledged)
}

// goOn appends to a writer in batches of odd sizes, beginning at a record.
func goOn(w *Writer, from int, acknowledged *Mark) error {
	n := from
	for _, size := range []int{1, 4, 2, 7} {
		for range size {
			if err := appendNumber(w, n); err != nil {
				return err
			}
			n++
		}
		b := w.Begin()
		if b == nil {
			return errors.New("no batch")
		}
		b.Commit()
		err := b.Done()
		*acknowledged = w.Acknowledged()
		if err != nil {
			return err
		}
	}
	if err := w.Identify(Identity{Kind: "run", Outcome: "completed"}); err != nil {
		return err
	}
	return w.Close()
}

// crashPoint is what the disk may look like when the power goes before a call.
type crashPoint struct {
	call         Call
	acknowledged Mark
	disk         *Memory
}

// crashPoints runs something on m, and returns clones taken before each call that
// changes the disk, and after the last.
func crashPoints(m *Memory, seeds uint64, acknowledged *Mark, run func()) (calls int, points []crashPoint) {
	clone := func(c Call) error {
		if !c.Changes() {
			return nil
		}
		calls++
		for _, percent := range []int{0, 50, 100} {
			for seed := range seeds {
				points = append(points, crashPoint{c, *acknowledged, m.CrashClone(percent, seed+uint64(calls))})
			}
		}
		return nil
	}
	m.Before = clone
	run()
	clone(Call{Op: "end"})
	m.Before = nil
	return calls, points
}

// recovers opens a crashed folder, repairs it, writes on and reads it again.
func recovers(t *testing.T, p crashPoint) (tails []Tail) {
	t.Helper()
	dir := filepath.Join("runs", "example")
	run, _, err := Open(p.disk, dir)
	if err != nil {
		t.Fatalf("before %s: %v", p.call, err)
	}
	before := holds(t, run, p.acknowledged)
	if tails, err = Repair(p.disk, dir); err != nil {
		t.Fatalf("before %s: repair: %v", p.call, err)
	}
	w, err := Append(p.disk, dir)
	if err != nil {
		t.Fatalf("before %s: append after %v: %v", p.call, tails, err)
	}
	after := holds(t, run, p.acknowledged)
	if after != before || w.Acknowledged() != before {
		t.Fatalf("before %s: repair changed what is there: %+v, %+v, %+v", p.call, before, after, w.Acknowledged())
	}
	// The files may have lost different lengths: bring them level, then go on.
	n := int(max(after.Readings, after.Exchanges, after.Events))
	for i := range n {
		if int64(i) >= after.Exchanges {
			err = errors.Join(err, w.Exchange(exchangeNumber(i)))
		}
		if int64(i) >= after.Events {
			err = errors.Join(err, w.Event([]byte(eventNumber(i))))
		}
		if int64(i) >= after.Readings {
			err = errors.Join(err, w.Reading(rowNumber(i)))
		}
	}
	if err = errors.Join(err, goOn(w, n, &after)); err != nil {
		t.Fatal(err)
	}
	run, tails2, err := Open(p.disk, dir)
	if err != nil || len(tails2) > 0 || holds(t, run, after).Readings != int64(n+14) {
		t.Fatalf("before %s: after repair and ten more: %v %v", p.call, err, tails2)
	}
	for f := range run.Verify() {
		t.Fatalf("before %s: after repair: %v", p.call, f)
	}
	return tails
}

func TestCrashAtEveryCall(t *testing.T) {
	m := NewMemory()
	var acknowledged Mark
	calls, points := crashPoints(m, 4, &acknowledged, func() {
		if _, err := shortRun(m, &acknowledged); err != nil {
			t.Fatal(err)
		}
	})
	unborn, torn := 0, 0
	for _, p := range points {
		if there, err := exists(p.disk, filepath.Join("runs", "example")); err != nil && p.acknowledged != (Mark{}) {
			t.Fatal(err)
		} else if !there {
			if p.acknowledged != (Mark{}) {
				t.Fatalf("before %s: the folder is gone", p.call)
			}
			unborn++
			continue
		}
		if run, _, err := Open(p.disk, filepath.Join("runs", "example")); err == nil {
			if got := holds(t, run, p.acknowledged); got.Readings > got.Exchanges {
				t.Fatalf("before %s: %d rows, and the bytes of %d", p.call, got.Readings, got.Exchanges)
			}
		}
		if slices.ContainsFunc(recovers(t, p), func(t Tail) bool { return t.Torn > 0 }) {
			torn++
		}
	}
	if unborn == 0 || torn == 0 || acknowledged.Readings != 14 {
		t.Errorf("expected runs not yet born and torn ones, and 14 readings in the end: %d, %d, %+v", unborn, torn, acknowledged)
	}
	t.Logf("%d crash points (%d calls × 0, 50, 100 %% of unsynced kept × 4 seeds): %d before the folder was born, %d torn and repaired, 0 acknowledged records lost",
		len(points), calls, unborn, torn)
}

// TestCrashWhileRepairing tears a folder, then cuts the power again at each call of
// the repair and of the writing after it.
func TestCrashWhileRepairing(t *testing.T) {
	total, again := 0, 0
	for seed := range uint64(4) {
		m := NewMemory()
		var acknowledged Mark
		w, err := shortRun(m, &acknowledged)
		if err != nil {
			t.Fatal(err)
		}
		w, err = Append(m, w.Dir())
		if err != nil {
			t.Fatal(err)
		}
		for i := 14; i < 30; i++ {
			appendNumber(w, i)
		}
		m.Before = func(c Call) error { // the chain is never written, nothing synced
			if c.Op == "sync" {
				return errors.New("power cut")
			}
			return nil
		}
		blocks := w.Begin().blocks
		for i, f := range w.files {
			f.Write(blocks[i])
		}
		m = m.CrashClone(60, seed)
		_, points := crashPoints(m, 1, &acknowledged, func() {
			if _, err := Repair(m, w.Dir()); err != nil {
				t.Fatal(err)
			}
		})
		for _, p := range points {
			total++
			if len(recovers(t, p)) > 0 {
				again++
			}
		}
	}
	if again == 0 {
		t.Error("no crash during a repair left anything to repair")
	}
	t.Logf("%d crash points in repairs, %d of them repaired again, 0 acknowledged records lost", total, again)
}

// TestFailureAtEveryCall lets one call fail, and only one: who tries again is told
// that all is well. Nobody may.
func TestFailureAtEveryCall(t *testing.T) {
	calls := 0
	count := NewMemory()
	count.Before = func(c Call) error {
		if c.Changes() {
			calls++
		}
		return nil
	}
	var none Mark
	if _, err := shortRun(count, &none); err != nil {
		t.Fatal(err)
	}
	left, dead := 0, 0
	for n := 1; n <= calls; n++ {
		m := NewMemory()
		broken := errors.New("broken")
		made := 0
		var failed Call
		var after []Call
		m.Before = func(c Call) error {
			if failed.Op != "" {
				after = append(after, c)
			}
			if c.Changes() {
				made++
			}
			if made == n && failed.Op == "" {
				failed = c
				return broken
			}
			return nil
		}
		var acknowledged Mark
		w, err := shortRun(m, &acknowledged)
		if failed.Op == "remove" && err == nil {
			continue // nothing to remove is no failure
		}
		if !errors.Is(err, broken) {
			t.Fatalf("%s failed, and the run says %v", failed, err)
		}
		if w == nil {
			if entries, _ := m.List("runs"); len(entries) > 0 && failed.Op != "syncdir" {
				t.Errorf("%s failed, and left %v behind", failed, entries)
			}
			left++
			continue
		}
		if w.Err() != nil {
			dead++
			notTriedAgain(t, w, failed, after, broken)
		}
		m.Before = nil
		p := crashPoint{failed, acknowledged, m.CrashClone(0, 1)}
		recovers(t, p)
	}
	if left == 0 || dead < 30 {
		t.Errorf("expected failures of the folder and of batches, got %d and %d", left, dead)
	}
	t.Logf("%d calls failed one at a time: %d left no folder, %d killed the writer, no write or sync was tried again", calls, left, dead)
}

// notTriedAgain: a dead writer stays dead, with the first error, and touches nothing.
func notTriedAgain(t *testing.T, w *Writer, failed Call, after []Call, broken error) {
	t.Helper()
	before := len(after)
	for _, c := range after {
		if c.Changes() {
			t.Errorf("after %s failed: %s", failed, c)
		}
	}
	for what, err := range map[string]error{
		"reading": w.Reading(rowNumber(1)), "exchange": w.Exchange(exchangeNumber(1)), "event": w.Event([]byte("{}")), "err": w.Err(), "done": w.batch.Done(), "commit": w.batch.Commit(),
	} {
		if !errors.Is(err, broken) {
			t.Errorf("after %s failed: %s says %v", failed, what, err)
		}
	}
	if w.Begin() != nil {
		t.Errorf("after %s failed: another batch begins", failed)
	}
	if err := w.Close(); !errors.Is(err, broken) {
		t.Errorf("after %s failed: close says %v", failed, err)
	}
	for _, c := range after[before:] {
		if c.Changes() {
			t.Errorf("after %s failed: %s", failed, c)
		}
	}
}

// TestSyncIsNotTriedAgain counts: one failed sync, and no other one ever.
func TestSyncIsNotTriedAgain(t *testing.T) {
	for _, file := range []string{wireName, eventsName, readingsName, chainName} {
		m := NewMemory()
		var acknowledged Mark
		w, err := Create(m, "runs", "example", nil, Identity{Kind: "run"})
		if err != nil {
			t.Fatal(err)
		}
		syncs, failing := 0, 0
		m.Before = func(c Call) error {
			if c.Op == "sync" {
				syncs++
			}
			if c.Op == "sync" && filepath.Base(c.Name) == file {
				failing++
				return errors.New("broken")
			}
			return nil
		}
		if err := goOn(w, 0, &acknowledged); err == nil || failing != 1 {
			t.Fatalf("%s: %v after %d failing syncs", file, err, failing)
		}
		first := syncs
		for range 5 {
			w.Reading(rowNumber(0))
			commit2(w)
			w.batch.Commit()
			w.batch.Done()
			w.Close()
		}
		if syncs != first || failing != 1 || acknowledged != (Mark{}) {
			t.Errorf("%s: %d syncs more, %d of them on the dead file; acknowledged %+v", file, syncs-first, failing-1, acknowledged)
		}
	}
}

// TestDiskFullAtEveryByte fills the disk at each byte of a run's records, and at
// some of the folder's making.
func TestDiskFullAtEveryByte(t *testing.T) {
	if testing.Short() {
		t.Skip("long, and all of it on one thread")
	}
	m := NewMemory()
	var none Mark
	w, err := Create(m, "runs", "example", nil, Identity{Kind: "run"})
	if err != nil {
		t.Fatal(err)
	}
	born, empty := m.used, m.CrashClone(0, 0)
	if err := goOn(w, 0, &none); err != nil {
		t.Fatal(err)
	}
	whole := m.used
	full, recovered := 0, 0
	for capacity := int64(1); capacity < whole; capacity++ {
		m, open := empty.CrashClone(0, 0), func(m FS) (*Writer, error) { return Append(m, "runs/example") }
		if capacity < born {
			capacity += 96
			m, open = NewMemory(), func(m FS) (*Writer, error) { return Create(m, "runs", "example", nil, Identity{Kind: "run"}) }
		}
		m.Capacity = capacity
		var acknowledged Mark
		w, err := open(m)
		if err == nil {
			err = goOn(w, 0, &acknowledged)
		}
		if !errors.Is(err, ErrFull) {
			t.Fatalf("%d of %d bytes: expected a full disk, got %v", capacity, whole, err)
		}
		full++
		if w == nil {
			if entries, _ := m.List("runs"); len(entries) > 0 {
				t.Errorf("%d of %d bytes: left %v behind", capacity, whole, entries)
			}
			continue
		}
		m.Capacity = 0 // somebody has made room
		crashed := m
		if capacity%2 == 0 {
			crashed = m.CrashClone(0, 1)
		}
		run, _, err := Open(crashed, w.Dir())
		if err != nil {
			t.Fatalf("%d of %d bytes: %v", capacity, whole, err)
		}
		holds(t, run, acknowledged)
		if capacity%32 < 2 { // the slow part, with and without a crash
			recovers(t, crashPoint{Call{"full", fmt.Sprint(capacity), 0}, acknowledged, crashed})
			recovered++
		}
	}
	t.Logf("disk full at %d byte counts of %d: no acknowledged record lost; %d folders repaired and written on", full, whole, recovered)
}

// TestCutAtEveryByte cuts each growing file at each byte.
func TestCutAtEveryByte(t *testing.T) {
	m := NewMemory()
	var acknowledged Mark
	w, err := shortRun(m, &acknowledged)
	if err != nil {
		t.Fatal(err)
	}
	w, err = Append(m, w.Dir())
	if err != nil {
		t.Fatal(err)
	}
	under := map[string]int{} // bytes under the chain
	for _, name := range streamNames {
		under[name] = len(content(t, m, filepath.Join(w.Dir(), name)))
	}
	chainEnd := len(content(t, m, filepath.Join(w.Dir(), chainName)))
	for i := 14; i < 20; i++ {
		appendNumber(w, i)
	}
	commit(t, w)
	m.find(filepath.Join(w.Dir(), chainName)).data = m.find(filepath.Join(w.Dir(), chainName)).data[:chainEnd]
	cuts, corrupt := 0, 0
	for _, name := range append(streamNames[:], chainName) {
		n := m.find(filepath.Join(w.Dir(), name))
		whole := n.data
		for cut := range whole {
			n.data = whole[:cut:cut]
			cuts++
			if cutReads(t, m, w.Dir(), name, whole, cut, under[name]) {
				corrupt++
			}
		}
		n.data = whole
	}
	t.Logf("%d of %d cuts readable, the last whole record exact; %d of them below the chain and reported", cuts, cuts, corrupt)
}

// cutReads reads a folder with one file cut and tells whether it was corrupt.
func cutReads(t *testing.T, m *Memory, dir, name string, whole []byte, cut, under int) bool {
	t.Helper()
	run, tails, err := Open(m, dir)
	if run == nil {
		t.Fatalf("%s cut at %d: %v", name, cut, err)
	}
	start := strings.IndexByte(string(content(t, m, filepath.Join(dir, chainName))), '\n')
	corrupt := name != chainName && cut < under || name == chainName && start < 0
	if errors.Is(err, ErrCorrupt) != corrupt || err != nil && !corrupt {
		t.Fatalf("%s cut at %d of %d, %d under the chain: %v, %v", name, cut, len(whole), under, err, tails)
	}
	if name != readingsName {
		return corrupt
	}
	lines := strings.Count(string(whole[:cut]), "\r\n") - 1
	rows, bad := 0, 0
	for row, err := range run.Rows() {
		if err != nil {
			bad++
		} else if row != rowNumber(rows) {
			t.Fatalf("cut at %d: row %d is %v", cut, rows, row)
		} else {
			rows++
		}
	}
	if rows != max(0, lines) || bad > 1 || bad == 1 && !corrupt {
		t.Fatalf("cut at %d: %d rows of %d, %d errors", cut, rows, lines, bad)
	}
	return corrupt
}
