package figures

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"dwell/logs"
)

// told writes a run folder of events alone, each as seconds, kind, step and text.
func told(t *testing.T, plan string, events ...[4]string) *logs.Run {
	t.Helper()
	m := logs.NewMemory()
	w, err := logs.Create(m, "runs", "told", []logs.Input{{Name: "plan.json", Bytes: []byte(plan)}}, logs.Identity{})
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range events {
		var s float64
		fmt.Sscan(e[0], &s)
		object := map[string]any{"t_ns": int64(s * 1e9), "event": e[1], "step": e[2], "text": e[3]}
		if e[1] == "moved" {
			object["t0_s"], object["u_t0_s"] = s-2, 0.1
		}
		if e[1] == "cycled" {
			object["cycles"] = 50
		}
		if e[1] == "cycling" && e[3] == "measured" {
			object["measured"] = 1
		}
		if e[1] == "gap" {
			object["from_s"], object["to_s"] = 50, s
			var from, to int
			if n, _ := fmt.Sscanf(e[3], "uncertain %d %d", &from, &to); n == 2 {
				object["uncertain_from"], object["uncertain_to"] = from, to
			}
		}
		if e[1] == "arrived" {
			object["target"] = 30
		}
		line, _ := json.Marshal(object)
		if err := w.Event(line); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	r, _, err := logs.Open(m, w.Dir())
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// TestStays: a plateau is what lies between an arrival and the next change, without
// warm-up, without the time off the plate, and not beyond a pause or a trip.
func TestStays(t *testing.T) {
	f := Facts{Plate: "plate", OnPlate: []string{"plate.temperature", "block.temperature"}, Meter: "meter"}
	arrived := [4]string{"10", "arrived", "1 bring", "plate.temperature"}
	for _, c := range []struct {
		name   string
		events [][4]string
		want   string
	}{
		{"until the next setpoint", [][4]string{arrived, {"100", "set", "2 bring", "plate temperature 40 degC"}}, "10-100"},
		{"the meter's settings do not end it", [][4]string{arrived, {"50", "set", "2 sweep", "meter current 1E-05 A"}, {"100", "safe", "", ""}}, "10-100"},
		{"another current", [][4]string{{"1", "set", "1 source", "meter current 1E-05 A"}, arrived, {"50", "set", "2 source", "meter current 0.0001 A"}, {"100", "safe", "", ""}}, "10-50 50-100"},
		{"the currents of a sweep", [][4]string{{"1", "set", "1 source", "meter current 1E-05 A"}, arrived, {"50", "set", "3 sweep", "meter current 0.0001 A"}, {"100", "safe", "", ""}}, "10-100"},
		{"across a check standard, whatever the meter is told there", [][4]string{{"1", "set", "1 source", "meter current 1E-05 A"}, arrived, {"40", "step", "3.1 source", "check standard"},
			{"41", "set", "3.1 source", "meter current 0.0001 A"}, {"42", "set", "3.1 source", "meter wires 2"}, {"45", "step", "3.2 hold", "check standard"}, {"55", "step", "4 hold", ""},
			{"56", "set", "4 source", "meter current 1E-05 A"}, {"100", "ended", "", ""}}, "10-100"},
		{"other wires", [][4]string{{"1", "set", "1 source", "meter wires 2"}, arrived, {"50", "set", "2 source", "meter wires 4"}, {"100", "safe", "", ""}}, "10-50 50-100"},
		{"heat off", [][4]string{arrived, {"70", "set", "2 x", "plate heat off"}, {"100", "ended", "", ""}}, "10-70"},
		{"once, however often the end is told", [][4]string{arrived, {"100", "safe", "", ""}, {"101", "safe", "", ""}, {"102", "ended", "", ""}}, "10-100"},
		{"trip", [][4]string{arrived, {"60", "tripped", "", ""}, {"100", "ended", "", ""}}, "10-60"},
		{"pause", [][4]string{arrived, {"60", "paused", "", ""}, {"80", "resumed", "", ""}, {"100", "ended", "", ""}}, "10-60"},
		{"warm-up is none", [][4]string{{"5", "step", "1 bring", "warm-up"}, arrived, {"100", "ended", "", ""}}, ""},
		{"it goes on after warm-up", [][4]string{{"5", "step", "1 bring", "warm-up"}, arrived, {"40", "step", "2 hold", ""}, {"100", "ended", "", ""}}, "40-100"},
		{"a film laid down begins anew", [][4]string{arrived, {"32", "moved", "2 place", "plate"}, {"100", "ended", "", ""}}, "10-30 30-100"},
		{"a film taken off has none", [][4]string{arrived, {"32", "moved", "2 lift", "air"}, {"100", "ended", "", ""}}, "10-30"},
		{"taken up again", [][4]string{arrived, {"60", "failed", "", ""}, {"200", "segment", "", ""}, {"240", "arrived", "1 bring", "plate.temperature"}, {"260", "gap", "2 hold", ""}, {"300", "ended", "", ""}}, "10-50 260-300"},
		{"killed and taken up again", [][4]string{arrived, {"200", "segment", "", ""}, {"260", "gap", "1 bring", ""}, {"270", "arrived", "1 bring", "plate.temperature"}, {"300", "ended", "", ""}}, "10-50 270-300"},
		{"a channel with a name of its own", [][4]string{{"10", "arrived", "1 bring", "block.temperature"}, {"100", "set", "2 bring", "plate temperature 40 degC"}}, "10-100"},
		{"another thermometer's arrival", [][4]string{{"10", "arrived", "1 bring", "bath.temperature"}, {"100", "ended", "", ""}}, ""},
	} {
		s, err := readStory(told(t, `{"actions":[{"op":"sweep","step":"3 sweep"}]}`, c.events...), f)
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, x := range s.stays {
			got = append(got, fmt.Sprintf("%g-%g", x.from, x.to))
		}
		if strings.Join(got, " ") != c.want {
			t.Errorf("%s: %v, expected %q", c.name, got, c.want)
		}
	}
}

// TestShapes: what a stage holds between two moves, no longer than to the next cycles; a
// plateau does not go on while the film is bent.
func TestShapes(t *testing.T) {
	s, err := readStory(told(t, `{"actions":[],"summary":{"bends":[{"travel_m":0.005,"radius_m":0.012}]}}`,
		[4]string{"1", "arrived", "1 bring", "plate.temperature"}, [4]string{"2", "set", "1", "stage reference home"},
		[4]string{"3", "set", "2 flat", "stage speed 0.01 m/s"}, [4]string{"4", "set", "2 flat", "stage position 0.001 m"},
		[4]string{"10", "set", "3 bend", "stage position 0.006 m"}, [4]string{"20", "set", "4 flat", "stage position 0.001 m"},
		[4]string{"30", "cycling", "5 cycle", ""}, [4]string{"90", "cycled", "5 cycle", ""},
		[4]string{"91", "set", "5 cycle", "stage position 0.006 m"}, [4]string{"100", "tripped", "", ""}), Facts{Plate: "plate", OnPlate: []string{"plate.temperature"}, Stage: "stage", FlatAtM: 0.001})
	if err != nil || len(s.bends) != 1 {
		t.Fatal(s.bends, err)
	}
	var got []string
	for _, x := range s.shapes {
		got = append(got, fmt.Sprintf("%g-%g at %g, %g cycles, there by %.2f", x.from, x.to, x.position, x.cycles, x.arrives))
	}
	for _, x := range s.stays {
		got = append(got, fmt.Sprintf("%g-%g", x.from, x.to))
	}
	if want := "4-10 at 0.001, 0 cycles, there by 4.25; 10-20 at 0.006, 0 cycles, there by 10.85; 20-30 at 0.001, 0 cycles, there by 20.85; " +
		"91-100 at 0.006, 50 cycles, there by 91.85; 1-10; 20-30; 90-91"; strings.Join(got, "; ") != want {
		t.Errorf("%s\nexpected %s", strings.Join(got, "; "), want)
	}
}

// TestShapesBetweenTwo: after cycles that begin in another shape than flat, the film is
// held in that one, and it is none of a plateau's.
func TestShapesBetweenTwo(t *testing.T) {
	s, err := readStory(told(t, `{"actions":[{"op":"cycle","step":"5 cycle","setpoints":[{"value":0.006},{"value":0.003}]}],"summary":{"bends":[]}}`,
		[4]string{"1", "arrived", "1 bring", "plate.temperature"}, [4]string{"2", "set", "5", "stage speed 0.01 m/s"},
		[4]string{"4", "set", "5 cycle", "stage position 0.001 m"}, [4]string{"10", "set", "5 cycle", "stage position 0.003 m"},
		[4]string{"30", "cycling", "5 cycle", ""}, [4]string{"90", "cycled", "5 cycle", ""},
		[4]string{"120", "set", "6 flat", "stage position 0.001 m"}, [4]string{"150", "stopped", "", ""}),
		Facts{Plate: "plate", OnPlate: []string{"plate.temperature"}, Stage: "stage", FlatAtM: 0.001})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, x := range s.shapes {
		got = append(got, fmt.Sprintf("%g-%g at %g, %g cycles", x.from, x.to, x.position, x.cycles))
	}
	for _, x := range s.stays {
		got = append(got, fmt.Sprintf("%g-%g", x.from, x.to))
	}
	if want := "4-10 at 0.001, 0 cycles; 10-30 at 0.003, 0 cycles; 90-120 at 0.003, 50 cycles; 120-150 at 0.001, 50 cycles; 1-10; 120-150"; strings.Join(got, "; ") != want {
		t.Errorf("%s\nexpected %s", strings.Join(got, "; "), want)
	}
	if b := s.blocks; len(b) != 1 || b[0].first != 0.003 || b[0].bent != 0.006 {
		t.Errorf("%+v", b)
	}
}

// TestAMeasuredCycleIsNoBlock: it tells of itself by its single motions.
func TestAMeasuredCycleIsNoBlock(t *testing.T) {
	s, err := readStory(told(t, `{"actions":[{"op":"cycle","step":"5 cycle","setpoints":[{"value":0.006},{"value":0.001}]}],"summary":{"bends":[]}}`,
		[4]string{"4", "set", "5 cycle", "stage position 0.001 m"}, [4]string{"30", "cycling", "5 cycle", "measured"}, [4]string{"31", "set", "5 cycle", "stage position 0.006 m"},
		[4]string{"49", "set", "5 cycle", "stage position 0.001 m"}, [4]string{"60", "cycled", "5 cycle", ""}, [4]string{"99", "stopped", "", ""}), Facts{Stage: "stage", FlatAtM: 0.001})
	if err != nil || len(s.blocks) != 0 {
		t.Fatalf("blocks %+v, %v", s.blocks, err)
	}
	var got []string
	for _, x := range s.shapes {
		got = append(got, fmt.Sprintf("%g-%g at %g", x.from, x.to, x.position))
	}
	if want := "4-31 at 0.001; 31-49 at 0.006; 49-99 at 0.001"; strings.Join(got, "; ") != want {
		t.Errorf("%s, expected %s", strings.Join(got, "; "), want)
	}
}

// TestUncertainCycles: what is held after a run was taken up again may have seen more
// cycles than are counted, and so many more each time.
func TestUncertainCycles(t *testing.T) {
	s, err := readStory(told(t, `{"actions":[{"op":"cycle","step":"5 cycle","setpoints":[{"value":0.006},{"value":0.001}]}],"summary":{"bends":[]}}`,
		[4]string{"4", "set", "5 cycle", "stage position 0.001 m"}, [4]string{"30", "cycling", "5 cycle", ""}, [4]string{"40", "cycled", "5 cycle", ""},
		[4]string{"49", "set", "5 cycle", "stage position 0.006 m"}, [4]string{"60", "segment", "", ""}, [4]string{"70", "gap", "", "uncertain 51 80"},
		[4]string{"71", "set", "5 cycle", "stage position 0.001 m"}, [4]string{"90", "gap", "", "uncertain 51 51"}, [4]string{"91", "set", "5 cycle", "stage position 0.006 m"},
		[4]string{"99", "stopped", "", ""}), Facts{Stage: "stage", FlatAtM: 0.001})
	if err != nil {
		t.Fatal(err)
	}
	var got []float64
	for _, x := range s.shapes {
		got = append(got, x.more)
	}
	if s.more != 31 || fmt.Sprint(got) != "[0 0 30 31]" {
		t.Errorf("%v more cycles, %v at the shapes %+v", s.more, got, s.shapes)
	}
}

func TestMovesAndSettings(t *testing.T) {
	f := Facts{Plate: "plate", Meter: "meter"}
	s, err := readStory(told(t, `{"actions":[{"op":"begin","step":"3 sweep"},{"op":"sweep","step":"3 sweep"}]}`,
		[4]string{"1", "set", "1 source", "meter wires 2"}, [4]string{"2", "set", "1 source", "meter integration 1"},
		[4]string{"12", "moved", "2 place", "plate"}, [4]string{"20", "set", "3", "meter reverse on"},
		[4]string{"52", "moved", "2 lift", "air"}, [4]string{"90", "stopped", "", ""}), f)
	if err != nil || len(s.moves) != 2 {
		t.Fatal(s.moves, err)
	}
	if a, b := s.moves[0], s.moves[1]; a.at != 10 || a.until != 50 || a.to != "plate" || b.at != 50 || b.until != 90 || b.u != 0.1 {
		t.Errorf("%+v", s.moves)
	}
	if x := s.settingAt(15); x.wires != "2" || x.integration != 1 || x.reversed {
		t.Errorf("%+v", x)
	}
	if !s.settingAt(20).reversed || s.ops["3 sweep"] != "sweep" {
		t.Error("the setting or the sweep was missed")
	}
}

// TestCycles: a way up and down, twice, with the turning point in both.
func TestCycles(t *testing.T) {
	var holds []Hold
	for _, T := range []float64{20, 25, 30, 25, 20, 25, 30, 25, 20} {
		holds = append(holds, Hold{T: T})
	}
	if got := fmt.Sprint(cyclesOf(holds)); got != "[{0 2 4} {4 6 8}]" {
		t.Error(got)
	}
	if got := fmt.Sprint(cyclesOf(holds[:3])); got != "[{0 2 2}]" {
		t.Error(got)
	}
	if got := fmt.Sprint(cyclesOf(holds[2:5])); got != "[{0 0 2}]" {
		t.Error(got)
	}
}

// A pass that was left out is not a specimen that was never moved.
func TestNoPassOrNoneUsed(t *testing.T) {
	r, err := readStory(told(t, `{}`, [4]string{"32", "moved", "2 place", "plate"}, [4]string{"100", "ended", "", ""}), Facts{})
	if err != nil {
		t.Fatal(err)
	}
	c := computer{story: r}
	c.placements()
	var all []string
	for _, o := range c.LeftOut {
		all = append(all, o.Figure+": "+o.Why)
	}
	text := strings.Join(all, "\n")
	if strings.Contains(text, "never laid on the plate") || !strings.Contains(text, "was laid on the plate, but no such pass could be used (left out: 1)") || !strings.Contains(text, "never taken off it") {
		t.Error(text)
	}
}
