package main

import (
	"fmt"
	"slices"
	"strings"

	"dwell/drivers/rig"
	"dwell/logs/figures"
)

// This file tells of runs that belong together: by what differs between them, over
// specimens, and over the elements of an array.

// kinds are what runs can be grouped by: the name of each run's group.
type kinds []struct {
	by   string
	name []string
}

// describe takes from a specimen's file, and from the run, what it is grouped by.
func (x *comparison) describe(s *rig.Specimen, day string) {
	cover := "bare"
	if c := s.Encapsulant; c != nil {
		cover = fmt.Sprintf("encapsulated, %s %.4g um", c.Of, 1e6*c.ThicknessM)
	}
	if x.kinds == nil {
		x.kinds = kinds{{by: "encapsulation"}, {by: "specimen"}, {by: "day"}}
	}
	for k, name := range [...]string{cover, s.ID, day} {
		x.kinds[k].name = append(x.kinds[k].name, name)
	}
	var at figures.Place
	if a := s.Array; a != nil {
		at = figures.Place{Foil: a.Foil, Row: a.Row, Column: a.Column}
	}
	x.places = append(x.places, at)
}

// specimens are the names of the runs' specimens.
func (x *comparison) specimens() []string { return x.kinds[1].name }

// overText is what runs together say of one figure, below their values.
func (x *comparison) overText(c figures.Compared) string {
	var b strings.Builder
	for _, k := range x.kinds {
		for i, g := range c.By(k.name) {
			if i == 0 {
				fmt.Fprintf(&b, "  by %s\n", k.by)
			}
			fmt.Fprintf(&b, "    %s, %s\n", g.Name, groupText(g))
		}
	}
	if all, err := c.OverSpecimens(x.specimens()); err == nil {
		for _, f := range all {
			fmt.Fprintf(&b, "  %s, %s: %s\n", f.Figure, f.Flavour, f.ValueText())
		}
	}
	return b.String()
}

func groupText(g figures.Group) string {
	runs := "1 run"
	if n := len(g.Runs); n > 1 {
		runs = fmt.Sprintf("%d runs", n)
	}
	text := fmt.Sprintf("%s: mean %s ± %s", runs, figures.Rounded(g.Mean, g.Expanded), figures.Rounded(g.Expanded, g.Expanded))
	if g.Less != nil {
		text += ", less the first group: " + g.Less.Text()
	}
	return text
}

// mapsText are the arrays, figure by figure: of each figure its first flavour, unless only
// that figure was asked for.
func (x *comparison) mapsText(every bool) string {
	var b strings.Builder
	var told []string
	for _, c := range x.all {
		if !every && slices.Contains(told, c.Figure) {
			continue
		}
		for _, m := range c.Maps(x.places) {
			told = append(told, c.Figure)
			fmt.Fprintf(&b, "\nfoil %s: %s, %s\n%s", m.Foil, c.Title(), unitText(c.Unit), table(mapRows(m)))
			fmt.Fprintf(&b, "  %s\n", mapSays(m))
		}
	}
	return b.String()
}

func unitText(unit string) string {
	if unit == "1" {
		return "a number"
	}
	return "in " + unit
}

// mapRows is the map as rows of a table; the first row and column number the elements.
func mapRows(m figures.Map) [][]string {
	head := []string{"row"}
	for k := range m.Columns {
		head = append(head, fmt.Sprintf("column %d", k+1))
	}
	rows := [][]string{head}
	for r := range m.Rows {
		line := []string{fmt.Sprint(r + 1)}
		for k := range m.Columns {
			cell := "–"
			if v, ok := m.At(figures.Place{Foil: m.Foil, Row: r + 1, Column: k + 1}); ok {
				cell = figures.Rounded(v, m.S/10) // one digit beyond what tells elements apart
			}
			line = append(line, cell)
		}
		rows = append(rows, line)
	}
	return rows
}

func mapSays(m figures.Map) string {
	share := ""
	if m.Mean != 0 {
		share = fmt.Sprintf(" (%.2g %% of it)", 100*m.S/max(m.Mean, -m.Mean))
	}
	least, _ := m.At(m.Least)
	most, _ := m.At(m.Most)
	return fmt.Sprintf("%d of %d elements: mean %s, standard deviation %s%s, least %s in row %d, column %d, most %s in row %d, column %d",
		m.N, m.Rows*m.Columns, figures.Rounded(m.Mean, m.S), figures.Rounded(m.S, m.S), share,
		figures.Rounded(least, m.S), m.Least.Row, m.Least.Column, figures.Rounded(most, m.S), m.Most.Row, m.Most.Column)
}

// groupRows are rows of the table in CSV: of each group its mean, of each array its
// statistics, of specimens how far a figure repeats.
func (x *comparison) groupRows() (rows [][]string) {
	for _, c := range x.all {
		for _, k := range x.kinds {
			for _, g := range c.By(k.name) {
				row := csvRow(c.Figure, c.Flavour, c.Unit, "mean by "+k.by, g.Name, g.Mean, g.Expanded)
				row[15] = c.Conditions
				if d := g.Less; d != nil {
					row[7], row[8], row[9] = asWritten(d.Value), asWritten(d.Expanded), fmt.Sprint(d.Matters)
				}
				rows = append(rows, row)
			}
		}
		if all, err := c.OverSpecimens(x.specimens()); err == nil {
			for _, f := range all {
				row := csvRow(c.Figure, c.Flavour+": "+f.Figure+", "+f.Flavour, c.Unit, "all", "", f.Value, f.Expanded)
				row[15] = c.Conditions
				if f.Low != nil && f.High != nil {
					row[10], row[11] = asWritten(*f.Low), asWritten(*f.High)
				}
				rows = append(rows, row)
			}
		}
		for _, m := range c.Maps(x.places) {
			for k, what := range [...]string{"mean", "standard deviation"} {
				row := csvRow(c.Figure, c.Flavour+": "+what+" of the elements", c.Unit, "all", "", [...]float64{m.Mean, m.S}[k], 0)
				row[15] = c.Conditions
				row[6], row[12] = "", m.Foil
				rows = append(rows, row)
			}
		}
	}
	return rows
}

// groupLatex are further tables: the groups, and the arrays.
func (x *comparison) groupLatex(escape *strings.Replacer) string {
	var b strings.Builder
	begin := func(columns string, head ...string) {
		fmt.Fprintf(&b, "\n\\begin{tabular}{%s}\n\\hline\n%s \\\\\n\\hline\n", columns, escape.Replace(strings.Join(head, " \x00 ")))
	}
	for _, k := range x.kinds {
		open := false
		for _, c := range x.all {
			for _, g := range c.By(k.name) {
				if !open {
					fmt.Fprintf(&b, "\n%% by %s; * marks what differs from the first group by more than its uncertainty", k.by)
					begin("llrr", "figure", k.by, "runs", "mean")
					open = true
				}
				mark := ""
				if g.Less != nil && g.Less.Matters {
					mark = "*"
				}
				fmt.Fprintf(&b, "%s & %s & %d & %s%s \\\\\n", escape.Replace(c.Title()), escape.Replace(g.Name), len(g.Runs), escape.Replace(figures.Rounded(g.Mean, g.Expanded)+" ± "+figures.Rounded(g.Expanded, g.Expanded)+" "+c.Unit), mark)
			}
		}
		if open {
			b.WriteString("\\hline\n\\end{tabular}\n")
		}
	}
	for _, c := range x.all {
		for _, m := range c.Maps(x.places) {
			fmt.Fprintf(&b, "\n%% foil %s: %s, %s; %s", m.Foil, c.Title(), unitText(c.Unit), mapSays(m))
			rows := mapRows(m)
			begin("r"+strings.Repeat("r", m.Columns), rows[0]...)
			for _, row := range rows[1:] {
				fmt.Fprintf(&b, "%s \\\\\n", escape.Replace(strings.Join(row, " \x00 ")))
			}
			b.WriteString("\\hline\n\\end{tabular}\n")
		}
	}
	return strings.ReplaceAll(b.String(), "\x00", "&")
}

// groupsObject is the same for --json.
func (x *comparison) groupsObject() (groups, arrays []map[string]any) {
	groups, arrays = []map[string]any{}, []map[string]any{}
	for _, c := range x.all {
		for _, k := range x.kinds {
			for _, g := range c.By(k.name) {
				o := map[string]any{"figure": c.Figure, "flavour": c.Flavour, "conditions": c.Conditions, "unit": c.Unit, "by": k.by, "group": g.Name, "runs": len(g.Runs), "mean": g.Mean, "U": g.Expanded}
				if d := g.Less; d != nil {
					o["less_first"], o["U_less_first"], o["matters"] = d.Value, d.Expanded, d.Matters
				}
				groups = append(groups, o)
			}
		}
		for _, m := range c.Maps(x.places) {
			cells := []map[string]any{}
			for r, line := range m.Value {
				for k := range line {
					if v, ok := m.At(figures.Place{Foil: m.Foil, Row: r + 1, Column: k + 1}); ok {
						cells = append(cells, map[string]any{"row": r + 1, "column": k + 1, "value": v})
					}
				}
			}
			arrays = append(arrays, map[string]any{"figure": c.Figure, "flavour": c.Flavour, "conditions": c.Conditions, "unit": c.Unit, "foil": m.Foil, "elements": cells, "mean": m.Mean, "s": m.S})
		}
	}
	return groups, arrays
}
