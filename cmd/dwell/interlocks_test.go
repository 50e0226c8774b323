package main

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"dwell/drivers/clock"
	"dwell/sequence/plan"
)

// whatCheckSays is what check says of an example, with its files changed.
func whatCheckSays(t *testing.T, protocol string, rigChanges ...string) string {
	t.Helper()
	f := files{protocol: leafClip + protocol, specimen: leafClip + "specimen.yaml"}
	f.rig = write(t, filepath.Join(t.TempDir(), "rig.yaml"), strings.NewReplacer(rigChanges...).Replace(read(t, leafClip+"rig.yaml")))
	j, err := load(&speech{out: io.Discard, err: os.Stderr}, f)
	if err != nil {
		t.Fatal(err)
	}
	return describe(j, 0, "", pageWidth)
}

// row is the line that begins with a rule.
func row(t *testing.T, text, rule string) string {
	t.Helper()
	for _, l := range strings.Split(text, "\n") {
		if strings.HasPrefix(strings.TrimSpace(l), rule) {
			return strings.Join(strings.Fields(l), " ")
		}
	}
	t.Fatalf("no row %q in\n%s", rule, text)
	return ""
}

// check says of every interlock when it is armed, and how soon the bench is safe.
func TestCheckSaysWhatStopsTheRun(t *testing.T) {
	got := whatCheckSays(t, "overnight.yaml")
	for rule, want := range map[string]string{
		"overnight.yaml":                          "overnight.yaml",
		"plate.temperature below 40 degC":         "plate.temperature below 40 degC always at once trip 3.07 s 14",
		"a heater stuck at full power gets to 52": "a heater stuck at full power gets to 52.16 degC; to stay below 70 degC it would have to be off",
		"element.power below":                     "element.power below 20 uW sourcing 2 s trip 4.53 s 19",
		"thermometers disagree":                   "thermometers disagree specimen on plate 3 min trip 4.07 s",
		"plate heats not":                         "plate heats not heating 22 s trip 3.07 s",
		"so hot":                                  "so hot if plate goes off when it is told to. One whose relay has welded shut does not, and",
		"measured plate":                          "measured plate: longest exchange 40 ms, measured on 2026-03-14; response to full power identified",
		"power cut if the computer lost its power, the heat":   "power cut if the computer lost its power, the heat of plate goes off by itself after 1 min (its own",
		"power cut if the computer lost its power, the output": "power cut if the computer lost its power, the output of meter stays on until somebody switches it",
		"needs": "needs dwell is no safety device: put an over-temperature cut-out with a sensor of its own,",
	} {
		if got := row(t, strings.Replace(got, "measured  ", "measured ", 1), rule); got != want {
			t.Errorf("got  %s\nwant %s", got, want)
		}
	}
	got = whatCheckSays(t, "staircase.yaml", "    identified: ", "    # ", "    longest exchange: ", "    # ",
		"then: trip}", `then: trip}`+"\n"+`  - {when: "foil.temperature > 45 degC", while: heating, then: pause, clear for: 1 min, at most: 20 min, plate to: 20 degC}`)
	for rule, want := range map[string]string{
		"foil.temperature > 45 degC": "foil.temperature > 45 degC heating at once pause 7.42 s 62",
		"measured plate":             "measured plate: longest exchange not measured on this rig, its profile's is taken; response to",
	} {
		if got := row(t, strings.Replace(got, "measured  ", "measured ", 1), rule); got != want {
			t.Errorf("got  %s\nwant %s", got, want)
		}
	}
}

// What is said of a heater at full power assumes that it can be switched off; what
// switches it off if it cannot is said, and is true of the virtual bench (drilled in
// sequence/drill).
func TestCheckSaysWhatFullPowerAssumes(t *testing.T) {
	said := func(text string) string { return strings.Join(strings.Fields(text), " ") }
	if bare := said(whatCheckSays(t, "staircase.yaml")); !strings.Contains(bare, "it heats on until its own over-temperature circuit cuts in or, without one, to 174 degC. A mains-switch in its supply would cut it in that time") {
		t.Errorf("without a mains switch: %s", bare)
	}
	with := said(whatCheckSays(t, "staircase.yaml", "# What the instruments measure,", "  mains: {profile: mains-switch, port: twin, switches: plate}\n# What the instruments measure,"))
	if !strings.Contains(with, "also if the relay of plate has welded shut: mains, the switch in its mains, opens at the same time") || strings.Contains(with, "heats on until") {
		t.Errorf("with a mains switch: %s", with)
	}
	unknown := said(whatCheckSays(t, "staircase.yaml", "    identified: ", "    # "))
	if !strings.Contains(unknown, "without one, as far as it can.") {
		t.Errorf("not identified: %s", unknown)
	}
	j, err := load(&speech{out: io.Discard, err: os.Stderr}, files{protocol: leafClip + "bending/bend.yaml"})
	if err != nil {
		t.Fatal(err)
	}
	if cold := describe(j, 0, "", pageWidth); strings.Contains(cold, "  so hot") {
		t.Errorf("it never heats:\n%s", cold)
	}
}

// All that check says of the examples fits the page, and rules of one file stand together.
func TestCheckFitsThePage(t *testing.T) {
	for _, protocol := range []string{"overnight.yaml", "staircase.yaml", "identify.yaml", "response.yaml"} {
		text := whatCheckSays(t, protocol)
		for _, line := range strings.Split(text, "\n") {
			if width(line) > pageWidth {
				t.Errorf("%s: %d columns: %s", protocol, width(line), line)
			}
		}
		for _, file := range []string{"rig.yaml", "specimen.yaml", "built in"} {
			if n := strings.Count(text, "\n "+file+"\n"); n != 1 {
				t.Errorf("%s: %d times the head %q", protocol, n, file)
			}
		}
	}
}

// However long its words and times are, the columns of the table stand apart and begin
// below their heads.
func TestColumnsOfInterlocksStandApart(t *testing.T) {
	const hour = int64(clock.Hour)
	lines := strings.Split(describeSafety(&plan.Plan{Summary: plan.Summary{Reactions: []plan.Reaction{
		{Rule: "plate.temperature below 40 degC", HoldsNs: hour, Then: "trip", TotalNs: 40*hour + 59*int64(clock.Minute), From: "p.yaml:41:1"},
		{Rule: strings.Repeat("long ", 12), While: "sourcing or heating or neither", HoldsNs: 40 * hour, Then: "pause", TotalNs: hour, From: "p.yaml:42:2"},
	}}}, pageWidth), "\n")
	for _, row := range lines[3:5] {
		for _, words := range []string{"trip", "pause", "41", "42"} {
			if i := strings.Index(row, words); i >= 0 && (row[i-2:i] != "  " || lines[1][i-1] != ' ' || lines[1][i] == ' ') {
				t.Errorf("%q does not stand below its head:\n%s\n%s", words, lines[1], row)
			}
		}
		if len(row) > pageWidth {
			t.Errorf("%d columns: %s", len(row), row)
		}
	}
}

// Of a film of 120 Ohm that is read with two wires check warns: on the virtual bench its
// leads and contacts of 31 Ohm are more than its band. With four wires, and of a film of
// more, there is nothing to warn of.
func TestCheckWarnsOfLeads(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		ohm, wires string
		warns      bool
	}{
		"two wires":  {"120 Ohm", "", true},
		"four wires": {"120 Ohm", ", wires: 4", false},
		"more":       {"400 Ohm", "", false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			write(t, filepath.Join(dir, "rig.yaml"), strings.NewReplacer("element.current: {below: 200 uA}", "element.current: {below: 10 mA}",
				"element.power: {below: 500 uW", "element.power: {below: 10 mW").Replace(read(t, leafClip+"rig.yaml")))
			write(t, filepath.Join(dir, "specimen.yaml"), strings.NewReplacer("resistance: 10 kOhm", "resistance: "+c.ohm, "B value: 1000 K", "temperature coefficient: 0.3 %/K",
				"current: {below: 150 uA}", "current: {below: 5 mA}", "power: {below: 200 uW", "power: {below: 5 mW").Replace(read(t, leafClip+"specimen.yaml")))
			protocol := write(t, filepath.Join(dir, "short.yaml"), strings.Replace(read(t, leafClip+"short.yaml"), "resistance within: 20 %}", "resistance within: 20 %"+c.wires+"}", 1))
			p := start(t, "check", protocol)
			p.exits(exitDone)
			if warned := strings.Contains(p.out.String(), "\nwarning   line 17: confirm reads"); warned != c.warns {
				t.Errorf("warned %v:\n%s", warned, p.out)
			}
			code := exitDone
			if c.warns {
				code = exitTripped
			}
			r := start(t, "rehearse", "--out", t.TempDir(), protocol)
			if r.exits(code); strings.Contains(r.err.String(), "warning: line 17") != c.warns {
				t.Errorf("rehearse says\n%s", r.err)
			}
		})
	}
}

// What is said to have been measured in the future was not measured: each date is refused,
// at its place. The day that it is somewhere on Earth by now is none of the future.
func TestDatesInTheFuture(t *testing.T) {
	rigText := read(t, leafClip+"rig.yaml")
	for _, c := range []struct{ old, before, says string }{
		{"calibrated: 2026-03-14", "calibrated: ", ":22:17: nothing was measured on a day that has not come"},
		{"dead time: 4.5 s, date: 2026-03-14", "dead time: 4.5 s, date: ", "nothing was measured on a day that has not come"},
		{"takes: 40 ms, measured on: 2026-03-14", "takes: 40 ms, measured on: ", "nothing was measured on a day that has not come"},
	} {
		for date, refused := range map[string]bool{"2999-01-01": true, latestDate(): false} {
			if !strings.Contains(rigText, c.old) {
				t.Fatalf("there is no %q", c.old)
			}
			name := write(t, filepath.Join(t.TempDir(), "rig.yaml"), strings.Replace(rigText, c.old, c.before+date, 1))
			var said bytes.Buffer
			_, err := load(&speech{out: io.Discard, err: &said}, files{protocol: leafClip + "short.yaml", rig: name, specimen: leafClip + "specimen.yaml"})
			if (err != nil) != refused || strings.Contains(said.String(), c.says) != refused || refused && !strings.Contains(said.String(), "hint: correct this date, or the one of this computer") {
				t.Errorf("%s%s: %v %s", c.before, date, err, &said)
			}
		}
	}
}
