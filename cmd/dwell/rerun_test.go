package main

import (
	"encoding/json"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"dwell/drivers/yamltext"
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

	if found, _ := weighedTexts(t, text, strings.Replace(text, "thermometer: platinum class B", "thermometer: platinum class A", 1)); len(found) != 1 || found[0].Weight != "notable" || found[0].What != "what the thermometer of foil.temperature may be wrong by" {
		t.Errorf("another class of a thermometer: %+v", found)
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

	// another film by the same id (the virtual one is as its file says): by that it is confirmed
	p, out = again(t, old, "", file("stiffer.yaml", strings.Replace(specimen, "resistance: 10 kOhm", "resistance: 20 kOhm", 1)))
	p.exits(exitDone)
	p.says("what the specimen is confirmed by was")
	if r := repeatsOf(t, theFolder(t, out)); r.SamePlan || !slices.Equal(weights(r, "what the specimen is confirmed by"), []string{"notable"}) {
		t.Errorf("another resistance: %+v", r)
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

// Every kind of difference between then and now is listed with its weight, before anything
// is touched.
func TestRerunWeighsEveryKind(t *testing.T) {
	t.Parallel()
	flat, bent := rehearsed(t, "short.yaml", 1).folder, rehearsed(t, "bending/bend.yaml", 1).folder
	with := func(folder, file, from, to string) files {
		dir := t.TempDir()
		for _, name := range []string{"rig.yaml", "specimen.yaml"} {
			text := read(t, filepath.Join(folder, name))
			if name == file && !strings.Contains(text, from) {
				t.Fatalf("%q is not in %s", from, name)
			}
			if name == file {
				text = strings.Replace(text, from, to, 1)
			}
			write(t, filepath.Join(dir, name), text)
		}
		return files{rig: filepath.Join(dir, "rig.yaml"), specimen: filepath.Join(dir, "specimen.yaml")}
	}
	for _, c := range []struct{ folder, file, from, to, expected string }{
		{flat, "rig.yaml", "port: twin", "port: tcp:192.0.2.1:5025", "harmless: plate: its port was twin, is tcp:192.0.2.1:5025"},
		{flat, "rig.yaml", "calibrated: 2026-05-20", "calibrated: 2026-10-01", "notable: meter: its calibration was 2026-05-20, is 2026-10-01"},
		{flat, "rig.yaml", "SM-0007", "SM-0008", "notable: meter: its serial number was SM-0007, is SM-0008"},
		{flat, "rig.yaml", "takes: 75 ms", "takes: 90 ms", "harmless: meter: its longest exchange: takes was 75 ms, is 90 ms"},
		{flat, "rig.yaml", "time constant: 79.6 s", "time constant: 90 s", "notable: plate: how it responds to full power: time constant was 79.6 s, is 90 s"},
		{flat, "rig.yaml", "temperature: 18 degC", "temperature: 19 degC", "notable: the ambient: temperature was 18 degC, is 19 degC"},
		{flat, "rig.yaml", "rig: leaf-clip bench", "rig: other bench", "blocking: the rig was leaf-clip bench, is other bench"},
		{flat, "rig.yaml", "{below: 80 degC}", "{below: 25 degC}", "notable: a limit was plate.temperature below 30"},
		{flat, "rig.yaml", "{below: 80 degC}", "{below: 90 degC}", "harmless: the limits of the rig: plate.temperature: below was 80 degC, is 90 degC: the tightest of all"},
		{flat, "specimen.yaml", "specimen: LC-07", "specimen: LC-31", "blocking: the specimen was LC-07, is LC-31"},
		{flat, "specimen.yaml", "B value: 1000 K", "B value: 1100 K", "notable: what is expected of the specimen: B value was 1000 K, is 1100 K"},
		{flat, "specimen.yaml", "resistance: 10 kOhm", "resistance: 20 kOhm", "notable: what the specimen is confirmed by was 8.67 kOhm to 13.0 kOhm at 1 uA, is 17.3 kOhm"},
		{flat, "specimen.yaml", "{below: 70 degC}", "{below: 90 degC}", "harmless: a limit was foil.temperature below 70"},
		{bent, "rig.yaml", "free length: 50 mm", "free length: 48 mm", "blocking: the free length was 50 mm, is 48 mm"},
		{bent, "rig.yaml", "flat at: 0.2 mm", "flat at: 0.3 mm", "blocking: where the strip is flat was 0.2 mm, is 0.3 mm"},
		{bent, "specimen.yaml", "current: along", "current: across", "blocking: how the specimen is bent: current was along, is across"},
		{bent, "specimen.yaml", "{below: 1.5 %}", "{below: 1 %}", "notable: a limit was stage.position"},
	} {
		r, err := repeat(c.folder, with(c.folder, c.file, c.from, c.to), "")
		if err != nil {
			t.Errorf("%q in place of %q: %v", c.to, c.from, err)
			continue
		}
		var said []string
		for _, d := range r.found {
			said = append(said, d.String())
		}
		if !slices.ContainsFunc(said, func(s string) bool { return c.expected != "" && strings.HasPrefix(s, c.expected) }) && (c.expected != "" || len(said) > 0) {
			t.Errorf("%q in place of %q:\n%s\nexpected %q", c.to, c.from, strings.Join(said, "\n"), c.expected)
		}
		blocking := strings.HasPrefix(c.expected, "blocking")
		if err := r.judge(&speech{out: io.Discard, err: io.Discard}); (err != nil) != blocking {
			t.Errorf("%q in place of %q without a reason: %v", c.to, c.from, err)
		}
	}

	folder := filepath.Join(t.TempDir(), "run")
	if err := os.CopyFS(folder, os.DirFS(flat)); err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(folder, "profiles", "namur-hotplate.yaml"), read(t, filepath.Join(flat, "profiles", "namur-hotplate.yaml"))+"# a remark\n")
	if _, err := repeat(folder, files{}, ""); err == nil || !strings.Contains(err.Error(), "not what was executed then") {
		t.Errorf("a profile that was edited in the folder: %v", err)
	}
}

// A step alone is done after the way to it, says so, and is a run of its own: it can be
// verified, repeated and taken up again.
func TestRerunOfAStepAlone(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		protocol, only string
		does           []string // begun, in order
		reached        float64  // the plate's last reading, 0 for any
	}{
		{"staircase.yaml", "3.6", []string{"way to 3.6.1 bring", "3.6.1 bring", "3.6.2 hold", "3.6.3 mark", "3.6.4 sweep"}, 35},
		{"short.yaml", "sweep", []string{"way to 5 sweep", "5 sweep"}, 20},
		{"short.yaml", "6", []string{"way to 6 repeat", "6 repeat", "6.1 hold", "6.2 mark", "6.1 hold", "6.2 mark"}, 20},
		{"short.yaml", "6.1", []string{"way to 6.1 hold", "6.1 hold"}, 20},
		{"short.yaml", "1 confirm", []string{"way to 1 confirm", "1 confirm"}, 0},
		{"bending/bend.yaml", "10 bend", []string{"way to 10 bend", "10 bend"}, 0},
		{"bending/bend.yaml", "14", nil, 0},
	} {
		if testing.Short() && c.protocol != "bending/bend.yaml" {
			continue
		}
		old := rehearsed(t, c.protocol, 1).folder
		p, out := again(t, old, "", "", "--only", c.only)
		p.exits(exitDone)
		p.says("notable: what is done was the whole plan, is step " + c.only + " alone")
		now := theFolder(t, out)
		var does []string
		for _, h := range happenings(t, now) {
			if h.Event == "step" {
				does = append(does, h.Step)
			}
		}
		if c.does != nil && !slices.Equal(does, c.does) {
			t.Errorf("--only %s of %s does %q, expected %q", c.only, c.protocol, does, c.does)
		}
		last := 0.0
		for _, row := range readings(t, now) {
			if row.Channel == "plate.temperature" && row.Good() {
				last = row.Value
			}
		}
		if c.reached != 0 && math.Abs(last-c.reached) > 1 {
			t.Errorf("--only %s of %s ends at %v degC", c.only, c.protocol, last)
		}
		if r := repeatsOf(t, now); r.Only != c.only || r.SamePlan {
			t.Errorf("--only %s: %+v", c.only, r)
		}
		if v := verified(t, now); len(v.findings) > 0 {
			t.Errorf("--only %s: %v", c.only, v.findings)
		}
		if !strings.Contains(read(t, filepath.Join(now, "report.html")), "step "+c.only+" alone") {
			t.Errorf("the report of --only %s does not say so", c.only)
		}
		expectOut(t, start(t, "compare", old, now), exitDone, "the new run repeats step "+c.only+" of the old one alone")
		p, _ = again(t, now, "", "")
		p.exits(exitDone)
		p.says("nothing is known to be different")
	}
	old := rehearsed(t, "short.yaml", 1).folder
	for only, says := range map[string]string{"LC-07": "only specimen", "7": `no step "7"; it has 1 confirm`, "bringt": "no step", "hold": ""} {
		p, _ := again(t, old, "", "", "--only", only)
		if says == "" {
			p.exits(exitDone) // there is one of that name
			continue
		}
		p.exits(exitUsage)
		p.says(says)
	}
	p, _ := again(t, rehearsed(t, "staircase.yaml", 1).folder, "", "", "--only", "hold")
	p.exits(exitUsage)
	p.says("steps named hold: 3.1.2 hold")
}

func weighedTexts(t *testing.T, then, now string) ([]plan.Difference, []string) {
	t.Helper()
	m := &yamltext.Mistakes{}
	a, b := yamltext.Parse("then", []byte(then), m), yamltext.Parse("now", []byte(now), m)
	if m.Len() > 0 {
		t.Fatal("the texts are no YAML")
	}
	return weighed(a.Root, b.Root, rigWeights)
}
