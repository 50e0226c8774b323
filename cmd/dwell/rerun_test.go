package main

import (
	"encoding/json"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"dwell/logs"
	"dwell/sequence/plan"
)

// again starts dwell rerun of a folder with today's rig and specimen.
func again(t *testing.T, folder, rig, specimen string, more ...string) (*process, string) {
	t.Helper()
	out := t.TempDir()
	args := []string{"rerun", folder, "--out", out, "--json"}
	if rig != "" {
		args = append(args, "--rig", rig)
	}
	if specimen != "" {
		args = append(args, "--specimen", specimen)
	}
	return start(t, append(args, more...)...), out
}

func repeatsOf(t *testing.T, folder string) *logs.Repeats {
	t.Helper()
	r, _ := openRecord(t, folder)
	id, err := r.Identity()
	if err != nil || id.Repeats == nil {
		t.Fatalf("%v; repeats %v", err, id.Repeats)
	}
	return id.Repeats
}

// With nothing changed, a rehearsal is repeated to the byte, and says what it repeats.
func TestRerunIsExact(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"short.yaml", "response.yaml"} {
		old := rehearsed(t, name, 4).folder
		p, out := again(t, old, leafClip+"rig.yaml", leafClip+"specimen.yaml")
		p.exits(exitDone)
		p.expectObject(map[string]any{"outcome": "completed", "safe": true})
		now := theFolder(t, out)
		for _, file := range []string{"plan.json", "wire.jsonl", "readings.csv", "events.jsonl", "profiles/namur-hotplate.yaml", "protocol.yaml"} {
			compareGolden(t, filepath.Join(old, file), filepath.Join(now, file))
		}
		if r := repeatsOf(t, now); r.Run != filepath.Base(old) || !r.SamePlan || len(r.Differences) > 0 || len(r.PlanSHA256) != 64 {
			t.Errorf("%s: run.json says it repeats %+v", name, r)
		}
		if v := verified(t, now); len(v.findings) > 0 {
			t.Errorf("%s: %v", name, v.findings)
		}
	}
}

// What is different now is told apart, and of limits the tighter hold.
func TestRerunComparesThenAndNow(t *testing.T) {
	t.Parallel()
	old := rehearsed(t, "short.yaml", 1).folder
	dir := t.TempDir()
	text, specimen := read(t, leafClip+"rig.yaml"), read(t, leafClip+"specimen.yaml")
	file := func(name, content string) string { return write(t, filepath.Join(dir, name), content) }
	changed := func(from, to string) string {
		if !strings.Contains(text, from) {
			t.Fatalf("%q is not in the rig file", from)
		}
		return file("rig.yaml", strings.Replace(text, from, to, 1))
	}
	weights := func(r *logs.Repeats, what string) (found []string) {
		for _, d := range r.Differences {
			if strings.Contains(d.What, what) {
				found = append(found, d.Weight)
			}
		}
		return found
	}

	p, out := again(t, old, changed("calibrated: 2026-03-14", "calibrated: 2026-09-01"), "")
	p.exits(exitDone)
	if r := repeatsOf(t, theFolder(t, out)); !slices.Equal(weights(r, "plate: its calibration"), []string{"notable"}) || !r.SamePlan {
		t.Errorf("another calibration: %+v", r)
	}

	p, out = again(t, old, changed("foil.temperature: {below: 75 degC}", "foil.temperature: {below: 60 degC}"), "")
	p.exits(exitDone)
	now := theFolder(t, out)
	if r := repeatsOf(t, now); !slices.Equal(weights(r, "a limit"), []string{"notable"}) || r.SamePlan {
		t.Errorf("a tighter limit: %+v", r)
	}
	if limits := limitsIn(t, now, "foil.temperature"); !slices.Contains(limits, 60) || !slices.Contains(limits, 70) {
		t.Errorf("limits of the plan: %v", limits)
	}

	// tighter than what the protocol itself says, and far from what it does
	p, out = again(t, old, changed("  plate.temperature: {below: 80 degC}", "  plate.temperature: {below: 28 degC}"), "")
	p.exits(exitDone)
	if limits := limitsIn(t, theFolder(t, out), "plate.temperature"); !slices.Contains(limits, 28) {
		t.Errorf("limits of the plan: %v", limits)
	}

	looser := file("looser.yaml", strings.Replace(specimen, "temperature: {below: 70 degC}", "temperature: {below: 90 degC}", 1))
	p, out = again(t, old, "", looser)
	p.exits(exitDone)
	now = theFolder(t, out)
	if r := repeatsOf(t, now); !slices.Contains(weights(r, "a limit"), "harmless") || slices.Contains(weights(r, "a limit"), "notable") {
		t.Errorf("a looser limit: %+v", r)
	}
	if limits := limitsIn(t, now, "foil.temperature"); !slices.Contains(limits, 70) || slices.Contains(limits, 75) {
		t.Errorf("limits of the plan: %v", limits)
	}

	tooTight := changed("  plate.temperature: {below: 80 degC}", "  plate.temperature: {below: 21 degC}")
	p, out = again(t, old, tooTight, "", "--reason", "because")
	p.exits(exitUsage)
	p.says("no reason overrides")
	if len(folders(t, out)) > 0 {
		t.Error("a refused run has left a folder")
	}

	other := file("specimen.yaml", strings.Replace(specimen, "specimen: LC-07", "specimen: LC-31", 1))
	p, _ = again(t, old, "", other)
	p.exits(exitUsage)
	p.says("blocking: the specimen was LC-07, is LC-31")
	p.says("--reason")
	p, out = again(t, old, "", other, "--reason", "new batch")
	p.exits(exitDone)
	now = theFolder(t, out)
	if r := repeatsOf(t, now); r.Reason != "new batch" || r.SamePlan {
		t.Errorf("another specimen: %+v", r)
	}
	if !strings.HasSuffix(now, "-short-LC-31") || happened(t, now, "specimen").Text != "LC-31" {
		t.Errorf("%s: confirmed %q", now, happened(t, now, "specimen").Text)
	}
}

func limitsIn(t *testing.T, folder, channel string) (below []float64) {
	t.Helper()
	var p plan.Plan
	if err := json.Unmarshal([]byte(read(t, filepath.Join(folder, "plan.json"))), &p); err != nil {
		t.Fatal(err)
	}
	for _, l := range p.Rules.Limits {
		if l.Channel == channel && l.Below != nil {
			below = append(below, *l.Below)
		}
	}
	return below
}

// Who answers is compared field by field.
func TestRerunComparesIdentities(t *testing.T) {
	for _, c := range []struct{ then, now, expected string }{
		{"A,B,1,2", "A,B,1,2", ""},
		{"A,B,1,2", "A, B ,1,3", "notable: m: its firmware was 2, is 3"},
		{"A,B,1,2", "A,B,7,2", "notable: m: its serial number was 1, is 7"},
		{"A,B,1,2", "A,C,1,2", "blocking: m: its model was B, is C"},
		{"HOTPLATE A", "HOTPLATE B", "blocking: m: who it is was HOTPLATE A, is HOTPLATE B"},
	} {
		r := &repetition{}
		r.identity("m", c.then, c.now)
		got := ""
		if len(r.found) == 1 {
			got = r.found[0].String()
		}
		if len(r.found) > 1 || !strings.HasPrefix(got, c.expected) || (got == "") != (c.expected == "") {
			t.Errorf("%q then, %q now: %v, expected %q", c.then, c.now, r.found, c.expected)
		}
	}
}

// A folder whose plan was edited is not repeated, whatever the reason.
func TestAnEditedPlanIsNotRepeated(t *testing.T) {
	t.Parallel()
	old := rehearsed(t, "short.yaml", 1).folder
	name := filepath.Join(old, "plan.json")
	write(t, name, strings.Replace(read(t, name), `"target": 20`, `"target": 21`, 1))
	p, _ := again(t, old, "", "", "--reason", "because")
	p.exits(exitUsage)
	p.says("plan.json")
}
