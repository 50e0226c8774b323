//go:build unix

package main

import (
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/twin"
	"dwell/drivers/yamltext"
	"dwell/logs"
	"dwell/safety"
	"dwell/sequence"
	"dwell/sequence/plan"
)

// proving starts a proof test of some rules on the served bench. What is written to the
// second result, the person says.
func (s *served) proving(rules ...string) (*process, io.Writer) {
	s.t.Helper()
	return proves(s.t, s.rig, rules...)
}

func proves(t *testing.T, rig string, rules ...string) (*process, io.Writer) {
	t.Helper()
	p := ready(t, append([]string{"proof", "--json", "--rig", rig, "--specimen", leafClip + "specimen.yaml", "--out", t.TempDir()}, rules...)...)
	person, err := p.cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { person.Close() })
	p.start()
	p.says("you stay here until the end? type yes")
	return p, person
}

// A proof test sees the real bench go safe, by force and by a person's hand, and is
// kept with the name of who signed it.
func TestProof(t *testing.T) {
	t.Parallel()
	s := serve(t)
	p, person := s.proving("plate keeps warming", "meter reset", "meter error queue")
	io.WriteString(person, "yes\n")
	p.says("proved: plate keeps warming")
	s.expectOff()
	p.says("can you switch meter off and on")
	io.WriteString(person, "yes\n")
	p.says("NOW: switch meter off and on")
	s.do(func() {
		if err := s.bench.Reboot("meter"); err != nil {
			t.Error(err)
		}
	})
	p.says("your name")
	s.expectOff()
	io.WriteString(person, "M.K.\n")
	p.exits(exitDone)
	proved, skipped, ended := 3.0, 0.0, "tripped"
	if strings.Contains(p.err.String(), "silent for longer than it may be") { // a machine too busy to answer in time
		t.Log("silence ended the run before the reset was seen")
		proved, skipped, ended = 2, 1, "failed"
	}
	p.says("partial: ")
	p.expectObject(map[string]any{"passed": false, "signed_by": "M.K.", "partial": true, "proved": proved, "failed": 0.0, "skipped": skipped})
	file := strings.TrimSuffix(s.rig, ".yaml") + ".proof.jsonl"
	if whole, partial, err := logs.LastProofs(file); whole != nil || err != nil || partial == nil || partial.Word() != "partial" || !slices.Contains(partial.LeftOut, "plate heats not") {
		t.Errorf("a partial proof counts as a whole one, or not at all: %+v %+v %v", whole, partial, err)
	}
	for _, step := range lastObject(t, strings.NewReader(p.out.String()))["steps"].([]any) {
		x := step.(map[string]any)
		if strings.Contains(x["rule"].(string), "error queue") && x["how"] != `it was sent "NO:SUCH:THING", which it does not know` {
			t.Errorf("the error queue: %v", x)
		}
		sent, off, safe := x["sent_s"].(float64), x["off_s"].(float64), x["safe_s"].(float64)
		if x["verdict"] == "proved" && !(0 < sent && sent < off && off < 5 && off <= safe) {
			t.Errorf("%v: told off after %v s, read back after %v s, safe after %v s", x["rule"], sent, off, safe)
		}
		if run, is := x["run"].(string); is {
			happened(t, run, map[bool]string{true: ended, false: "forced"}[strings.Contains(x["rule"].(string), "reset")])
		}
	}
	heats := 0
	for _, e := range s.said() {
		if e.is("plate", "heat", 1) {
			heats++
		}
	}
	if heats != 3 {
		t.Errorf("it heated %d times, for three rules", heats)
	}
}

// A run that something else has ended proves nothing of the rule, and the code says so.
func TestProofFails(t *testing.T) {
	t.Parallel()
	s := serve(t)
	p, person := s.proving("keeps warming")
	io.WriteString(person, "yes\n")
	wait(t, "the output to be on for more than the confirmation", func() bool {
		times := 0
		for _, e := range s.said() {
			if e.is("meter", "output", 1) {
				times++
			}
		}
		return times > 1
	})
	s.do(func() { s.bench.Break("the film", func(f *twin.Faults) { f.FilmOpen = true }) })
	p.says("your name")
	io.WriteString(person, "M.K.\n")
	p.exits(exitDiffering)
	p.expectObject(map[string]any{"passed": false, "failed": 1.0, "exit": 7.0})
	if !strings.Contains(p.err.String(), "the run ended by something else: meter is in compliance") {
		t.Error("it does not say what ended the run")
	}
	s.expectOff()
}

// A rule is proved when everything was told to be off in the time that is stated for it;
// reading that back takes longer, and is no part of that time.
func TestProvedWithinTheStatedTime(t *testing.T) {
	t.Parallel()
	j := &job{}
	if err := j.bench(files{rig: leafClip + "rig.yaml", specimen: leafClip + "specimen.yaml"}, "", &yamltext.Mistakes{}); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		meter, plate, off clock.Instant // after the forcing
		verdict           logs.ProofVerdict
		why               string
	}{
		{clock.Second / 10, clock.Second * 6 / 10, 3 * clock.Second, logs.Proved, ""},
		{clock.Second / 10, clock.Second * 8 / 10, 3 * clock.Second, logs.NotProved, "not proved within the stated time: the last command that makes safe was out after 0.80 s, and 0.68 s are stated"},
		{clock.Second / 10, 0, clock.Second, logs.NotProved, "not proved within the stated time"}, // nobody saw the plate's: read back
		{clock.Second / 10, clock.Second * 6 / 10, 11 * clock.Second, logs.NotProved, "reading back took too long"},
	} {
		const forced = 4 * clock.Second
		x := &provingRun{proving: &proving{job: j}, reaction: plan.Reaction{From: "silence"}, how: "forced", forcedAt: forced,
			sent: map[string]clock.Instant{"meter": forced + c.meter}, off: map[string]clock.Instant{"meter": forced + c.off, "plate": forced + c.off}}
		if c.plate > 0 {
			x.sent["plate"] = forced + c.plate
		}
		e := &execution{outcome: sequence.Outcome{Word: "failed", Cause: &safety.Cause{From: "silence"}, Safe: true,
			Report: safety.Report{Done: forced + c.off + clock.Second, Evidence: make([]drivers.Evidence, 2)}}}
		step := logs.ProofStep{AtWorstS: 0.68}
		if x.judge(&step, e, nil); step.Verdict != c.verdict || !strings.HasPrefix(step.Why, c.why) || (c.why == "") != (step.Why == "") {
			t.Errorf("%+v: %s, %q", c, step.Verdict, step.Why)
		}
	}
}

// A proof test that could try nothing, since a port is not to be had, is none: nobody is
// asked to sign it, and nothing is kept.
func TestAProofOfNothing(t *testing.T) {
	t.Parallel()
	rig := filepath.Join(t.TempDir(), "rig.yaml")
	text := strings.Replace(read(t, leafClip+"rig.yaml"), "port: twin", "port: serial:"+filepath.Join(t.TempDir(), "gone"), 1)
	write(t, rig, strings.Replace(text, "port: twin", "port: serial:"+filepath.Join(t.TempDir(), "gone"), 1))
	p, person := proves(t, rig)
	io.WriteString(person, "yes\nM.K.\n")
	p.exits(exitUsage)
	p.says("there is no port")
	p.says("no rule was tried")
	if kept, err := os.ReadFile(proofFile(rig)); err == nil || strings.Contains(p.err.String(), "your name") {
		t.Errorf("kept: %q, said: %q", kept, p.err.String())
	}
}

// What is judged only once a stage knows where it is cannot be forced, since a proof test
// moves nothing: that is no failure of the bench.
func TestAProofOfAStage(t *testing.T) {
	m := &yamltext.Mistakes{}
	x := &proving{job: &job{}}
	if err := x.job.bench(files{rig: leafClip + "bending/rig.yaml", specimen: leafClip + "bending/specimen.yaml"}, "", m); err != nil {
		t.Fatal(err)
	}
	x.job.plan, _ = plan.Proof(x.job.rig, x.job.specimen, m)
	if m.Len() > 0 {
		t.Fatal(m.Err())
	}
	skipped := map[string]string{}
	for _, r := range x.job.plan.Summary.Reactions {
		if why := x.unprovoked(r); why != "" && x.byHand(r) == "" {
			skipped[r.Rule] = why
		}
	}
	want := map[string]string{"stage alarm: stage has locked itself": "it is judged while stage homed only, which a proof test does not bring about",
		"stage instrument reports a fault": "it is not asked after this in a proof test, which moves nothing"}
	if !maps.Equal(skipped, want) {
		t.Errorf("got %q\nexpected %q", skipped, want)
	}
}

// A forced pause ends the run by one reading more than it begins with, which is no failure.
func TestAProofOfAPause(t *testing.T) {
	lock := "lasting: 60 s, then: trip}"
	rig := write(t, filepath.Join(t.TempDir(), "rig.yaml"), strings.Replace(read(t, leafClip+"rig.yaml"), lock,
		lock+"\n  - {when: \"plate.temperature > 60 degC\", then: pause, clear for: 1 min, at most: 20 min, plate to: 20 degC}", 1))
	m := &yamltext.Mistakes{}
	x := &proving{job: &job{}}
	if err := x.job.bench(files{rig: rig, specimen: leafClip + "specimen.yaml"}, "", m); err != nil {
		t.Fatal(err)
	}
	if x.job.plan, _ = plan.Proof(x.job.rig, x.job.specimen, m); m.Len() > 0 {
		t.Fatal(m.Err())
	}
	pauses := 0
	for _, r := range x.job.plan.Summary.Reactions {
		more := x.atWorst(r) - r.TotalNs
		if r.Then == "pause" {
			pauses++
		}
		if (more > r.SamplingNs) != (r.Then == "pause") {
			t.Errorf("%s: %d ns more than check says", r.Rule, more)
		}
	}
	if pauses != 1 {
		t.Errorf("%d rules that pause", pauses)
	}
}

// Nothing is switched on without a person's yes, nor on a virtual bench.
func TestProofNeedsAPerson(t *testing.T) {
	t.Parallel()
	s := serve(t)
	for _, answer := range []string{"no\n", ""} {
		p, person := s.proving()
		io.WriteString(person, answer)
		person.(io.Closer).Close()
		p.exits(exitUsage)
	}
	s.expectNothing()
	p := start(t, "proof", "--rig", leafClip+"rig.yaml")
	p.exits(exitUsage)
	p.says("there is nothing to prove")
	start(t, "proof").exits(exitUsage)
}

// A run says how old the last proof test of its rig is, and whether it is still about
// this rig.
func TestHowOldTheProofIs(t *testing.T) {
	t.Parallel()
	name := filepath.Join(t.TempDir(), "rig.yaml")
	load := func(text string) *job {
		write(t, name, text)
		j := &job{}
		if err := j.bench(files{rig: name, specimen: leafClip + "specimen.yaml"}, "", &yamltext.Mistakes{}); err != nil {
			t.Fatal(err)
		}
		return j
	}
	text := read(t, leafClip+"rig.yaml")
	j := load(text)
	if got := provenWhen(name, j); !strings.Contains(got, "never had a whole proof test that was signed: dwell proof --rig "+name) {
		t.Errorf("got %q", got)
	}
	keep := func(p logs.ProofTest) {
		p.Digest = rigDigest(j)
		if err := logs.AppendProof(proofFile(name), &p); err != nil {
			t.Fatal(err)
		}
	}
	steps := []logs.ProofStep{{Verdict: logs.Proved}, {Verdict: logs.Proved}}
	skipped := append(steps[:1:1], logs.ProofStep{Rule: "meter reset", Verdict: logs.Skipped})
	keep(logs.ProofTest{UTC: "2026-03-13T10:00:00Z", SignedBy: "M.K.", Passed: true, Steps: skipped}) // as it was written once
	if got := provenWhen(name, j); !strings.Contains(got, "never had a whole proof test") || !strings.Contains(got, "the last partial one is") || !strings.Contains(got, "(2026-03-13T10:00:00Z, signed by M.K.): 1 rules proved, 1 left out") {
		t.Errorf("got %q", got)
	}
	keep(logs.ProofTest{UTC: "2026-03-14T10:00:00Z", SignedBy: "M.K.", Passed: true, Steps: steps})
	keep(logs.ProofTest{UTC: "2026-03-15T10:00:00Z", Passed: true, Steps: steps})
	if got := provenWhen(name, j); !strings.Contains(got, "days old (2026-03-14T10:00:00Z, signed by M.K.): 2 rules proved") || strings.Contains(got, "changed") || strings.Contains(got, "partial") {
		t.Errorf("got %q", got)
	}
	keep(logs.ProofTest{UTC: "2026-03-16T10:00:00Z", SignedBy: "N.N.", Partial: true, LeftOut: []string{"a", "b", "c"}, Steps: steps})
	if got := provenWhen(name, j); !strings.Contains(got, "(2026-03-14T10:00:00Z, signed by M.K.)") || !strings.Contains(got, "partial one is") || !strings.Contains(got, "signed by N.N.): 2 rules proved, 3 left out") {
		t.Errorf("got %q", got)
	}
	if got := provenWhen(name, load(strings.Replace(text, "below: 80 degC", "below: 79 degC", 1))); !strings.Contains(got, "has changed since") {
		t.Errorf("got %q", got)
	}
	keep(logs.ProofTest{UTC: "2026-04-14T10:00:00Z", SignedBy: "M.K.", Steps: append(steps, logs.ProofStep{Verdict: logs.NotProved})})
	if got := provenWhen(name, load(text)); !strings.Contains(got, ", 1 FAILED") {
		t.Errorf("got %q", got)
	}
	write(t, proofFile(name), "torn")
	if got := provenWhen(name, j); !strings.Contains(got, "cannot be read") {
		t.Errorf("got %q", got)
	}
}

// A switch in the plate's mains opens by itself when it is not fed, and that stops the
// run: on a bench of another process, with the plate and the switch behind PTYs.
func TestProofOfAMainsSwitch(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	bench, served := filepath.Join(dir, "rig.yaml"), filepath.Join(dir, "twin-rig.yaml")
	write(t, bench, strings.Replace(read(t, leafClip+"rig.yaml"), "# What the instruments measure,",
		"  mains: {profile: mains-switch, port: twin, switches: plate}\n# What the instruments measure,", 1))
	journal := filepath.Join(dir, "twin.jsonl")
	twin := ready(t, "twin", "--rig", bench, "--specimen", leafClip+"specimen.yaml", "--write-rig", served, "--journal", journal)
	hands, err := twin.cmd.StdinPipe() // while it is open the bench goes on
	if err != nil {
		t.Fatal(err)
	}
	defer hands.Close()
	twin.start()
	twin.says("rig file with these ports")
	p, person := proves(t, served, "mains's own watchdog")
	io.WriteString(person, "yes\nyes\nM.K.\n")
	p.exits(exitDone)
	p.expectObject(map[string]any{"passed": false, "partial": true, "proved": 1.0, "failed": 0.0})
	text := read(t, journal)
	on, off := strings.LastIndex(text, `"what":"heat","value":1`), strings.LastIndex(text, `"what":"heat","value":0`)
	dog := strings.Index(text, "open: it was not kept closed")
	if on < 0 || dog < on || off < dog {
		t.Errorf("heat on at %d, not kept at %d, heat off at %d of the journal\n%s", on, dog, off, text)
	}
}

// Whoever is asked has the rig: another program cannot take it meanwhile, and a second
// proof test asks nobody. dwell safe gets it all the same, and at once.
func TestAProofHoldsItsRigBeforeItAsks(t *testing.T) {
	t.Parallel()
	s := serve(t)
	first, _ := s.proving()
	for _, verb := range [][]string{{"proof"}, {"run", "--confirm", "LC-07", "testdata/warm.yaml"}} {
		second := start(t, append(verb, "--rig", s.rig, "--specimen", leafClip+"specimen.yaml", "--out", t.TempDir())...)
		second.exits(exitUsage)
		if text := second.err.String(); !strings.Contains(text, "in use by another run") || strings.Contains(text, "type yes") {
			t.Errorf("%s: %q", verb[0], text)
		}
	}
	s.expectNothing()
	start(t, "safe", "--rig", s.rig).exits(exitDone)
	first.ends()
	if status := first.cmd.ProcessState.Sys().(syscall.WaitStatus); status.Signal() != syscall.SIGKILL {
		t.Errorf("the proof that only asked ended by %v", status)
	}
}
