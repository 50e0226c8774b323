package report

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"io"
	"math"
	"slices"
	"strings"
	"testing"

	"dwell/drivers/quantity"
	"dwell/logs"
	"dwell/logs/figures"
)

// written is the page of a run with these words in run.json and in an event, and figures
// from a table (demo data).
func written(t *testing.T, id logs.Identity, damage ...string) string {
	t.Helper()
	return writtenOf(t, id, nil, damage...)
}

// writtenOf is the page of a run with more events, each an object of JSON.
func writtenOf(t *testing.T, id logs.Identity, events []string, damage ...string) string {
	t.Helper()
	m := logs.NewMemory()
	w, err := logs.Create(m, "runs", "page", []logs.Input{{Name: "protocol.yaml", Bytes: []byte("title: <b>bold</b> & more\n")}}, logs.Identity{})
	if err != nil {
		t.Fatal(err)
	}
	line, _ := json.Marshal(map[string]any{"t_ns": 1000000000, "event": "note", "step": "1 note", "text": "<script>alert(1)</script>"})
	if err := w.Event(line); err != nil {
		t.Fatal(err)
	}
	for _, e := range events {
		if err := w.Event([]byte(e)); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Identify(id); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	r, _, err := logs.Open(m, w.Dir())
	if err != nil {
		t.Fatal(err)
	}
	var table strings.Builder
	table.WriteString("T / °C,R / Ohm\n")
	for _, x := range []string{"20,10600", "25,10072", "30,9573", "35,9113", "40,8680", "35,9114", "30,9575", "25,10073", "20,10601"} {
		table.WriteString(x + "\n")
	}
	results, err := figures.ComputeTable(strings.NewReader(table.String()), figures.Asked{Columns: map[string]string{"temperature": "T", "resistance": "R"}, AtDegC: 25, TemperatureK: 0.3})
	if err != nil {
		t.Fatal(err)
	}
	var page bytes.Buffer
	if err := Write(&page, "page", r, results, damage); err != nil {
		t.Fatal(err)
	}
	return page.String()
}

// TestVerdictOnTheSpecimen: that it failed stands beside how the run ended, unless a gap has
// left it out.
func TestVerdictOnTheSpecimen(t *testing.T) {
	failed := `{"t_ns":5000000000,"event":"specimen failed","text":"it is open","cycles":100,"begun":200}`
	verdict := "<b>completed; the specimen failed after 100 to 200 cycles: it is open</b>"
	if page := writtenOf(t, logs.Identity{Outcome: "completed"}, []string{failed}); !strings.Contains(page, verdict) {
		t.Error("the page does not say that the specimen failed")
	}
	gap := `{"t_ns":9000000000,"event":"gap","from_s":4}`
	if page := writtenOf(t, logs.Identity{Outcome: "completed"}, []string{failed, gap}); !strings.Contains(page, "<b>completed</b>") {
		t.Error("a failure counts that was broken off")
	}
	if page := writtenOf(t, logs.Identity{Outcome: "completed"}, []string{failed, strings.Replace(gap, "4", "6", 1)}); !strings.Contains(page, verdict) {
		t.Error("a failure before the gap does not count")
	}
}

// TestVerdictFirst: how it ended, whether it was safe, and every caution stand before any
// number, and nothing bad is called good.
func TestVerdictFirst(t *testing.T) {
	yes, no := true, false
	for _, c := range []struct {
		id     logs.Identity
		damage string
		good   bool
		says   []string
	}{
		{logs.Identity{Outcome: "completed", Safe: &yes, Kind: "run", Specimen: "LC-07"}, "", true, []string{"are off, by what the instruments answered", "no safety device", "It helps against one thing that breaks", "It does not help against", "no safety integrity level", "emergency stop (ISO 13850)", "not signed"}},
		{logs.Identity{Outcome: "completed", Safe: &yes, Kind: "rehearsal", Seed: 7}, "", true, []string{"rehearsal on the virtual bench (seed 7)"}},
		{logs.Identity{Outcome: "tripped", Reason: "plate.temperature at 81 degC", Safe: &yes}, "", false, []string{"tripped: plate.temperature at 81 degC"}},
		{logs.Identity{Outcome: "completed", Safe: &no}, "", false, []string{"could NOT be confirmed"}},
		{logs.Identity{}, "", false, []string{"cut off, or is still going on", "is not recorded"}},
		{logs.Identity{Outcome: "completed", Safe: &yes}, "readings.csv: torn", true, []string{"The record is damaged: readings.csv: torn"}},
		{logs.Identity{Outcome: "completed", Safe: &yes, Instruments: []logs.Instrument{{Name: "meter"}}}, "", true, []string{"No date of calibration is stated for meter"}},
	} {
		var damage []string
		if c.damage != "" {
			damage = []string{c.damage}
		}
		page := written(t, c.id, damage...)
		before, _, _ := strings.Cut(page, "<h2>")
		if good := strings.Contains(before, `class="verdict good"`); good != c.good {
			t.Errorf("%+v: shown as good: %v", c.id, good)
		}
		for _, words := range c.says {
			if !strings.Contains(before, words) {
				t.Errorf("%+v: %q does not stand before the figures", c.id, words)
			}
		}
	}
}

// TestPageIsSelfContained: no script, nothing fetched, every word escaped, drawings that
// are well-formed.
func TestPageIsSelfContained(t *testing.T) {
	page := written(t, logs.Identity{Specimen: `"><img src=x>`})
	for _, bad := range []string{"<script", "<img", "href=", "src=\"", "url(", "@import"} {
		if strings.Contains(strings.ReplaceAll(page, "xmlns:xlink=", ""), bad) {
			t.Errorf("the page holds %q", bad)
		}
	}
	if !strings.Contains(page, "&lt;script&gt;alert(1)") || !strings.Contains(page, "&lt;b&gt;bold&lt;/b&gt; &amp; more") {
		t.Error("texts of the run are missing or not escaped")
	}
	drawings := 0
	for rest := page; ; drawings++ {
		at := strings.Index(rest, "<svg")
		if at < 0 {
			break
		}
		end := strings.Index(rest[at:], "</svg>") + len("</svg>")
		d := xml.NewDecoder(strings.NewReader(rest[at : at+end]))
		for {
			_, err := d.Token()
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Fatalf("drawing %d: %v", drawings+1, err)
			}
		}
		rest = rest[at+end:]
	}
	if drawings < 2 {
		t.Errorf("%d drawings, expected the curve and its residuals", drawings)
	}
	for _, words := range []string{"fitted quadratic", "value at the stated temperature", "share of u", "no column of time is named", "temperature of the film / °C"} {
		if !strings.Contains(page, words) {
			t.Errorf("the page lacks %q", words)
		}
	}
}

func TestTicks(t *testing.T) {
	for _, c := range []struct {
		low, high float64
		want      string
	}{{18, 41, "20 25 30 35 40"}, {-10.5, 10.5, "−10 −5 0 5 10"}, {0, 0.31, "0.00 0.05 0.10 0.15 0.20 0.25 0.30"}, {9990, 10005, "9990 9995 10000 10005"}} {
		var got []string
		for _, tick := range (roundTicks{}).Ticks(c.low, c.high) {
			got = append(got, tick.Label)
		}
		if strings.Join(got, " ") != c.want {
			t.Errorf("%v to %v: %v, expected %s", c.low, c.high, got, c.want)
		}
	}
	if ticks := (roundTicks{}).Ticks(1, 1); len(ticks) > 2 {
		t.Errorf("no span, and %d ticks", len(ticks))
	}
	var many []float64
	for i := range 100000 {
		many = append(many, math.Sin(float64(i)))
	}
	many[777] = 50
	x := make([]float64, len(many))
	for i := range x {
		x[i] = float64(i)
	}
	few := thinned(pairs(x, many))
	most := 0.
	for _, p := range few {
		most = max(most, p.Y)
	}
	if len(few) > 2*mostIn || most != 50 {
		t.Errorf("%d points, the highest %v: an excursion is lost", len(few), most)
	}
}

// A run that repeats another one says which, before its numbers, and what was different; one
// that was taken up again says from where, and who answers for that.
func TestRepetitionAndParts(t *testing.T) {
	differences := []logs.Difference{{What: "the specimen", Then: "LC-07", Now: "LC-31", Weight: "blocking", Why: "it is another one"}}
	page := written(t, logs.Identity{Outcome: "completed",
		Repeats:  &logs.Repeats{Run: "20251125T105047Z-staircase-LC-07", StartUTC: "2025-11-25T10:50:47.5Z", Only: "3.6", Reason: "new batch", Differences: differences},
		Segments: []logs.Segment{{StartUTC: "2026-11-26T08:00:00Z", Boundary: "3.6.1 bring", Before: "tripped: too hot", Acknowledged: "probe was loose, fixed", Operator: "M.K."}}})
	before, after, _ := strings.Cut(page, "In short")
	for _, words := range []string{"20251125T105047Z-staircase-LC-07", "2025-11-25 10:50:47", "step 3.6 alone", "new batch"} {
		if !strings.Contains(before, words) {
			t.Errorf("%q does not stand before the numbers", words)
		}
	}
	for _, words := range []string{"LC-31", "blocking", "3.6.1 bring", "tripped: too hot", "probe was loose, fixed", "M.K."} {
		if !strings.Contains(after, words) {
			t.Errorf("%q is not on the page", words)
		}
	}
	if page := written(t, logs.Identity{Outcome: "completed"}); strings.Contains(page, "Repeats") || strings.Contains(page, "Taken up again") {
		t.Error("a run that repeats nothing says that it does")
	}
	if page := written(t, logs.Identity{Outcome: "completed", Repeats: &logs.Repeats{Run: "a", SamePlan: true}}); !strings.Contains(page, "the same plan, to the byte") {
		t.Error("the same plan is not said to be the same")
	}
}

// TestReadable: the signs of print, and nothing changed that only looks like them.
func TestReadable(t *testing.T) {
	for text, want := range map[string]string{
		"-0.9900 ± 0.0073 %/K":           "−0.9900 ± 0.0073 %/K",
		"(-0.3 ± 4.0)E-06 1/K":           "(−0.3 ± 4.0) × 10⁻⁶ 1/K",
		"6.93e-05 Ohm/Ohm":               "6.93 × 10⁻⁵ Ω/Ω",
		"10.644 kOhm at 19.8 degC":       "10.644 kΩ at 19.8 °C",
		"current 9.9995 uA":              "current 9.9995 µA",
		"R = R0 + a-b, LC-07, us, n-1":   "R = R0 + a-b, LC-07, us, n-1",
		"10-90 % of 2026-11-25, scpi-25": "10-90 % of 2026-11-25, scpi-25",
	} {
		if got := readable(text); got != want {
			t.Errorf("%q: expected %q, got %q", text, want, got)
		}
	}
}

// TestDrawings: every kind of plot there is, as a drawing of a page and as a PDF; steps, and
// how a run ended, are marked (demo data).
func TestDrawings(t *testing.T) {
	r := &figures.Results{Interval: 1, Ended: 100, T: map[string]*figures.Series{},
		Facts:    figures.Facts{Thermometers: []figures.Thermometer{{Channel: "plate.temperature"}}},
		Plateaus: []figures.Plateau{{From: 10, To: 40}},
		Steps:    []figures.Step{{At: 0, Name: "1 confirm"}, {At: 9, Name: "2.1.1 bring"}, {At: 10, Name: "2.1.2 hold"}, {At: 50, Name: "2.2.1 bring"}},
		Up:       figures.Curve{T: []float64{20, 30, 40}, R: []float64{1000, 1030, 1062}, UR: []float64{1, 1, 1}},
		Down:     figures.Curve{T: []float64{20, 30}, R: []float64{1001, 1031}, UR: []float64{1, 1}},
		Sweeps:   []figures.Sweep{{V: []float64{-1, 1}, I: []float64{-1e-3, 1e-3}}, {V: []float64{-1, 1}, I: []float64{-1e-3, 1e-3}}},
		Shapes:   []figures.Shape{{R: 1000, U: 1}, {RadiusM: 0.012, MeanStrain: 0.005, R: 1010, U: 1}, {R: 1001, U: 1, Cycles: 10}},
		Allan:    []figures.Allan{{Averaging: 1, Deviation: 1e-3, U: 1e-4}, {Averaging: 2, Deviation: 7e-4, U: 1e-4}}}
	for i := range 101 {
		r.R.Time, r.R.Y = append(r.R.Time, float64(i)), append(r.R.Y, 1000+float64(i%7))
	}
	r.T["plate.temperature"] = &r.R
	r.Trend = figures.Record{Time: r.R.Time, R: r.R.Y}
	tr := figures.Transient{Name: "response", Unit: "Ohm", Start: 10, Base: 1000, Final: 900, Noise: 0.1}
	for i := range 91 {
		x := float64(i)
		tr.Time, tr.Y = append(tr.Time, x), append(tr.Y, 1000-100*math.Max(0, 1-math.Exp(-(x-10)/12)))
	}
	r.Transients = []figures.Transient{tr}
	r.Loops = make([]figures.Loop, 2)
	for i := range 80 {
		k := float64(min(i%40, 40-i%40)) * 5
		in := figures.Inside{Out: i%40 < 20, PerM: k, R: 1000 + k*0.1 + 0.5*float64(i%40/20)}
		r.Loops[i/40].Inside = append(r.Loops[i/40].Inside, in)
	}
	r.Loops[0].PeriodS, r.Loops[1].Cycles = 10, 500
	all, without := Drawings(r, "tripped")
	if len(without) > 0 {
		t.Fatal(without)
	}
	var names []string
	for _, d := range all {
		names = append(names, d.Name)
		svg, err := d.SVG()
		if err != nil || !bytes.HasPrefix(svg, []byte("<svg")) {
			t.Errorf("%s: %v %.40s", d.Name, err, svg)
		}
		pdf, err := d.PDF()
		if err != nil || !bytes.HasPrefix(pdf, []byte("%PDF")) {
			t.Errorf("%s: %v %.40q", d.Name, err, pdf)
		}
		if d.Section == "" || d.Caption == "" || d.d.p.X.Label.Text == "" || d.d.p.Y.Label.Text == "" {
			t.Errorf("%s lacks a section, a caption or the name of an axis", d.Name)
		}
		for _, words := range map[string][]string{
			"temperature-against-time": {"tripped", ">2.1<", ">2.2<"}, "resistance-against-time": {"tripped", "kΩ"},
			"response": {"first-order fit, response", "63.2 %"}, "change-against-strain": {"r = 12 mm", ">flat<"}, "residuals": {"falling"},
			"resistance-within-a-cycle": {"out, after 0 cycles", "back, after 500 cycles"}, "loop-within-a-cycle": {"ppm"},
		}[d.Name] {
			if !strings.Contains(string(svg), words) {
				t.Errorf("%s lacks %q", d.Name, words)
			}
		}
	}
	// Cycles are faster than readings: joined, they would show a course that there was not.
	joined := func() bool {
		all, _ := Drawings(r, "")
		at := slices.IndexFunc(all, func(d Drawing) bool { return d.Name == "resistance-against-time" })
		svg, _ := all[at].SVG()
		return bytes.Count(svg, []byte("A")) < 50 && !strings.Contains(all[at].Caption, "a point a reading") // an arc of a circle each
	}
	if joined() {
		t.Error("readings within cycles are joined")
	}
	r.Shapes = r.Shapes[:2]
	if !joined() {
		t.Error("readings of a film that is not cycled are points")
	}
	want := "resistance-against-temperature residuals temperature-against-time resistance-against-time response current-against-voltage change-against-strain change-against-cycles resistance-within-a-cycle loop-within-a-cycle drift allan-deviation"
	if got := strings.Join(names, " "); got != want {
		t.Errorf("drawings\n%s, expected\n%s", got, want)
	}
	if all, without := Drawings(&figures.Results{}, ""); len(without) != 0 || len(all) != 0 {
		t.Errorf("drawings of nothing: %d, %v", len(all), without)
	}
}

// What has no value is no point of a plot; a plot of nothing else is left out, and why is
// told. The others are there.
func TestDrawingsWithoutValues(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	none := figures.Series{Time: []float64{1, 2}, Y: []float64{nan, nan}}
	r := &figures.Results{Ended: 3, R: none, T: map[string]*figures.Series{"plate.temperature": {Time: []float64{1, 2}, Y: []float64{20, inf}}},
		Facts:  figures.Facts{Thermometers: []figures.Thermometer{{Channel: "plate.temperature"}}},
		Steps:  []figures.Step{{At: 0, Name: "1 hold"}},
		Sweeps: []figures.Sweep{{V: []float64{nan, 1}, I: []float64{nan, nan}}},
		Up:     figures.Curve{T: []float64{20, nan, 40}, R: []float64{nan, 1030, 1062}},
		Trend:  figures.Record{Time: []float64{0, 1}, R: []float64{nan, 1}},
		Shapes: []figures.Shape{{R: nan, U: nan}, {RadiusM: 0.012, MeanStrain: 0.005, R: 1010, U: 1}, {R: 1001, U: 1, Cycles: 10}},
		Allan:  []figures.Allan{{Averaging: 1, Deviation: inf, U: 1e-4}, {Averaging: 2, Deviation: 7e-4, U: nan}}, Interval: 1}
	all, without := Drawings(r, "")
	if said := strings.Join(without, "\n"); !strings.Contains(said, "There is no plot resistance against time: no reading of the resistance has a value.") {
		t.Errorf("expected to be told why there is no plot of the resistance:\n%s", said)
	}
	var names []string
	for _, d := range all {
		names = append(names, d.Name)
		if svg, err := d.SVG(); err != nil || bytes.Contains(svg, []byte("NaN")) || bytes.Contains(svg, []byte("Inf")) {
			t.Errorf("%s: %v, or it draws what has no value", d.Name, err)
		}
	}
	if !slices.Contains(names, "temperature-against-time") || slices.Contains(names, "resistance-against-time") {
		t.Errorf("drawn: %v", names)
	}
	r.T["plate.temperature"] = &none
	if _, without = Drawings(r, ""); !strings.Contains(strings.Join(without, " "), "no reading of a temperature has a value") {
		t.Errorf("expected to be told why there is no plot of temperatures: %v", without)
	}
}

// TestLimitsHaveUnits: the plan's numbers are canonical; the page says which unit that is.
func TestLimitsHaveUnits(t *testing.T) {
	var c content
	watt, _ := quantity.LookUp("W")
	err := c.limits([]byte(`{"rules": {"limits": [{"channel": "element.power", "below": 0.0001}, {"channel": "x", "above": 3}]}}`),
		map[string]quantity.Dimension{"element.power": watt.Dim})
	if err != nil || len(c.Limits) != 2 || c.Limits[0].What != "element.power stays below 100 uW" || c.Limits[1].What != "x stays above 3" {
		t.Errorf("%+v %v", c.Limits, err)
	}
}

// TestTheFirstOfSeveral: what several passes make is said to be of the first; what another
// temperature tells apart is by itself.
func TestTheFirstOfSeveral(t *testing.T) {
	pass := func(level float64) figures.Figure {
		return figures.Figure{Figure: "response_t63", Flavour: "interpolated", Unit: "s", With: []figures.Given{{Name: "level before", Value: level, Unit: "Ohm"}}}
	}
	local := func(degC float64) figures.Figure {
		return figures.Figure{Figure: "tcr", Flavour: "local", Unit: "1/K", With: []figures.Given{{Name: "temperature", Value: degC, Unit: "degC"}}}
	}
	var c content
	c.take(&figures.Results{Figures: []figures.Figure{local(25), local(28.9), pass(10830.6), pass(10830.2), pass(10829.9)}})
	for _, r := range c.Main {
		if several := strings.HasPrefix(r.With, "the first of 3; "); several != (r.Title == "response t63") {
			t.Errorf("%s: %q", r.Title, r.With)
		}
	}
	if len(c.Main) != 2 || c.All[0].Title != "TCR" {
		t.Errorf("%+v", c.Main)
	}
}

// TestFreedom: no number of thirteen digits for degrees of freedom that are as good as
// infinite.
func TestFreedom(t *testing.T) {
	for dof, want := range map[float64]string{0: "∞", 4: "4", 16.76: "16.76", 2472095988486: "> 10 000"} {
		if got := freedom(dof); got != want {
			t.Errorf("%v: expected %s, got %s", dof, want, got)
		}
	}
}

// Many values of one kind are told by the first and their range, and unfold; of a kind with a
// few all stand there.
func TestSeriesAreFolded(t *testing.T) {
	var all []figures.Figure
	for i, flavour := range []string{"few", "few", "few", "many", "many", "many", "many"} {
		all = append(all, figures.Figure{Figure: "ohmic", Flavour: flavour, Unit: "%", Value: float64(10 - i), Expanded: 1, Notes: []string{"remark"}})
	}
	g := groupOf("ohmic", all)
	if few := g.Kinds[0]; len(few.Values) != 3 || few.Range != "" || len(few.Folded) != 0 {
		t.Errorf("%+v", few)
	}
	if many := g.Kinds[1]; len(many.Values) != 1 || many.Values[0].Value != "7.0 ± 1.0 %" || len(many.Folded) != 4 || many.Range != "all 4: 4.0 ± 1.0 % to 7.0 ± 1.0 %" || many.Folded[3].Notes != "remark" {
		t.Errorf("%+v", many)
	}
}

// What a figure is read with in its own unit, or is a share of, is known no better than the figure.
func TestConditionsAreRounded(t *testing.T) {
	f := figures.Figure{Unit: "Ohm", Value: 38.2851, Expanded: 10.2, With: []figures.Given{{Name: "largest deviation", Value: 38.2851, Unit: "Ohm"}, {Name: "temperature", Value: 28.8992, Unit: "degC"}}}
	if with := rowOf(f).With; with != "largest deviation 38 Ohm, temperature 28.9 degC" {
		t.Error(with)
	}
	f.Unit, f.Value, f.Expanded = "%", 1.98, 0.52 // of the span
	if with := rowOf(f).With; with != "largest deviation 38 Ohm, temperature 28.9 degC" {
		t.Error(with)
	}
}
