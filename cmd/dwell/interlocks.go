package main

import (
	"fmt"
	"strings"

	"dwell/drivers/clock"
	"dwell/sequence/plan"
)

// ruleWidth is the most that the column with the rules' own words takes.
const ruleWidth = 50

// describeSafety says what stops or pauses the run, when each of it is armed, how soon
// the bench is safe then at worst, and what no program can do.
func describeSafety(p *plan.Plan) string {
	var b strings.Builder
	fmt.Fprintf(&b, "interlocks %d\n", len(p.Summary.Reactions))
	rows := [][6]string{{"what stops the run", "armed", "must last", "then", "safe in", "stands in"}}
	for _, r := range p.Summary.Reactions {
		armed, holds, within := "always", "at once", shortly(r.TotalNs)
		if r.While != "" {
			armed = "while " + r.While
		}
		if r.HoldsNs > 0 {
			holds = shortly(r.HoldsNs)
		}
		if r.Then == "warn" {
			within = "-"
		}
		rows = append(rows, [6]string{r.Rule, armed, holds, r.Then, within, r.From})
	}
	var widths [6]int
	for _, row := range rows {
		for i, cell := range row {
			if widths[i] = max(widths[i], width(cell)); i == 0 {
				widths[i] = min(widths[i], ruleWidth)
			}
		}
	}
	for i, row := range rows {
		if width(row[0]) > ruleWidth { // a line of its own
			fmt.Fprintf(&b, "  %s\n", row[0])
			row[0] = ""
		}
		line := ""
		for k, cell := range row {
			line += "  " + cell + strings.Repeat(" ", widths[k]-width(cell))
		}
		b.WriteString(strings.TrimRight(line, " ") + "\n")
		if i > 0 && p.Summary.Reactions[i-1].PeakDegC != nil {
			r := p.Summary.Reactions[i-1]
			fmt.Fprintf(&b, "    a heater stuck at full power gets to %.4g degC%s\n", *r.PeakDegC, leeway(r))
		}
	}
	b.WriteString("  safe in: at worst, from when it has lasted to heat and output off; the parts stand in plan.json\n")
	b.WriteString(describeMeasured(p))
	b.WriteString(describePowerCut(p))
	return b.String()
}

func leeway(r plan.Reaction) string {
	if r.LooserDegC == nil {
		return ""
	}
	return fmt.Sprintf("; to stay below %.4g degC it would have to be off %s after the limit", *r.LooserDegC, shortly(*r.LeewayNs))
}

func shortly(ns int64) string {
	switch t := clock.Instant(ns); {
	case t >= clock.Minute && t%clock.Minute == 0 && t < clock.Hour:
		return fmt.Sprintf("%d min", t/clock.Minute)
	case t >= clock.Minute:
		return span(t)
	case t < clock.Second:
		return fmt.Sprintf("%.3g ms", t.Seconds()*1e3)
	default:
		return fmt.Sprintf("%.3g s", t.Seconds())
	}
}

// describeMeasured says what those times and temperatures come from.
func describeMeasured(p *plan.Plan) string {
	var b strings.Builder
	for _, m := range p.Summary.Measured {
		text := "longest exchange not measured on this rig, its profile's is taken"
		if m.LongestOn != "" {
			text = fmt.Sprintf("longest exchange %s, measured on %s", shortly(m.LongestNs), m.LongestOn)
		}
		if m.Heats && m.IdentifiedOn != "" {
			text += "; response to full power identified on " + m.IdentifiedOn
		} else if m.Heats {
			text += "; response to full power not identified, its profile's rate is taken at any temperature"
		}
		fmt.Fprintf(&b, "%-10s%s: %s\n", "measured", m.Instrument, text)
	}
	return b.String()
}

// describePowerCut says what would go on by itself if the computer lost its power.
func describePowerCut(p *plan.Plan) string {
	var b strings.Builder
	heats := false
	for _, s := range p.Summary.StaysOn {
		heats = heats || s.What == "heat"
		text := "stays on until somebody switches it off"
		if s.ForNs > 0 {
			by := "its own watchdog"
			if s.By != "" {
				by = s.By + ", the switch in its mains, opens"
			}
			text = fmt.Sprintf("goes off by itself after %s (%s)", shortly(s.ForNs), by)
		}
		fmt.Fprintf(&b, "%-10sif the computer lost its power, the %s of %s %s\n", "power cut", s.What, s.Instrument, text)
	}
	if heats {
		fmt.Fprintf(&b, "%-10sdwell is no safety device: put an over-temperature cut-out with a sensor of its own, which\n%-10sa person must reset, into the mains of whatever heats, and a hard-wired emergency stop\n", "needs", "")
	}
	return b.String()
}
