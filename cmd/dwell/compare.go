package main

import (
	"crypto/sha256"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"dwell/drivers/quantity"
	"dwell/logs"
	"dwell/logs/figures"
	"dwell/sequence/plan"

	"github.com/spf13/cobra"
)

func compareCommand(s *speech) *cobra.Command {
	var only, format string
	var equal, steps bool
	c := &cobra.Command{
		Use:   "compare RUN RUN...",
		Short: "figures of several runs side by side, and which differences stand out",
		Long:  compareLong,
		Example: `  dwell compare runs/*-staircase-LC-07 runs/*-staircase-LC-08
  dwell compare --figure tcr --format latex runs/*-staircase-LC-07`,
		Args: cobra.MinimumNArgs(2),
		RunE: func(_ *cobra.Command, args []string) error {
			if !slices.Contains([]string{"text", "csv", "latex"}, format) {
				return usage(fmt.Errorf("--format: expected text, csv or latex, got %q", format))
			}
			x, err := compareRuns(s, args)
			if err != nil {
				return err
			}
			if only != "" {
				known := x.figures()
				another := func(c figures.Compared) bool { return c.Figure != only }
				x.all, x.alone = slices.DeleteFunc(x.all, another), slices.DeleteFunc(x.alone, another)
				if x.onlyLives(only); len(x.all)+len(x.alone)+len(x.lives) == 0 {
					return usage(noSuchFigure(only, known))
				}
			}
			s.result(map[string]func() string{"text": x.text, "csv": x.csv, "latex": x.latex}[format]())
			object := map[string]any{"runs": args, "differences": x.differ(), "compared": len(x.all), "lives": x.livesObject()}
			object["groups"], object["arrays"] = x.groupsObject()
			agree, word, compared := true, "were not compared", len(x.all) > 0
			if len(args) == 2 && only == "" && format == "text" {
				p, err := compareSteps(args)
				if err != nil { // the figures have been compared all the same
					s.say("%s step by step nothing is compared: %v", s.red("damaged:"), err)
					agree, word, compared, object["agree"] = false, "could not be compared", false, nil
				} else {
					same, _ := p.sameBytes()
					agree, word, compared = p.agree(), p.word(), compared || same || p.verdict() != nil
					s.result(p.text(s, steps))
					object["agree"], object["steps"] = p.verdict(), p.object()
				}
			}
			code := exitDone
			if equal && (x.differ() > 0 || !agree || !compared) {
				code = exitDiffering
			}
			object["exit"] = code
			s.object(object)
			if code != exitDone && !compared {
				s.say("nothing could be compared: whether the runs are equal is not known")
				return said(code)
			}
			if code != exitDone {
				s.say("%d differences of figures stand out, and step by step the runs %s", x.differ(), word)
				return said(code)
			}
			return nil
		},
	}
	c.Flags().StringVar(&only, "figure", "", "only this figure, such as tcr")
	c.Flags().StringVar(&format, "format", "text", "text, csv or latex")
	c.Flags().BoolVar(&equal, "equal", false, "exit with 7 when a difference stands out")
	c.Flags().BoolVar(&steps, "steps", false, "of two runs, show every difference step by step")
	return c
}

func noSuchFigure(name string, known []string) error {
	if len(known) == 0 {
		return fmt.Errorf("no figure %q in two of these runs, nor any other", name)
	}
	return fmt.Errorf("no figure %q in two of these runs; there are %s", name, strings.Join(known, ", "))
}

const compareLong = `compare computes the figures of several runs and puts them side by side, each less
that of the first run, with the uncertainty of that difference. What instruments are wrong
by is the same in two runs on one bench, and cancels. A difference is no failure, unless
--equal asks for none. Only what was taken under the same conditions is compared:
temperatures within 1 K; radii, strains, cycles and averaging times within 5 %. Resistances
at temperatures that differ are brought to one by the film's own slope, and what the
temperatures are uncertain by goes into the uncertainty. Of several figures that are alike, such as passes of a loop, the first belongs to the first where the runs have
as many of them, and none to any where they have not.

Two runs are also laid beside each other step by step: the second half of every step, the
temperature that was reached and every other reading. They agree where they differ by less
than U, which covers, with k = 2, the spread of the readings in both, the last digit, and,
unless it is the same instrument with the same calibration, what its profile declares of
its accuracy. What is read of the film may also differ by as much as it changes with the
difference of the temperatures of the step. Steps with fewer than eight readings of a channel say nothing about it. Steps
must take the same time, too: within 1 s, and, where a step waits for the bench, within 11 s
and a fifth; how long a person takes is not weighed. Of a run that repeats a step alone, that is
compared.

Runs are also put together by what differs between them (encapsulated or bare, specimen,
day), where two of them have it in common: means of each group and their differences. Over
specimens that were measured several times the standard deviations of ISO 5725-2 are told;
over elements of one foil, whose specimen files say row and column, a map.

Fatigue runs have the lives of their specimens put together, of those that were bent between
the same strains within 5 %: shape and scale of a Weibull distribution by maximum likelihood,
with limits at 95 %, for thresholds of change, and for what until failed calls failure. A
specimen that outlives its run counts as that (right censored), one of several runs counts
once, with the first; what is left out is told with its reason.`

// comparison is several runs and what they have in common.
type comparison struct {
	names []string // A, B, C …
	runs  []string
	ids   []logs.Identity
	plans []string // digests of the plans that lie in the folders; what keeps one from being read
	all   []figures.Compared
	alone []figures.Compared // that another run has under other conditions only
	lives []figures.Lives

	kinds  kinds
	places []figures.Place // by run: in an array
}

func compareRuns(s *speech, dirs []string) (*comparison, error) {
	x := &comparison{}
	var sides []figures.Side
	var worn []figures.Worn
	for i, dir := range dirs {
		r, err := openRun(s, dir)
		if err != nil {
			return nil, err
		}
		id, err := r.Identity()
		if err != nil {
			return nil, usage(err)
		}
		results, err := computeRun(r)
		if err != nil {
			return nil, err
		}
		specimen, err := keptSpecimen(r, nil)
		if err != nil {
			return nil, usage(err)
		}
		day, _, _ := strings.Cut(id.StartUTC, "T")
		x.describe(specimen, day)
		name := fmt.Sprint(i + 1)
		if i < 26 {
			name = string(rune('A' + i))
		}
		x.names, x.runs, x.ids = append(x.names, name), append(x.runs, filepath.Base(dir)), append(x.ids, id)
		x.plans = append(x.plans, planOf(r))
		sides = append(sides, figures.Side{Figures: results.Figures, Bench: benchOf(id), Curve: results.Up})
		worn = append(worn, figures.Worn{Name: name, Figures: results.Figures, LeftOut: results.LeftOut, Specimen: filmOf(id), Start: id.StartUTC})
	}
	x.all, x.alone = figures.Compare(sides)
	x.lives = figures.LivesOf(worn)
	return x, nil
}

// planOf is the digest of what the plan in a folder does, whatever run.json says of it, or why it
// cannot be read. That of an older version can.
func planOf(r *logs.Run) string {
	text, err := r.File("plan.json")
	if err != nil {
		return noPlan + err.Error()
	}
	var head struct {
		Version int `json:"version"`
	}
	switch err := json.Unmarshal(text, &head); {
	case err != nil:
		return noPlan + err.Error()
	case head.Version < 1 || head.Version > plan.Version:
		return fmt.Sprintf("%sit has version %d, this dwell knows 1 to %d", noPlan, head.Version, plan.Version)
	}
	return fmt.Sprintf("%x", sha256.Sum256(plan.Placeless(text)))
}

const noPlan = "plan.json cannot be read: "

// benchOf tells whose instruments a run had. Those of a rehearsal are made by its seed.
func benchOf(id logs.Identity) string {
	text := id.Kind + " on " + id.Rig
	if id.Kind == "rehearsal" {
		text += fmt.Sprintf(", seed %d", id.Seed)
	}
	for _, i := range id.Instruments {
		text += "; " + i.Identity
	}
	return text
}

// filmOf tells one film from another. That of a rehearsal is made by its seed.
func filmOf(id logs.Identity) string {
	if id.Kind == "rehearsal" {
		return fmt.Sprintf("%s, seed %d", id.Specimen, id.Seed)
	}
	return id.Specimen
}

func (x *comparison) figures() (names []string) {
	for _, c := range x.all {
		if !slices.Contains(names, c.Figure) {
			names = append(names, c.Figure)
		}
	}
	for _, l := range x.lives {
		for _, name := range figures.Names(l.Figures) {
			if !slices.Contains(names, name) {
				names = append(names, name)
			}
		}
	}
	return names
}

func (x *comparison) differ() (n int) {
	for _, c := range x.all {
		for _, d := range c.Less {
			if d != nil && d.Matters {
				n++
			}
		}
	}
	return n
}

// apart is what the runs differ in, beside their dates.
func (x *comparison) apart() (words []string) {
	for _, what := range []struct {
		name string
		of   func(logs.Identity) string
	}{
		{"specimen", func(id logs.Identity) string { return id.Specimen }},
		{"protocol", func(id logs.Identity) string { return id.Protocol }},
		{"bench", benchOf},
		{"operator", func(id logs.Identity) string { return id.Operator }},
		{"specimen.yaml", func(id logs.Identity) string { return digestOf(id, "specimen.yaml") }},
		{"rig.yaml", func(id logs.Identity) string { return digestOf(id, "rig.yaml") }},
		{"outcome", func(id logs.Identity) string { return id.Outcome }},
	} {
		for _, id := range x.ids[1:] {
			if what.of(id) != what.of(x.ids[0]) {
				words = append(words, what.name)
				break
			}
		}
	}
	if slices.ContainsFunc(x.plans, func(p string) bool { return p != x.plans[0] }) {
		words = append(words, "plan")
	}
	return words
}

func digestOf(id logs.Identity, name string) string {
	for _, d := range id.Inputs {
		if d.Name == name {
			return d.SHA256
		}
	}
	return ""
}

func (x *comparison) text() string {
	var b strings.Builder
	for i, run := range x.runs {
		fmt.Fprintf(&b, "%-3s %s  %s, %s\n", x.names[i], run, x.ids[i].Specimen, x.ids[i].Outcome)
		if strings.HasPrefix(x.plans[i], noPlan) {
			fmt.Fprintf(&b, "    its %s\n", x.plans[i])
		}
	}
	differ := "nothing but their dates"
	if words := x.apart(); len(words) > 0 {
		differ = strings.Join(words, ", ")
	}
	fmt.Fprintf(&b, "they differ in %s\n\n", differ)
	for _, c := range x.all {
		b.WriteString(c.Text(x.names) + x.overText(c))
	}
	if len(x.all) == 0 {
		b.WriteString("no figure is in two of these runs\n")
	}
	b.WriteString(x.aloneText())
	b.WriteString(x.mapsText(len(x.figures()) == 1) + x.livesText())
	fmt.Fprintf(&b, "\n%d figures, %d differences stand out of their uncertainty at 95 %%; of so many, some do by chance\n", len(x.all), x.differ())
	return b.String()
}

// aloneText are the figures that have no partner because it was taken otherwise.
func (x *comparison) aloneText() string {
	var b strings.Builder
	for k, c := range x.alone {
		if k == 0 {
			b.WriteString("\nnot under the same conditions, or not as often, in another run, and not compared\n")
		}
		for i, f := range c.Of {
			if f != nil {
				fmt.Fprintf(&b, "  %-4s %s: %s\n", x.names[i], c.Title(), f.ValueText())
			}
		}
	}
	return b.String()
}

func (x *comparison) csv() string {
	var b strings.Builder
	w := csv.NewWriter(&b)
	w.UseCRLF = true
	w.Write([]string{"figure", "flavour", "unit", "run", "specimen", "value", "U", "less_first", "U_less_first", "matters", "low", "high", "foil", "row", "column", "conditions"})
	for _, c := range x.all {
		for i, f := range c.Of {
			if f == nil {
				continue
			}
			row := csvRow(c.Figure, c.Flavour, c.Unit, x.runs[i], x.ids[i].Specimen, f.Value, f.Expanded)
			if at := x.places[i]; at.Foil != "" {
				row[12], row[13], row[14] = at.Foil, fmt.Sprint(at.Row), fmt.Sprint(at.Column)
			}
			row[15] = c.Told(f.Conditions())
			if f.Low != nil && f.High != nil {
				row[10], row[11] = asWritten(*f.Low), asWritten(*f.High)
			}
			if d := c.Less[i]; d != nil {
				row[7], row[8], row[9] = asWritten(d.Value), asWritten(d.Expanded), fmt.Sprint(d.Matters)
			}
			w.Write(row)
		}
	}
	for _, row := range slices.Concat(x.groupRows(), x.livesRows()) {
		w.Write(row)
	}
	w.Flush()
	return b.String()
}

func asWritten(v float64) string { return string(quantity.AppendNumber(nil, v)) }

// csvRow is one row of the table, the further cells still empty.
func csvRow(figure, flavour, unit, run, specimen string, value, expanded float64) []string {
	return []string{figure, flavour, unit, run, specimen, asWritten(value), asWritten(expanded), "", "", "", "", "", "", "", "", ""}
}

// latex is a table to paste into a paper; it needs no package.
func (x *comparison) latex() string {
	var b strings.Builder
	escape := strings.NewReplacer(`\`, `\textbackslash{}`, "%", `\%`, "_", `\_`, "&", `\&`, "#", `\#`, "$", `\$`, "{", `\{`, "}", `\}`, "~", `\textasciitilde{}`, "^", `\textasciicircum{}`,
		"±", `$\pm$`, "²", `$^2$`, "√", `$\surd$`, "|", `$|$`, "<", `$<$`, ">", `$>$`, "µ", `$\mu$`, "Ω", `$\Omega$`, "Ohm", `$\Omega$`, "degC", `$^\circ$C`, "1/K", `K$^{-1}$`)
	fmt.Fprintf(&b, "%% intervals at 95 %%; * marks what differs from the first run by more than its uncertainty\n\\begin{tabular}{l%s}\n\\hline\nfigure", strings.Repeat("r", len(x.runs)))
	for i, id := range x.ids {
		fmt.Fprintf(&b, " & %s", escape.Replace(id.Specimen+" ("+x.names[i]+")"))
	}
	b.WriteString(" \\\\\n\\hline\n")
	for _, c := range x.all {
		b.WriteString(escape.Replace(c.Title()))
		for i, f := range c.Of {
			cell := ""
			if f != nil {
				cell = escape.Replace(f.ValueText())
				if d := c.Less[i]; d != nil && d.Matters {
					cell += "*"
				}
			}
			b.WriteString(" & " + cell)
		}
		b.WriteString(" \\\\\n")
	}
	b.WriteString(x.livesLatex(escape) + "\\hline\n\\end{tabular}\n" + x.groupLatex(escape))
	return b.String()
}
