package main

import (
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"dwell/drivers/clock"
	"dwell/logs"
)

func verified(t testing.TB, folder string) *verification {
	t.Helper()
	v := &verification{}
	if err := v.folder(folder); err != nil {
		t.Fatal(err)
	}
	return v
}

// Every reading of the examples comes out of the recorded bytes again, and a folder that
// nobody touched has no findings.
func TestUntouchedFoldersVerify(t *testing.T) {
	names := []string{"short.yaml", "identify.yaml", "staircase.yaml", "response.yaml", "bending/bend.yaml"}
	if !testing.Short() {
		names = append(names, "overnight.yaml")
	}
	for _, name := range names {
		x := rehearsed(t, name, 3)
		v := verified(t, x.folder)
		if len(v.findings) > 0 || v.readings != x.outcome.Readings || v.derived+v.without != v.readings || v.derived == 0 {
			t.Errorf("%s: %d readings, %d derived again: %v", name, v.readings, v.derived, v.findings)
		}
	}
}

// edit does something to a file that nobody should, and says what.
func edit(r *rand.Rand, text []byte) ([]byte, string) {
	at := r.IntN(len(text))
	lines := bytes.SplitAfter(text, []byte("\n"))
	switch kind := r.IntN(5); {
	case kind == 0:
		n := 1 + r.IntN(min(200, len(text)-at))
		return slices.Delete(slices.Clone(text), at, at+n), fmt.Sprintf("cut %d bytes at %d", n, at)
	case kind == 1 && len(lines) > 3:
		a, b := r.IntN(len(lines)-1), r.IntN(len(lines)-1)
		if !bytes.Equal(lines[a], lines[b]) {
			lines[a], lines[b] = lines[b], lines[a]
			return bytes.Join(lines, nil), fmt.Sprintf("swapped lines %d and %d", a+1, b+1)
		}
	case kind == 2 && len(lines) > 3:
		return append(slices.Clone(text), lines[len(lines)-2]...), "appended a line"
	case kind == 3 && len(lines) > 3:
		n := r.IntN(len(lines) - 1)
		return bytes.Join(slices.Delete(lines, n, n+1), nil), fmt.Sprintf("left out line %d", n+1)
	}
	other := slices.Clone(text)
	other[at] ^= 1 << r.IntN(8)
	return other, fmt.Sprintf("changed byte %d from %q to %q", at, text[at], other[at])
}

// Single bytes, cuts, swaps, lines left out and appended, in every file of a folder: all
// found, in that file.
func TestEditsAreFound(t *testing.T) {
	times := 500
	if testing.Short() {
		times = 60
	}
	folder := rehearsed(t, "short.yaml", 1).folder
	files := filesOf(t, folder)
	r := rand.New(rand.NewPCG(7, 7))
	for n := range times {
		name := files[n%len(files)]
		text := []byte(read(t, name))
		if len(text) == 0 {
			continue
		}
		other, what := edit(r, text)
		if err := os.WriteFile(name, other, 0o666); err != nil {
			t.Fatal(err)
		}
		short, _ := filepath.Rel(folder, name)
		v := verified(t, folder)
		if !slices.ContainsFunc(v.findings, func(f logs.Finding) bool { return f.File == filepath.ToSlash(short) }) {
			t.Errorf("%s: %s: not found; findings %v", short, what, v.findings)
		}
		if err := os.WriteFile(name, text, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	if v := verified(t, folder); len(v.findings) > 0 {
		t.Errorf("in the folder as it was: %v", v.findings)
	}
}

func filesOf(t *testing.T, folder string) (names []string) {
	t.Helper()
	err := filepath.WalkDir(folder, func(name string, d os.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			names = append(names, name)
		}
		return err
	})
	if err != nil || len(names) < 10 {
		t.Fatal(names, err)
	}
	return names
}

// What the seal and the chain are for is found without them too: the bytes say what every
// row must be. Here one field of one row is changed to something that can be read.
func TestRowsAreComparedWithTheBytes(t *testing.T) {
	folder := rehearsed(t, "short.yaml", 1).folder
	name := filepath.Join(folder, "readings.csv")
	text := read(t, name)
	lines := strings.SplitAfter(text, "\r\n")
	r := rand.New(rand.NewPCG(1, 2))
	for n := range 60 {
		line := 1 + r.IntN(len(lines)-2)
		fields := strings.Split(strings.TrimSpace(lines[line]), ",")
		which := n % len(fields)
		fields[which] = map[int]string{0: "0.5", 1: "0.123", 2: "plate.temperature", 3: "21.25", 4: "kOhm", 5: "lost", 6: "9 elsewhere"}[which]
		changed := slices.Clone(lines)
		changed[line] = strings.Join(fields, ",") + "\r\n"
		if changed[line] == lines[line] {
			continue
		}
		if err := os.WriteFile(name, []byte(strings.Join(changed, "")), 0o666); err != nil {
			t.Fatal(err)
		}
		run, _, _ := logs.Open(logs.Disk{}, folder)
		v := &verification{}
		if err := v.rederive(run); err != nil {
			t.Fatal(err)
		}
		if len(v.findings) == 0 || !slices.ContainsFunc(v.findings, func(f logs.Finding) bool { return f.Line == int64(line)+1 && f.File == "readings.csv" }) {
			t.Errorf("row %q instead of %q: findings %v", changed[line], lines[line], v.findings)
		}
	}
}

// A folder that was cut off anywhere in its last 64 KiB can be read, and says so.
func TestCutFoldersCanBeRead(t *testing.T) {
	folder := rehearsed(t, "short.yaml", 1).folder
	const last = 64 << 10
	for _, name := range []string{"readings.csv", "events.jsonl", "wire.jsonl", "readings.chain", "run.json", "seal.json", "plan.json", "rig.yaml"} {
		path := filepath.Join(folder, name)
		text := []byte(read(t, path))
		step := max(1, min(last, len(text))/12)
		if testing.Short() {
			step *= 4
		}
		if os.Getenv("DWELL_CUTS") != "" {
			step = 1
		}
		for cut := 1; cut <= min(last, len(text)); cut += step {
			if err := os.WriteFile(path, text[:len(text)-cut], 0o666); err != nil {
				t.Fatal(err)
			}
			if v := verified(t, folder); !slices.ContainsFunc(v.findings, func(f logs.Finding) bool { return f.File == name }) {
				t.Errorf("%s without its last %d bytes: %v", name, cut, v.findings)
			}
		}
		if err := os.WriteFile(path, text, 0o666); err != nil {
			t.Fatal(err)
		}
	}
}

// The readings of a night are derived again in less than ten seconds.
func BenchmarkVerifyOvernight(b *testing.B) {
	x := rehearsed(b, "overnight.yaml", 1)
	for b.Loop() {
		began := clock.Today()
		if v := verified(b, x.folder); len(v.findings) > 0 || v.derived < leastReadings {
			b.Fatalf("%d derived: %v", v.derived, v.findings)
		}
		if took := clock.Today().UTC.Sub(began.UTC); took.Seconds() > 10 {
			b.Errorf("took %v", took)
		}
	}
}

// Of a run that was never closed it is said what nothing protects, and edits of what it
// began from are found.
func TestAFolderThatWasNeverClosed(t *testing.T) {
	t.Parallel()
	folder := brokenOff(t, rehearsed(t, "short.yaml", 1).folder, rand.New(rand.NewPCG(5, 5)))
	write(t, filepath.Join(folder, "figures.json"), "[]\n")
	p := start(t, "verify", folder)
	p.exits(exitDone)
	for _, words := range []string{"no difference was found in what is protected", "not protected: figures.json: the run was never closed", "not protected: what stood behind the last acknowledged line"} {
		if !strings.Contains(p.out.String(), words) {
			t.Errorf("expected %q:\n%s", words, p.out)
		}
	}
	name := filepath.Join(folder, "run.json")
	text := read(t, name)
	write(t, name, strings.Replace(text, `"seed":1`, `"seed":2`, 1))
	p = start(t, "verify", folder)
	p.exits(exitDiffering)

	// and of one that was born without a run.json, and ended at once
	empty := filepath.Join(t.TempDir(), "20261125T105047Z-short-LC-07")
	w, err := logs.Create(logs.Disk{}, filepath.Dir(empty), filepath.Base(empty), []logs.Input{{Name: "protocol.yaml", Bytes: []byte("format: 1\n")}}, logs.Identity{})
	if err != nil {
		t.Fatal(err)
	}
	w.Close()
	if err := os.Rename(filepath.Join(empty, "run.json"), filepath.Join(empty, "run.json.tmp")); err != nil {
		t.Fatal(err)
	}
	for _, verb := range []string{"verify", "resume"} {
		p := start(t, verb, empty)
		p.exits(exitUsage)
		p.says("nothing had begun")
		p.says("start it again")
	}
}

// What is cut is said, and the rest is shown: a plan or a run.json of which the end is lost
// keeps nobody from the readings.
func TestCutFoldersAreShown(t *testing.T) {
	if testing.Short() {
		t.Skip("starts the program often")
	}
	t.Parallel()
	folder := filepath.Join(t.TempDir(), "cut")
	if err := os.CopyFS(folder, os.DirFS(rehearsed(t, "short.yaml", 1).folder)); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"plan.json", "run.json"} {
		path := filepath.Join(folder, name)
		text := read(t, path)
		for _, sealed := range []bool{true, false} {
			write(t, path, text[:len(text)/2])
			if !sealed {
				if err := os.Remove(filepath.Join(folder, "seal.json")); err != nil && !os.IsNotExist(err) {
					t.Fatal(err)
				}
			}
			for _, verb := range []string{"show", "figures", "report"} {
				p := start(t, verb, folder)
				p.exits(exitDone)
				p.says("damaged: " + name)
			}
			if page := read(t, filepath.Join(folder, logs.ReportName)); !strings.Contains(page, "The record is damaged: "+name) {
				t.Errorf("the page says nothing of %s", name)
			}
		}
		write(t, path, text)
	}
}

// Whoever takes numbers from a folder whose seal is gone is told so.
func TestASealThatIsGoneIsSaid(t *testing.T) {
	t.Parallel()
	folder := rehearsed(t, "short.yaml", 1).folder
	if err := os.Remove(filepath.Join(folder, "seal.json")); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{{"figures"}, {"report"}, {"export", "--out", filepath.Join(t.TempDir(), "x")}} {
		p := start(t, append(args, folder)...)
		p.exits(exitDone)
		p.says("its seal is gone")
	}
	p := start(t, "rerun", "--only", " ", folder)
	p.exits(exitUsage)
	p.says("--only: expected the number of a step")
}

// A disk that is full is no fault of the program, also at the very end of a run.
func TestWhoIsToBlameAtTheEnd(t *testing.T) {
	_, disk := os.Create(filepath.Join(t.TempDir(), "no", "such"))
	for _, c := range []struct {
		code, expected int
		err            error
	}{{exitDone, exitFailed, fmt.Errorf("runs/x: %w", disk)}, {exitNotSafe, exitNotSafe, disk}, {exitDone, exitProgram, errors.New("another")}} {
		var x *coded
		got := exitProgram // what an error without a code leads to
		if errors.As(onDisk(c.code, c.err), &x) {
			got = x.code
		}
		if got != c.expected {
			t.Errorf("%v after %d: exit %d, expected %d", c.err, c.code, got, c.expected)
		}
	}
	if onDisk(exitDone, nil) != nil {
		t.Error("no error became one")
	}
}
