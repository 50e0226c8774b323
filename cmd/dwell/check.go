package main

import (
	"fmt"
	"strings"

	"dwell/drivers/bending"
	"dwell/drivers/clock"
	"dwell/drivers/quantity"
	"dwell/drivers/rig"
	"dwell/sequence/plan"

	"github.com/spf13/cobra"
)

func checkCommand(s *speech) *cobra.Command {
	var f files
	var o outlook
	c := &cobra.Command{
		Use:   "check PROTOCOL",
		Short: "find every mistake of a protocol, and say what it will do",
		Long: `check reads protocol, rig and specimen and says every mistake in them in one pass;
without one, what the run will do, step by step, how long it takes, how hot it gets,
what stops it, and how large its record becomes. Like run it refuses a disk that is
too small, and a time to be off and cool that cannot be kept.

With --json the last line holds title, rig, specimen, duration_s, at_most_s,
cooling_s, highest_degC, highest_A, highest_V, highest_W, readings, bytes, heats,
needs_person, unattended, off_and_cool_by, interlocks, gaps, warnings, and steps: a list of step,
line, verb, does, starts_s, takes_s, longest_s, times, needs_person. With mistakes it
holds mistakes: a list of file, line, column, text, hint, notes.`,
		Example: `  dwell check examples/leaf-clip/staircase.yaml
  dwell check --rig my-rig.yaml --specimen my-specimen.yaml my-protocol.yaml`,
		Args: cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			f.protocol = args[0]
			j, err := load(s, f)
			if err != nil {
				return err
			}
			if err := noProgram(j.rig); err != nil {
				j.plan.Summary.Warnings = append(j.plan.Summary.Warnings, err.Error())
			}
			_, spare, begins, err := o.look(j.plan)
			s.result(describe(j, spare, begins, s.page()))
			if err != nil {
				return err
			}
			s.object(checked(j))
			return nil
		},
	}
	f.flags(c)
	o.flags(c)
	o.startFlag(c)
	return c
}

// checked is what check --json says of a plan.
func checked(j *job) map[string]any {
	p, sum := j.plan, j.plan.Summary
	s := func(ns int64) float64 { return float64(ns) / 1e9 }
	steps := []map[string]any{}
	for _, x := range sum.Steps {
		o := map[string]any{"step": x.Number, "line": x.Line, "verb": x.Verb, "does": x.Does, "role": x.Role,
			"starts_s": s(x.StartsNs), "takes_s": s(x.TakesNs), "longest_s": s(max(x.TakesNs, x.LongestNs)), "times": x.Times, "needs_person": x.NeedsPerson}
		if x.Values != nil {
			var begin []float64
			for _, ns := range x.PassesNs {
				begin = append(begin, s(ns))
			}
			o["values"], o["passes_s"] = x.Values, begin
		}
		steps = append(steps, o)
	}
	return map[string]any{"title": p.Title, "rig": p.Rig, "specimen": p.Specimen, "duration_s": s(sum.DurationNs), "at_most_s": s(p.AtMostNs),
		"cooling_s": s(sum.CoolingNs), "highest_degC": sum.HighestDegC, "highest_A": sum.HighestAmps, "highest_V": sum.HighestVolts,
		"highest_W": sum.HighestWatts, "readings": sum.Readings, "bytes": sum.Bytes, "heats": sum.Heats, "needs_person": sum.NeedsPerson,
		"unattended": p.Unattended, "off_and_cool_by": p.OffBy, "interlocks": sum.Reactions, "gaps": append([]plan.Gap{}, sum.Gaps...), "warnings": append([]string{}, sum.Warnings...), "bends": append([]plan.Bend{}, sum.Bends...), "actions": len(p.Actions),
		"steps": steps, "exit": exitDone}
}

// describe says what a plan will do, before anything is sent.
func describe(j *job, spare clock.Instant, begins string, columns int) string {
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
	for _, x := range sum.Bends {
		line("bends", "%s", bendText(x))
	}
	if len(sum.Bends) > 0 && j.specimen != nil && j.specimen.Bent != nil && j.rig.Bending != nil {
		line("strip", "%s", stripText(j.rig.Bending, j.specimen.Bent))
		if not := j.rig.Bending.Unstated(j.specimen); len(not) > 0 {
			line("uncertain", "nothing says how far to trust %s (uncertainty of …, in rig and specimen file): they are in no uncertainty of a radius or a strain", strings.Join(not, ", "))
		}
	}
	if sum.Open != nil {
		line("open", "the strip is bent then too, and what is measured is compared with that: %s", bendText(*sum.Open))
	}
	if sum.Cover != nil {
		line("cover", "%s", coverText(*sum.Cover))
	}
	line("log", "about %d readings, %.1f MB", sum.Readings, float64(sum.Bytes)/1e6)
	if sum.NeedsPerson {
		line("person", "is needed at the bench")
	}
	for _, w := range sum.Warnings {
		b.WriteString(hung("warning", w, columns))
	}
	b.WriteString(describeSafety(p, columns))
	b.WriteString(describeSteps(p, columns))
	return b.String()
}

// bendText is a shape by all of its names, with the surface that each radius is that of.
func bendText(b plan.Bend) string {
	text := fmt.Sprintf("line %d: ", b.Line)
	if b.RodM > 0 {
		text += fmt.Sprintf("round a rod of %s: ", inUnit(b.RodM, "m"))
	}
	text += fmt.Sprintf("radius %s at the neutral plane", inUnit(b.RadiusM, "m"))
	if b.URadiusM > 0 {
		text += fmt.Sprintf(" (standard uncertainty %s)", inUnit(b.URadiusM, "m"))
	}
	text += fmt.Sprintf(", %s at the inner face", inUnit(b.InnerM, "m"))
	if b.RodM == 0 {
		text += fmt.Sprintf("; travel %s", inUnit(b.TravelM, "m"))
	}
	text += fmt.Sprintf("; strain of the film %.3g %%", 100*b.Strain)
	if b.UStrain > 0 {
		text += fmt.Sprintf(" (standard uncertainty %.2g %%)", 100*b.UStrain)
	}
	if text += fmt.Sprintf(", over its length %.3g %%", 100*b.MeanStrain); b.MeanM > 0 {
		text += fmt.Sprintf(" (a mean radius of %s)", inUnit(b.MeanM, "m"))
	}
	return text
}

// stripText is how the strip lies in what bends it, and what the stage cannot choose.
func stripText(b *rig.Bending, s *rig.Bent) string {
	text := "the film faces out, in tension"
	if s.Facing == bending.In {
		text = "the film faces in, in compression"
	}
	text += "; the current runs " + s.Current + " the strip"
	switch {
	case b.RodsM != nil:
		return text + "; a person lays it round rods, its inner face on them"
	case b.GapM > 0:
		return text + "; it is folded between two parallel plates"
	}
	return text + fmt.Sprintf("; its ends are %s. It is to bow %s, and could go either way: the stage cannot choose, so nudge it to that side by hand when it begins to bend", b.Ends, s.Bows)
}

// coverText is advice about the encapsulation.
func coverText(x plan.Cover) string {
	of := fmt.Sprintf("%s (modulus %s)", x.Of, inUnit(x.ModulusPa, "Pa"))
	has := "; it is bare"
	if x.HasM > 0 {
		has = "; it has " + inUnit(x.HasM, "m")
	}
	if x.None != "" {
		return fmt.Sprintf("no thickness of %s puts the film on the neutral plane%s: %s", of, has, x.None)
	}
	return fmt.Sprintf("%s of %s on the film would put it on the neutral plane, where bending does not strain it%s", inUnit(x.ThicknessM, "m"), of, has)
}

// inUnit is a value, in the unit of a symbol, as it is looked at.
func inUnit(v float64, symbol string) string {
	u, known := quantity.LookUp(symbol)
	if !known {
		return strings.TrimSpace(string(quantity.AppendNumber(nil, v)) + " " + symbol)
	}
	return quantity.Near(v*u.Factor, u.Dim)
}
