package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"

	"dwell/drivers/clock"
	"dwell/drivers/quantity"
	"dwell/sequence/drill"

	"github.com/spf13/cobra"
)

func drillCommand(s *speech) *cobra.Command {
	var f files
	x := &drilling{speech: s}
	c := &cobra.Command{
		Use:   "drill PROTOCOL",
		Short: "do the protocol on the virtual bench again and again, each time with something that goes wrong",
		Long: `drill rehearses the protocol once for every fault and moment: broken sensors, a
welded relay, a dead cable, a full disk. Each row says what ended the run, how long
heat and output stayed on, how hot the plate and the film became, and what it comes
to: "safe"; "needs hardware" where no software can do anything and the run said so;
"unsafe". What is true on the virtual bench decides, not what the run thinks of itself.
Where a rule ended the run, how long that took from its breach stands beside what check
says of it at worst. A protocol that takes more than a day is shortened: whatever it
repeats is done twice, and the table says so. Nothing real is touched.`,
		Example: `  dwell drill examples/leaf-clip/staircase.yaml
  dwell drill --seed 7 --random 100 examples/leaf-clip/overnight.yaml`,
		Args: cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			f.protocol = args[0]
			j, err := load(s, f)
			if err != nil {
				return err
			}
			return x.drill(j)
		},
	}
	f.flags(c)
	c.Flags().Uint64Var(&x.seed, "seed", 1, "seed of the virtual bench, and of --random")
	c.Flags().IntVar(&x.random, "random", 0, "instead of the whole table so many runs with two or three faults each, drawn by the seed")
	return c
}

// drilling is one drill.
type drilling struct {
	speech *speech
	seed   uint64
	random int
	rows   []drill.Row
}

func (x *drilling) drill(j *job) error {
	if x.random < 0 {
		return usage(fmt.Errorf("--random %d: expected a number of runs", x.random))
	}
	began := clock.Today()
	d, err := drill.New(j.plan, j.rig, j.specimen, x.seed)
	if notWell := (*drill.NotWell)(nil); errors.As(err, &notWell) {
		x.speech.say("hint: dwell rehearse shows it in full")
		code := outcomeCode(notWell.Row.Outcome)
		if code == exitDone {
			code = exitDiffering
		}
		return &coded{code, err}
	}
	if err != nil {
		return usage(err)
	}
	cases := d.Cases()
	if x.random > 0 {
		cases = d.Random(x.random)
	}
	if err := x.perform(d, cases); err != nil {
		return err
	}
	took := clock.Today().UTC.Sub(began.UTC)
	x.speech.result(x.text(j, d, took.Seconds()))
	code := exitDone
	for _, r := range x.rows {
		if r.Verdict == drill.Unsafe {
			code = exitDiffering
		}
	}
	object := x.object(code)
	object["shortened"] = d.Whole > 0
	x.speech.object(object)
	if code != exitDone {
		return said(code)
	}
	return nil
}

// perform performs the cases on all processors: each in a world of its own.
func (x *drilling) perform(d *drill.Drill, cases []drill.Case) error {
	x.rows = make([]drill.Row, len(cases))
	failures := make([]error, len(cases))
	var next atomic.Int64
	var all sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		all.Add(1)
		go func() {
			defer all.Done()
			for i := next.Add(1) - 1; i < int64(len(cases)); i = next.Add(1) - 1 {
				x.rows[i], failures[i] = d.Perform(cases[i])
			}
		}()
	}
	all.Wait()
	return errors.Join(failures...)
}

// text is the table, and what is not safe in full.
func (x *drilling) text(j *job, d *drill.Drill, took_s float64) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%-10s%s\n%-10s%s on %s\n", "protocol", j.plan.Title, "specimen", j.plan.Specimen, j.rig.Name)
	fmt.Fprintf(&b, "%-10s%d runs of %s each, drilled in %.1f s (virtual bench, seed %d)\n", "took", len(x.rows),
		span(d.Undisturbed.Outcome.Report.Done), took_s, x.seed)
	if d.Whole > 0 {
		fmt.Fprintf(&b, "%-10sof %s, by doing twice whatever the protocol repeats: wear is not drilled\n", "shortened", span(d.Whole))
	}
	b.WriteString(x.table())
	b.WriteString(x.notSafe())
	b.WriteString(x.reactions())
	count := x.count()
	fmt.Fprintf(&b, "%-10s%d safe, %d need hardware, %d unsafe\n", "rows", count[drill.Safe], count[drill.NeedsHardware], count[drill.Unsafe])
	return b.String()
}

// drillColumns is how wide the text of a drill is at most: that of a usual terminal.
const drillColumns = 100

// table has a line for every row, below the fault and what ended those runs.
func (x *drilling) table() string {
	var b strings.Builder
	lines := strings.SplitAfter(table(x.cells()), "\n")
	b.WriteString(lines[0])
	said := ""
	for i, r := range x.rows {
		ended := r.Tripped()
		if ended == "" {
			ended = "no rule ended it"
		}
		if head := r.Case.String() + ": " + ended; head != said {
			b.WriteString(strings.Join(wrap(head, drillColumns-4), "\n    ") + "\n")
			said = head
		}
		b.WriteString(lines[i+1])
	}
	return b.String()
}

// filmLook is how the power in the film is shown in all rows.
func (x *drilling) filmLook() quantity.Look {
	most := 0.0
	for _, r := range x.rows {
		most = max(most, r.FilmWatts)
	}
	watt, _ := quantity.LookUp("W")
	return quantity.LookOf(most, 1e-8, watt.Dim)
}

// cells are the columns of the table. What else is known of a row is in the object.
func (x *drilling) cells() [][]string {
	film := x.filmLook()
	rows := [][]string{{"moment", "at", "verdict", "exit", "to safe", "breach", "reacted", "at worst", "plate", "film", "lost"}}
	for _, r := range x.rows {
		safe := "never"
		switch {
		case r.WentOn():
			safe = "-"
		case r.ToSafe != clock.Never:
			safe = narrowly(r.ToSafe)
		}
		breach, took, worst := "-", "-", "-"
		if k := r.Reaction; k != nil {
			breach, took, worst = "at once", narrowly(k.Took), narrowly(clock.Instant(k.Plan.TotalNs))
			if k.Breach > 0 {
				breach = narrowly(k.Breach)
			}
		}
		verdict := string(r.Verdict)
		switch r.Verdict {
		case drill.Unsafe:
			verdict = strings.ToUpper(verdict)
		case drill.NeedsHardware:
			verdict = "hardware" // in full below
		}
		number, _, _ := strings.Cut(film.Text(r.FilmWatts), " ")
		rows = append(rows, []string{r.Case.Moment, narrowly(r.At()), verdict, fmt.Sprint(outcomeCode(r.Outcome)), safe, breach, took, worst,
			fmt.Sprintf("%.1f", r.PlateDegC), number, fmt.Sprint(r.Lost)})
	}
	return rows
}

// narrowly is a time in few columns.
func narrowly(t clock.Instant) string {
	switch {
	case t < clock.Second:
		return shortly(int64(t))
	case t < 100*clock.Second:
		return fmt.Sprintf("%.1f s", t.Seconds())
	case t < 100*clock.Minute:
		return fmt.Sprintf("%.1f min", t.Seconds()/60)
	}
	return fmt.Sprintf("%.1f h", t.Seconds()/3600)
}

// notSafe says of every fault that is not safe why, and what would have helped: of
// the first moment, and when it is the same.
func (x *drilling) notSafe() string {
	var b strings.Builder
	for i := 0; i < len(x.rows); {
		r := x.rows[i]
		moments := []string{r.Case.Moment}
		for i++; i < len(x.rows) && x.rows[i].Case.String() == r.Case.String() && x.rows[i].Verdict == r.Verdict; i++ {
			moments = append(moments, x.rows[i].Case.Moment)
		}
		if r.Verdict == drill.Safe {
			continue
		}
		text := fmt.Sprintf("%s: %s (%s): %s", r.Verdict, r.Case, strings.Join(moments, ", "), r.Why)
		_, rest, _ := strings.Cut(strings.Join(wrap(text, drillColumns-2), "\n  "), string(r.Verdict))
		b.WriteString(x.speech.red(string(r.Verdict)) + rest + "\n")
		if r.Hardware != "" {
			fmt.Fprintf(&b, "  hint: what helps is %s\n", r.Hardware)
		}
	}
	return b.String()
}

// columnsMean says what a head cannot. For a fault that creeps, such as a thermometer that
// drifts, the breach comes long after it, and check speaks of what comes after the breach.
const columnsMean = "  to safe: from the fault to a bench known to be off; breach: from the fault until a rule could ask\n" +
	"  for that; reacted: from the breach to heat and output off, beside what check says at worst;\n" +
	"  plate and film: the highest temperature in degC, the highest power in %s; lost: readings\n"

// reactions says of how many rows the rule that ended them has reacted as fast as check
// says, and after which faults not: those that break what check assumes by name, and any
// other row by itself.
func (x *drilling) reactions() string {
	var late, wrong []string
	ended, inTime := 0, 0
	for _, r := range x.rows {
		switch fault := r.Case.String(); {
		case r.Reaction == nil:
		case r.Reaction.InTime():
			ended, inTime = ended+1, inTime+1
		case r.Case.Beyond():
			ended++
			if !slices.Contains(late, fault) {
				late = append(late, fault)
			}
		default:
			ended++
			wrong = append(wrong, fmt.Sprintf("%s (%s): %s", fault, r.Case.Moment, lateText(r.Reaction)))
		}
	}
	_, unit, _ := strings.Cut(x.filmLook().Text(0), " ")
	text := fmt.Sprintf(columnsMean, unit)
	text += fmt.Sprintf("%-10s%d rows were ended by a rule and became safe, %d of them as fast and as cool\n          as check says at worst\n", "reaction", ended, inTime)
	if len(late) > 0 {
		text += fmt.Sprintf("%-10snot so after %s:\n%-10scheck assumes a program that runs, a line that carries commands to somebody who hears,\n%-10sand a switch that opens\n", "", strings.Join(late, ", "), "", "")
	}
	for _, row := range wrong {
		text += hung("late", row+": this fault breaks nothing that check assumes, so what check says is too little", drillColumns)
	}
	return text
}

// lateText is how a rule has reacted beside what check says of it.
func lateText(k *drill.Reaction) string {
	text := fmt.Sprintf("%s took %s, of %s at worst", k.Plan.Rule, shortly(int64(k.Took)), shortly(k.Plan.TotalNs))
	if k.Plan.PeakDegC != nil {
		text += fmt.Sprintf(", and the plate came to %.1f degC, of %.1f degC at worst", k.PeakDegC, *k.Plan.PeakDegC)
	}
	return text
}

func (x *drilling) count() map[drill.Verdict]int {
	n := map[drill.Verdict]int{}
	for _, r := range x.rows {
		n[r.Verdict]++
	}
	return n
}

// object is the drill for a program.
func (x *drilling) object(code int) map[string]any {
	rows := []any{}
	for _, r := range x.rows {
		row := map[string]any{"fault": r.Case.String(), "moment": r.Case.Moment, "at_s": seconds(r.At()), "strikes": strikes(r.Case),
			"tripped": nil, "cause": nil, "reaction": nil, "to_safe_s": nil, "cooling_s": seconds(r.Cooling), "plate_degC": r.PlateDegC,
			"film_degC": r.FilmDegC, "film_W": r.FilmWatts, "readings_lost": r.Lost, "outcome": r.Outcome.Word, "safe": r.Outcome.Safe,
			"verdict": r.Verdict, "why": r.Why, "hardware": r.Hardware, "exit": outcomeCode(r.Outcome)}
		if c := r.Outcome.Cause; c != nil {
			row["tripped"], row["cause"] = r.Tripped(), c.Error()
		}
		if k := r.Reaction; k != nil {
			row["reaction"] = map[string]any{"rule": k.Plan.Rule, "breach_s": seconds(k.Breach), "took_s": seconds(k.Took), "at_worst_s": seconds(clock.Instant(k.Plan.TotalNs)),
				"peak_degC": k.PeakDegC, "peak_at_worst_degC": k.Plan.PeakDegC, "in_time": k.InTime()}
		}
		if r.ToSafe != clock.Never && !r.WentOn() {
			row["to_safe_s"] = seconds(r.ToSafe)
		}
		rows = append(rows, row)
	}
	return map[string]any{"rows": rows, "verdicts": x.count(), "seed": x.seed, "exit": code}
}

func strikes(c drill.Case) (all []any) {
	for _, s := range c.Strikes {
		all = append(all, map[string]any{"fault": s.Fault.Name, "on": s.On, "at_s": seconds(s.At)})
	}
	return all
}

// seconds is a time as a number of JSON, exact.
func seconds(t clock.Instant) json.Number { return json.Number(drill.Seconds(t)) }
