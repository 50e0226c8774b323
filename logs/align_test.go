package logs

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"dwell/drivers/quantity"
)

// runOf is a run folder with the given rows.
func runOf(t testing.TB, rows ...Row) (*Memory, *Run) {
	t.Helper()
	m := NewMemory()
	w, err := Create(m, "runs", "example", nil, Identity{Kind: "run"})
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rows {
		if err := w.Reading(r); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	run, _, err := Open(m, w.Dir())
	if err != nil {
		t.Fatal(err)
	}
	return m, run
}

func at(seconds float64, channel string, value float64, flag string) Row {
	return Row{AtNs: int64(math.Round(seconds * 1e9)), Channel: channel, Value: value, Unit: "K", Flag: flag}
}

func TestAlignByHand(t *testing.T) {
	m, run := runOf(t,
		at(0.5, "a", 10, ""), at(1.5, "b", 1, ""), at(1, "a", 11, ""), // b before an older a
		at(2, "a", 13, ""), at(2.5, "b", 3, ""),
		at(3, "a", 9e99, "overflow"), at(4, "a", 15, ""), at(5, "a", 16, ""), // bad at 3: nothing beside it
		at(6, "a", math.NaN(), ""), at(7, "a", 17, ""), // not a number at 6
		at(9, "a", 20, ""), at(6.5, "c", 1, ""), at(12, "a", 5, ""), // 9 to 12 is too far
		at(13, "d", 1, "")) // not asked for, and so not the end
	done, err := Align(run, 1e9, []Column{{"a", 2e9}, {"b", 1e9}, {"none", 1e9}})
	if err != nil {
		t.Fatal(err)
	}
	want := strings.Join([]string{"t_s,a,b,none", "1,11,,", "2,13,2,", "3,,,", "4,15,,", "5,16,,", "6,,,", "7,17,,", "8,18.5,,", "9,20,,", "10,,,", "11,,,", "12,5,,", ""}, "\r\n")
	if got := content(t, m, "runs/example/aligned.csv"); got != want {
		t.Errorf("expected\n%s\ngot\n%s", want, got)
	}
	if done.Ticks != 12 || done.Late != 0 || !slices.Equal(done.Units, []string{"K", "K", ""}) {
		t.Errorf("%+v", done)
	}
}

// What was not read by the clock, as planned, is empty, and so is everything between its
// neighbours, whatever was read in it; also when gaps overlap, and when a run was killed
// in one. Other channels go on.
func TestAlignLeavesPlannedGapsEmpty(t *testing.T) {
	m := NewMemory()
	w, err := Create(m, "runs", "example", nil, Identity{Kind: "run"})
	if err != nil {
		t.Fatal(err)
	}
	event := func(seconds float64, kind, text string) {
		t.Helper()
		if err := w.Event(fmt.Appendf(nil, `{"event":%q,"t_ns":%d,"text":%q}`, kind, int64(seconds*1e9), text)); err != nil {
			t.Fatal(err)
		}
	}
	for i := range 17 {
		now := float64(i)
		switch i {
		case 3: // a sweep between two readings, with a list of levels
			event(2.25, Unread, "a, other")
			for k := range 5 {
				if err := w.Reading(at(2.3+0.1*float64(k), "a", 100*float64(k-2), "")); err != nil {
					t.Fatal(err)
				}
			}
			event(2.75, ReadAgain, "a, other")
		case 6: // a change of its source in an instant
			event(5.5, Unread, "a")
			event(5.5, ReadAgain, "a")
		case 9: // a pause in the middle of a change
			event(8.25, Unread, "a")
			event(8.25, Unread, "a")
			event(8.5, ReadAgain, "a")
			event(9.5, ReadAgain, "a")
		case 13: // killed in a sweep, and taken up again
			event(12.5, Unread, "a")
			event(13.5, "instrument", "a: it is there")
		}
		for _, r := range []Row{at(now, "a", now, ""), at(now+0.25, "b", now, "")} {
			if err := w.Reading(r); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	run, _, err := Open(m, w.Dir())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Align(run, 5e8, []Column{{"a", 3e9}, {"b", 3e9}}); err != nil {
		t.Fatal(err)
	}
	var empty []string
	for _, line := range strings.Split(content(t, m, "runs/example/aligned.csv"), "\r\n")[1:] {
		if f := strings.Split(line, ","); len(f) == 3 && (f[1] == "" || f[2] == "") {
			empty = append(empty, line)
		} else if len(f) == 3 && f[1] != f[0] {
			t.Errorf("a is its time, got %s", line)
		}
	}
	want := []string{"0,0,", "2.5,,2.25", "5.5,,5.25", "8.5,,8.25", "9,,8.75", "9.5,,9.25", "12.5,,12.25", "13,,12.75", "13.5,,13.25"}
	if !slices.Equal(empty, want) {
		t.Errorf("empty at %q, expected %q", empty, want)
	}
}

func TestAlignEdges(t *testing.T) {
	m, run := runOf(t)
	if done, err := Align(run, 1e9, []Column{{"a", 1}}); err != nil || done.Ticks != 0 || content(t, m, "runs/example/aligned.csv") != "t_s,a\r\n" {
		t.Error(done, err)
	}
	for _, c := range []struct {
		every   int64
		columns []Column
	}{{0, []Column{{"a", 1}}}, {-1, []Column{{"a", 1}}}, {1, nil}, {1, []Column{{"a", 0}}}, {1, []Column{{"a", 1}, {"a", 1}}}, {1, []Column{{"a\n", 1}}}} {
		if _, err := Align(run, c.every, c.columns); err == nil {
			t.Errorf("%v: expected an error", c)
		}
	}
	one, two := at(1, "a", 1, ""), at(2, "a", 1, "")
	two.Unit = "degC"
	_, run = runOf(t, one, two)
	if _, err := Align(run, 1e9, []Column{{"a", 1e9}}); err == nil || !strings.Contains(err.Error(), `"K" and in "degC"`) {
		t.Errorf("a change of unit: %v", err)
	}
	_, run = runOf(t, at(0, "a", 1, ""), at(9e8, "a", 1, ""))
	if _, err := Align(run, 1e9, []Column{{"a", 1e9}}); err == nil || !strings.Contains(err.Error(), "ticks") {
		t.Errorf("28 years of seconds: %v", err)
	}
	m, run = runOf(t, at(-1.5, "a", 1, ""), at(1, "a", math.MaxFloat64, ""), at(2, "a", -math.MaxFloat64, ""), at(2, "a", 7, ""))
	if _, err := Align(run, 5e8, []Column{{"a", 1e18}}); err != nil {
		t.Fatal(err)
	}
	got := content(t, m, "runs/example/aligned.csv")
	if !strings.Contains(got, "\r\n-1.5,1\r\n-1,") || !strings.Contains(got, "\r\n1.5,\r\n2,7\r\n") {
		t.Errorf("before zero, beyond the range of a number, twice at one time:\n%s", got)
	}
}

// TestAlignAgainstPlainSearch compares with the definition, applied to all rows at
// once: sort, find the neighbours, interpolate.
func TestAlignAgainstPlainSearch(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	compared, empty := 0, 0
	for range 40 {
		var rows []Row
		now := 0.0
		for range 300 {
			now += rng.ExpFloat64() * 0.3
			if rng.IntN(50) == 0 {
				now += 20
			}
			late := rng.Float64() * rng.Float64() * 30 // what came from a buffer
			flag := ""
			if rng.IntN(20) == 0 {
				flag = "lost"
			}
			rows = append(rows, at(now-late, string(rune('a'+rng.IntN(3))), rng.NormFloat64(), flag))
		}
		m, run := runOf(t, rows...)
		columns := []Column{{"a", 1e9}, {"b", 3e9}, {"c", 10e9}}
		done, err := Align(run, 250e6, columns)
		if err != nil || done.Late != 0 {
			t.Fatal(done, err)
		}
		sorted := map[string][]Row{}
		slices.SortStableFunc(rows, func(a, b Row) int { return cmp.Compare(a.AtNs, b.AtNs) })
		for _, r := range rows {
			sorted[r.Channel] = append(sorted[r.Channel], r)
		}
		got := content(t, m, "runs/example/aligned.csv")
		for _, line := range strings.Split(got, "\r\n")[1:] {
			fields := strings.Split(line, ",")
			if len(fields) < 4 {
				continue
			}
			tick, err := parseSeconds([]byte(fields[0]))
			if err != nil {
				t.Fatal(err)
			}
			for i, c := range columns {
				want := plainSearch(sorted[c.Channel], c.StaleNs, tick)
				if compared++; want == "" {
					empty++
				}
				if fields[i+1] != want {
					t.Fatalf("%s at %d ns: expected %q, got %q", c.Channel, tick, want, fields[i+1])
				}
			}
		}
	}
	if empty < compared/20 || empty > compared*19/20 {
		t.Errorf("%d of %d cells empty: the comparison is one-sided", empty, compared)
	}
	t.Logf("%d cells as by plain search, %d of them empty", compared, empty)
}

// plainSearch is the value of a channel at a tick, from its rows in order of time.
func plainSearch(own []Row, staleNs, tick int64) string {
	after := slices.IndexFunc(own, func(r Row) bool { return r.AtNs > tick })
	if after == 0 || len(own) == 0 {
		return ""
	}
	if after < 0 {
		after = len(own)
	}
	a := own[after-1]
	if !a.Good() {
		return ""
	}
	if a.AtNs == tick {
		return string(quantity.AppendNumber(nil, a.Value))
	}
	if after == len(own) || !own[after].Good() || own[after].AtNs-a.AtNs > staleNs {
		return ""
	}
	b := own[after]
	v := a.Value + float64((b.Value-a.Value)*(float64(tick-a.AtNs)/float64(b.AtNs-a.AtNs)))
	return string(quantity.AppendNumber(nil, v))
}

// TestAlignMemory passes half a million rows, and counts what is held of them.
func TestAlignMemory(t *testing.T) {
	most, ticks := 0, 0
	a := &aligner{everyNs: 1e9, windowNs: alignWindowNs, place: map[string]int{"a": 0}, tracks: []track{{Column: Column{"a", 1e9}}}}
	a.emit = func(tickNs int64) error {
		ticks++
		if v, ok := a.tracks[0].at(tickNs); !ok || v != float64(tickNs) {
			return fmt.Errorf("at %d ns: %v, %v", tickNs, v, ok)
		}
		most = max(most, cap(a.tracks[0].points))
		return nil
	}
	for i := range int64(500_000) { // ten a second
		if err := a.row(Row{AtNs: i * 1e8, Channel: "a", Value: float64(i * 1e8)}); err != nil {
			t.Fatal(err)
		}
	}
	if want := 10 * int(alignWindowNs/1e9); most > 5*want || ticks != 49_400 {
		t.Errorf("%d points held, the window has %d; %d ticks", most, want, ticks)
	}
}

// TestAlignTooDense: the window shrinks before the memory grows without end.
func TestAlignTooDense(t *testing.T) {
	a := &aligner{everyNs: 1e9, windowNs: alignWindowNs, place: map[string]int{"a": 0}, tracks: []track{{Column: Column{"a", 1e9}}}}
	a.emit = func(tickNs int64) error { a.tracks[0].at(tickNs); return nil }
	step := int64(100_000) // ten thousand a second: 6 million in the first window
	i := int64(0)
	for ; i < 3*alignMostPoints; i++ {
		if err := a.row(Row{AtNs: i * step, Channel: "a"}); err != nil {
			t.Fatal(err)
		}
	}
	if a.windowNs >= alignWindowNs || a.windowNs < alignLeastNs || a.done.Ticks == 0 {
		t.Errorf("window %d ns after %d ticks", a.windowNs, a.done.Ticks)
	}
	var err error
	for n := 0; n < 2*alignMostPoints && err == nil; n++ {
		err = a.row(Row{AtNs: i * step, Channel: "a"}) // for ever the same instant
	}
	if err == nil || !strings.Contains(err.Error(), "too many to hold") {
		t.Errorf("got %v", err)
	}
}

// TestAlignBackwards: a file in the wrong order costs neither time nor memory, and
// is owned up to.
func TestAlignBackwards(t *testing.T) {
	a := &aligner{everyNs: 1e9, windowNs: alignWindowNs, place: map[string]int{"a": 0}, tracks: []track{{Column: Column{"a", 1e9}}}}
	a.emit = func(tickNs int64) error { a.tracks[0].at(tickNs); return nil }
	const n = 500_000
	for i := range int64(n) {
		if err := a.row(Row{AtNs: (n - i) * 1e8, Channel: "a"}); err != nil {
			t.Fatal(err)
		}
	}
	if held := len(a.tracks[0].points); held > 7000 || a.done.Late < n-7000 {
		t.Errorf("%d held, %d late", held, a.done.Late)
	}
}

func TestAlignStopsAtDamage(t *testing.T) {
	m, run := runOf(t, at(1, "a", 1, ""), at(2, "a", 2, ""))
	data := m.find("runs/example/readings.csv").data
	data[len(data)-1] = 'x'
	if _, err := Align(run, 1e9, []Column{{"a", 1e9}}); !errors.Is(err, ErrCorrupt) {
		t.Errorf("got %v", err)
	}
	if entries, _ := m.List("runs/example"); slices.ContainsFunc(entries, func(e Entry) bool { return strings.HasPrefix(e.Name, alignedName) }) {
		t.Errorf("something was left behind: %v", entries)
	}
}

// TestMetadata holds the CSVW files against the rules of the W3C Recommendation that
// matter here (as summarised in its sections on contexts, columns and names).
func TestMetadata(t *testing.T) {
	m, run := runOf(t, at(1, "plate.temperature", 1, ""), Row{AtNs: 1, Channel: "a b", Unit: "stone"}, Row{AtNs: 1, Channel: "_x", Unit: "Ohm"})
	if _, err := Align(run, 1e9, []Column{{"plate.temperature", 1e9}, {"a b", 1e9}, {"_x", 1e9}}); err != nil {
		t.Fatal(err)
	}
	const attribute, ucum = "http://purl.org/linked-data/sdmx/2009/attribute#unitMeasure", "http://qudt.org/schema/qudt/ucumCode"
	for _, table := range []string{readingsName, alignedName} {
		var meta struct {
			Context     any `json:"@context"`
			URL         string
			Notes       []map[string]any
			TableSchema struct{ Columns []map[string]any }
		}
		if err := json.Unmarshal([]byte(content(t, m, filepath.Join("runs/example", table+"-metadata.json"))), &meta); err != nil {
			t.Fatal(err)
		}
		if meta.Context != "http://www.w3.org/ns/csvw" || meta.URL != table {
			t.Errorf("%s: %v %v", table, meta.Context, meta.URL)
		}
		header, _, _ := strings.Cut(content(t, m, filepath.Join("runs/example", table)), "\r\n")
		var titles []string
		units := map[string]any{}
		for _, c := range meta.TableSchema.Columns {
			titles = append(titles, c["titles"].(string))
			units[c["name"].(string)] = []any{c[attribute], c[ucum]}
			if c["titles"] == "unit" && c["propertyUrl"] != attribute {
				t.Errorf("the unit of a row is not said to be one: %v", c)
			}
		}
		if got := strings.Join(titles, ","); got != header || len(units) != len(titles) {
			t.Errorf("%s: the header is %s, the metadata has %s under %d names", table, header, got, len(units))
		}
		said := fmt.Sprint(units)
		want := "map[%5Fx:[map[@id:http://qudt.org/vocab/unit/OHM] Ohm] a%20b:[<nil> <nil>] plate.temperature:[map[@id:http://qudt.org/vocab/unit/K] K] t_s:[map[@id:http://qudt.org/vocab/unit/SEC] s]]"
		if table == readingsName {
			want = "map[channel:[<nil> <nil>] flag:[<nil> <nil>] step:[<nil> <nil>] t_s:[map[@id:http://qudt.org/vocab/unit/SEC] s] u_t_s:[map[@id:http://qudt.org/vocab/unit/SEC] s] unit:[<nil> <nil>] value:[<nil> <nil>]]"
			if i := slices.IndexFunc(meta.Notes, func(n map[string]any) bool { return n["schema:name"] == "degC" }); i < 0 || meta.Notes[i][ucum] != "Cel" {
				t.Errorf("the notes do not say what degC is: %v", meta.Notes)
			}
		}
		if said != want {
			t.Errorf("%s: expected\n%s, got\n%s", table, want, said)
		}
	}
	for name, want := range map[string]string{"a..b": "a%2E.b", ".a": "%2Ea", "a.": "a%2E", "ä": "%C3%A4", "x_1": "x_1"} {
		if got := variable(name); got != want {
			t.Errorf("%q: expected %s, got %s", name, want, got)
		}
	}
}
