package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"dwell/logs/figures"
)

// listed is what anyone may expect of a figure in figures.json.
type listed struct {
	Figure, Flavour, Channel, Unit, Definition, Source, Rows string
	Value, K                                                 float64
	Std                                                      float64 `json:"u"`
	Expanded                                                 float64 `json:"U"`
}

// A rehearsed staircase ends in figures that hold the truth of its virtual film: a B value
// of 1000 K, 10 kOhm at 25 degC, and no hysteresis of its own.
func TestFiguresOfAStaircase(t *testing.T) {
	t.Parallel()
	root := t.TempDir()
	start(t, "rehearse", leafClip+"staircase.yaml", "--seed", "5", "--out", root).exits(exitDone)
	folder := theFolder(t, root)
	atTheEnd := read(t, filepath.Join(folder, "figures.json"))
	p := start(t, "figures", folder, "--json")
	p.exits(exitDone)
	object := p.expectObject(map[string]any{"run": folder, "exit": 0.0})
	if read(t, filepath.Join(folder, "figures.json")) != atTheEnd {
		t.Error("asked again, the same record gives other figures")
	}
	text, err := json.Marshal(object["figures"])
	if err != nil {
		t.Fatal(err)
	}
	var all []listed
	if err := json.Unmarshal(text, &all); err != nil {
		t.Fatal(err)
	}
	for _, f := range all {
		if f.Unit == "" || f.Definition == "" || f.Source == "" || f.Rows == "" || f.Channel == "" || !(f.K > 0) || !(f.Expanded >= 0) || math.IsNaN(f.Value) {
			t.Errorf("not whole: %+v", f)
		}
	}
	pick := func(figure, flavour string) (found listed) {
		t.Helper()
		for _, f := range all {
			if f.Figure == figure && strings.HasPrefix(f.Flavour, flavour) {
				return f
			}
		}
		t.Fatalf("no %s, %s", figure, flavour)
		return found
	}
	if f := pick("b_value", "fitted"); math.Abs(f.Value-1000) > f.Expanded || f.Expanded > 12 {
		t.Errorf("B %v ± %v K", f.Value, f.Expanded)
	}
	if f := pick("r0", "fitted quadratic"); math.Abs(f.Value-10000) > f.Expanded || f.Expanded > 120 {
		t.Errorf("R0 %v ± %v Ohm", f.Value, f.Expanded)
	}
	if f := pick("hysteresis", "largest, K, lag taken out, by plate.temperature"); f.Value > f.Expanded || f.Expanded > 0.3 {
		t.Errorf("hysteresis of none: %v ± %v K", f.Value, f.Expanded)
	}
	if f := pick("lag_tau", ""); f.Value < 20 || f.Value > 60 {
		t.Errorf("lag %v s", f.Value)
	}
	r, _ := openRecord(t, folder)
	for f := range r.Verify() {
		t.Errorf("verify: %s", f)
	}
	p = start(t, "figures", folder, "--budget", "tcr")
	p.exits(exitDone)
	if out := p.out.String(); !strings.Contains(out, "foil.temperature, class") || !strings.Contains(out, "combined u") {
		t.Errorf("no budget: %s", out)
	}
	p = start(t, "figures", folder, "--budget", "nonsense")
	p.exits(exitUsage)
	p.says("there are")
}

// What is no run folder is refused in words.
func TestFiguresOfNoRun(t *testing.T) {
	t.Parallel()
	empty := t.TempDir()
	start(t, "figures", filepath.Join(empty, "none")).exits(exitUsage)
	start(t, "figures", empty).exits(exitUsage)
	p := start(t, "figures", empty, "--at", "30 degC")
	p.exits(exitUsage)
	if !strings.Contains(p.err.String(), "--at is about a table") {
		t.Errorf("a run with a flag of tables: %q", p.err)
	}
	if left, _ := os.ReadDir(empty); len(left) > 0 {
		t.Errorf("it left %v", left)
	}
}

// A table of old points gives figures; what is missing in the question is said.
func TestFiguresOfATable(t *testing.T) {
	t.Parallel()
	table := filepath.Join(t.TempDir(), "old.csv")
	text := "T;R\n25;1000,0\n35;1030,9\n45;1062,4\n55;1094,2\n65;1125,1\n75;1157,4\n85;1189,0\n"
	if err := os.WriteFile(table, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	p := start(t, "figures", "--csv", table, "--temperature", "T", "--resistance", "R", "--units", "temperature=degC,resistance=Ohm", "--temperature-within", "0.3 K", "--json")
	p.exits(exitDone)
	if n := len(p.expectObject(map[string]any{"table": table, "exit": 0.0})["figures"].([]any)); n < 8 {
		t.Errorf("%d figures", n)
	}
	steps, empty, wrong := filepath.Join(t.TempDir(), "steps.csv"), filepath.Join(t.TempDir(), "empty.csv"), filepath.Join(t.TempDir(), "wrong.csv")
	write(t, steps, stairs())
	write(t, empty, "")
	write(t, wrong, "kind,start_s,end_s\nplateau,NaN,3\n")
	for _, c := range []struct {
		says string
		args []string
	}{
		{"has no unit", []string{"--csv", table, "--temperature", "T", "--resistance", "R"}},
		{"either a run folder or --csv", nil},
		{"either a run folder or --csv", []string{table, "--csv", table}},
		{"expected a value with its unit like", []string{"--csv", table, "--temperature", "T", "--at", "25 V"}},
		{"--temperature-within: expected more than nothing", []string{"--csv", table, "--temperature", "T", "--temperature-within", "-1 K"}},
		{"--temperature-within: expected more than nothing", []string{"--csv", table, "--temperature", "T", "--temperature-within", "0 K"}},
		{"--resistance-within: expected more than nothing", []string{"--csv", table, "--temperature", "T", "--resistance-within", "-5 %"}},
		{`--resistance-within: expected a value with its unit like "0.1 %", got "0.1"`, []string{"--csv", table, "--temperature", "T", "--resistance-within", "0.1"}},
		{`--threshold: expected a value with its unit like "10 %", got "10"`, []string{"--csv", table, "--temperature", "T", "--threshold", "10"}},
		{empty + ": no segments", []string{"--csv", steps, "--time", "t", "--temperature", "T", "--resistance", "R", "--plateaus", empty}},
		{wrong + ":2: ", []string{"--csv", steps, "--time", "t", "--temperature", "T", "--resistance", "R", "--plateaus", wrong}},
		{"--plateaus is about a record", []string{"--csv", steps, "--temperature", "T", "--resistance", "R", "--plateaus", wrong}},
		{"none of the columns named", []string{"--csv", table, "--temperature", "T", "--units", "time=s"}},
	} {
		p := start(t, append([]string{"figures"}, c.args...)...)
		p.exits(exitUsage)
		p.says(c.says)
	}
}

// stairs is a table of 25, 35 and 45 degC, a minute each (demo data).
func stairs() string {
	var text strings.Builder
	text.WriteString("t (s),T (degC),R (Ohm)\n")
	for i := range 180 {
		level := float64(25 + 10*(i/60))
		fmt.Fprintf(&text, "%d,%.3f,%.4f\n", i, level+0.01*float64(i%3), 1000+3*(level-25)+0.01*float64(i%5))
	}
	return text.String()
}

// A record with steps, which have no level, comes out as JSON all the same, and the text
// sends nobody to a file that is not written.
func TestFiguresOfATableWithSteps(t *testing.T) {
	t.Parallel()
	table := filepath.Join(t.TempDir(), "steps.csv")
	write(t, table, stairs())
	args := []string{"figures", "--csv", table, "--time", "t", "--temperature", "T", "--resistance", "R"}
	p := start(t, append(args, "--json")...)
	p.exits(exitDone)
	kinds := map[string]int{}
	for _, s := range p.expectObject(map[string]any{"table": table, "exit": 0.0})["segments"].([]any) {
		s := s.(map[string]any)
		kinds[s["Kind"].(string)]++
		if _, has := s["Level"]; has != (s["Kind"] == "plateau") {
			t.Errorf("a level is what a plateau has: %v", s)
		}
	}
	if kinds["plateau"] != 3 || kinds["step"] != 2 {
		t.Errorf("%v, expected 3 plateaus and 2 steps", kinds)
	}
	p = start(t, args...)
	p.exits(exitDone)
	if out := p.out.String(); strings.Contains(out, "figures.json") || !strings.Contains(out, "--json") {
		t.Errorf("where definitions are:\n%s", out)
	}
}

// What JSON has no word for is an error, and no result.
func TestAnObjectThatCannotBeWritten(t *testing.T) {
	var out bytes.Buffer
	s := &speech{out: &out, err: io.Discard, json: true}
	s.object(map[string]any{"level": math.NaN()})
	if s.lost == nil || out.Len() > 0 {
		t.Errorf("lost %v, written %q", s.lost, &out)
	}
}

// Without figures the object holds lists all the same.
func TestNoFiguresAreAList(t *testing.T) {
	var out bytes.Buffer
	s := &speech{out: &out, err: io.Discard, json: true}
	if err := s.figures(&figures.Results{}, "", map[string]any{}); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(out.String(), `"figures":[]`) || strings.Contains(out.String(), "null") {
		t.Errorf("%s", &out)
	}
}

// Whoever takes numbers from a record that was edited since is told so first.
func TestFiguresOfAnEditedRun(t *testing.T) {
	t.Parallel()
	root := t.TempDir()
	start(t, "rehearse", leafClip+"short.yaml", "--out", root).exits(exitDone)
	folder := theFolder(t, root)
	name := filepath.Join(folder, "readings.csv")
	text := []byte(read(t, name))
	at := bytes.Index(text, []byte(",element.resistance,1"))
	text[at+len(",element.resistance,")] = '2'
	if err := os.WriteFile(name, text, 0o666); err != nil {
		t.Fatal(err)
	}
	for _, verb := range []string{"figures", "show", "report"} {
		p := start(t, verb, folder)
		p.exit()
		if all := p.err.String() + read(t, filepath.Join(folder, "report.html")); !strings.Contains(all, "readings.csv") || !strings.Contains(all, "broken") {
			t.Errorf("%s says nothing of the edit: %q", verb, p.err)
		}
	}
}

// A run leaves its page, and dwell report makes the same one again.
func TestReport(t *testing.T) {
	t.Parallel()
	root := t.TempDir()
	start(t, "rehearse", leafClip+"short.yaml", "--out", root).exits(exitDone)
	folder := theFolder(t, root)
	atTheEnd := read(t, filepath.Join(folder, "report.html"))
	p := start(t, "report", folder, "--json")
	p.exits(exitDone)
	p.expectObject(map[string]any{"run": folder, "report": filepath.Join(folder, "report.html"), "exit": 0.0})
	if page := read(t, filepath.Join(folder, "report.html")); page != atTheEnd || !strings.Contains(page, "LC-07") {
		t.Error("another page, or not of this run")
	}
	r, _ := openRecord(t, folder)
	for f := range r.Verify() {
		t.Errorf("verify: %s", f)
	}
}

func TestNoSuchFigure(t *testing.T) {
	for want, known := range map[string][]string{`no figure "x" in two of these runs, nor any other`: nil, `no figure "x" in two of these runs; there are r0, tcr`: {"r0", "tcr"}} {
		if got := noSuchFigure("x", known).Error(); got != want {
			t.Errorf("%s, expected %s", got, want)
		}
	}
}

// Two runs of one virtual film are alike; another film differs, which is a failure only
// where equality was asked for.
func TestCompareRuns(t *testing.T) {
	if testing.Short() {
		t.Skip("several whole runs")
	}
	t.Parallel()
	dir := t.TempDir()
	other := filepath.Join(dir, "other.yaml")
	one := filepath.Join(dir, "one.yaml")
	text := read(t, leafClip+"specimen.yaml")
	write(t, one, text+"array: {foil: F-12, row: 1, column: 1}\n")
	text = strings.Replace(text, "resistance: 10 kOhm", "resistance: 12 kOhm", 1)
	text = strings.Replace(text, "encapsulation: none", "encapsulation: {of: polyimide, thickness: 25 um, modulus: 2.5 GPa}", 1)
	write(t, other, text+"array: {foil: F-12, row: 1, column: 2}\n")
	var folders []string
	for i, specimen := range []string{one, one, other} {
		root := filepath.Join(dir, string(rune('a'+i)))
		start(t, "rehearse", leafClip+"staircase.yaml", "--specimen", specimen, "--out", root).exits(exitDone)
		folders = append(folders, theFolder(t, root))
	}
	p := start(t, "compare", folders[0], folders[1], "--equal", "--json")
	p.exits(exitDone)
	p.expectObject(map[string]any{"differences": 0.0, "exit": 0.0})
	start(t, "compare", folders[0], folders[2]).exits(exitDone)
	p = start(t, "compare", folders[0], folders[2], "--figure", "r0", "--format", "csv", "--equal")
	p.exits(exitDiffering)
	if out := p.out.String(); !strings.HasPrefix(out, "figure,flavour,unit,run,specimen,value,U,") || !strings.Contains(out, ",true") {
		t.Errorf("no difference in the table: %s", out)
	}
	p = start(t, "compare", folders[0], folders[2], "--figure", "tcr", "--format", "latex")
	p.exits(exitDone)
	if out := p.out.String(); !strings.Contains(out, `\begin{tabular}{lrr}`) || !strings.Contains(out, `$\pm$`) || !strings.Contains(out, "T1 19.94 $^\\circ$C, T2 ") || !strings.Contains(out, "K$^{-1}$ \\\\\n") {
		t.Errorf("no table: %s", out)
	}
	for flags, says := range map[string][]string{
		"":               {"    bare, 2 runs: mean ", "    encapsulated, polyimide 25 um, 1 run: mean ", "foil F-12: r0, measured, temperature ", "2 of 2 elements: mean ", "r0, fitted line, temperature 25 degC\n"},
		"--json":         {`"by":"encapsulation"`, `"foil":"F-12"`},
		"--format=csv":   {"r0,measured,Ohm,mean by encapsulation,bare,", ",F-12,1,2,temperature "},
		"--format=latex": {"r0, fitted line, temperature 25 $^\\circ$C & encapsulated, polyimide 25 um & 1 & ", "\\begin{tabular}{rrr}\n\\hline\nrow & column 1 & column 2 \\\\"},
	} {
		p = start(t, append([]string{"compare", "--figure", "r0", folders[0], folders[1], folders[2]}, strings.Fields(flags)...)...)
		p.exits(exitDone)
		for _, words := range says {
			if !strings.Contains(p.out.String(), words) {
				t.Errorf("compare %s does not say %q", flags, words)
			}
		}
	}
	start(t, "compare", folders[0]).exits(exitUsage)
	start(t, "compare", folders[0], folders[1], "--format", "docx").exits(exitUsage)
	for name, edited := range map[string]struct{ old, new, says string }{
		"run.json":  {`"outcome": "completed"`, `"outcome": "tripped"`, "they differ in outcome\n"},
		"plan.json": {`"version": 2`, `"version": 99`, "its plan.json cannot be read: it has version 99"},
	} {
		path := filepath.Join(folders[1], name)
		whole := read(t, path)
		write(t, path, strings.Replace(whole, edited.old, edited.new, 1))
		p = start(t, "compare", folders[0], folders[1])
		p.exits(exitDone)
		if out := p.out.String(); !strings.Contains(out, edited.says) || strings.Contains(out, "nothing but") {
			t.Errorf("%s edited: %s", name, out)
		}
		write(t, path, whole)
	}
}

// A minute of bending says how the virtual film answers to strain: 2 % of resistance for
// 1 % of strain, by its rig file.
func TestFiguresOfBending(t *testing.T) {
	t.Parallel()
	root := t.TempDir()
	start(t, "rehearse", leafClip+"bending/bend.yaml", "--out", root).exits(exitDone)
	var all []listed
	if err := json.Unmarshal([]byte(read(t, filepath.Join(theFolder(t, root), "figures.json"))), &all); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(read(t, filepath.Join(theFolder(t, root), "report.html")), "mean strain of the film / %") {
		t.Error("the page shows no bending")
	}
	seen := map[string]int{}
	for _, f := range all {
		seen[f.Figure]++
		switch {
		// the display of 0.1 K alone makes 0.14 of it, at 1 % per kelvin and strains up to 0.7 %
		case f.Figure == "gauge_factor" && (math.Abs(f.Value-2) > f.Expanded || f.Expanded < 0.12 || f.Expanded > 0.17):
			t.Errorf("gauge factor, %s: %v ± %v", f.Flavour, f.Value, f.Expanded)
		case f.Figure == "bend_response" && (f.Value < 0.8 || f.Value > 1.5 || f.Expanded > 0.2):
			t.Errorf("bent, %s: %v ± %v %%", f.Rows, f.Value, f.Expanded)
		}
	}
	if seen["gauge_factor"] != 2 || seen["bend_response"] != 3 || seen["cycles_to_threshold"] != 1 {
		t.Errorf("%v", seen)
	}
}

// A figure without a budget is told with the reason, and one that there is not with those that
// there are.
func TestBudgetOfWhatHasNone(t *testing.T) {
	all := &figures.Results{Figures: []figures.Figure{{Figure: "noise_rms", Flavour: "detrended", Unit: "Ohm", Value: 0.1, Expanded: 0.01}}}
	var out bytes.Buffer
	s := &speech{out: &out, err: io.Discard}
	if err := s.figures(all, "noise_rms", map[string]any{}); err != nil || !strings.Contains(out.String(), "no budget: its interval comes from") {
		t.Errorf("%v, %s", err, &out)
	}
	if err := s.figures(all, "tcr", map[string]any{}); err == nil || !strings.Contains(err.Error(), `no figure "tcr"; there are noise_rms`) {
		t.Errorf("%v", err)
	}
}
