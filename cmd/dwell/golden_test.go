package main

import (
	"bytes"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/drivers/wire"
	"dwell/logs"
	"dwell/sequence"
	"dwell/sequence/plan"
)

var update = flag.Bool("update-golden", false, "record golden runs for the present version of plans, where there are none")

const goldenFolder = "testdata/golden/"

// goldens are what golden runs are made of: the end of their folder's name, after that of
// the version, a protocol, and the bench for it.
var goldens = []struct{ name, protocol, bench string }{
	{"", "every-step.yaml", ""},
	{"-bend", "every-bend.yaml", "bending/"},
	{"-wrap", "every-wrap.yaml", "rods/"},
}

// goldenPerson does everything two seconds after being asked.
type goldenPerson struct{ x *execution }

func (p *goldenPerson) Ask(text string, by clock.Instant) (string, error) {
	err := p.x.clock.Sleep(p.x.clock.Now() + 2*clock.Second)
	if strings.Contains(text, "id of the specimen") {
		return p.x.job.plan.Specimen, err
	}
	return "done", err
}

func (p *goldenPerson) Move(string, clock.Instant) (at, within clock.Instant, err error) {
	err = p.x.clock.Sleep(p.x.clock.Now() + 2*clock.Second)
	return p.x.clock.Now(), clock.Second / 3, err
}

func (p *goldenPerson) Dismiss() {}

// goldenRun executes a job on instruments that answer as they were recorded in a folder, or
// on virtual ones.
func goldenRun(t *testing.T, j *job, record string) *execution {
	t.Helper()
	x := &execution{speech: &speech{out: io.Discard, err: io.Discard}, kind: "rehearsal", job: j, outlook: outlook{root: t.TempDir()}, seed: 1}
	x.person = &goldenPerson{x}
	if record != "" {
		var all []*goldenDevice
		r, _ := openRecord(t, record)
		x.attach = func(d rig.Description) (wire.Device, error) {
			one := newGoldenDevice(d.Profile.Line, exchangesWith(r, d.Name, clock.Never))
			all = append(all, one)
			return one, nil
		}
		x.started = func(r *sequence.Run) { endWithout(x.clock, r, &all) }
	}
	if err := x.rehearse(); err != nil {
		t.Fatalf("%v; outcome %+v", err, x.outcome)
	}
	return x
}

// endWithout ends a run that has asked what was not recorded: nobody will answer.
func endWithout(c clock.Clock, r *sequence.Run, all *[]*goldenDevice) {
	c.Go("look at the record", func() error {
		for c.Sleep(c.Now()+clock.Second) == nil {
			for _, d := range *all {
				if d.missing != "" {
					r.Fail("the record has no answer to " + d.missing)
					if c.Sleep(c.Now()+recordPatience) == nil {
						r.Stop()
						r.Stop()
					}
					return nil
				}
			}
		}
		return nil
	})
}

// A plan that was written once sends the same commands at the same moments for ever, to
// the nanosecond. Each golden folder is a run of one version of plans, with every kind of
// step; its instruments answer as they were recorded, so that neither a better twin nor
// another profile of today changes anything. A red test here means that people cannot
// repeat their old runs: make a new version of plans, keep the rules of the old one, and
// record a new folder with -update-golden. Never change one that has been released.
func TestGoldenRuns(t *testing.T) {
	for _, g := range goldens {
		present := fmt.Sprintf("%sversion-%d%s", goldenFolder, plan.Version, g.name)
		if _, err := os.Stat(present); err == nil {
			continue
		}
		if !*update {
			t.Fatalf("there is no %s: record it with -update-golden", present)
		}
		recordGolden(t, present, g.protocol, leafClip+g.bench)
	}
	folders, err := filepath.Glob(goldenFolder + "version-*")
	if err != nil {
		t.Fatal(err)
	}
	for _, folder := range folders {
		x := goldenRun(t, golden(t, folder), folder)
		for _, name := range []string{"wire.jsonl", "readings.csv"} {
			compareGolden(t, filepath.Join(folder, name), filepath.Join(x.folder, name))
		}
		if v := verified(t, folder); len(v.findings) > 0 || v.readings == 0 || v.derived+v.without != v.readings {
			t.Errorf("%s: of %d readings %d are derived again: %v", folder, v.readings, v.derived, v.findings)
		}
		if _, err := repeat(folder, files{}, ""); err != nil { // under today's rules, which may be more
			t.Errorf("%s cannot be repeated: %v", folder, err)
		}
		if p := laid(t, folder, x.folder); !p.agree() || len(p.rows) == 0 {
			t.Errorf("%s and what came of it now: %d of %d differ, %v", folder, p.differ, len(p.rows), p.missing)
		}
	}
}

// golden is the job of a golden folder.
func golden(t *testing.T, folder string) *job {
	t.Helper()
	r, _ := openRecord(t, folder)
	j, err := keptJob(r)
	if err != nil {
		t.Fatal(err)
	}
	j.name = "golden"
	return j
}

// Golden runs hold every operation that a plan can have.
func TestGoldenRunsHoldEveryOperation(t *testing.T) {
	all := ""
	for _, g := range goldens {
		all += read(t, fmt.Sprintf("%sversion-%d%s/plan.json", goldenFolder, plan.Version, g.name))
	}
	ops := regexp.MustCompile(`(?m)^\t\w+ +Op = ("\w+")`).FindAllStringSubmatch(read(t, "../../sequence/plan/plan.go"), -1)
	if len(ops) < 15 {
		t.Fatalf("%d operations found in plan.go", len(ops))
	}
	for _, op := range ops {
		if !strings.Contains(all, `"op": `+op[1]) {
			t.Errorf("no golden run has the operation %s", op[1])
		}
	}
}

func recordGolden(t *testing.T, folder, protocol, bench string) {
	t.Helper()
	j, err := load(&speech{out: io.Discard, err: os.Stderr}, files{protocol: goldenFolder + protocol, rig: bench + "rig.yaml", specimen: bench + "specimen.yaml"})
	if err != nil {
		t.Fatal(err)
	}
	x := goldenRun(t, j, "")
	if err := os.CopyFS(folder, os.DirFS(x.folder)); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"seal.json", "aligned.csv", "aligned.csv-metadata.json", logs.FiguresName, logs.ReportName} {
		if err := os.Remove(filepath.Join(folder, name)); err != nil {
			t.Fatal(err)
		}
	}
	if err := logs.Seal(logs.Disk{}, folder, x.identity().StartUTC, versionText()); err != nil {
		t.Fatal(err)
	}
}

func compareGolden(t *testing.T, wanted, got string) {
	t.Helper()
	a, b := bytes.SplitAfter([]byte(read(t, wanted)), []byte("\n")), bytes.SplitAfter([]byte(read(t, got)), []byte("\n"))
	for i := range a {
		if i >= len(b) || !bytes.Equal(a[i], b[i]) {
			now := "nothing"
			if i < len(b) {
				now = string(b[i])
			}
			t.Errorf("%s:%d: once\n%snow\n%s", wanted, i+1, a[i], now)
			return
		}
	}
	if len(b) > len(a) {
		t.Errorf("%s: %d more lines now", wanted, len(b)-len(a))
	}
}

// On a rig whose ports are a record, the same protocol goes the way of the recorded run,
// to the byte, and another one ends.
func TestRecordsAsInstruments(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	rehearse := func(protocol, rig, out string) *process {
		return start(t, "rehearse", protocol, "--rig", rig, "--specimen", leafClip+"specimen.yaml", "--out", filepath.Join(dir, out))
	}
	rehearse(leafClip+"short.yaml", leafClip+"rig.yaml", "first").exits(exitDone)
	first := theFolder(t, filepath.Join(dir, "first"))
	text := read(t, leafClip+"rig.yaml")
	for _, name := range []string{"plate", "meter"} {
		text = strings.Replace(text, "port: twin\n", fmt.Sprintf("port: %q\n", "recorded:"+first+"/"+name), 1)
	}
	rig := write(t, filepath.Join(dir, "rig.yaml"), text)

	rehearse(leafClip+"short.yaml", rig, "again").exits(exitDone)
	again := theFolder(t, filepath.Join(dir, "again"))
	for _, name := range []string{"wire.jsonl", "readings.csv", "events.jsonl"} {
		compareGolden(t, filepath.Join(first, name), filepath.Join(again, name))
	}
	other := rehearse(leafClip+"staircase.yaml", rig, "other")
	other.exits(exitFailed)
	if h := happenings(t, theFolder(t, filepath.Join(dir, "other"))); !strings.Contains(fmt.Sprint(h), "failed") {
		t.Errorf("a protocol that was not recorded: %s", other.out)
	}
	p := start(t, "run", leafClip+"short.yaml", "--confirm", "LC-07", "--rig", rig, "--specimen", leafClip+"specimen.yaml", "--out", filepath.Join(dir, "runs"))
	p.exits(exitUsage)
	p.says("in virtual time only")
}
