package main

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"os"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/drivers/wire"
	"dwell/drivers/yamltext"
	"dwell/logs"
	"dwell/logs/figures"
	"dwell/safety"
	"dwell/sequence"
	"dwell/sequence/plan"

	"github.com/spf13/cobra"
)

func proofCommand(s *speech) *cobra.Command {
	x := &proving{speech: s}
	c := &cobra.Command{
		Use:   "proof --rig RIG [RULE...]",
		Short: "force every interlock on the real bench, see it go safe, and sign that off",
		Long: `proof is for the cold bench with a person beside it. For each rule, one after the
other, it switches everything on as little as possible (the plate to 5 K above the
room, 1 uA into the specimen), tightens the rule until what is read breaches it, and
looks whether the bench goes safe, and how fast. From the forcing until the last command
that makes safe is out it may take no longer than the rule must hold (forced, most hold at
once) and check says at worst. An error queue is filled by a command that its instrument
does not know. What only a hand can bring about, an emergency stop or an instrument that
is switched off and on, is asked for; Enter without it skips that. At the end each instrument's own watchdog may be left to trip.
Each is a run of its own, with its folder.

What came of it is added to the file RIG.proof.jsonl beside the rig file, with the date
and who signed it; dwell run says how old the last one is. With words behind the rig,
only the rules that contain one of them are forced. A proof that leaves a rule or a
watchdog out is partial, and is called so. Where no rule could be tried, nothing is kept.
The longest exchange with each instrument is measured on the way: the lines for the rig
file are printed.`,
		Example: `  dwell proof --rig my-rig.yaml
  dwell proof --rig my-rig.yaml "keeps warming" compliance`,
		RunE: func(_ *cobra.Command, args []string) error {
			if x.files.rig == "" {
				return usage(fmt.Errorf("proof needs --rig"))
			}
			x.only = args
			return x.prove()
		},
	}
	c.Flags().StringVar(&x.files.rig, "rig", "", "the rig file")
	c.Flags().StringVar(&x.files.specimen, "specimen", "", "the specimen file, of the specimen or a resistor in its place (default: specimen.yaml beside the rig file)")
	c.Flags().StringVar(&x.root, "out", "proofs", "where the run folders go")
	return c
}

// proving is one proof test.
type proving struct {
	speech *speech
	files  files
	root   string
	only   []string
	person *bufio.Scanner

	job     *job
	held    *rig.Held
	test    logs.ProofTest
	tried   int                      // how many runs began
	longest map[string]clock.Instant // exchange, by instrument
	code    int                      // of a trial that ended the whole test
}

func (x *proving) prove() error {
	if err := x.prepare(); err != nil {
		return err
	}
	var err error
	if x.held, err = rig.Hold(x.job.rig, asking()); err != nil {
		return usage(err)
	}
	defer x.held.Give()
	x.person = bufio.NewScanner(os.Stdin)
	if answer, there := x.ask(fmt.Sprintf("the plate is cold, %s or a resistor like it is connected, and you stay here until the end? type yes", x.job.specimen.ID)); !there || answer != "yes" {
		return usage(fmt.Errorf("a proof test needs a person at the bench"))
	}
	for _, r := range x.job.plan.Summary.Reactions {
		switch {
		case r.Then == "warn":
		case !x.wanted(r.Rule) || x.code != exitDone:
			x.test.LeftOut = append(x.test.LeftOut, r.Rule)
		default:
			x.keep(x.step(r))
		}
	}
	x.watchdogs()
	return x.finish()
}

// keep notes what came of a step, and shows it.
func (x *proving) keep(s logs.ProofStep) {
	x.test.Steps = append(x.test.Steps, s)
	if s.Verdict == logs.Skipped {
		x.test.LeftOut = append(x.test.LeftOut, s.Rule)
	}
	x.say(s)
}

// watchdogs proves those of the instruments themselves, where the person wants that.
func (x *proving) watchdogs() {
	for i, d := range x.job.rig.Instruments {
		rule := d.Name + "'s own watchdog"
		if d.Profile.Watchdog == nil {
			continue
		}
		if !x.wanted(rule) || x.code != exitDone {
			x.test.LeftOut = append(x.test.LeftOut, rule)
			continue
		}
		step := logs.ProofStep{Rule: rule, From: d.Profile.Name, HoldsS: d.Profile.Watchdog.TripsAfter.Seconds(), AtWorstS: watchdogPatience.Seconds()}
		answer, there := x.ask(fmt.Sprintf("let the watchdog of %s trip, which takes %s? some instruments must be switched off and on after that. type yes, or Enter to skip it",
			d.Name, span(d.Profile.Watchdog.TripsAfter)))
		if step.Verdict, step.Why = logs.Skipped, "nobody wanted it"; there && answer == "yes" {
			t := &provingRun{proving: x, starves: i + 1, sent: map[string]clock.Instant{}, off: map[string]clock.Instant{}}
			t.perform(&step)
		}
		x.keep(step)
	}
}

// prepare reads and checks everything.
func (x *proving) prepare() error {
	m := &yamltext.Mistakes{}
	x.job = &job{name: "proof"}
	if err := x.job.bench(x.files, filepath.Dir(x.files.rig), m); err != nil {
		return err
	}
	if m.Len() == 0 {
		var text []byte
		x.job.plan, text = plan.Proof(x.job.rig, x.job.specimen, m)
		x.job.add("protocol.yaml", text)
	}
	if m.Len() > 0 {
		return x.speech.mistakes(m)
	}
	for _, d := range x.job.rig.Instruments {
		if d.Address.Kind == wire.Twin {
			return usage(fmt.Errorf("%s is virtual (port: twin in the rig file): there is nothing to prove; dwell drill shows what a virtual bench does", d.Name))
		}
	}
	text, err := plan.WriteJSON(x.job.plan)
	if err != nil {
		return err
	}
	x.job.add("plan.json", text)
	x.longest = map[string]clock.Instant{}
	x.test = logs.ProofTest{Rig: x.job.rig.Name, Digest: rigDigest(x.job), Dwell: version, UTC: clock.Today().UTC.Format(time.RFC3339),
		Steps: []logs.ProofStep{}, LongestS: map[string]float64{}}
	return nil
}

func (x *proving) wanted(rule string) bool {
	for _, word := range x.only {
		if strings.Contains(rule, word) {
			return true
		}
	}
	return len(x.only) == 0
}

// ask asks the person, who may have left.
func (x *proving) ask(text string) (answer string, there bool) {
	x.speech.say("person: %s", text)
	if !x.person.Scan() {
		return "", false
	}
	return strings.TrimSpace(x.person.Text()), true
}

// byHand is what a person must do for a rule that nothing else brings about; "" where
// it can be forced.
func (x *proving) byHand(r plan.Reaction) string {
	if contact, is := strings.CutPrefix(r.Rule, "stop contact: "); is {
		channel, _, _ := strings.Cut(contact, " ")
		i := x.job.rig.Channel(channel)
		if i >= 0 && x.job.rig.Instruments[x.job.rig.Channels[i].Instrument].Switches == "" {
			return "open the contact (" + contact + ")"
		}
	}
	if name, is := strings.CutSuffix(r.Rule, " reset or changed behind our back"); is {
		return "switch " + name + " off and on"
	}
	return ""
}

// unprovoked is why a rule cannot be forced; "" if it can.
func (x *proving) unprovoked(r plan.Reaction) string {
	switch {
	case r.Never:
		return "it is judged while " + r.While + " only, which a proof test does not bring about"
	case r.Of.Kind != safety.OfWatched:
		return ""
	}
	w := x.job.plan.Rules.Watched[r.Of.Index]
	return x.job.rig.Instruments[x.job.rig.Instrument(w.Instrument)].Profile.Provokes(w.For)
}

// atWorst is how long a forced rule takes at worst until everything is told to be off. One
// that pauses begins that with one reading, and ends the run, as any other does, by the next.
func (x *proving) atWorst(r plan.Reaction) int64 {
	if r.Then != "pause" {
		return r.TotalNs
	}
	action := int64(0)
	for _, other := range x.job.plan.Summary.Reactions {
		action = max(action, other.ActionNs)
	}
	return r.TotalNs + r.SamplingNs + action
}

// step proves one rule.
func (x *proving) step(r plan.Reaction) logs.ProofStep {
	step := logs.ProofStep{Rule: r.Rule, From: r.From, AtWorstS: clock.Instant(x.atWorst(r)).Seconds()}
	if r.Of.Kind.Lasts() {
		step.HoldsS = clock.Instant(r.HoldsNs).Seconds()
	}
	hand := x.byHand(r)
	switch why := x.unprovoked(r); {
	case hand == "" && why != "":
		step.Verdict, step.Why = logs.Skipped, why
		return step
	case hand != "":
		answer, there := x.ask("can you " + hand + " when it is time? type yes, or Enter to skip it")
		if !there || answer != "yes" {
			step.Verdict, step.Why = logs.Skipped, "nobody did it: "+hand
			return step
		}
	}
	t := &provingRun{proving: x, reaction: r, hand: hand, sent: map[string]clock.Instant{}, off: map[string]clock.Instant{}}
	t.perform(&step)
	return step
}

// provingRun is the run in which one rule is forced.
type provingRun struct {
	*proving
	reaction plan.Reaction
	hand     string
	starves  int // the instrument whose watchdog is not fed, counted from 1; 0 for none
	run      *sequence.Run
	how      string
	forcedAt clock.Instant
	problem  error
	sent     map[string]clock.Instant // by instrument, when the last command that makes it safe was out
	off      map[string]clock.Instant // by instrument, when it was read back to be off
}

// steady is the person of such a run: the specimen was confirmed before.
type steady struct{ id string }

func (p steady) Ask(string, clock.Instant) (string, error) { return p.id, nil }
func (steady) Move(string, clock.Instant) (at, within clock.Instant, err error) {
	return 0, 0, errors.New("nobody moves anything in a proof test")
}
func (steady) Dismiss() {}

func (t *provingRun) perform(step *logs.ProofStep) {
	wall := clock.Wall(0)
	job := *t.job
	e := &execution{speech: t.speech, job: &job, kind: "proof", held: t.held, clock: wall, person: steady{t.job.specimen.ID}, onEvent: t.note}
	control, err := newControl()
	if err != nil {
		step.Verdict, step.Why = logs.NotProved, "cannot listen for dwell safe: "+err.Error()
		return
	}
	e.root, e.owner = t.root, control.text()
	signals := make(chan os.Signal, 8)
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM, syscall.SIGQUIT, syscall.SIGHUP)
	e.onExchange = t.measure
	e.started = func(r *sequence.Run) {
		t.run = r
		control.serve(wall, func() { r.StopFor("dwell safe") }, func() string { return "" }, func() (bool, bool) { s := r.Status(); return s.Safe, s.Over })
		watchSignals(wall, signals, r, t.speech)
		wall.Go("force", func() error { return t.force(wall) })
	}
	err = e.do(func() {
		control.close()
		signal.Stop(signals)
		close(signals)
	})
	t.judge(step, e, err)
}

const (
	steadyFor    = 3 * clock.Second   // with everything on, before a rule is forced
	handPatience = 2 * clock.Minute   // with the person
	forcePast    = 10 * clock.Second  // what a rule's own sum, and its hold, may be exceeded by until nothing will come
	lookForHold  = clock.Second / 10  // whether everything is on
	spareReading = 2 * safety.Attempt // for reading back, which no sum holds
)

// force waits until everything is on, forces the rule, and ends the run if nothing comes
// of that.
func (t *provingRun) force(c clock.Clock) error {
	for !strings.HasSuffix(t.run.Status().Step, " hold") {
		if t.run.Status().Stopping || c.Sleep(c.Now()+lookForHold) != nil {
			return nil
		}
	}
	if c.Sleep(c.Now()+steadyFor) != nil {
		return nil
	}
	if t.starves > 0 {
		if t.problem = t.starve(c, t.starves-1); !t.run.Status().Stopping {
			t.run.Stop()
		}
		return nil
	}
	by := c.Now()
	if t.hand != "" {
		t.speech.say("person: NOW: %s", t.hand)
		t.how, t.forcedAt, by = "by hand: "+t.hand, c.Now(), by+handPatience
	} else if t.how, t.forcedAt, t.problem = t.run.Force(t.reaction.Of); t.problem != nil {
		t.run.Stop()
		return nil
	}
	by += clock.Instant(t.reaction.HoldsNs+t.reaction.TotalNs) + forcePast
	for c.Now() < by && !t.run.Status().Stopping {
		if c.Sleep(c.Now()+lookForHold) != nil {
			return nil
		}
	}
	if !t.run.Status().Stopping {
		t.problem = errors.New("nothing stopped the run")
		t.run.Stop()
	}
	return nil
}

const (
	watchdogPatience = clock.Minute     // until it shows that a watchdog has tripped
	watchdogSpare    = 2 * clock.Second // after its time, in which nothing is asked
	fallenBy         = 5                // times what the display can show
)

// starve lets a watchdog trip, and looks whether that switches off: a heater must cool
// although it was told to be warmer, and a switch in somebody's mains must stop the run
// by its contact.
func (t *provingRun) starve(c clock.Clock, i int) error {
	d := t.job.rig.Instruments[i]
	t.forcedAt = c.Now()
	trips := c.Now() + d.Profile.Watchdog.TripsAfter + watchdogSpare
	if d.Switches != "" {
		t.run.Starve(d.Name, 0)
		for c.Now() < trips+watchdogPatience && !t.run.Status().Stopping {
			if c.Sleep(c.Now()+lookForHold) != nil {
				return nil
			}
		}
		t.how = "its watchdog was not fed"
		return nil
	}
	t.run.Starve(d.Name, trips)
	if c.Sleep(trips) != nil {
		return nil
	}
	thermometers, top := t.job.rig.Thermometers(d.Name), math.Inf(-1)
	for c.Now() < trips+watchdogPatience && len(thermometers) > 0 && !t.run.Status().Stopping {
		x, step := t.run.Status().Latest[thermometers[0]], t.job.rig.Channels[thermometers[0]].Display
		if x.Flag == drivers.Good && x.At > trips {
			if top = max(top, x.Value); x.Value <= top-float64(fallenBy*step) {
				t.how = fmt.Sprintf("its watchdog was not fed: it cooled from %.4g to %.4g degC, told to be warmer", top, x.Value)
				return nil
			}
		}
		if c.Sleep(c.Now()+lookForHold) != nil {
			return nil
		}
	}
	return errors.New("nothing shows that its watchdog has switched it off")
}

// note takes when each instrument was read back to be off.
func (t *provingRun) note(e sequence.Event) {
	name, _, _ := strings.Cut(e.Text, ":")
	if _, known := t.off[name]; e.Kind == "safe" && !known {
		t.off[name] = e.At
	}
}

func (t *provingRun) measure(x *wire.Exchange) {
	if x.Ended == wire.Answered && len(x.Reply) > 0 {
		t.longest[x.Port] = max(t.longest[x.Port], x.Last-x.Sent)
	}
	if t.run == nil || !t.run.Status().Stopping {
		return
	}
	safe := t.job.rig.Instruments[t.job.rig.Instrument(x.Port)].Profile.Safe
	if n := len(safe); n > 0 && bytes.Equal(x.Request, safe[n-1].Send[len(safe[n-1].Send)-1]) && (x.Ended == wire.NoAnswerDue || x.Ended == wire.Answered) {
		if _, known := t.sent[x.Port]; !known {
			t.sent[x.Port] = x.Last
		}
	}
}

// judge says whether the rule did what it must.
func (t *provingRun) judge(step *logs.ProofStep, e *execution, err error) {
	o := e.outcome
	step.How, step.Run = t.how, e.folder
	fail := func(format string, args ...any) {
		if step.Verdict = logs.NotProved; step.Why == "" {
			step.Why = fmt.Sprintf(format, args...)
		}
	}
	step.Verdict = logs.Proved
	c := o.Cause
	switch {
	case t.starves > 0 && t.problem == nil && t.how != "" && err == nil:
		if t.job.rig.Instruments[t.starves-1].Switches != "" && (c == nil || !strings.Contains(c.Text, "stop contact")) {
			fail("its contact did not stop the run: %v", c)
		}
	case o.Word == "":
		fail("%v", err)
		t.code = exitFailed
		if coded := (*coded)(nil); errors.As(err, &coded) && (coded.code != exitUsage || len(t.test.Steps) == 0) {
			t.code = coded.code // that nothing was touched holds before the first trial only
		}
	case t.problem != nil:
		fail("%v", t.problem)
	case t.hand != "" && c != nil && strings.Contains(c.From, "silence") && o.Safe:
		step.Verdict, step.Why = logs.Skipped, fmt.Sprintf("it was silent for longer than it may be, which ended the run first: %v", c)
	case c == nil || c.From != t.reaction.From:
		fail("the run ended by something else: %v", c)
	case err != nil:
		fail("%v", err)
	}
	if o.Word == "" {
		return
	}
	t.tried++
	if t.timed(step, o); step.Verdict == logs.Proved && t.starves == 0 {
		if whole := step.HoldsS + step.AtWorstS; step.SentS > whole {
			fail("not proved within the stated time: the last command that makes safe was out after %.2f s, and %.2f s are stated", step.SentS, whole)
		}
	}
	if step.Verdict == logs.Proved && step.OffS > step.HoldsS+step.AtWorstS+spareReading.Seconds() {
		fail("reading back took too long")
	}
	switch {
	case !o.Safe:
		fail("the bench is not confirmed safe")
		t.code = exitNotSafe
		t.speech.say("\n%s", t.speech.red(loud))
	case c != nil && c.Kind == safety.Stopped && t.problem == nil && t.starves == 0:
		t.code = exitStopped
	}
}

// timed is from the moment of forcing until everything was told to be off, which is what a
// rule's sum is about, and until the last instrument was read back to be.
func (t *provingRun) timed(step *logs.ProofStep, o sequence.Outcome) {
	off := o.Report.Done
	if len(t.off) == len(o.Report.Evidence) {
		off = 0
		for _, at := range t.off {
			off = max(off, at)
		}
	}
	if t.hand != "" && o.Cause != nil {
		t.forcedAt = o.Cause.At // nobody knows when the hand was there
	}
	sent := clock.Instant(0)
	for _, d := range t.job.rig.Instruments {
		if len(d.Profile.Safe) == 0 {
			continue
		}
		at, known := t.sent[d.Name]
		if !known {
			at = off
		}
		sent = max(sent, at)
	}
	step.SentS = max(0, (sent - t.forcedAt).Seconds())
	step.OffS, step.SafeS = max(0, (off-t.forcedAt).Seconds()), max(0, (o.Report.Done-t.forcedAt).Seconds())
	for _, e := range o.Report.Evidence {
		if e.Grade != drivers.Unconfirmed {
			step.Evidence = append(step.Evidence, e.Instrument+": "+e.Grade.String())
		}
	}
}

// say shows what came of a step.
func (x *proving) say(s logs.ProofStep) {
	switch s.Verdict {
	case logs.Proved:
		x.speech.say("proved: %s: told off after %.2f s (holds %.4g s, then %.2f s at worst), read back off after %.2f s, safe after %.1f s", s.Rule, s.SentS, s.HoldsS, s.AtWorstS, s.OffS, s.SafeS)
	case logs.NotProved:
		x.speech.say("%s %s: %s", x.speech.red("failed:"), s.Rule, s.Why)
	default:
		x.speech.say("skipped: %s: %s", s.Rule, s.Why)
	}
}

// finish has the test signed, and keeps it.
func (x *proving) finish() error {
	t := &x.test
	proved, failed, skipped := t.Count(logs.Proved), t.Count(logs.NotProved), t.Count(logs.Skipped)
	if x.tried == 0 {
		if x.code == exitDone {
			x.code = exitDiffering
		}
		return &coded{x.code, errors.New("no rule was tried: nothing is proved, and nothing is kept")}
	}
	t.Partial = len(t.LeftOut) > 0
	t.Passed = failed == 0 && proved > 0 && x.code == exitDone && !t.Partial
	for name, longest := range x.longest {
		t.LongestS[name] = longest.Seconds()
	}
	x.speech.say("%s: %d rules proved, %d failed, %d left out", t.Word(), proved, failed, len(t.LeftOut))
	t.SignedBy, _ = x.ask("your name signs this off (empty: nobody does)")
	path := proofFile(x.files.rig)
	if err := logs.AppendProof(path, t); err != nil {
		return &coded{max(x.code, exitFailed), fmt.Errorf("the proof test cannot be kept: %w", err)}
	}
	x.speech.result(x.text(path))
	if x.code == exitDone && (failed > 0 || proved == 0 || t.SignedBy == "") {
		x.code = exitDiffering
	}
	x.speech.object(map[string]any{"proof": path, "passed": t.Passed, "signed_by": t.SignedBy, "partial": t.Partial,
		"proved": proved, "failed": failed, "skipped": skipped, "left_out": append([]string{}, t.LeftOut...), "steps": t.Steps, "longest_exchange_s": t.LongestS, "exit": x.code})
	if x.code != exitDone {
		return said(x.code)
	}
	return nil
}

func (x *proving) text(path string) string {
	t := &x.test
	rows := [][]string{{"rule", "verdict", "holds", "at worst", "told after", "off after", "safe after"}}
	number := func(s float64) string { return fmt.Sprintf("%.4g s", s) }
	for _, s := range t.Steps {
		row := []string{s.Rule, string(s.Verdict), number(s.HoldsS), number(s.AtWorstS), "-", "-", "-"}
		if s.Verdict != logs.Skipped && s.SafeS > 0 {
			row[4], row[5], row[6] = fmt.Sprintf("%.2f s", s.SentS), fmt.Sprintf("%.2f s", s.OffS), fmt.Sprintf("%.1f s", s.SafeS)
		}
		rows = append(rows, row)
	}
	var b strings.Builder
	b.WriteString(table(rows))
	for _, d := range x.job.rig.Instruments {
		if s := t.LongestS[d.Name]; s > 0 {
			fmt.Fprintf(&b, "for %s in the rig file:  %s\n", d.Name, figures.LongestExchange(s, t.UTC[:len("2026-01-02")]))
		}
	}
	signed := "not signed: it does not count"
	if t.SignedBy != "" {
		signed = "signed by " + t.SignedBy
	}
	fmt.Fprintf(&b, "%-10s%s, %s\n", "proof", t.Word(), signed)
	for _, rule := range t.LeftOut {
		fmt.Fprintf(&b, "%-10s%s\n", "left out", rule)
	}
	fmt.Fprintf(&b, "%-10s%s\n", "kept in", path)
	return b.String()
}

// proofFile is where the proof tests of a rig are kept.
func proofFile(rigFile string) string {
	return strings.TrimSuffix(rigFile, filepath.Ext(rigFile)) + ".proof.jsonl"
}

// rigDigest is of the rig file and all profiles that it uses.
func rigDigest(j *job) string {
	h := sha256.New()
	for _, in := range j.inputs {
		if in.Name == "rig.yaml" || strings.HasPrefix(in.Name, profilesFolder) {
			fmt.Fprintf(h, "%s %d\n%s", in.Name, len(in.Bytes), in.Bytes)
		}
	}
	return hex.EncodeToString(h.Sum(nil))
}

// provenWhen says how old the last whole proof test of a rig is, and a partial one after it.
func provenWhen(rigFile string, j *job) string {
	whole, partial, err := logs.LastProofs(proofFile(rigFile))
	if err != nil {
		return "the proof tests of this rig cannot be read: " + err.Error()
	}
	text := "this rig has never had a whole proof test that was signed: dwell proof --rig " + rigFile
	if whole != nil {
		text = "the last whole proof test" + proofAge(whole, j)
	}
	if partial != nil {
		text += "; the last partial one" + proofAge(partial, j)
	}
	return text
}

// proofAge is what stands behind a proof test's name.
func proofAge(p *logs.ProofTest, j *job) string {
	text := ""
	if made, err := time.Parse(time.RFC3339, p.UTC); err == nil {
		text = fmt.Sprintf(" is %d days old", int(clock.Today().UTC.Sub(made).Hours()/24))
	}
	text += fmt.Sprintf(" (%s, signed by %s): %d rules proved", p.UTC, p.SignedBy, p.Count(logs.Proved))
	if n := p.Count(logs.NotProved); n > 0 {
		text += fmt.Sprintf(", %d FAILED", n)
	}
	if n := len(p.LeftOut); n > 0 {
		text += fmt.Sprintf(", %d left out", n)
	}
	if p.Digest != rigDigest(j) {
		text += "; the rig file or a profile has changed since, so that it proves nothing of this rig"
	}
	return text
}
