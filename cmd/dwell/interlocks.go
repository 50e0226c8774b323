package main

import (
	"fmt"
	"slices"
	"strings"

	"dwell/drivers/clock"
	"dwell/sequence/plan"
)

// describeSafety says what stops or pauses the run, when each of it is armed, how soon
// the bench is safe then at worst, and what no program can do. Rules stand below the file
// that they are in, those that no file names at the end.
func describeSafety(p *plan.Plan, columns int) string {
	var b strings.Builder
	fmt.Fprintf(&b, "interlocks %d\n", len(p.Summary.Reactions))
	rows, files := [][6]string{{"what stops the run", "armed while", "must last", "then", "safe in", "line"}}, []string{""}
	reactions := byFile(p.Summary.Reactions)
	for _, r := range reactions {
		file, line := standsIn(r)
		rows, files = append(rows, reactionRow(r, line)), append(files, file)
	}
	var widths [6]int
	left := columns
	for i := len(widths) - 1; i >= 0; i-- {
		for _, row := range rows {
			widths[i] = max(widths[i], width(row[i]))
		}
		if left -= 2; i > 0 {
			left -= widths[i]
		}
	}
	widths[0] = max(leastRule, min(widths[0], left))
	for k, row := range rows {
		if k > 0 && files[k] != files[k-1] {
			fmt.Fprintf(&b, " %s\n", files[k])
		}
		b.WriteString(reactionLines(row, widths))
		if k > 0 {
			b.WriteString(stuck(reactions[k-1], columns))
		}
	}
	asked := ""
	if p.Summary.ActWithinNs > 0 {
		asked = "; each within the " + shortly(p.Summary.ActWithinNs) + " that the rig asks for (must act within)"
	}
	b.WriteString(hung("  safe in", "at worst, from when it has lasted to heat and output off; the parts stand in plan.json"+asked, columns))
	if slices.ContainsFunc(reactions, func(r plan.Reaction) bool { return r.Then == "pause" }) {
		b.WriteString(hung("  pause", "switches outputs off and takes a heater to where the rule says; it leaves the heat as it is where the rule names none", columns))
	}
	b.WriteString(describeFullPower(p, columns))
	b.WriteString(describeMeasured(p, columns))
	b.WriteString(describePowerCut(p, columns))
	return b.String()
}

// leastRule is what the column with the rules' own words takes at least, however much the
// others do.
const leastRule = 24

// standsIn is the file that a rule is in, and its line there.
func standsIn(r plan.Reaction) (file, line string) {
	if strings.HasPrefix(r.From, "built-in") {
		return "built in", ""
	}
	file, place, _ := strings.Cut(r.From, ":")
	line, _, _ = strings.Cut(place, ":")
	return file, line
}

// byFile puts rules of one file together, in the order in which the files come, and last
// what is built in.
func byFile(all []plan.Reaction) []plan.Reaction {
	var files []string
	for _, r := range all {
		if file, line := standsIn(r); line != "" && !slices.Contains(files, file) {
			files = append(files, file)
		}
	}
	place := func(r plan.Reaction) int {
		file, _ := standsIn(r)
		return slices.Index(append(files[:len(files):len(files)], "built in"), file)
	}
	sorted := slices.Clone(all)
	slices.SortStableFunc(sorted, func(a, b plan.Reaction) int { return place(a) - place(b) })
	return sorted
}

func reactionRow(r plan.Reaction, line string) [6]string {
	armed, holds, within := "always", "at once", shortly(r.TotalNs)
	if r.While != "" {
		armed = r.While
	}
	if r.Never {
		armed += ": never"
	}
	if r.HoldsNs > 0 {
		holds = shortly(r.HoldsNs)
	}
	if r.Then == "warn" {
		within = "-"
	}
	return [6]string{r.Rule, armed, holds, r.Then, within, line}
}

// reactionLines are a row of the table, and further lines for the rest of a long rule.
func reactionLines(row [6]string, widths [6]int) string {
	var b strings.Builder
	for i, part := range wrap(row[0], widths[0]+1) {
		line := "  " + part
		if i > 0 {
			line = "    " + part
		} else {
			for k := range row {
				if k > 0 {
					line += "  " + row[k]
				}
				line += strings.Repeat(" ", max(0, widths[k]-width([]string{part, row[k]}[min(k, 1)])))
			}
		}
		b.WriteString(strings.TrimRight(line, " ") + "\n")
	}
	return b.String()
}

// stuck says how far a heater stuck at full power gets, where that is known of a rule.
func stuck(r plan.Reaction, columns int) string {
	if r.PeakDegC == nil {
		return ""
	}
	text := ""
	for _, part := range wrap(fmt.Sprintf("a heater stuck at full power gets to %.4g degC%s", *r.PeakDegC, leeway(r)), columns-4) {
		text += "    " + part + "\n"
	}
	return text
}

// hung are words behind a head, broken into lines of a page.
func hung(head, text string, columns int) string {
	out := ""
	for _, part := range wrap(text, columns-10) {
		out += fmt.Sprintf("%-10s%s\n", head, part)
		head = ""
	}
	return out
}

// describeFullPower says what the temperatures above assume of a heater, and what becomes
// of one that is not so.
func describeFullPower(p *plan.Plan, columns int) string {
	if !slices.ContainsFunc(p.Summary.Reactions, func(r plan.Reaction) bool { return r.PeakDegC != nil }) {
		return ""
	}
	out := ""
	for _, s := range p.Summary.StaysOn {
		switch {
		case s.What != "heat":
		case s.By != "":
			out += hung("  so hot", fmt.Sprintf("also if the relay of %s has welded shut: %s, the switch in its mains, opens at the same time", s.Instrument, s.By), columns)
		default:
			further := "as far as it can"
			if s.FullDegC > 0 {
				further = fmt.Sprintf("to %.4g degC", s.FullDegC)
			}
			out += hung("  so hot", fmt.Sprintf("if %s goes off when it is told to. One whose relay has welded shut does not, and nothing on this rig cuts its mains: "+
				"it heats on until its own over-temperature circuit cuts in or, without one, %s. A mains-switch in its supply would cut it in that time", s.Instrument, further), columns)
		}
	}
	return out
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
func describeMeasured(p *plan.Plan, columns int) string {
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
		b.WriteString(hung("measured", m.Instrument+": "+text, columns))
	}
	return b.String()
}

// describePowerCut says what would go on by itself if the computer lost its power.
func describePowerCut(p *plan.Plan, columns int) string {
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
		b.WriteString(hung("power cut", fmt.Sprintf("if the computer lost its power, the %s of %s %s", s.What, s.Instrument, text), columns))
	}
	if heats {
		b.WriteString(hung("needs", "dwell is no safety device: put an over-temperature cut-out with a sensor of its own, which a person must reset, into the mains of whatever heats, and a hard-wired emergency stop", columns))
	}
	return b.String()
}
