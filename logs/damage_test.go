package logs

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// tornRun is a sealed run whose writer went on and was cut off: whole records that
// no chain line covers, then a torn one, nothing synced.
func tornRun(t *testing.T) (m *Memory, dir string, torn map[string]string) {
	t.Helper()
	m, dir = finished(t, true)
	torn = map[string]string{wireName: `{"port":"me`, eventsName: `{"event":`, readingsName: "1.5,0,ele"}
	for i, name := range streamNames {
		f, err := m.Append(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		var b []byte
		for n := 14; n < 17; n++ {
			switch i {
			case readingStream:
				b, _ = AppendRow(b, rowNumber(n))
			case wireStream:
				b, _ = AppendExchange(b, exchangeNumber(n))
			default:
				b = append(b, eventNumber(n)+"\n"...)
			}
		}
		f.Write(append(b, torn[name]...))
	}
	f, _ := m.Append(filepath.Join(dir, chainName))
	torn[chainName] = "readings.csv 12"
	f.Write([]byte(torn[chainName]))
	return m, dir, torn
}

// aside tells whether a torn tail is at the end of its file or in one of its own.
func aside(t *testing.T, m *Memory, dir, name, torn string) bool {
	t.Helper()
	entries, err := m.List(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		text := ""
		if strings.HasPrefix(e.Name, name) {
			text = content(t, m, filepath.Join(dir, e.Name))
		}
		if e.Name == name && strings.HasSuffix(text, torn) || strings.HasPrefix(e.Name, name+tornSuffix) && text == torn {
			return true
		}
	}
	return false
}

// TestRepairLasts: what Repair has said survives a power cut; before it has, the
// evidence is in the one place or in the other.
func TestRepairLasts(t *testing.T) {
	m, dir, torn := tornRun(t)
	for _, f := range streamNames { // the tails themselves are durable, the rest of this test is about the repair
		file, _ := m.Append(filepath.Join(dir, f))
		file.Sync()
	}
	file, _ := m.Append(filepath.Join(dir, chainName))
	file.Sync()
	var none Mark
	_, points := crashPoints(m, 3, &none, func() {
		tails, err := Repair(m, dir)
		if err != nil || len(tails) != 4 || tails[0].Whole != 3 || tails[0].Torn != int64(len(torn[wireName])) {
			t.Fatal(tails, err)
		}
	})
	for _, p := range points {
		for name, text := range torn {
			if !aside(t, p.disk, dir, name, text) {
				t.Errorf("before %s: the torn tail of %s is lost", p.call, name)
			}
		}
	}
	m = m.CrashClone(0, 1)
	run, tails, err := Open(m, dir)
	if err != nil || len(tails) > 0 || holds(t, run, run.Acknowledged()) != (Mark{17, 17, 17, 0}) {
		t.Errorf("after the repair and a power cut: %v, %v", tails, err)
	}
	for name, text := range torn {
		if got := content(t, m, filepath.Join(dir, name+".torn-1")); got != text {
			t.Errorf("%s: kept %q, expected %q", name, got, text)
		}
	}
}

// TestRepairSyncs: records that only the system's memory held (the program was
// killed, the machine was not) are under the chain after a repair, and so must be on
// disk; and what was cut off must stay off.
func TestRepairSyncs(t *testing.T) {
	for what, tail := range map[string]string{"whole": eventNumber(14) + "\n", "torn": "{", "both": eventNumber(14) + "\n{"} {
		m, dir := finished(t, false)
		f, _ := m.Append(filepath.Join(dir, eventsName))
		f.Write([]byte(tail))
		if what == "torn" {
			f.Sync()
		}
		if _, err := Repair(m, dir); err != nil {
			t.Fatal(err)
		}
		run, tails, err := Open(m.CrashClone(0, 1), dir)
		if err != nil || len(tails) > 0 {
			t.Errorf("%s: after a repair and a power cut: %v, %v", what, tails, err)
			continue
		}
		for f := range run.Verify() {
			t.Errorf("%s: %v", what, f)
		}
	}
}

// TestFailureOfEveryOtherCall lets each call of a repair, an alignment and a sealing
// fail once, reads too. The failure is told, and a second attempt puts all right.
func TestFailureOfEveryOtherCall(t *testing.T) {
	align := func(m FS, dir string) error {
		run, _, err := Open(m, dir)
		if err == nil {
			_, err = Align(run, 250_000_000, []Column{{"element.resistance", 1e9}})
		}
		return err
	}
	repair := func(m FS, dir string) error { _, err := Repair(m, dir); return err }
	resume := func(m FS, dir string) error { _, err := Append(m, dir); return err }
	seal := func(m FS, dir string) error { return Seal(m, dir, "2026-01-03T00:00:00Z", "1.1") }
	failed := 0
	for n := 1; ; n++ {
		m, dir, _ := tornRun(t)
		calls, any := 0, false
		broken := errors.New("broken")
		var last Call
		m.Before = func(c Call) error {
			if calls++; calls == n {
				any, last = true, c
				return broken
			}
			return nil
		}
		for _, do := range []func(FS, string) error{repair, resume, align, seal} {
			err := do(m, dir)
			if err == nil {
				continue
			}
			if !errors.Is(err, broken) {
				t.Fatalf("%s failed, told is %v", last, err)
			}
			failed++
			if err := do(m, dir); err != nil {
				t.Fatalf("%s failed, and the second attempt says %v", last, err)
			}
		}
		m.Before = nil
		if found := verify(m, dir); len(found) > 0 {
			t.Fatalf("%s failed, found %v", last, found)
		}
		if !any {
			t.Logf("%d calls of repair, append, align and seal failed one at a time, %d failures told, all put right by a second attempt", n-1, failed)
			if failed < (n-1)/2 {
				t.Error("most failures were not told")
			}
			return
		}
	}
}

// TestLeftovers: what a crash left half written is no finding, sealed or not.
func TestLeftovers(t *testing.T) {
	m, dir := finished(t, true)
	f, _ := m.Create(filepath.Join(dir, sealName+temporary))
	f.Close()
	if found := verify(m, dir); len(found) > 0 {
		t.Errorf("found %v", found)
	}
	if err := Seal(m, dir, "", ""); err != nil {
		t.Fatal(err)
	}
	if found := verify(m, dir); len(found) > 0 {
		t.Errorf("sealed again, found %v", found)
	}
}

// TestVerifyWithAFailingDisk: a file that cannot be read is a finding, not a clean
// bill.
func TestVerifyWithAFailingDisk(t *testing.T) {
	m, dir := finished(t, true)
	for n := 1; ; n++ {
		run, _, err := Open(m, dir)
		if err != nil {
			t.Fatal(err)
		}
		calls := 0
		m.Before = func(c Call) error {
			if c.Op == "close" {
				return nil
			}
			if calls++; calls == n {
				return errors.New("broken")
			}
			return nil
		}
		found := 0
		for range run.Verify() {
			found++
		}
		m.Before = nil
		if calls < n {
			if found > 0 {
				t.Error("findings without a failure")
			}
			t.Logf("%d failures of the disk, each a finding", n-1)
			return
		}
		if found == 0 {
			t.Errorf("call %d failed, and nothing was found", n)
		}
	}
}

// TestOpenSaysWhatIsCorrupt: kind, file and line of each damage, and what is left
// can be read all the same.
func TestOpenSaysWhatIsCorrupt(t *testing.T) {
	line := func(text string, n int) int { // where line n begins
		at := 0
		for range n - 1 {
			at += strings.IndexByte(text[at:], '\n') + 1
		}
		return at
	}
	for name, c := range map[string]struct {
		file string
		edit func(text string) string
		line int64
		rows int
	}{
		"header":            {readingsName, func(s string) string { return "T" + s[1:] }, 1, 14},
		"shorter":           {readingsName, func(s string) string { return s[:len(s)/2] }, 0, 0},
		"empty":             {readingsName, func(s string) string { return "" }, 0, 0},
		"chain empty":       {chainName, func(s string) string { return "" }, 0, 14},
		"chain's beginning": {chainName, func(s string) string { return "x" + s }, 1, 14},
		"chain, early line": {chainName, func(s string) string { i := line(s, 3); return s[:i] + "W" + s[i+1:] }, 3, 14},
		"chain, hash":       {chainName, func(s string) string { i := line(s, 4) - 2; return s[:i] + "g" + s[i+1:] }, 3, 14},
		"chain, doubled":    {chainName, func(s string) string { return s + s[line(s, 13):] }, 15, 14},
		"chain, lines lost": {chainName, func(s string) string { return strings.Replace(s, "readings.csv 40 1 ", "readings.csv 40 9 ", 1) }, 5, 14},
		"chain, beyond":     {chainName, func(s string) string { i := line(s, 14); return s[:i] + "readings.csv 9" + s[i+13:] }, 0, 14},
	} {
		m, dir := finished(t, false)
		n := m.find(filepath.Join(dir, c.file))
		n.data = []byte(c.edit(string(n.data)))
		run, _, err := Open(m, dir)
		var place *Damage
		if !errors.Is(err, ErrCorrupt) || !errors.As(err, &place) || place.Line != c.line {
			t.Errorf("%s: expected line %d, got %v", name, c.line, err)
			continue
		}
		if _, err := Repair(m, dir); !errors.Is(err, ErrCorrupt) {
			t.Errorf("%s: repaired: %v", name, err)
		}
		rows := 0
		for _, err := range run.Rows() {
			if err == nil {
				rows++
			}
		}
		if c.rows > 0 && rows != c.rows {
			t.Errorf("%s: %d rows can be read, expected %d", name, rows, c.rows)
		}
	}
	for _, name := range append(streamNames[:], chainName) {
		m, dir := finished(t, false)
		m.Remove(filepath.Join(dir, name))
		run, _, err := Open(m, dir)
		var place *Damage
		if !errors.Is(err, ErrCorrupt) || !errors.As(err, &place) || place.File != name || run == nil {
			t.Errorf("%s is gone: %v", name, err)
		}
		for range run.Rows() {
		}
	}
}

// TestMessages: what a person reads says where and what.
func TestMessages(t *testing.T) {
	m, dir, _ := tornRun(t)
	run, tails, _ := Open(m, dir)
	size := len(m.find(filepath.Join(dir, readingsName)).data)
	want := fmt.Sprintf("readings.csv: 3 lines after the last acknowledged one; torn at line 19 (9 bytes from byte %d): the last line has no end", size-9)
	if got := tails[2].String(); got != want {
		t.Errorf("expected %s, got %s", want, got)
	}
	data := m.find(filepath.Join(dir, readingsName)).data
	copy(data[bytes.Index(data, []byte("\r\n0.100000007,"))+2:], "x")
	for _, err := range run.Rows() {
		if err != nil {
			if got, want := err.Error(), `readings.csv:3: expected seconds, got "x.100000007" (byte 78)`; got != want {
				t.Errorf("expected %s, got %s", want, got)
			}
			return
		}
	}
	t.Error("no error")
}

// TestRandomTails appends random bytes and mangled records to an ordered folder:
// it is always readable, repairable, and every acknowledged record is there.
func TestRandomTails(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	clean, dir := finished(t, false)
	const rounds = 300
	for round := range rounds {
		m := clean.CrashClone(100, 0)
		for i, name := range append(streamNames[:], chainName) {
			var b []byte
			switch {
			case rng.IntN(3) == 0: // noise, sometimes with line ends
				for range rng.IntN(300) {
					b = append(b, byte(rng.IntN(256)&rng.IntN(128)))
				}
			case i == readingStream:
				b, _ = AppendRow(b, rowNumber(14))
			case i == wireStream:
				b, _ = AppendExchange(b, exchangeNumber(14))
			case i == eventStream:
				b = []byte(eventNumber(14) + "\n")
			}
			if len(b) > 0 && rng.IntN(2) == 0 {
				b[rng.IntN(len(b))] = 0 // a record with a hole is torn
			}
			f, _ := m.Append(filepath.Join(dir, name))
			f.Write(b)
		}
		if _, err := Repair(m, dir); err != nil {
			t.Fatalf("round %d: %v", round, err)
		}
		run, tails, err := Open(m, dir)
		if err != nil || len(tails) > 0 {
			t.Fatalf("round %d: %v, %v", round, tails, err)
		}
		holds(t, run, Mark{14, 14, 14, 0})
		for f := range run.Verify() {
			t.Fatalf("round %d: %v", round, f)
		}
	}
	t.Logf("%d folders with random tails repaired, 0 acknowledged records lost", rounds)
}

// FuzzFolder puts any bytes into the four growing files: no panic, nothing without
// end, and what repair has called whole is whole.
func FuzzFolder(f *testing.F) {
	files := prose(f)
	f.Add([]byte(files[readingsName]), []byte(files[eventsName]), []byte(files[wireName]), []byte(files[chainName]))
	f.Add([]byte(files[readingsName]+"1,2"), []byte("{}\n{"), []byte(files[wireName]), []byte(files[chainName]+"wire.jsonl 9"))
	f.Fuzz(func(t *testing.T, readings, events, exchanges, chain []byte) {
		m := NewMemory()
		m.Mkdir("d")
		for name, b := range map[string][]byte{readingsName: readings, eventsName: events, wireName: exchanges, chainName: chain} {
			file, err := m.Create(filepath.Join("d", name))
			if err != nil {
				t.Fatal(err)
			}
			file.Write(b)
		}
		run, _, err := Open(m, "d")
		if run == nil {
			t.Fatal(err)
		}
		for range run.Rows() {
		}
		for range run.Verify() {
		}
		if _, err := Repair(m, "d"); err != nil {
			if !errors.Is(err, ErrCorrupt) {
				t.Fatal(err)
			}
			return
		}
		run, tails, err := Open(m, "d")
		if err != nil || len(tails) > 0 {
			t.Fatalf("after a repair: %v, %v", tails, err)
		}
		for finding := range run.brokenBlocks() {
			t.Fatalf("after a repair: %v", finding)
		}
		if _, err := Append(m, "d"); err != nil {
			t.Fatal(err)
		}
	})
}

// A child process writes batches and tells its parent what was acknowledged, until
// it is killed. It cannot say more than is on disk.
const childOf = "DWELL_LOGS_TEST_CHILD_OF"

func TestMain(m *testing.M) {
	if root := os.Getenv(childOf); root != "" {
		w, err := Create(Disk{}, root, "example", nil, Identity{Kind: "run"})
		for i := 0; err == nil; i++ {
			err = appendNumber(w, i)
			if err == nil && i%3 == 0 {
				b := w.Begin()
				err = errors.Join(b.Commit(), b.Done())
				fmt.Println(w.Acknowledged().Readings)
			}
		}
		fmt.Println(err) // not a number: the parent fails
		return
	}
	m.Run()
}

func TestKilledProcess(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	kills, last := 15, int64(0)
	var total int64
	for range kills {
		root := t.TempDir()
		child := exec.Command(os.Args[0])
		child.Env = append(os.Environ(), childOf+"="+root)
		pipe, err := child.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := child.Start(); err != nil {
			t.Fatal(err)
		}
		told := bufio.NewScanner(pipe)
		after := 1 + rng.IntN(40)
		var timer *time.Timer
		for n := 0; told.Scan(); n++ {
			if _, err := fmt.Sscan(told.Text(), &last); err != nil {
				t.Errorf("the child says %q", told.Text())
			}
			if n == after { // then at any point of the next batches
				timer = time.AfterFunc(time.Duration(rng.IntN(2000))*time.Microsecond, func() { child.Process.Kill() })
			}
		}
		if timer == nil {
			t.Fatal("the child ended by itself")
		}
		timer.Stop()
		child.Wait()
		dir := filepath.Join(root, "example")
		tails, err := Repair(Disk{}, dir)
		if err != nil {
			t.Fatal(tails, err)
		}
		run, _, err := Open(Disk{}, dir)
		if err != nil {
			t.Fatal(err)
		}
		holds(t, run, Mark{last, last, last, 0})
		for f := range run.Verify() {
			t.Error(f)
		}
		total += last
	}
	t.Logf("%d kills, %d readings acknowledged to the parent, 0 lost", kills, total)
}

// TestAppendWhileCommitting: the loop appends while another process writes. Only the
// race detector can see what this is about.
func TestAppendWhileCommitting(t *testing.T) {
	m := NewMemory()
	w, err := Create(m, "runs", "example", nil, Identity{Kind: "run"})
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for range 50 {
		for range 5 {
			if err := appendNumber(w, n); err != nil {
				t.Fatal(err)
			}
			n++
		}
		b := w.Begin()
		ended := make(chan error)
		go func() { ended <- b.Commit() }()
		for range 5 {
			if err := appendNumber(w, n); err != nil {
				t.Fatal(err)
			}
			n++
			w.Written()
			w.Acknowledged()
			w.Pending()
		}
		if w.Begin() != nil {
			t.Fatal("a second batch beside the first")
		}
		if err := errors.Join(<-ended, b.Done()); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	run, tails, err := Open(m, w.Dir())
	if err != nil || len(tails) > 0 || holds(t, run, w.Acknowledged()).Readings != 500 {
		t.Error(tails, err)
	}
}

// shortDisk writes less than it is given, and finds nothing wrong with that.
type shortDisk struct{ FS }
type shortFile struct{ File }

func (d shortDisk) Append(name string) (File, error) {
	f, err := d.FS.Append(name)
	return shortFile{f}, err
}
func (f shortFile) Write(p []byte) (int, error) { return f.File.Write(p[:len(p)/2]) }

func TestShortWrite(t *testing.T) {
	m := NewMemory()
	w, err := Create(shortDisk{m}, "runs", "example", nil, Identity{Kind: "run"})
	if err != nil {
		t.Fatal(err)
	}
	appendNumber(w, 0)
	if err := w.Begin().Commit(); err == nil {
		t.Error("half a batch is taken for one")
	}
}

// TestLastSyncFails: a rehearsal's only sync is at the end, and counts.
func TestLastSyncFails(t *testing.T) {
	m := NewMemory()
	w, err := Create(m, "runs", "example", nil, Identity{Kind: "run"})
	if err != nil {
		t.Fatal(err)
	}
	w.Unsynced = true
	appendNumber(w, 0)
	broken := errors.New("broken")
	m.Before = func(c Call) error {
		if c.Op == "sync" {
			return broken
		}
		return nil
	}
	if err := w.Close(); !errors.Is(err, broken) {
		t.Errorf("close says %v", err)
	}
	if err := w.Reading(rowNumber(1)); !errors.Is(err, broken) {
		t.Errorf("and then a reading %v", err)
	}
}

// TestWordsStaySmall: a file of texts that never come again is read in bounded
// memory.
func TestWordsStaySmall(t *testing.T) {
	known := words{}
	for i := range 3 * mostWords {
		line := fmt.Appendf(nil, "1,0,c%d,1,K,,\r\n", i)
		if r, err := parseRow(line, known); err != nil || r.Channel != fmt.Sprintf("c%d", i) {
			t.Fatal(r, err)
		}
	}
	if len(known) > mostWords {
		t.Errorf("%d words are kept", len(known))
	}
}

// TestTextsInExchanges: quotes and backslashes in names, and other alphabets.
func TestTextsInExchanges(t *testing.T) {
	for _, text := range []string{`a "b"`, `\`, `\\"`, "Heizplatte °C", "板", ""} {
		x := Exchange{Port: text, Action: text + text, Ended: text}
		line, err := AppendExchange(nil, x)
		if err != nil {
			t.Fatal(err)
		}
		if back, err := ParseExchange(line); err != nil || !sameExchange(back, x) {
			t.Errorf("%q: got %v, %v", text, back, err)
		}
	}
}
