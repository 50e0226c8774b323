package main

import (
	"fmt"
	"slices"
	"strings"

	"dwell/logs/figures"
)

// This file tells of the lives of several specimens, of which each was worn in a run of
// its own.

// onlyLives leaves out all figures but one.
func (x *comparison) onlyLives(figure string) {
	for k := range x.lives {
		l := &x.lives[k]
		l.Figures = slices.DeleteFunc(l.Figures, func(f figures.Figure) bool { return f.Figure != figure })
	}
	x.lives = slices.DeleteFunc(x.lives, func(l figures.Lives) bool { return len(l.Figures) == 0 })
}

func (x *comparison) livesText() string {
	var b strings.Builder
	for _, l := range x.lives {
		fmt.Fprintf(&b, "\nlives, %s\n", livesOf(l))
		for i, life := range l.Of {
			switch {
			case life == nil && l.Without[i] != "":
				fmt.Fprintf(&b, "  %-4s %s: %s\n", x.names[i], x.ids[i].Specimen, l.Without[i])
			case life == nil: // among other lives
			case l.Ended[i] != "":
				fmt.Fprintf(&b, "  %-4s %s, %s: not seen to have come to that after %.0f cycles; %s\n", x.names[i], x.ids[i].Specimen, x.ids[i].Outcome, life.Cycles, l.Ended[i])
			case life.Survived:
				fmt.Fprintf(&b, "  %-4s %s, %s: still sound after %.0f cycles\n", x.names[i], x.ids[i].Specimen, x.ids[i].Outcome, life.Cycles)
			default:
				fmt.Fprintf(&b, "  %-4s %s, %s: %.0f cycles\n", x.names[i], x.ids[i].Specimen, x.ids[i].Outcome, life.Cycles)
			}
		}
		for _, f := range l.Figures {
			fmt.Fprintf(&b, "  %-15s %s\n", f.Figure, f.ValueText())
		}
		if l.Why != "" {
			fmt.Fprintf(&b, "  no distribution: %s\n", l.Why)
		}
	}
	if len(x.lives) > 0 {
		b.WriteString("Weibull distribution by maximum likelihood, right censored; limits at 95 % by likelihood ratio, in which\n" +
			"how far each life is known has no part\n")
	}
	return b.String()
}

// livesOf says until when films lived, and what wore them.
func livesOf(l figures.Lives) string {
	text := fmt.Sprintf("until the flat film has changed by %g %%", l.ThresholdPercent)
	if l.ThresholdPercent == 0 {
		text = "until the specimen had failed: " + l.Fails
	}
	if l.Wear != "" {
		text += "; " + l.Wear
	}
	return text
}

// livesRows are rows of the table in CSV, of all runs together.
func (x *comparison) livesRows() (rows [][]string) {
	for _, l := range x.lives {
		for _, f := range l.Figures {
			row := csvRow(f.Figure, f.Flavour+", "+livesOf(l), f.Unit, "all", "", f.Value, f.Expanded)
			row[10], row[11] = asWritten(*f.Low), asWritten(*f.High)
			rows = append(rows, row)
		}
	}
	return rows
}

// livesLatex are rows of the table in LaTeX, each with one cell below all runs.
func (x *comparison) livesLatex(escape *strings.Replacer) string {
	var b strings.Builder
	for k, l := range x.lives {
		if k == 0 {
			b.WriteString("\\hline\n")
		}
		for _, f := range l.Figures {
			fmt.Fprintf(&b, "%s & \\multicolumn{%d}{r}{%s} \\\\\n", escape.Replace(f.Figure+", "+livesOf(l)), len(x.runs), escape.Replace(f.ValueText()))
		}
	}
	return b.String()
}

// livesObject is the same for --json: of each run its life, and the figures of all.
func (x *comparison) livesObject() []map[string]any {
	all := []map[string]any{}
	for _, l := range x.lives {
		of, without := []map[string]any{}, []map[string]any{}
		for i, life := range l.Of {
			switch {
			case life != nil:
				of = append(of, map[string]any{"run": x.runs[i], "specimen": x.ids[i].Specimen, "cycles": life.Cycles, "survived": life.Survived})
			case l.Without[i] != "":
				without = append(without, map[string]any{"run": x.runs[i], "specimen": x.ids[i].Specimen, "why": l.Without[i]})
			}
		}
		all = append(all, map[string]any{"threshold_percent": l.ThresholdPercent, "fails": l.Fails, "wear": l.Wear, "lives": of, "left_out": without, "figures": append([]figures.Figure{}, l.Figures...), "why_not": l.Why})
	}
	return all
}
