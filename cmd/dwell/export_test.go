package main

import (
	"archive/zip"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"dwell/logs"
)

// A bundle is a zip of every file, with a description that names each of them; it is the
// same every time, and dwell verify reads it as it is and finds an edit in it.
func TestBundle(t *testing.T) {
	t.Parallel()
	folder := rehearsed(t, "short.yaml", 1).folder
	dir := t.TempDir()
	out := filepath.Join(dir, "one.zip")
	start(t, "export", "--bundle", "--license", "https://creativecommons.org/licenses/by/4.0/", "--out", out, folder).exits(exitDone)
	start(t, "export", "--bundle", "--license", "https://creativecommons.org/licenses/by/4.0/", "--out", filepath.Join(dir, "two.zip"), folder).exits(exitDone)
	if read(t, out) != read(t, filepath.Join(dir, "two.zip")) {
		t.Error("two bundles of one folder differ")
	}
	start(t, "export", "--bundle", "--out", out, folder).exits(exitUsage)
	start(t, "export", "--without-serial-numbers", folder).exits(exitUsage)
	p := start(t, "verify", out, "--json")
	p.exits(exitDone)
	p.expectObject(map[string]any{"holds": true, "run": out})

	z, err := zip.OpenReader(out)
	if err != nil {
		t.Fatal(err)
	}
	defer z.Close()
	inside := map[string][]byte{}
	for _, f := range z.File {
		inside[f.Name] = unpacked(t, f)
	}
	for _, name := range filesOf(t, folder) {
		short, _ := filepath.Rel(folder, name)
		if string(inside[filepath.ToSlash(short)]) != read(t, name) {
			t.Errorf("%s is not in the bundle as it is in the folder", short)
		}
	}
	expectCrate(t, inside)

	unzipped := filepath.Join(dir, "unzipped")
	if err := os.CopyFS(unzipped, z); err != nil {
		t.Fatal(err)
	}
	start(t, "verify", unzipped).exits(exitDone)

	for name, change := range map[string]func(string) string{
		"readings.csv":       func(s string) string { return strings.Replace(s, "18.", "19.", 1) },
		"../out.csv":         func(string) string { return "escaped" },
		"readings.csv again": func(s string) string { return s },
	} {
		var b bytes.Buffer
		w := zip.NewWriter(&b)
		put := func(name string, text []byte) {
			f, err := w.Create(name)
			if err != nil {
				t.Fatal(err)
			}
			f.Write(text)
		}
		for n, text := range inside {
			if n == name {
				text = []byte(change(string(text)))
			}
			put(n, text)
		}
		if inside[name] == nil {
			put(strings.TrimSuffix(name, " again"), []byte(change("x")))
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		edited := write(t, filepath.Join(dir, "edited.zip"), b.String())
		start(t, "verify", edited).exits(exitDiffering)
		if _, err := os.Stat(filepath.Join(dir, "..", "out.csv")); err == nil {
			t.Error("a bundle has written outside of its folder")
		}
	}
}

// A bundle without serial numbers has none of them in any file, holds, says what it is, and
// has every reading; the folder stays as it was.
func TestBundleWithoutSerialNumbers(t *testing.T) {
	t.Parallel()
	folder := rehearsed(t, "short.yaml", 1).folder
	dir := t.TempDir()
	words, err := serialsIn(folder)
	if err != nil || !slices.Contains(words, "HP-0042") || !slices.Contains(words, "SM-0007") || len(words) < 3 {
		t.Fatalf("%v: %q, expected two of the rig file and that of an answer", err, words)
	}
	seal := read(t, filepath.Join(folder, "seal.json"))
	out := filepath.Join(dir, "one.zip")
	start(t, "export", "--bundle", "--without-serial-numbers", "--out", out, folder).exits(exitDone)
	p := start(t, "verify", out, "--json")
	p.exits(exitDone)
	p.expectObject(map[string]any{"holds": true, "left_out": "serial numbers of instruments"})
	copied := filepath.Join(dir, "copied")
	if err := os.Mkdir(copied, 0o777); err != nil {
		t.Fatal(err)
	}
	if err := logs.Unbundle(out, copied); err != nil {
		t.Fatal(err)
	}
	z, err := zip.OpenReader(out)
	if err != nil {
		t.Fatal(err)
	}
	defer z.Close()
	for _, f := range z.File {
		text := unpacked(t, f)
		for _, w := range words {
			if regexp.MustCompile(`(?:^|[^0-9A-Za-z.])` + w + `(?:$|[^0-9A-Za-z])`).Match(text) {
				t.Errorf("%s has %s", f.Name, w)
			}
		}
	}
	for _, name := range []string{"readings.csv", "plan.json", "aligned.csv"} {
		compareGolden(t, filepath.Join(folder, name), filepath.Join(copied, name))
	}
	if read(t, filepath.Join(folder, "seal.json")) != seal || len(verified(t, folder).findings) > 0 {
		t.Error("the folder itself has changed")
	}
	name := filepath.Join(copied, "wire.jsonl")
	write(t, name, strings.Replace(read(t, name), "xxx", "yyy", 1))
	start(t, "verify", copied).exits(exitDiffering)
}

// expectCrate looks at the description as RO-Crate 1.1 asks for it (section "Root Data
// Entity" and "Metadata of the RO-Crate"; from memory, and asked of another program in
// TestCrateByAnotherProgram).
func expectCrate(t *testing.T, inside map[string][]byte) {
	t.Helper()
	var crate struct {
		Context string           `json:"@context"`
		Graph   []map[string]any `json:"@graph"`
	}
	if err := json.Unmarshal(inside["ro-crate-metadata.json"], &crate); err != nil {
		t.Fatal(err)
	}
	at := map[string]map[string]any{}
	for _, e := range crate.Graph {
		at[e["@id"].(string)] = e
	}
	ref := func(v any) string { m, _ := v.(map[string]any); s, _ := m["@id"].(string); return s }
	head, root := at["ro-crate-metadata.json"], at["./"]
	if crate.Context != "https://w3id.org/ro/crate/1.1/context" || ref(head["conformsTo"]) != "https://w3id.org/ro/crate/1.1" || ref(head["about"]) != "./" || head["@type"] != "CreativeWork" {
		t.Errorf("context %q, descriptor %v", crate.Context, head)
	}
	for _, key := range []string{"name", "description", "datePublished", "license"} {
		if root["@type"] != "Dataset" || root[key] == nil {
			t.Errorf("the root has no %s: %v", key, root)
		}
	}
	parts, _ := root["hasPart"].([]any)
	if len(parts) != len(inside)-1 {
		t.Errorf("%d parts, %d files", len(parts), len(inside)-1)
	}
	for _, p := range parts {
		if e := at[ref(p)]; e["@type"] != "File" || inside[ref(p)] == nil {
			t.Errorf("part %v is %v", p, e)
		}
	}
	if license := ref(root["license"]); at[license] == nil || ref(root["mentions"]) != "#run" || at["#run"]["@type"] != "CreateAction" {
		t.Errorf("license %q, run %v", license, at["#run"])
	}
}

// Figures and report that were written anew after the seal are no edit; other text in
// their place is.
func TestDerivedFilesMayBeWrittenAnew(t *testing.T) {
	t.Parallel()
	folder := rehearsed(t, "staircase.yaml", 1).folder
	name := filepath.Join(folder, "figures.json")
	text := read(t, name)
	write(t, name, strings.Replace(text, `"value"`, `"Value"`, 1))
	if v := verified(t, folder); len(v.findings) == 0 {
		t.Error("an edited figures.json is not found")
	}
	// what another version of dwell had sealed
	if err := logs.Seal(logs.Disk{}, folder, "2026-01-01T00:00:00Z", "another"); err != nil {
		t.Fatal(err)
	}
	start(t, "figures", folder).exits(exitDone)
	start(t, "report", folder).exits(exitDone)
	if v := verified(t, folder); len(v.findings) > 0 {
		t.Errorf("written anew: %v", v.findings)
	}
}

// Plots and tables of a run: what has a CSV file there has the same bytes here, and nothing
// is written over.
func TestExport(t *testing.T) {
	t.Parallel()
	folder := rehearsed(t, "short.yaml", 1).folder
	out := filepath.Join(t.TempDir(), "out")
	p := start(t, "export", "--out", out, folder, "--json")
	p.exits(exitDone)
	p.expectObject(map[string]any{"folder": out})
	var names []string
	for _, path := range filesOf(t, out) {
		name := filepath.Base(path)
		names = append(names, name)
		begins := map[string]string{".svg": "<svg ", ".pdf": "%PDF-", ".parquet": "PAR1", ".csv": ""}
		if begin, known := begins[filepath.Ext(name)]; !known || !strings.HasPrefix(read(t, path), begin) {
			t.Errorf("%s begins with %.20q", name, read(t, path))
		}
	}
	for _, name := range []string{"readings.csv", "aligned.csv"} {
		if read(t, filepath.Join(out, name)) != read(t, filepath.Join(folder, name)) {
			t.Errorf("%s is not that of the run", name)
		}
	}
	for _, want := range []string{"readings.parquet", "aligned.parquet", "figures.csv", "figures.parquet", "plateaus.csv", "plateaus.parquet", "temperature-against-time.svg", "temperature-against-time.pdf"} {
		if !slices.Contains(names, want) {
			t.Errorf("no %s among %v", want, names)
		}
	}
	start(t, "export", "--out", out, folder).exits(exitUsage)
}

// What is no bundle of a run is refused in words, unfolds to nothing that fills a disk, and
// leaves nothing behind.
func TestBadBundles(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	zipped := func(name string, all map[string][]byte) string {
		var b bytes.Buffer
		w := zip.NewWriter(&b)
		for name, text := range all {
			f, err := w.Create(name)
			if err != nil {
				t.Fatal(err)
			}
			f.Write(text)
		}
		w.Close()
		return write(t, filepath.Join(dir, name), b.String())
	}
	whole := filepath.Join(dir, "whole.zip")
	start(t, "export", "--bundle", "--out", whole, rehearsed(t, "short.yaml", 1).folder).exits(exitDone)
	text := read(t, whole)
	for _, c := range []struct {
		bundle, says string
		exit         int
	}{
		{zipped("zeros.zip", map[string][]byte{"readings.csv": make([]byte, 100<<20)}), "no bundle of this size does", exitDiffering},
		{zipped("nothing.zip", nil), "nothing.zip is no run folder", exitUsage},
		{zipped("other.zip", map[string][]byte{"photo.jpg": nil}), "other.zip is no run folder", exitUsage},
		{zipped("root.zip", map[string][]byte{"/etc/dwell": nil}), "leads out of the folder", exitDiffering},
		{zipped("both.zip", map[string][]byte{"a": nil, "a/b": nil}), "both.zip", exitDiffering},
		{write(t, filepath.Join(dir, "half.zip"), text[:len(text)/2]), "not a valid zip", exitDiffering},
		{write(t, filepath.Join(dir, "flipped.zip"), text[:len(text)/3]+string(text[len(text)/3]^1)+text[len(text)/3+1:]), "flipped.zip", exitDiffering},
	} {
		p := ready(t, "verify", c.bundle)
		p.cmd.Env = append(os.Environ(), "TMPDIR="+filepath.Join(dir, "tmp"))
		if err := os.MkdirAll(filepath.Join(dir, "tmp"), 0o777); err != nil {
			t.Fatal(err)
		}
		p.start().exits(c.exit)
		p.says(c.says)
		if left, err := os.ReadDir(filepath.Join(dir, "tmp")); err != nil || len(left) > 0 {
			t.Errorf("%s has left %v, %v", c.bundle, left, err)
		}
	}
}

// A folder that is damaged, or none, is said to be so in words; what is whole of it is read.
func TestBadFolders(t *testing.T) {
	t.Parallel()
	whole := rehearsed(t, "short.yaml", 1).folder
	spoilt := func(spoil func(folder string) error) string {
		folder := filepath.Join(t.TempDir(), filepath.Base(whole))
		if err := os.CopyFS(folder, os.DirFS(whole)); err != nil {
			t.Fatal(err)
		}
		if err := spoil(folder); err != nil {
			t.Fatal(err)
		}
		return folder
	}
	empty := func(folder string) error { return os.WriteFile(filepath.Join(folder, "wire.jsonl"), nil, 0o666) }
	endless := func(folder string) error {
		f, err := os.OpenFile(filepath.Join(folder, "wire.jsonl"), os.O_APPEND|os.O_WRONLY, 0)
		if err != nil {
			return err
		}
		defer f.Close()
		_, err = f.Write(bytes.Repeat([]byte("x"), 6<<20)) // a line longer than any
		return err
	}
	gone := func(name string) func(string) error {
		return func(folder string) error { return os.Remove(filepath.Join(folder, name)) }
	}
	for _, spoil := range []func(string) error{empty, endless, gone("wire.jsonl"), gone("readings.chain"), gone("plan.json"), gone("rig.yaml"), gone("run.json")} {
		folder := spoilt(spoil)
		start(t, "verify", folder).exits(exitDiffering)
		start(t, "resume", folder).exits(exitUsage)
	}
	for _, name := range []string{"plan.json", "rig.yaml", "run.json"} { // by what is left of the others a run is repeated
		start(t, "rerun", spoilt(gone(name))).exits(exitUsage)
	}
	start(t, "report", spoilt(empty)).exits(exitDone)
	for _, verb := range []string{"verify", "rerun", "resume"} {
		p := start(t, verb, t.TempDir())
		p.exits(exitUsage)
		p.says("is no run folder")
	}
}

// A file of the record that was cut in the middle of a line is read up to there, and what is
// missing is said.
func TestFoldersCutInALine(t *testing.T) {
	t.Parallel()
	whole := rehearsed(t, "short.yaml", 1).folder
	for _, name := range []string{"readings.csv", "events.jsonl", "wire.jsonl"} {
		for _, closed := range []bool{true, false} {
			folder := filepath.Join(t.TempDir(), filepath.Base(whole))
			if err := os.CopyFS(folder, os.DirFS(whole)); err != nil {
				t.Fatal(err)
			}
			if !closed {
				id := filepath.Join(folder, "run.json")
				write(t, id, strings.Replace(read(t, id), `"outcome": "completed"`, `"outcome": ""`, 1))
				os.Remove(filepath.Join(folder, "seal.json"))
			}
			file := filepath.Join(folder, name)
			text := read(t, file)
			lines := strings.SplitAfter(text, "\n")
			write(t, file, strings.Join(lines[:len(lines)-4], "")+lines[len(lines)-4][:9])
			os.Remove(filepath.Join(folder, "report.html"))
			for _, verb := range []string{"show", "figures", "report"} {
				p := start(t, verb, folder)
				p.exits(exitDone)
				p.says(fmt.Sprintf("%s: %d bytes long, but %d were acknowledged: 3 of %d lines are missing or have no end", name, len(read(t, file)), len(text), len(lines)-1))
			}
			if page := read(t, filepath.Join(folder, "report.html")); !strings.Contains(page, "lines are missing or have no end") {
				t.Errorf("%s: the report does not say what is missing", name)
			}
			expectOut(t, start(t, "verify", folder), exitDiffering, name)
		}
	}
}

// unpacked is what a file of a bundle holds.
func unpacked(t *testing.T, f *zip.File) []byte {
	t.Helper()
	r, err := f.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	text, err := io.ReadAll(r)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// What describes a bundle is compared with what lies in it, and missed where it is gone.
func TestTheDescriptionOfABundle(t *testing.T) {
	t.Parallel()
	folder, dir := rehearsed(t, "short.yaml", 1).folder, t.TempDir()
	sound := filepath.Join(dir, "sound.zip")
	start(t, "export", "--bundle", "--license", "CC0-1.0", "--out", sound, folder).exits(exitDone)
	start(t, "verify", sound).exits(exitDone)
	forged := func(change func(string) string) string {
		z, err := zip.OpenReader(sound)
		if err != nil {
			t.Fatal(err)
		}
		defer z.Close()
		var b bytes.Buffer
		w := zip.NewWriter(&b)
		for _, f := range z.File {
			text := unpacked(t, f)
			if f.Name == logs.CrateName {
				if text = []byte(change(string(text))); len(text) == 0 {
					continue
				}
			}
			to, err := w.Create(f.Name)
			if err != nil {
				t.Fatal(err)
			}
			to.Write(text)
		}
		w.Close()
		return write(t, filepath.Join(dir, "forged.zip"), b.String())
	}
	for _, c := range []struct {
		change func(string) string
		says   string
	}{
		{func(string) string { return "" }, "ro-crate-metadata.json: missing"},
		{func(string) string { return "{" }, "ro-crate-metadata.json: broken"},
		{func(s string) string { return strings.Replace(s, "sha256:", "sha256:0", 1) }, "ro-crate-metadata.json: changed: it says of"},
		{func(s string) string { return strings.Replace(s, `"contentSize": "`, `"contentSize": "1`, 1) }, "ro-crate-metadata.json: changed: it says of"},
		{func(s string) string { return strings.Replace(s, `"startTime": "2`, `"startTime": "1`, 1) }, "it says that the run went from"},
		{func(s string) string { return strings.Replace(s, `"name": "readings.csv"`, `"name": "reading.csv"`, 1) }, "it does not describe readings.csv"},
	} {
		p := start(t, "verify", forged(c.change))
		p.exits(exitDiffering)
		if !strings.Contains(p.out.String(), c.says) {
			t.Errorf("expected %q:\n%s", c.says, p.out)
		}
	}
}
