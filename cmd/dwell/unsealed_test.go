package main

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"dwell/logs"
)

// unsealed makes of a whole folder one whose run ended and was killed before its seal.
func unsealed(t *testing.T, whole string) string {
	t.Helper()
	folder := filepath.Join(t.TempDir(), filepath.Base(whole))
	if err := os.CopyFS(folder, os.DirFS(whole)); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(filepath.Join(folder, "seal.json")); err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(folder, "run.json")
	write(t, name, strings.Replace(read(t, name), `"readings": `, `"unsealed": true, "readings": `, 1))
	return folder
}

// A run that was killed between its end and its seal was not edited: verify says what
// happened and what holds, it is not signed, and the next verb that writes seals it. A seal
// that was deleted is found all the same.
func TestARunThatCouldNotSealItsFolder(t *testing.T) {
	t.Parallel()
	whole := rehearsed(t, "short.yaml", 1).folder
	if text := read(t, filepath.Join(whole, "run.json")); strings.Contains(text, "unsealed") {
		t.Errorf("run.json of a sealed folder:\n%s", text)
	}
	for _, verb := range []string{"resume", "report", "figures"} {
		folder := unsealed(t, whole)
		p := start(t, "verify", folder, "--json")
		p.exits(exitDone)
		p.expectObject(map[string]any{"holds": true, "closed": true, "sealed": false})
		expectOut(t, start(t, "verify", folder), exitDone, "before its folder could be sealed")
		p = start(t, "verify", folder, "--sign", filepath.Join(t.TempDir(), "my.key"), "--new-key", "--name", "M.K.")
		p.exits(exitUsage)
		p.says("dwell resume")
		start(t, verb, folder).exits(exitDone)
		p = start(t, "verify", folder, "--json")
		p.exits(exitDone)
		p.expectObject(map[string]any{"holds": true, "sealed": true})
		os.Remove(filepath.Join(folder, "seal.json"))
		expectOut(t, start(t, "verify", folder), exitDiffering, "its seal is gone")
	}

	// what somebody has edited meanwhile is not sealed
	folder := unsealed(t, whole)
	name := filepath.Join(folder, "rig.yaml")
	write(t, name, read(t, name)+"# a remark\n")
	start(t, "report", folder).exits(exitDone)
	if _, err := os.Stat(filepath.Join(folder, "seal.json")); err == nil {
		t.Error("an edit was sealed")
	}
	start(t, "verify", folder).exits(exitDiffering)
}

// A run that was killed before it had derived anything gets all of that, the same to the
// byte, before its folder is sealed.
func TestARunThatCouldNotDerive(t *testing.T) {
	t.Parallel()
	whole := rehearsed(t, "short.yaml", 1).folder
	for _, verb := range []string{"resume", "report", "figures"} {
		folder := unsealed(t, whole)
		derived := []string{"aligned.csv", "aligned.csv-metadata.json", "figures.json", "report.html"}
		for _, name := range derived {
			if err := os.Remove(filepath.Join(folder, name)); err != nil {
				t.Fatal(err)
			}
		}
		write(t, filepath.Join(folder, "aligned.csv.tmp"), "t_s")
		write(t, filepath.Join(folder, "figures.json"), "[]\n") // of the part before
		start(t, verb, folder).exits(exitDone)
		for _, name := range derived[:3] {
			if text, err := os.ReadFile(filepath.Join(folder, name)); err != nil || string(text) != read(t, filepath.Join(whole, name)) {
				t.Errorf("%s: %s is not as the run derives it (%d bytes, %v)", verb, name, len(text), err)
			}
		}
		for name, there := range map[string]bool{"report.html": true, "seal.json": true, "aligned.csv.tmp": false} {
			if _, err := os.Stat(filepath.Join(folder, name)); (err == nil) != there {
				t.Errorf("%s: %s: %v", verb, name, err)
			}
		}
		p := start(t, "verify", folder, "--json")
		p.exits(exitDone)
		p.expectObject(map[string]any{"holds": true, "sealed": true})
	}
}

// A run that was sealed, taken up again, and killed then is as it was left: the seal holds
// for what was before. Without that seal it is not.
func TestTakenUpAndKilledAfterASeal(t *testing.T) {
	t.Parallel()
	folder := filepath.Join(t.TempDir(), "run")
	if err := os.CopyFS(folder, os.DirFS(rehearsed(t, "short.yaml", 1).folder)); err != nil {
		t.Fatal(err)
	}
	w, err := logs.Append(logs.Disk{}, folder)
	if err != nil {
		t.Fatal(err)
	}
	r, _ := openRecord(t, folder)
	id, err := r.Identity()
	if err != nil {
		t.Fatal(err)
	}
	id.Outcome, id.Segments = "", []logs.Segment{{Sealings: 1}}
	for _, err := range []error{w.Identify(id), w.Event([]byte(`{"event":"segment","t_ns":1}`)), w.Close()} {
		if err != nil {
			t.Fatal(err)
		}
	}
	expectOut(t, start(t, "verify", folder), exitDone, "the seal holds for what was before")
	os.Remove(filepath.Join(folder, "seal.json"))
	if v := verified(t, folder); !slices.ContainsFunc(v.findings, func(f logs.Finding) bool { return f.File == "seal.json" }) {
		t.Errorf("without the seal: %v", v.findings)
	}
}

// expectOut waits for the end of a process and looks for words on its standard output.
func expectOut(t *testing.T, p *process, exit int, words string) {
	t.Helper()
	if p.exits(exit); !strings.Contains(p.out.String(), words) {
		t.Errorf("expected %q, got\n%s", words, p.out.String())
	}
}
