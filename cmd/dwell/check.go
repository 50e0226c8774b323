package main

import (
	"fmt"
	"strings"

	"dwell/drivers/clock"
	"dwell/drivers/quantity"
	"dwell/sequence/plan"

	"github.com/spf13/cobra"
)

func checkCommand(s *speech) *cobra.Command {
	var f files
	var o outlook
	c := &cobra.Command{
		Use:   "check PROTOCOL",
		Short: "find every mistake of a protocol, and say what it will do",
		Example: `  dwell check examples/leaf-clip/staircase.yaml
  dwell check --rig my-rig.yaml --specimen my-specimen.yaml my-protocol.yaml`,
		Args: cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			f.protocol = args[0]
			j, err := load(s, f)
			if err != nil {
				return err
			}
			_, spare, begins, err := o.look(j.plan)
			s.result(describe(j, spare, begins))
			if err != nil {
				return err
			}
			s.object(map[string]any{"title": j.plan.Title, "summary": j.plan.Summary, "actions": len(j.plan.Actions), "exit": exitDone})
			return nil
		},
	}
	f.flags(c)
	o.flags(c)
	o.startFlag(c)
	return c
}

// describe says what a plan will do, before anything is sent.
func describe(j *job, spare clock.Instant, begins string) string {
	p, sum := j.plan, j.plan.Summary
	var b strings.Builder
	line := func(head, format string, args ...any) {
		fmt.Fprintf(&b, "%-10s%s\n", head, fmt.Sprintf(format, args...))
	}
	line("protocol", "%s", p.Title)
	line("rig", "%s", j.rig.Name)
	line("specimen", "%s", p.Specimen)
	line("lasts", "about %s, at most %s", span(clock.Instant(sum.DurationNs)), span(clock.Instant(p.AtMostNs)))
	if sum.Heats {
		cooling := "and is below %.3g degC at the end"
		if sum.CoolingNs > 0 {
			cooling = "then takes about " + span(clock.Instant(sum.CoolingNs)) + " until it is below %.3g degC"
		}
		line("heats", "up to %.5g degC, "+cooling, sum.HighestDegC, p.CoolDegC)
	} else {
		line("heats", "never")
	}
	if p.OffBy != "" {
		text := "; it cannot be kept, see below"
		if begins != "" {
			text = fmt.Sprintf("; started at %s there are %s to spare", begins, span(spare))
		}
		line("off by", "%s local time, off and cool%s", p.OffBy, text)
	}
	line("specimen", "sees up to %s, %s, %s", inUnit(sum.HighestAmps, "A"), inUnit(sum.HighestVolts, "V"), inUnit(sum.HighestWatts, "W"))
	line("log", "about %d readings, %.1f MB", sum.Readings, float64(sum.Bytes)/1e6)
	if sum.NeedsPerson {
		line("person", "is needed at the bench")
	}
	for _, g := range sum.Gaps {
		line("gap", "line %d: %s not read for about %s (the instrument is busy with the step)", g.Line,
			strings.Join(g.Channels, ", "), span(clock.Instant(g.DurationNs)))
	}
	b.WriteString(describeSafety(p))
	b.WriteString(describeSteps(p))
	return b.String()
}

// inUnit is a value, in the unit of a symbol, as it is looked at.
func inUnit(v float64, symbol string) string {
	u, _ := quantity.LookUp(symbol)
	return quantity.Near(v*u.Factor, u.Dim)
}

// mostSteps bounds what is listed; the plan itself stands in the run folder.
const mostSteps = 40

func describeSteps(p *plan.Plan) string {
	var rows []string
	for _, a := range p.Actions {
		if a.Op == plan.Begin {
			rows = append(rows, fmt.Sprintf("  %-34s line %d", strings.TrimSpace(a.Step+" "+a.Role), a.Line))
		}
	}
	more := ""
	if len(rows) > mostSteps {
		more = fmt.Sprintf("  … and %d more\n", len(rows)-mostSteps)
		rows = rows[:mostSteps]
	}
	return fmt.Sprintf("%-10s%d\n%s\n%s", "steps", len(rows), strings.Join(rows, "\n"), more)
}
