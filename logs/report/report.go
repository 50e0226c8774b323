// Package report makes the page that a person reads of a run: what was done on what, how
// it ended, the figures with their uncertainties and definitions, and plots of what they
// were taken from. One self-contained file, without script, that prints well.
//
// It must never compute a figure, never ask the time, and never leave out a caution: what
// is known to be wrong with a run stands before its numbers.
package report

import (
	"cmp"
	_ "embed"
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"io"
	"io/fs"
	"math"
	"regexp"
	"slices"
	"strings"

	"dwell/drivers/quantity"
	"dwell/logs"
	"dwell/logs/figures"
)

//go:embed page.html
var page string

// content is what the page shows.
type content struct {
	Name     string
	ID       logs.Identity
	Verdict  string
	Failed   string // the specimen, "" for a sound one
	Good     bool
	Safe     string
	Cautions []string

	Main    []row
	All     []group
	Budgets []budget
	ForRig  string // lines for the rig file, "" for none
	RigSays string
	LeftOut []figures.Omission
	Notes   []string

	Sections               []section
	NoPlots                []string // why
	Plateaus               []plateau
	Limits                 []limit
	Events                 []event
	MoreEvents             int
	Protocol, SpecimenText string
	Started, Stopped       string
	RepeatsBegan           string
}

// section is plots of one kind.
type section struct {
	Title string
	Plots []plotted
}

type plotted struct {
	SVG     template.HTML
	Caption string
}

// row is a figure on the page.
type row struct{ Title, Flavour, With, Value, Definition, Source, Rows, Channel, Notes string }

// group is all figures of one name; those of one definition stand together.
type group struct {
	Name, Title string
	Kinds       []defined
}

type defined struct {
	row
	Values []row  // those that are shown
	Folded []row  // all, of many; unfolded by who wants them
	Range  string // of these
}

type budget struct {
	Title string
	Lines []line
	Sum   string
}

type line struct{ Name, U, Unit, Type, DoF, Share, Says string }

type plateau struct{ From, To, Target, Step, T, Seen, Settled, Remained, Rest string }

type limit struct{ What, When, Then, From string }

type event struct{ At, Kind, Step, Text string }

// Write makes the page of a run. damage is what is wrong with its record, in words.
func Write(w io.Writer, name string, r *logs.Run, results *figures.Results, damage []string) error {
	c := content{Name: name, ForRig: results.ForRig, RigSays: figures.ForRigSays, LeftOut: results.LeftOut, Notes: results.Notes}
	var err error
	if c.ID, err = r.IdentityIfWhole(); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	c.Started, c.Stopped = second(c.ID.StartUTC), second(c.ID.StopUTC)
	if c.ID.Repeats != nil {
		c.RepeatsBegan = second(c.ID.Repeats.StartUTC)
	}
	if err := c.readRecord(r, results.Facts.Dimensions); err != nil {
		return err
	}
	c.judge(damage)
	c.take(results)
	if err := c.draw(results); err != nil {
		return err
	}
	t, err := template.New("page").Funcs(template.FuncMap{"read": readable}).Parse(page)
	if err != nil {
		return err
	}
	return t.Execute(w, c)
}

// second is a moment of RFC 3339 without its fractions, for people.
func second(utc string) string {
	whole, _, _ := strings.Cut(strings.TrimSuffix(utc, "Z"), ".")
	return strings.Replace(whole, "T", " ", 1)
}

// judge is the verdict and the cautions, which stand first.
func (c *content) judge(damage []string) {
	c.Verdict, c.Safe = c.ID.Outcome, "whether the bench was safe at the end is not recorded"
	if c.Verdict == "" {
		c.Verdict = "not ended: the run was cut off, or is still going on"
	}
	if c.ID.Reason != "" {
		c.Verdict += ": " + c.ID.Reason
	}
	if c.Failed != "" {
		c.Verdict += "; " + c.Failed
	}
	safe := c.ID.Safe != nil && *c.ID.Safe
	if c.ID.Safe != nil {
		c.Safe = map[bool]string{true: "heat and outputs are off, by what the instruments answered or showed", false: "the safe state could NOT be confirmed"}[safe]
	}
	c.Good = safe && c.ID.Outcome == "completed"
	switch virtual := virtualOnes(c.ID); {
	case c.ID.Replays != nil && virtual == "":
		c.Cautions = append(c.Cautions, "This is a replay: what was read was read in another run, and no instrument and no specimen was touched.")
	case c.ID.Replays != nil:
		c.Cautions = append(c.Cautions, fmt.Sprintf("This is a replay beside virtual instruments (%s, seed %d): no instrument and no specimen was touched.", virtual, c.ID.Seed))
	case c.ID.Kind == "rehearsal":
		c.Cautions = append(c.Cautions, fmt.Sprintf("This is a rehearsal on the virtual bench (seed %d): no instrument and no specimen was touched.", c.ID.Seed))
	case virtual != "":
		c.Cautions = append(c.Cautions, fmt.Sprintf("Virtual in this run (port: twin, seed %d), so that what they read is no measurement: %s.", c.ID.Seed, virtual))
	}
	for _, d := range damage {
		c.Cautions = append(c.Cautions, "The record is damaged: "+d)
	}
	for _, i := range c.ID.Instruments {
		if i.Calibrated == "" {
			c.Cautions = append(c.Cautions, "No date of calibration is stated for "+i.Name+".")
		}
	}
	if !c.ID.Clock.Synchronised && c.ID.StartUTC != "" {
		c.Cautions = append(c.Cautions, "The computer's clock was not known to be synchronised: dates and times of day are as good as that clock. Times within the run do not depend on it.")
	}
	c.Cautions = append(c.Cautions, noSafetyDevice,
		"The seal of a run folder is not signed: it finds accidents, not forgers.")
}

// virtualOnes names the instruments that were virtual.
func virtualOnes(id logs.Identity) string {
	var names []string
	for _, i := range id.Instruments {
		if i.Port == "twin" {
			names = append(names, i.Name)
		}
	}
	return strings.Join(names, ", ")
}

// noSafetyDevice is what every page says, whatever came of the run.
const noSafetyDevice = "dwell is no safety device, and no safety integrity level (IEC 61508) is claimed. It helps against one thing that breaks while the rest works: " +
	"a reading that goes wrong or stops, an instrument that forgets its settings, a program that hangs or dies. It does not help against an instrument that does other than it answers, " +
	"heat or an output that nothing can switch off any more (a welded relay, a dead cable without a watchdog behind it), two faults at once, or a computer without power. " +
	"What it calls safe is what the instruments answered or showed. A hardware over-temperature cut-out and a hard-wired emergency stop (ISO 13850) are still needed."

// first of these, in this order, go into the summary.
var first = [][2]string{{"r0", "fitted quadratic"}, {"r0", "measured"}, {"sensitivity", "end points"}, {"tcr", "local"}, {"tcr", "chord"}, {"b_value", "fitted"}, {"linearity", "independent"},
	{"hysteresis", "largest, K, as read off"}, {"hysteresis", "largest, K, lag taken out"}, {"repeatability", "standard deviation"}, {"lag_tau", ""}, {"not_settled", ""}, {"response_t63", "interpolated"}, {"response_t90", "interpolated"},
	{"recovery_t63", "interpolated"}, {"recovery_t90", "interpolated"}, {"noise_rms", ""}, {"resolution", "3 s"}, {"drift", "corrected for temperature"}, {"drift", "as measured"},
	{"ohmic", "exponent, both signs"}, {"ohmic", "asymmetry"}, {"self_heating", "temperature rise per power"}, {"contact_resistance", ""}, {"bend_response", ""}, {"gauge_factor", "through zero"}, {"cycles_to_threshold", ""},
	{"full_power_rise", ""}, {"full_power_rate", ""}, {"plate_time_constant", ""}, {"plate_dead_time", ""}}

// titleOf is a figure's name for a reader.
func titleOf(name string) string {
	for from, to := range map[string]string{"r0": "R0", "tcr": "TCR", "b_value": "B value", "noise_rms": "noise (rms)", "steinhart_hart": "Steinhart–Hart", "allan_deviation": "Allan deviation", "weibull": "Weibull"} {
		if rest, ok := strings.CutPrefix(name, from); ok {
			return to + strings.ReplaceAll(rest, "_", " ")
		}
	}
	return strings.ReplaceAll(name, "_", " ")
}

// place is where a figure stands among all: those of the summary first, in its order.
func place(name string) int {
	for i, f := range first {
		if f[0] == name {
			return i
		}
	}
	for i, f := range first { // response_t50 beside response_t63
		if kind, _, ok := strings.Cut(f[0], "_"); ok && strings.HasPrefix(name, kind+"_") {
			return i
		}
	}
	return len(first)
}

// alike is how many figures there are of one name and flavour that no number tells apart.
func alike(all []figures.Figure, like figures.Figure) (n int) {
	apart, _ := like.Apart()
	for _, f := range all {
		if x, _ := f.Apart(); f.Figure == like.Figure && f.Flavour == like.Flavour && x == apart {
			n++
		}
	}
	return n
}

var (
	minusSign = regexp.MustCompile(`(^|[\s(])-(\d)`)
	power     = regexp.MustCompile(`(\d|\))[eE]([-+])0*(\d+)`)
	ohms      = regexp.MustCompile(`Ohm\b`)
	celsius   = regexp.MustCompile(`\bdegC\b`)
	micro     = regexp.MustCompile(`(\d )u(Ohm|[AVWKms])\b`)
)

// readable is a text with the signs of print: minus, powers of ten, Ω, °C, µ.
func readable(text string) string {
	text = minusSign.ReplaceAllString(text, "${1}−$2")
	text = power.ReplaceAllStringFunc(text, func(s string) string {
		m := power.FindStringSubmatch(s)
		exponent := strings.Map(func(r rune) rune { return []rune("⁰¹²³⁴⁵⁶⁷⁸⁹")[r-'0'] }, m[3])
		if m[2] == "-" {
			exponent = "⁻" + exponent
		}
		return m[1] + " × 10" + exponent
	})
	text = micro.ReplaceAllString(text, "${1}µ$2")
	return celsius.ReplaceAllString(ohms.ReplaceAllString(text, "Ω"), "°C")
}

func (c *content) take(r *figures.Results) {
	for _, want := range first {
		at := slices.IndexFunc(r.Figures, func(f figures.Figure) bool {
			return f.Figure == want[0] && strings.HasPrefix(f.Flavour, want[1])
		})
		if at < 0 {
			continue
		}
		f := r.Figures[at]
		inShort := rowOf(f)
		if n := alike(r.Figures, f); n > 1 {
			inShort.With = strings.TrimSuffix(fmt.Sprintf("the first of %d; %s", n, inShort.With), "; ")
		}
		c.Main = append(c.Main, inShort)
		if f.Budget != nil && len(f.Budget.Inputs) > 1 {
			c.Budgets = append(c.Budgets, budgetOf(f))
		}
	}
	names := figures.Names(r.Figures)
	slices.SortStableFunc(names, func(a, b string) int { return place(a) - place(b) })
	for _, name := range names {
		c.All = append(c.All, groupOf(name, r.Figures))
	}
	for _, t := range r.Facts.Thermometers {
		if s := r.Settled[t.Channel]; s != nil {
			for _, h := range s.Holds {
				c.Plateaus = append(c.Plateaus, plateauOf(h, len(s.Tau) > 0 && !(t.BesideFilm && !t.MayLead), t.Channel))
			}
		}
	}
}

func groupOf(name string, all []figures.Figure) group {
	g := group{Name: name, Title: titleOf(name)}
	sized := map[int][]figures.Figure{} // by kind
	for _, f := range all {
		if f.Figure != name {
			continue
		}
		r := rowOf(f)
		at := slices.IndexFunc(g.Kinds, func(d defined) bool { return d.Flavour == r.Flavour && d.Definition == r.Definition })
		if at < 0 {
			at = len(g.Kinds)
			g.Kinds = append(g.Kinds, defined{row: r})
		}
		g.Kinds[at].Values = append(g.Kinds[at].Values, r)
		sized[at] = append(sized[at], f)
	}
	const most = 3
	for i := range g.Kinds {
		k := &g.Kinds[i]
		if len(k.Values) <= most {
			continue
		}
		less := func(a, b figures.Figure) int { return cmp.Compare(a.Value, b.Value) }
		k.Range = fmt.Sprintf("all %d: %s to %s", len(k.Values), slices.MinFunc(sized[i], less).ValueText(), slices.MaxFunc(sized[i], less).ValueText())
		k.Folded, k.Values = k.Values, k.Values[:1]
	}
	return g
}

func rowOf(f figures.Figure) row {
	var with []string
	for _, g := range f.With {
		text, u := g.Shown(), 0.
		switch { // known no better than the value
		case g.Unit == f.Unit && g.Unit != "1":
			u = f.Expanded
		case strings.HasPrefix(g.Name, "largest ") && f.Value != 0: // of which the value is a share
			u = math.Abs(g.Value / f.Value * f.Expanded)
		}
		if u > 0 && math.Abs(g.Value) > max(u/100, 1e-3) { // a smaller one takes a prefix
			text = figures.Rounded(g.Value, u) + " " + g.Unit
		}
		with = append(with, strings.TrimSpace(g.Name+" "+text))
	}
	return row{Title: titleOf(f.Figure), Flavour: f.Flavour, With: strings.Join(with, ", "), Value: f.ValueText(), Definition: f.Definition, Source: f.Source, Rows: f.Rows, Channel: f.Channel, Notes: strings.Join(f.Notes, "; ")}
}

func plateauOf(h figures.Hold, lags bool, by string) plateau {
	p := plateau{From: seconds(h.Start), To: seconds(h.End), T: fmt.Sprintf("%.3f", h.TSeen), Seen: fmt.Sprintf("%.2f", h.Seen), Settled: fmt.Sprintf("%.2f ± %.2f", h.Settled, 2*h.USettled),
		Remained: fmt.Sprintf("%.2f ± %.2f", h.Remained, 2*h.URemained), Rest: "no", Step: by}
	switch {
	case !lags:
		p.Settled, p.Remained, p.Rest = "–", "–", "–"
	case h.AtRest():
		p.Rest = "yes"
	}
	return p
}

func seconds(s float64) string { return fmt.Sprintf("%.0f", s) }

func budgetOf(f figures.Figure) budget {
	b := budget{Title: titleOf(f.Figure) + ", " + f.Flavour + ": " + f.ValueText()}
	for _, in := range f.Budget.Inputs {
		l := line{Name: in.Name, U: fmt.Sprintf("%.3g", in.U), Unit: in.Unit, Type: in.Type, DoF: freedom(in.DoF), Says: in.Says}
		if f.Budget.Combined > 0 {
			share := in.Contribution() / f.Budget.Combined
			l.Share = fmt.Sprintf("%.1f %%", 100*share*share)
		}
		b.Lines = append(b.Lines, l)
	}
	unit := " " + f.Unit
	if f.Unit == "1" {
		unit = ""
	}
	b.Sum = fmt.Sprintf("u = %.3g%s, effective degrees of freedom %s, k = %.3g, U = %.3g%s at 95 %%", f.U_std, unit, freedom(f.Budget.DoF), f.K, f.Expanded, unit)
	return b
}

// freedom is a number of degrees of freedom; 0 stands for infinitely many.
func freedom(dof float64) string {
	const many = 1e4 // k is that of infinitely many to four digits
	switch {
	case dof <= 0:
		return "∞"
	case dof > many:
		return "> 10 000"
	}
	return fmt.Sprintf("%.4g", dof)
}

func (c *content) draw(r *figures.Results) error {
	all, without := Drawings(r, Ended(c.ID))
	c.NoPlots = without
	for _, d := range all {
		text, err := d.SVG()
		if err != nil {
			return err
		}
		n := len(c.Sections)
		if n == 0 || c.Sections[n-1].Title != d.Section {
			c.Sections, n = append(c.Sections, section{Title: d.Section}), n+1
		}
		// The element is made from our own numbers, and escaped by the library.
		c.Sections[n-1].Plots = append(c.Sections[n-1].Plots, plotted{template.HTML(text), d.Caption})
	}
	return nil
}

// Ended is how a run ended that was not completed, "" for one that was.
func Ended(id logs.Identity) string {
	if id.Outcome == "completed" {
		return ""
	}
	return id.Outcome
}

// told are the kinds of events that a reader of the page wants to know.
var told = []string{"instrument", "specimen", "moved", "mark", "note", "warning", "specimen failed", "bent", "flat", "gap", "ceiling", "paused", "resumed", "tripped", "failed", "stopped", "suspended", "safe", "not safe", "ended"}

const mostEvents = 120

func (c *content) readRecord(r *logs.Run, of map[string]quantity.Dimension) error {
	failedAt := 0. // s
	for line, err := range r.Events() {
		if err != nil {
			return err
		}
		var e struct {
			Event, Step, Text string
			TNs               int64   `json:"t_ns"`
			FromS             float64 `json:"from_s"`
			Cycles, Begun     float64
		}
		if err := json.Unmarshal(line, &e); err != nil {
			return fmt.Errorf("events.jsonl: %w", err)
		}
		switch {
		case e.Event == "specimen failed":
			c.Failed, failedAt = figures.SpecimenFailed(e.Text, e.Cycles, e.Begun), float64(e.TNs)/1e9
		case e.Event == "gap" && failedAt > e.FromS:
			c.Failed = ""
		}
		if !slices.Contains(told, e.Event) {
			continue
		}
		if len(c.Events) == mostEvents {
			c.MoreEvents++
			continue
		}
		c.Events = append(c.Events, event{fmt.Sprintf("%.1f", float64(e.TNs)/1e9), e.Event, e.Step, e.Text})
	}
	if text, err := r.File("protocol.yaml"); err == nil {
		c.Protocol = string(text)
	}
	if text, err := r.File("specimen.yaml"); err == nil {
		c.SpecimenText = string(text)
	}
	text, err := r.File("plan.json")
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return err
	case !json.Valid(text): // is said among what is damaged
		return nil
	}
	return c.limits(text, of)
}

// limits are the rules of the plan that the run was held to. The plan has its numbers in
// canonical units; of says of which quantity each channel is.
func (c *content) limits(plan []byte, of map[string]quantity.Dimension) error {
	var p struct {
		Rules struct {
			Limits []struct {
				Channel      string
				Below, Above *float64
				LastingNs    int64 `json:"lasting_ns"`
				From         string
			}
			Interlocks []struct {
				Name, When, While, Then, From string
				LastingNs                     int64 `json:"lasting_ns"`
			}
		}
	}
	if err := json.Unmarshal(plan, &p); err != nil {
		return fmt.Errorf("plan.json: %w", err)
	}
	lasting := func(ns int64) string {
		if ns == 0 {
			return ""
		}
		return " for " + string(quantity.AppendSeconds(nil, ns)) + " s"
	}
	for _, l := range p.Rules.Limits {
		for k, v := range [...]*float64{l.Below, l.Above} {
			if word := [...]string{"below", "above"}[k]; v != nil {
				value := fmt.Sprintf("%.6g", *v)
				if dim, known := of[l.Channel]; known {
					value = quantity.Near(*v, dim)
				}
				c.Limits = append(c.Limits, limit{fmt.Sprintf("%s stays %s %s", l.Channel, word, value), "always" + lasting(l.LastingNs), "trip", l.From})
			}
		}
	}
	for _, i := range p.Rules.Interlocks {
		when := i.While
		if when == "" {
			when = "always"
		}
		c.Limits = append(c.Limits, limit{"never " + i.When, when + lasting(i.LastingNs), i.Then, i.From})
	}
	return nil
}
