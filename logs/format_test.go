package logs

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// prose returns the example files of the package comment.
func prose(t testing.TB) map[string]string {
	t.Helper()
	source, err := os.ReadFile("logs.go")
	if err != nil {
		t.Fatal(err)
	}
	_, example, found := strings.Cut(string(source), "// # Example\n")
	example, _, ended := strings.Cut(example, "\npackage logs")
	if !found || !ended {
		t.Fatal("the package comment has no example")
	}
	files := map[string]string{}
	name := ""
	for _, line := range strings.Split(example, "\n") {
		if text, ok := strings.CutPrefix(line, "//\t"); ok {
			files[name] += text + "\n"
		} else if text, ok := strings.CutSuffix(line, ":"); ok {
			name = strings.TrimPrefix(text, "// ")
		}
	}
	files[readingsName] = strings.ReplaceAll(files[readingsName], "\n", "\r\n")
	return files
}

// exampleRows and so on are the records of the package comment's example.
var (
	exampleRows = []Row{
		{12_500_000, 2_500_000, "plate.temperature", 20.04, "degC", "", "plateau 1"},
		{1_000_000_001, 500_000_000, "element.resistance", 9871.25, "Ohm", "in compliance", "up, 25 degC"},
		{1_500_000_000, 0, `the "odd" one`, math.NaN(), "1", "garbled", ""},
	}
	exampleExchanges = []Exchange{
		{"plate", "read", 10_000_000, 14_000_000, 15_000_000, []byte("IN_PV_2\r\n"), []byte("20.04 2\r\n"), "answered"},
		{"meter", "", 0, 0, 16_000_000, nil, []byte{0, 0xff, '"', '\\'}, "unasked"},
	}
	exampleEvent = `{"t_ns":0,"event":"start"}`
)

// commit takes what is pending to the disk.
func commit(t testing.TB, w *Writer) {
	t.Helper()
	b := w.Begin()
	if b == nil {
		t.Fatal("nothing to commit")
	}
	if err := b.Commit(); err != nil {
		t.Fatal(err)
	}
	if err := b.Done(); err != nil {
		t.Fatal(err)
	}
}

// writeExample writes the run of the package comment.
func writeExample(t testing.TB, disk FS, root string) *Writer {
	t.Helper()
	w, err := Create(disk, root, "example", []Input{{"protocol.yaml", []byte("format: 1\n")}, {"profiles/plate.yaml", []byte("plate\n")}}, Identity{Kind: "run"})
	if err != nil {
		t.Fatal(err)
	}
	for _, err := range []error{
		w.Exchange(exampleExchanges[0]), w.Exchange(exampleExchanges[1]), w.Event([]byte(exampleEvent)),
		w.Reading(exampleRows[0]), w.Reading(exampleRows[1]),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	commit(t, w)
	if err := w.Reading(exampleRows[2]); err != nil {
		t.Fatal(err)
	}
	commit(t, w)
	return w
}

func content(t testing.TB, disk FS, name string) string {
	t.Helper()
	b, err := readFile(disk, name, 1<<30)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestFilesAreAsThePackageCommentSays(t *testing.T) {
	want := prose(t)
	for name, disk := range map[string]FS{"memory": NewMemory(), "disk": Disk{}} {
		root := "runs"
		if name == "disk" {
			root = t.TempDir()
		}
		w := writeExample(t, disk, root)
		if got := (Mark{3, 1, 2, 1_500_000_000}); w.Acknowledged() != got || w.Written() != got {
			t.Errorf("expected everything acknowledged, got %+v of %+v", w.Acknowledged(), w.Written())
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		for _, file := range []string{readingsName, eventsName, wireName, chainName} {
			if got := content(t, disk, filepath.Join(root, "example", file)); got != want[file] || got == "" {
				t.Errorf("%s, %s: the package comment says\n%sbut it is\n%s", name, file, want[file], got)
			}
		}
		if got := content(t, disk, filepath.Join(root, "example", "profiles", "plate.yaml")); got != "plate\n" {
			t.Errorf("input file is %q", got)
		}
	}
}

// TestChainByHand computes the chain of the example from its definition, without
// the code that writes it.
func TestChainByHand(t *testing.T) {
	files := prose(t)
	lines := strings.SplitAfter(files[chainName], "\n")
	previous := sha256.Sum256([]byte(lines[0]))
	start := map[string]int{}
	for i, line := range lines[1 : len(lines)-1] {
		var file, sum string
		var end, count int
		if _, err := fmt.Sscanf(line, "%s %d %d %s\n", &file, &end, &count, &sum); err != nil {
			t.Fatalf("line %d: %v", i+2, err)
		}
		block := files[file][start[file]:end]
		previous = sha256.Sum256([]byte(string(previous[:]) + fmt.Sprintf("%s %d %d\n", file, end, count) + block))
		if hex.EncodeToString(previous[:]) != sum {
			t.Errorf("line %d: expected %x, the example says %s", i+2, previous, sum)
		}
		if n := strings.Count(files[file][:end], "\n"); n != count {
			t.Errorf("line %d: expected %d lines, the example says %d", i+2, n, count)
		}
		start[file] = end
	}
	for _, file := range streamNames {
		if start[file] != len(files[file]) {
			t.Errorf("the chain covers %d of %d bytes of %s", start[file], len(files[file]), file)
		}
	}
}

// sameRow compares with NaN equal to itself.
func sameRow(a, b Row) bool {
	bothNaN := math.IsNaN(a.Value) && math.IsNaN(b.Value)
	if bothNaN {
		a.Value, b.Value = 0, 0
	}
	return a == b
}

func sameExchange(a, b Exchange) bool {
	return a.Port == b.Port && a.Action == b.Action && a.Ended == b.Ended && a.SentNs == b.SentNs && a.FirstNs == b.FirstNs &&
		a.LastNs == b.LastNs && bytes.Equal(a.Request, b.Request) && bytes.Equal(a.Reply, b.Reply)
}

func TestReadBackTheExample(t *testing.T) {
	disk := NewMemory()
	w := writeExample(t, disk, "runs")
	run, tails, err := Open(disk, w.Dir())
	if err != nil || len(tails) != 0 {
		t.Fatal(err, tails)
	}
	n := 0
	for row, err := range run.Rows() {
		if err != nil || !sameRow(row, exampleRows[n]) {
			t.Errorf("row %d: expected %v, got %v, %v", n, exampleRows[n], row, err)
		}
		n++
	}
	for x, err := range run.Exchanges() {
		if err != nil || !sameExchange(x, exampleExchanges[n-3]) {
			t.Errorf("exchange %d: expected %v, got %v, %v", n-3, exampleExchanges[n-3], x, err)
		}
		n++
	}
	for e, err := range run.Events() {
		if err != nil || string(e) != exampleEvent {
			t.Errorf("expected %s, got %s, %v", exampleEvent, e, err)
		}
		n++
	}
	if n != 6 {
		t.Errorf("expected 6 records, got %d", n)
	}
	if m := run.Acknowledged(); m != (Mark{Readings: 3, Events: 1, Exchanges: 2}) {
		t.Errorf("acknowledged: %+v", m)
	}
	for range run.Rows() {
		break // a reader that leaves early must not upset the next
	}
}

func TestRowsThatCannotBeWritten(t *testing.T) {
	good := exampleRows[0]
	for name, spoil := range map[string]func(r *Row){
		"no channel":       func(r *Row) { r.Channel = "" },
		"line feed":        func(r *Row) { r.Step = "a\nb" },
		"carriage return":  func(r *Row) { r.Channel = "a\r" },
		"delete":           func(r *Row) { r.Flag = "\x7f" },
		"not UTF-8":        func(r *Row) { r.Unit = "\xb0C" },
		"negative bound":   func(r *Row) { r.WithinNs = -1 },
		"beyond 31 years":  func(r *Row) { r.AtNs = latestNs },
		"earliest instant": func(r *Row) { r.AtNs = math.MinInt64 },
		"too long":         func(r *Row) { r.Step = strings.Repeat("x", longestLine) },
	} {
		r := good
		spoil(&r)
		b, err := AppendRow([]byte("before"), r)
		if err == nil || string(b) != "before" {
			t.Errorf("%s: expected an error and nothing written, got %q, %v", name, b[:min(len(b), 99)], err)
		}
	}
}

func TestRowsThatCannotBeRead(t *testing.T) {
	for _, line := range []string{
		"", "\r\n", "\n", "1,2,c,3,K,,", "1,2,c,3,K,,\n", "1,2,c,3,K,\r\n", "1,2,c,3,K,,,\r\n",
		",2,c,3,K,,\r\n", "1,,c,3,K,,\r\n", "1,2,,3,K,,\r\n", "1,2,c,,K,,\r\n", "1,-2,c,3,K,,\r\n",
		"1.,2,c,3,K,,\r\n", ".5,2,c,3,K,,\r\n", "1.0000000001,2,c,3,K,,\r\n", "1234567890,2,c,3,K,,\r\n", "1e3,2,c,3,K,,\r\n", "--1,2,c,3,K,,\r\n", "1:0,2,c,3,K,,\r\n",
		"1,2,c,0x3,K,,\r\n", "1,2,c,1_0,K,,\r\n", "1,2,c,inf,K,,\r\n", "1,2,c,nan,K,,\r\n", "1,2,c,+INF,K,,\r\n", "1,2,c,1e999,K,,\r\n", "1,2,c,3 ,K,,\r\n",
		"1,2,\"c,3,K,,\r\n", "1,2,\"c\"d,3,K,,\r\n", "1,2,c\"d,3,K,,\r\n", "1,2,c\x00,3,K,,\r\n", "1,2,\"c\r\",3,K,,\r\n", "1,2,\xb0,3,K,,\r\n",
	} {
		if r, err := ParseRow([]byte(line)); err == nil {
			t.Errorf("%q: expected an error, got %v", line, r)
		}
	}
	for line, want := range map[string]Row{
		"-0.5,0,\"c\",1E-07,K,,\r\n":            {-500_000_000, 0, "c", 1e-7, "K", "", ""},
		"999999999.999999999,1,c,-INF,,f,s\r\n": {999_999_999_999_999_999, 1e9, "c", math.Inf(-1), "", "f", "s"},
	} {
		if r, err := ParseRow([]byte(line)); err != nil || r != want {
			t.Errorf("%q: expected %v, got %v, %v", line, want, r, err)
		}
	}
}

// TestEveryByteHasOneSpelling checks the bijection of the record of exchanges for
// all bytes, against encoding/json as the other reader.
func TestEveryByteHasOneSpelling(t *testing.T) {
	seen := map[string]bool{}
	for c := range 256 {
		x := Exchange{Port: "p", Request: []byte{byte(c)}, Reply: bytes.Repeat([]byte{byte(c)}, 3), Ended: "answered"}
		line, err := AppendExchange(nil, x)
		if err != nil {
			t.Fatal(err)
		}
		back, err := ParseExchange(line)
		if err != nil || !sameExchange(back, x) {
			t.Errorf("byte %#x: got %v, %v", c, back, err)
		}
		var foreign struct{ Request, Reply string }
		if err := json.Unmarshal(line, &foreign); err != nil {
			t.Fatal(err)
		}
		if r := []rune(foreign.Reply); len(r) != 3 || r[1] != rune(c) || foreign.Request != string(rune(c)) {
			t.Errorf("byte %#x: another reader gets %q", c, foreign.Reply)
		}
		seen[string(line)] = true
	}
	if len(seen) != 256 {
		t.Errorf("expected 256 spellings, got %d", len(seen))
	}
}

func TestExchangesThatCannotBeWrittenOrRead(t *testing.T) {
	for _, x := range []Exchange{{Port: "a\nb"}, {Port: "\xff"}, {Action: "\x00"}, {Ended: "\x7f"}, {Reply: make([]byte, longestLine/6)}} {
		if b, err := AppendExchange([]byte("before"), x); err == nil || string(b) != "before" {
			t.Errorf("%.40q: expected an error and nothing written", x.Port)
		}
	}
	line, _ := AppendExchange(nil, exampleExchanges[0])
	good := string(line)
	for old, wrong := range map[string]string{
		"}\n": "}", "{\"port": " {\"port", "\"plate\"": "\"pl\xffte\"", "10000000": "010000000", "14000000": "-0", "15000000": "1e3", "15000001": "",
		`\r\n","reply`: `\u000a","reply`, "IN_PV_2": `\u0049N`, "20.04": `\u00FF`, "20.05": `°`, "answered": `a\nb`, "IN_PV": `\q`, "plate": `pl\u0061te`,
	} {
		bad := strings.Replace(good, old, wrong, 1)
		if bad == good {
			bad = good + old // a line with something after its end
		}
		if x, err := ParseExchange([]byte(bad)); err == nil {
			t.Errorf("%s: expected an error, got %v", bad, x)
		}
	}
	for n := range good {
		if _, err := ParseExchange([]byte(good[:n])); err == nil {
			t.Errorf("expected an error for %q", good[:n])
		}
	}
}

func TestEventsThatCannotBeWritten(t *testing.T) {
	w := writeExample(t, NewMemory(), "runs")
	before := w.Written()
	for _, line := range []string{"", "\n", "{", "[1]", "1", "{}x", "{\n}", "{}\n\n", `{"a":"` + strings.Repeat("x", longestLine) + `"}`, "{}{}"} {
		if err := w.Event([]byte(line)); err == nil {
			t.Errorf("%.40q: expected an error", line)
		}
	}
	if w.Written() != before || w.Pending() != 0 {
		t.Error("a refused event left something behind")
	}
	if err := w.Event([]byte("{\"a\":1}\n")); err != nil || w.Pending() != 8 {
		t.Errorf("expected one line pending, got %d bytes, %v", w.Pending(), err)
	}
}

func FuzzParseRow(f *testing.F) {
	for _, line := range strings.SplitAfter(prose(f)[readingsName], "\n") {
		f.Add([]byte(line))
	}
	f.Add([]byte("-1,0,\"\"\"\",-INF,\xc2\xb0C,,\r\n"))
	f.Fuzz(func(t *testing.T, line []byte) {
		r, err := ParseRow(line)
		if err != nil {
			return
		}
		again, err := AppendRow(nil, r)
		if err != nil {
			t.Fatalf("%q was read as %v, which cannot be written: %v", line, r, err)
		}
		back, err := ParseRow(again)
		if err != nil || !sameRow(back, r) {
			t.Fatalf("%q: read as %v, written as %q, read as %v, %v", line, r, again, back, err)
		}
	})
}

func FuzzParseExchange(f *testing.F) {
	for _, line := range strings.SplitAfter(prose(f)[wireName], "\n") {
		f.Add([]byte(line))
	}
	f.Fuzz(func(t *testing.T, line []byte) {
		x, err := ParseExchange(line)
		if err != nil {
			return
		}
		if again, err := AppendExchange(nil, x); err != nil || !bytes.Equal(again, line) {
			t.Fatalf("%q is written as %q, %v: two spellings of one exchange", line, again, err)
		}
		if !json.Valid(line) {
			t.Fatalf("%q is read, and is not JSON", line)
		}
	})
}

func FuzzReadChain(f *testing.F) {
	f.Add([]byte(prose(f)[chainName]))
	f.Add([]byte(chainStart + "x\nreadings.csv 1 1 00\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		disk := NewMemory()
		file, _ := disk.Create("chain")
		file.Write(text)
		links := 0
		c, tail, err := readChain(file, func(*chain, int64, link) error { links++; return nil })
		if err == nil && (tail.Torn < 0 || tail.Torn > int64(len(text)) || tail.Torn > int64(longestBatch) || c == nil) {
			t.Fatalf("torn %+v of %d bytes", tail, len(text))
		}
		if err != nil && !errors.Is(err, ErrCorrupt) {
			t.Fatal(err)
		}
	})
}

// steadily appends n readings with an exchange each, a batch every 500.
func steadily(t testing.TB, w *Writer, n int) {
	for i := range n {
		x := exampleExchanges[0]
		x.SentNs = int64(i) * 1_000_003
		if err := w.Exchange(x); err != nil {
			t.Fatal(err)
		}
		r := Row{x.SentNs + 2_500_000, 2_500_000, "element.resistance", 9871.25 + float64(i)/3, "Ohm", "", "plateau 1"}
		if err := w.Reading(r); err != nil {
			t.Fatal(err)
		}
		if i%500 == 499 {
			commit(t, w)
		}
	}
}

func TestAppendingDoesNotAllocate(t *testing.T) {
	w := writeExample(t, NewMemory(), "runs")
	steadily(t, w, 1000) // both buffers have grown
	row, x := exampleRows[1], exampleExchanges[0]
	allocs := testing.AllocsPerRun(200, func() {
		if w.Reading(row) != nil || w.Exchange(x) != nil {
			t.Fatal("cannot append")
		}
	})
	if allocs != 0 {
		t.Errorf("a reading and its exchange allocate %v times", allocs)
	}
}

// nothing is a disk that takes everything: it leaves our own time.
type nothing struct{ FS }
type nowhere struct{ File }

func (n nothing) Append(name string) (File, error) {
	f, err := n.FS.Append(name)
	return nowhere{f}, err
}
func (nowhere) Write(p []byte) (int, error) { return len(p), nil }
func (nowhere) Sync() error                 { return nil }

// BenchmarkReading is formatting, chain and commit of one reading alone, on a disk
// that takes no time; BenchmarkReadingAndExchange has the exchange too.
func BenchmarkReading(b *testing.B) {
	w := writeExample(b, nothing{NewMemory()}, "runs")
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		r := Row{int64(i) * 1_000_003, 2_500_000, "element.resistance", 9871.25 + float64(i&0xffff)/3, "Ohm", "", "plateau 1"}
		if err := w.Reading(r); err != nil {
			b.Fatal(err)
		}
		if i++; i%500 == 0 {
			commit(b, w)
		}
	}
}

func BenchmarkReadingAndExchange(b *testing.B) {
	w := writeExample(b, nothing{NewMemory()}, "runs")
	b.ReportAllocs()
	b.ResetTimer()
	steadily(b, w, b.N)
}

func BenchmarkRows(b *testing.B) {
	disk := NewMemory()
	w := writeExample(b, disk, "runs")
	steadily(b, w, 50_000)
	w.Close()
	run, _, err := Open(disk, w.Dir())
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	b.ResetTimer()
	for range b.N {
		n := 0
		for _, err := range run.Rows() {
			if err != nil {
				b.Fatal(err)
			}
			n++
		}
		if n != 50_003 {
			b.Fatal(n)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/50_003, "ns/row")
}

// night is a folder of twelve hours: four channels, a batch a second.
func night(b *testing.B) (*Memory, *Run) {
	m := NewMemory()
	w := writeExample(b, nothingSynced{m}, "runs")
	for second := range int64(12 * 3600) {
		for i := range int64(4) {
			x := exampleExchanges[0]
			x.SentNs = second*1e9 + i*2e8
			r := Row{x.SentNs + 2_500_000, 2_500_000, [...]string{"a", "b", "c", "d"}[i], 9871.25 + float64(second)/3, "Ohm", "", "plateau 1"}
			if err := errors.Join(w.Exchange(x), w.Reading(r)); err != nil {
				b.Fatal(err)
			}
		}
		commit(b, w)
	}
	if err := w.Close(); err != nil {
		b.Fatal(err)
	}
	run, tails, err := Open(m, w.Dir())
	if err != nil || len(tails) > 0 {
		b.Fatal(tails, err)
	}
	return m, run
}

func BenchmarkOpenNight(b *testing.B) {
	m, run := night(b)
	for b.Loop() {
		if _, _, err := Open(m, run.Dir()); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkVerifyNight(b *testing.B) {
	_, run := night(b)
	for b.Loop() {
		for f := range run.Verify() {
			b.Fatal(f)
		}
	}
}

func BenchmarkAlignNight(b *testing.B) {
	_, run := night(b)
	columns := []Column{{"a", 5e9}, {"b", 5e9}, {"c", 5e9}, {"d", 5e9}}
	b.ReportAllocs()
	for b.Loop() {
		if done, err := Align(run, 1e9, columns); err != nil || done.Ticks < 43_000 {
			b.Fatal(done, err)
		}
	}
}

func BenchmarkExchangesNight(b *testing.B) {
	_, run := night(b)
	for b.Loop() {
		n := 0
		for _, err := range run.Exchanges() {
			if err != nil {
				b.Fatal(err)
			}
			n++
		}
		if n != 4*12*3600+2 {
			b.Fatal(n)
		}
	}
}
