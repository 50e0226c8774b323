package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/drivers/twin"
	"dwell/drivers/wire"
	"dwell/drivers/yamltext"
	"dwell/logs"
	"dwell/safety"
	"dwell/sequence/plan"

	"github.com/spf13/cobra"
)

func rerunCommand(s *speech) *cobra.Command {
	var f files
	var confirm, reason, only string
	var rehearse bool
	x := &execution{speech: s}
	c := &cobra.Command{
		Use:   "rerun RUN",
		Short: "do an old run again, by the plan it had",
		Long: `rerun executes the plan of a run folder, with the instrument profiles that lie
there: the same numbers, and not what the protocol would become today. A rehearsal is
rehearsed again.

First it compares then and now: instruments, firmware, profiles, limits, calibration,
specimen, seed. Each difference is harmless, notable or blocking; a blocking one needs
--reason, which goes into the new run. Of limits the tighter ones hold, old or new, and
no reason overrides that.

--only does one step of the plan, or all that stands under one number, and before it the
way there: the specimen is confirmed, what had been switched on is switched on, and a
temperature is approached from its own side. Of a step in a loop it is the first pass.`,
		Example: `  dwell rerun --rig my-rig.yaml runs/20251125T105047Z-staircase-LC-07
  dwell rerun --specimen LC-31.yaml --reason "new batch" runs/20251125T105047Z-staircase-LC-07
  dwell rerun --only 3.5 runs/20251125T105047Z-staircase-LC-07`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if c.Flags().Changed("only") && strings.TrimSpace(only) == "" {
				return usage(errors.New("--only: expected the number of a step, such as 3.5, or its name; leave it out to do the whole plan"))
			}
			r, err := repeat(args[0], f, only)
			if err != nil {
				return usage(err)
			}
			r.reason = strings.TrimSpace(reason)
			if x.job, x.repeats, x.kind = r.job, r, r.then.Kind; rehearse {
				x.kind = "rehearsal"
			}
			if !c.Flags().Changed("seed") {
				x.seed = r.then.Seed
			}
			r.circumstances(x)
			if err := r.judge(s); err != nil {
				return usage(err)
			}
			if x.kind == "rehearsal" {
				return x.rehearse()
			}
			return x.run(confirm, false)
		},
	}
	c.Flags().StringVar(&f.rig, "rig", "", "the rig file of today (default: the one in the run folder)")
	c.Flags().StringVar(&f.specimen, "specimen", "", "the specimen file of today (default: the one in the run folder)")
	x.outlook.flags(c)
	c.Flags().Uint64Var(&x.seed, "seed", 0, "seed of virtual instruments (default: that of the old run)")
	c.Flags().StringVar(&reason, "reason", "", "why it is done in spite of blocking differences; goes into the record")
	c.Flags().StringVar(&only, "only", "", "do this step alone, and the way there: its number, such as 3.5, or its name")
	c.Flags().BoolVar(&rehearse, "rehearse", false, "on the virtual bench, whatever the old run was")
	c.Flags().StringVar(&confirm, "confirm", "", "the id of the specimen on the bench, instead of being asked for it")
	c.Flags().StringVar(&x.operator, "operator", "", "who runs this, for run.json")
	c.Flags().StringVar(&x.remarks, "remarks", "", "anything worth remembering, for run.json")
	return c
}

// repetition is an old run, and what is not as it was.
type repetition struct {
	folder string
	then   logs.Identity
	old    *job // as it was
	job    *job // as it will be executed
	found  []plan.Difference
	told   int // of these, said already
	begun  bool
	reason string
	only   string // the step that alone is done; "" for the whole plan
	same   bool   // the plan, to the byte
}

func (r *repetition) differs(what, then, now string, weight plan.Weight, why string) {
	if then != now {
		r.found = append(r.found, plan.Difference{What: what, Then: or(then), Now: or(now), Weight: weight, Why: why})
	}
}

func or(text string) string {
	if text == "" {
		return "not known"
	}
	return text
}

// repeat reads an old run and today's files, and compares.
func repeat(dir string, f files, only string) (*repetition, error) {
	r := &repetition{folder: filepath.Base(filepath.Clean(dir)), only: strings.TrimSpace(only)}
	folder, err := r.intact(dir)
	if err != nil {
		return nil, err
	}
	if r.then, err = folder.Identity(); err != nil {
		return nil, err
	}
	if r.old, err = keptJob(folder); err != nil {
		return nil, err
	}
	protocol, err := folder.File("protocol.yaml")
	if err != nil {
		return nil, err
	}
	m := &yamltext.Mistakes{}
	if err := r.today(folder, f, m); err != nil {
		return nil, err
	}
	today, err := r.compile(filepath.Join(dir, "protocol.yaml"), protocol)
	if err != nil {
		return nil, fmt.Errorf("today's bench and specimen do not allow this run, and no reason overrides that:\n%w", err)
	}
	r.job.add("protocol.yaml", protocol)
	return r, r.plan(today, folder)
}

// compile makes of the old protocol what it would be today. Limits of its own that are
// looser than today's are left out then: the old plan has them, and today's are added.
func (r *repetition) compile(name string, protocol []byte) (p *plan.Plan, err error) {
	id := r.job.specimen.ID
	defer func() { r.job.specimen.ID = id }()
	r.job.specimen.ID = r.old.plan.Specimen // the protocol is about that one
	for _, whole := range []bool{true, false} {
		m := &yamltext.Mistakes{}
		doc := yamltext.Parse(name, protocol, m)
		if !whole && doc.Root != nil {
			doc.Root.Pairs = slices.DeleteFunc(doc.Root.Pairs, func(p yamltext.Pair) bool { return p.Key.Text == "limits" })
		}
		if p = plan.Compile(doc, r.job.rig, r.job.specimen, plan.Options{Unattended: r.old.plan.Unattended}, m); m.Len() == 0 {
			return r.asOnce(p), nil
		}
		err = mistakesError(m)
	}
	return nil, err
}

// asOnce is the same step alone of today's plan, where the old run did no more.
func (r *repetition) asOnce(p *plan.Plan) *plan.Plan {
	if r.then.Repeats == nil || r.then.Repeats.Only == "" {
		return p
	}
	one, err := p.Only(r.then.Repeats.Only, r.job.rig)
	if err != nil {
		return p // which is another plan, and said to be
	}
	return one
}

// intact refuses a folder whose plan or files are not as they were.
func (r *repetition) intact(dir string) (*logs.Run, error) {
	v := &verification{}
	if err := v.look(dir); err != nil {
		return nil, err
	}
	for _, f := range v.findings {
		if f.File == "plan.json" || f.File == "run.json" || strings.HasSuffix(f.File, ".yaml") {
			return nil, fmt.Errorf("%s: %s: that is not what was executed then", dir, f)
		}
		r.differs("the old folder", "as it was left", f.String(), plan.Notable, "it does not bear on what is executed")
	}
	folder, _, err := logs.Open(logs.Disk{}, dir)
	if folder == nil {
		return nil, err
	}
	return folder, nil
}

// today reads the rig and the specimen of today, with the profiles of then.
func (r *repetition) today(folder *logs.Run, f files, m *yamltext.Mistakes) error {
	j := &job{}
	r.job = j
	j.name = strings.TrimSuffix(r.folder, "-"+r.then.Specimen)
	if _, name, ok := strings.Cut(j.name, "-"); ok {
		j.name = name
	}
	if f.rig == "" {
		f.rig = filepath.Join(folder.Dir(), "rig.yaml")
	}
	if f.specimen == "" {
		f.specimen = filepath.Join(folder.Dir(), "specimen.yaml")
	}
	doc, err := j.read(f.rig, "rig.yaml", m)
	if err != nil {
		return err
	}
	j.rig = rig.LoadKept(doc, func(name string) ([]byte, error) {
		as := profilesFolder + filepath.Base(name)
		text, err := folder.File(as)
		if err != nil {
			return nil, fmt.Errorf("the old run had no such profile: %w", err)
		}
		j.add(as, text)
		if now := profileOfToday(f.rig, name); !bytes.Equal(now, text) {
			r.differs("the profile "+name, "as it lies in the run folder", "another text", plan.Notable, "the old one is used")
		}
		return text, nil
	}, m)
	overNetwork(j.rig)
	if doc, err = j.read(f.specimen, "specimen.yaml", m); err != nil {
		return err
	}
	j.specimen = rig.LoadSpecimen(doc, m)
	if m.Len() > 0 {
		return mistakesError(m)
	}
	r.bench()
	return nil
}

// profileOfToday is a profile as a new run would have it.
func profileOfToday(rigFile, name string) []byte {
	if text, known := rig.EmbeddedProfile(strings.TrimSuffix(filepath.Base(name), ".yaml")); known {
		return text
	}
	text, _ := os.ReadFile(filepath.Join(filepath.Dir(rigFile), name))
	return text
}

// bench compares the rigs and the specimens, as their files have them.
func (r *repetition) bench() {
	rigs, _ := weighed(r.old.rig.Doc.Root, r.job.rig.Doc.Root, rigWeights)
	specimens, _ := weighed(r.old.specimen.Doc.Root, r.job.specimen.Doc.Root, specimenWeights)
	r.found = append(append(r.found, rigs...), specimens...)
}

// plan settles what is executed.
func (r *repetition) plan(today *plan.Plan, folder *logs.Run) error {
	if r.old.tightened {
		r.differs("the set of rules", "that of its plan", "that with which the old run was taken up again", plan.Notable, "it is tighter, and holds")
	}
	p, found, err := r.old.plan.Again(today)
	r.found = append(r.found, found...)
	if err != nil {
		return err
	}
	p, found = p.Of(r.job.specimen.ID, today)
	r.found = append(r.found, found...)
	if r.only != "" {
		if p, err = r.alone(p); err != nil {
			return err
		}
	}
	if _, err := safety.NewGate(p.Rules, r.job.rig); err != nil {
		return fmt.Errorf("this rig cannot keep the rules of the old plan: %w", err)
	}
	r.job.plan, r.same = p, p == r.old.plan && !r.old.tightened
	text, err := folder.File("plan.json")
	if err == nil && !r.same {
		text, err = plan.WriteJSON(p)
	}
	r.job.add("plan.json", text)
	return err
}

// alone leaves of a plan one step, and the way there.
func (r *repetition) alone(p *plan.Plan) (*plan.Plan, error) {
	if r.only == p.Specimen {
		return nil, fmt.Errorf("%s is the only specimen of that run: leave --only out, or name a step", p.Specimen)
	}
	one, err := p.Only(r.only, r.job.rig)
	if err != nil {
		return nil, fmt.Errorf("--only: %w", err)
	}
	r.differs("what is done", "the whole plan", "step "+r.only+" alone, and the way there", plan.Notable, "it is not the same run")
	return one, nil
}

// circumstances compares what is in no file.
func (r *repetition) circumstances(x *execution) {
	r.differs("dwell", r.then.Dwell, versionText(), plan.Harmless, "plans are executed by the rules of their own version")
	r.differs("the kind", r.then.Kind, x.kind, plan.Notable, "one is real and the other virtual")
	r.differs("the system", r.then.System, x.identity().System, plan.Harmless, "numbers are the same on all")
	virtual := x.kind == "rehearsal" || slices.ContainsFunc(r.job.rig.Instruments, func(d rig.Description) bool { return d.Address.Kind == wire.Twin })
	if virtual {
		r.differs("the seed of the virtual bench", fmt.Sprint(r.then.Seed), fmt.Sprint(x.seed), plan.Notable, "its noise and its errors are other ones")
		r.differs("the model of the virtual bench", modelText(r.then.Twin), modelText(twin.Version), plan.Notable, "its physics are not the same")
	}
}

// modelText is the version of the twin's model; folders of old do not say it.
func modelText(version int) string {
	if version == 0 {
		return ""
	}
	return fmt.Sprint("version ", version)
}

// identify asks who is there, which changes nothing, and compares.
func (r *repetition) identify(c clock.Clock, bench *rig.Bench) error {
	for k, i := range bench.Instruments {
		if name := i.Name(); slices.ContainsFunc(bench.Rig.Instruments, func(d rig.Description) bool { return d.Switches == name }) {
			continue // its mains are not switched on yet
		}
		by := c.Now() + openPatience
		if err := i.Begin(by); err != nil {
			return err
		}
		who, err := i.Identify(by)
		i.End()
		if err != nil {
			return err
		}
		for _, then := range r.then.Instruments {
			if then.Name == bench.Rig.Instruments[k].Name && then.Identity != "" {
				r.identity(then.Name, then.Identity, who)
			}
		}
	}
	return nil
}

// identity compares two answers to the question who somebody is: of four fields, maker,
// model, serial number and firmware, or of one.
func (r *repetition) identity(name, then, now string) {
	a, b := strings.Split(then, ","), strings.Split(now, ",")
	if len(a) != 4 || len(b) != 4 {
		r.differs(name+": who it is", then, now, plan.Blocking, "it may be another instrument")
		return
	}
	for k, field := range []struct {
		what, why string
		weight    plan.Weight
	}{
		{"maker", "it is another instrument", plan.Blocking}, {"model", "it is another instrument", plan.Blocking},
		{"serial number", "it is another one of its kind", plan.Notable}, {"firmware", "it may behave in another way", plan.Notable},
	} {
		r.differs(name+": its "+field.what, strings.TrimSpace(a[k]), strings.TrimSpace(b[k]), field.weight, field.why)
	}
}

// judge says every difference once, and refuses blocking ones without a reason.
func (r *repetition) judge(s *speech) error {
	first := !r.begun
	if r.begun = true; first {
		s.say("repeating %s, begun %s", r.folder, r.then.StartUTC)
	}
	blocking := 0
	for k, d := range r.found {
		if k >= r.told {
			s.say("%s", d)
		}
		if d.Weight == plan.Blocking {
			blocking++
		}
	}
	if r.told = len(r.found); r.told == 0 && first {
		s.say("nothing is known to be different")
	}
	if blocking > 0 && r.reason == "" {
		return errors.New("a blocking difference needs --reason with the reason in words; nothing was touched")
	}
	return nil
}

// record is what run.json says of it.
func (r *repetition) record() *logs.Repeats {
	if r == nil {
		return nil
	}
	out := &logs.Repeats{Run: r.folder, StartUTC: r.then.StartUTC, SamePlan: r.same, Only: r.only, Reason: r.reason, Differences: []logs.Difference{}}
	if before := r.then.Repeats; out.Only == "" && before != nil {
		out.Only = before.Only
	}
	for _, in := range r.then.Inputs {
		if in.Name == "plan.json" {
			out.PlanSHA256 = in.SHA256
		}
	}
	out.Differences = append(out.Differences, r.differences()...)
	return out
}

// differences are what was found, as run.json has them.
func (r *repetition) differences() (all []logs.Difference) {
	for _, d := range r.found {
		all = append(all, logs.Difference{What: d.What, Then: d.Then, Now: d.Now, Weight: string(d.Weight), Why: d.Why})
	}
	return all
}
