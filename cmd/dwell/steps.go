package main

import (
	"fmt"
	"slices"
	"strings"

	"dwell/drivers/clock"
	"dwell/sequence/plan"
)

// pageWidth is the most that the outline of a plan is written for, and hanging where the words
// of a step begin.
const (
	pageWidth = 100
	hanging   = 23
)

// mostListed bounds the steps that are listed; the plan itself stands in the run folder.
const mostListed = 200

// describeSteps is the whole plan to be read: when each step begins and how long it
// takes, the first time; what it sets and waits for; what stands in a loop once.
func describeSteps(p *plan.Plan, columns int) string {
	var b strings.Builder
	all := p.Summary.Steps
	b.WriteString(hung("steps", fmt.Sprintf("%d, as they stand in the protocol; in a loop, start and length of the first time", len(all)), columns))
	for k, x := range all {
		if k == mostListed {
			fmt.Fprintf(&b, "  … and %d more\n", len(all)-k)
			break
		}
		b.WriteString(stepHead(x, columns) + wrapped(stepWords(p, x), columns))
	}
	end := int64(0)
	for _, x := range all {
		end = max(end, x.StartsNs+x.TakesNs)
	}
	fmt.Fprintf(&b, "  %8s %9s   %s\n", timeline(end), roughly(p.Summary.DurationNs-end), "makes safe: everything off, read back, and what heated seen to cool")
	return b.String()
}

func stepHead(x plan.Step, columns int) string {
	name := x.Number + " " + x.Verb
	if x.Role != "" {
		name += " (" + x.Role + ")"
	}
	takes := roughly(x.TakesNs)
	head := fmt.Sprintf("  %8s %9s   %s%s", timeline(x.StartsNs), takes, strings.Repeat("  ", x.Depth), name)
	tail := fmt.Sprintf("line %d", x.Line)
	if x.Line == 0 {
		tail = ""
	}
	if x.Times > 1 {
		tail = fmt.Sprintf("%d times, ", x.Times) + tail
	}
	if x.LongestNs > 0 {
		tail = "up to " + roughly(x.LongestNs) + ", " + tail
	}
	if x.NeedsPerson {
		tail = "PERSON, " + tail
	}
	if tail == "" {
		return head + "\n"
	}
	if room := columns - len([]rune(head)) - len([]rune(tail)); room > 1 {
		return head + strings.Repeat(" ", room) + tail + "\n"
	}
	return head + "  " + tail + "\n"
}

// stepWords are what a step does, and what is not read meanwhile.
func stepWords(p *plan.Plan, x plan.Step) string {
	words := x.Does
	if n := len(x.Values); n > 0 {
		var passes []string
		for k, v := range x.Values {
			passes = append(passes, v+" from "+timeline(x.PassesNs[k]))
		}
		const most = 12
		if n > most {
			passes = slices.Concat(passes[:most-2], []string{"…"}, passes[n-1:])
		}
		words = fmt.Sprintf("%d values: %s", n, strings.Join(passes, ", "))
	}
	for _, g := range p.Summary.Gaps {
		if g.Line == x.Line {
			words += fmt.Sprintf("; meanwhile not read, for about %s: %s", roughly(g.DurationNs), strings.Join(g.Channels, ", "))
		}
	}
	return words
}

// wrapped breaks words into lines that hang below the head of a step.
func wrapped(text string, columns int) string {
	var b strings.Builder
	line := ""
	flush := func() {
		if line != "" {
			b.WriteString(strings.Repeat(" ", hanging) + line + "\n")
		}
		line = ""
	}
	for _, w := range words(text) {
		if line != "" && hanging+len([]rune(line))+1+len([]rune(w)) > columns {
			flush()
		}
		if line != "" {
			line += " "
		}
		line += w
	}
	flush()
	return b.String()
}

// words are the words of a text, a number with its unit.
func words(text string) (all []string) {
	for _, w := range strings.Fields(text) {
		if n := len(all); n > 0 && isNumber(all[n-1]) && !isNumber(w) {
			all[n-1] += " " + w
		} else {
			all = append(all, w)
		}
	}
	return all
}

func isNumber(word string) bool {
	return strings.Trim(word, "-+.0123456789…eE") == "" && word != "…"
}

// timeline is a moment of the run, as h:mm:ss.
func timeline(ns int64) string {
	s := ns / int64(clock.Second)
	return fmt.Sprintf("%d:%02d:%02d", s/3600, s/60%60, s%60)
}

// roughly is a length of time of which little is known, in few characters.
func roughly(ns int64) string {
	switch t := clock.Instant(ns); {
	case t < clock.Millisecond:
		return "at once"
	case t < 10*clock.Second:
		return fmt.Sprintf("%.1f s", t.Seconds())
	case t < clock.Minute:
		return fmt.Sprintf("%.0f s", t.Seconds())
	case t < clock.Hour:
		return fmt.Sprintf("%d min %02d", t/clock.Minute, t/clock.Second%60)
	default:
		return fmt.Sprintf("%d h %02d", t/clock.Hour, t/clock.Minute%60)
	}
}
