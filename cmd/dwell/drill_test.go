package main

import (
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"dwell/drivers/clock"
	"dwell/sequence/drill"
	"dwell/sequence/plan"
)

// rowsOf are the rows of a drill's object, each with the keys that are promised.
func rowsOf(t *testing.T, p *process) (rows []map[string]any) {
	t.Helper()
	for _, r := range p.expectObject(nil)["rows"].([]any) {
		row := r.(map[string]any)
		for _, key := range []string{"fault", "moment", "at_s", "strikes", "tripped", "cause", "to_safe_s", "cooling_s", "plate_degC",
			"film_degC", "film_W", "readings_lost", "outcome", "safe", "verdict", "why", "hardware", "exit"} {
			if _, has := row[key]; !has {
				t.Fatalf("a row has no %q: %v", key, row)
			}
		}
		rows = append(rows, row)
	}
	return rows
}

func TestDrill(t *testing.T) {
	t.Parallel()
	p := start(t, "drill", "--json", leafClip+"short.yaml")
	p.exits(exitDone)
	faults, moments, verdicts, went := map[any]bool{}, map[any]bool{}, map[any]int{}, 0
	for _, row := range rowsOf(t, p) {
		faults[row["fault"]], moments[row["moment"]] = true, true
		verdicts[row["verdict"]]++
		switch row["verdict"] {
		case "safe":
			if row["why"] != "" {
				t.Errorf("safe, but %v", row)
			}
		case "needs hardware":
			if row["hardware"] == "" || row["why"] == "" || row["safe"] == true && row["exit"] != 3.0 {
				t.Errorf("needs hardware: %v", row)
			}
		default:
			t.Errorf("%v", row)
		}
		if row["exit"] == 0.0 {
			went++
		}
		if done := row["to_safe_s"] == nil; done && row["verdict"] == "safe" && row["outcome"] != "completed" || !done && row["exit"] == 0.0 {
			t.Errorf("to_safe_s of %v", row)
		}
		if at, ok := row["at_s"].(float64); !ok || at <= 0 || at > 30 {
			t.Errorf("at_s of %v", row)
		}
	}
	if len(faults) < 25 || len(moments) < 4 || verdicts["needs hardware"] == 0 || went == 0 {
		t.Errorf("%d faults, %d moments, %v, %d went on", len(faults), len(moments), verdicts, went)
	}
	if p.err.String() != "" {
		t.Errorf("it said %q", p.err.String())
	}
	if found, _ := os.ReadDir("runs"); len(found) > 0 {
		t.Errorf("it left %v", found)
	}
}

// The table has a line for every row, and what is not safe is said below it; however
// many rows are performed at once, it is the same.
func TestDrillTable(t *testing.T) {
	t.Parallel()
	var tables []string
	for _, at := range []string{"GOMAXPROCS=1", "GOMAXPROCS=4"} {
		p := ready(t, "drill", leafClip+"short.yaml")
		p.cmd.Env = append(p.cmd.Env, at)
		p.start()
		p.exits(exitDone)
		head, rows, found := strings.Cut(p.out.String(), "  lost\n")
		if !found || !strings.Contains(head, "drilled in") {
			t.Fatalf("no table in %q", head)
		}
		for line := range strings.Lines(p.out.String()) {
			if n := utf8.RuneCountInString(line); n > 101 {
				t.Errorf("%d columns: %q", n-1, line)
			}
		}
		tables = append(tables, rows)
	}
	if tables[0] != tables[1] {
		t.Error("with four processors it is another table than with one")
	}
	for _, words := range []string{"\ndead cable (plate): ", "needs hardware: heater relay welded (sourcing, ", "  hint: what helps is a mains switch", " 0 unsafe\n"} {
		if !strings.Contains(tables[0], words) {
			t.Errorf("the table does not hold %q", words)
		}
	}
}

// A protocol that is drilled shorter than it is says so before the table.
func TestDrillSaysThatItIsShortened(t *testing.T) {
	j, err := load(&speech{out: io.Discard, err: os.Stderr}, files{protocol: leafClip + "bending/fatigue.yaml"})
	if err != nil {
		t.Fatal(err)
	}
	for whole, says := range map[clock.Instant]bool{33 * clock.Hour: true, 0: false} {
		text := (&drilling{speech: &speech{}}).text(j, &drill.Drill{Whole: whole}, 1)
		if strings.Contains(text, "\nshortened of 33 h 00 min, by doing twice whatever the protocol repeats") != says {
			t.Errorf("of %s s: %s", drill.Seconds(whole), text)
		}
	}
}

// A fault that breaks what check assumes excuses a late reaction; any other row that is
// late has a line of its own.
func TestDrillNamesWhatIsLate(t *testing.T) {
	row := func(name string, took clock.Instant) drill.Row {
		i := slices.IndexFunc(drill.Faults, func(f drill.Fault) bool { return f.Name == name })
		c := drill.Case{Strikes: []drill.Strike{{Fault: &drill.Faults[i], On: "plate"}}, Moment: "plateau"}
		return drill.Row{Case: c, Reaction: &drill.Reaction{Plan: plan.Reaction{Rule: "plate.temperature > 50 degC", TotalNs: 5e9}, Took: took}}
	}
	for _, f := range []struct {
		name    string
		excused bool
	}{
		{"process stopped", true}, {"heater relay welded", true}, {"mains switch welded", true}, {"output stuck on", true},
		{"plate hangs", true}, {"stage hangs", true}, {"dead cable", true}, {"port gone", true}, {"film open", false},
		{"plate thermometer frozen", false}, {"no answers", false}, {"garbage", false}, {"slow answers", false}, {"disk slow", false},
	} {
		x := &drilling{speech: &speech{}, rows: []drill.Row{row(f.name, 6*clock.Second)}}
		f.name = x.rows[0].Case.String()
		text := strings.Join(strings.Fields(x.reactions()), " ")
		line := "late " + f.name + " (plateau): plate.temperature > 50 degC took 6 s, of 5 s at worst: this fault breaks nothing that check assumes"
		if strings.Contains(text, "not so after "+f.name+": check assumes") != f.excused || strings.Contains(text, line) == f.excused {
			t.Errorf("%s, excused %v: %s", f.name, f.excused, text)
		}
		x.rows[0].Reaction.Took = 5 * clock.Second
		if text := x.reactions(); strings.Contains(text, f.name) {
			t.Errorf("%s, in time: %s", f.name, text)
		}
	}
}

// A rig that must act faster than it does after some fault has unsafe rows, and the
// code says so.
func TestDrillIsNotPassed(t *testing.T) {
	t.Parallel()
	own := write(t, filepath.Join(t.TempDir(), "rig.yaml"), read(t, leafClip+"rig.yaml")+"\nmust act within: 5 s\n") // check lets that pass
	flags := []string{"--rig", own, "--specimen", leafClip + "specimen.yaml", leafClip + "short.yaml"}
	p := start(t, append([]string{"drill", "--json"}, flags...)...)
	p.exits(exitDiffering)
	p.expectObject(map[string]any{"exit": 7.0})
	unsafe := map[any]bool{}
	for _, row := range rowsOf(t, p) {
		unsafe[row["fault"]] = unsafe[row["fault"]] || row["verdict"] == "unsafe"
	}
	if !unsafe["process stopped"] || unsafe["clock stepped"] {
		t.Errorf("unsafe: %v", unsafe)
	}
	p = start(t, append([]string{"drill"}, flags...)...)
	p.exits(exitDiffering)
	if !strings.Contains(p.out.String(), "UNSAFE") {
		t.Error("the table does not say so")
	}
}

func TestDrillAtRandom(t *testing.T) {
	t.Parallel()
	var objects []string
	for _, seed := range []string{"2", "2", "3"} {
		p := start(t, "drill", "--json", "--random", "20", "--seed", seed, leafClip+"short.yaml")
		if code := p.exit(); code != exitDone && code != exitDiffering {
			t.Fatalf("exit code %d", code)
		}
		if rows := rowsOf(t, p); len(rows) != 20 || len(rows[0]["strikes"].([]any)) == 0 {
			t.Errorf("%d rows of 20", len(rows))
		}
		objects = append(objects, p.out.String())
	}
	if objects[0] != objects[1] || objects[0] == objects[2] {
		t.Error("the seed does not decide what is drawn")
	}
}

// What cannot be drilled.
func TestDrillRefuses(t *testing.T) {
	t.Parallel()
	never := strings.Replace(read(t, leafClip+"short.yaml"), "at most: 1 min", "at most: 7 s", 1)
	hopeless := write(t, filepath.Join(t.TempDir(), "hopeless.yaml"), never)
	for _, x := range []struct {
		args []string
		code int
		says string
	}{
		{[]string{"--random", "-1", leafClip + "short.yaml"}, exitUsage, "expected a number of runs"},
		{[]string{"nowhere.yaml"}, exitUsage, "there is no file nowhere.yaml"},
		{[]string{}, exitUsage, "expects PROTOCOL, nothing was given"},
		{[]string{"--rig", leafClip + "rig.yaml", "--specimen", leafClip + "specimen.yaml", hopeless}, exitFailed, "without any fault the rehearsal is failed"},
	} {
		p := start(t, append([]string{"drill"}, x.args...)...)
		p.exits(x.code)
		if !strings.Contains(p.err.String(), x.says) || p.out.String() != "" {
			t.Errorf("%q: it said %q, and on standard output %q", x.args, p.err.String(), p.out.String())
		}
	}
}

// longestDrill is what the whole catalogue may take on the night, on two cores.
const longestDrill = 60 // s

// Every fault at every moment of the twelve-hour example.
func BenchmarkDrillOvernight(b *testing.B) {
	s := &speech{out: io.Discard, err: os.Stderr}
	j, err := load(s, files{protocol: leafClip + "overnight.yaml"})
	if err != nil {
		b.Fatal(err)
	}
	began := clock.Today()
	runs, n := 0, map[drill.Verdict]int{}
	for b.Loop() {
		x := &drilling{speech: s, seed: 1}
		x.drill(j)
		runs, n = len(x.rows), x.count()
	}
	took_s := clock.Today().UTC.Sub(began.UTC).Seconds() / float64(b.N)
	if took_s > longestDrill || runs == 0 {
		b.Errorf("%d runs in %.0f s, expected %d s at most", runs, took_s, longestDrill)
	}
	b.ReportMetric(took_s, "s/drill")
	b.ReportMetric(float64(runs), "runs")
	b.ReportMetric(float64(n[drill.Unsafe]), "unsafe")
	b.ReportMetric(float64(n[drill.NeedsHardware]), "hardware")
}
