//go:build unix

package main

import (
	"fmt"
	"math"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"dwell/logs"
)

// A bench of which nothing was measured heats nothing overnight. A run of identify.yaml on
// it, and the lines that figures prints of that run put into its rig file, are enough; and
// the virtual plate, whichever it is, has what was found within the stated uncertainty.
func TestIdentifying(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("long, and all of it on one thread")
	}
	for _, c := range []struct {
		heating                string  // in the rig file; "" for the profile's
		rise, tau, dead, seeds float64 // of the virtual plate
	}{
		{"", 150, 80, 2, 3},
		{"heating: {rate: 40 K/min, dead time: 5 s, approach time constant: 17 s, cooling time constant: 180 s}", 180, 180, 5, 2},
		{"heating: {rate: 25 K/min, dead time: 15 s, approach time constant: 17 s, cooling time constant: 400 s}", 250, 400, 15, 2},
	} {
		for seed := 1.0; seed <= c.seeds; seed++ {
			t.Run(fmt.Sprintf("%g s, seed %g", c.tau, seed), func(t *testing.T) {
				t.Parallel()
				bench := unmeasuredRig(t, c.heating)
				o := identifiedBy(t, bench, fmt.Sprint(seed))
				lag, applied := 2.0, 0.5 // s: of the virtual thermometer, and from one decision of the virtual controller to the next
				for name, want := range map[string]float64{"full_power_rise": c.rise, "full_power_rate": 60 * c.rise / c.tau, "plate_time_constant": c.tau,
					"plate_dead_time": longestCommand(t, o["run"].(string), applied) + c.dead + lag} {
					value, within := figureOf(t, o, name)
					t.Logf("%s %.5g ± %.2g, the virtual plate has %.5g", name, value, within, want)
					if math.Abs(value-want) > within || within > 0.06*want {
						t.Errorf("%s is %.5g ± %.2g, expected %.5g, and no more than 6 %%", name, value, within, want)
					}
				}
			})
		}
	}
}

// unmeasuredRig is a folder with the example's files, and a rig of which nothing was
// measured.
func unmeasuredRig(t *testing.T, heating string) (folder string) {
	t.Helper()
	folder = filepath.Join(t.TempDir(), "bench")
	start(t, "init", folder).exits(exitDone)
	text := read(t, filepath.Join(folder, "rig.yaml"))
	if heating != "" {
		text = strings.Replace(text, "    # identified: not measured yet\n", "    "+heating+"\n", 1)
	}
	write(t, filepath.Join(folder, "rig.yaml"), text)
	write(t, filepath.Join(folder, "overnight.yaml"), read(t, leafClip+"overnight.yaml"))
	return folder
}

// identifiedBy goes the whole way, and gives back what figures says.
func identifiedBy(t *testing.T, folder, seed string) map[string]any {
	t.Helper()
	night := start(t, "check", filepath.Join(folder, "overnight.yaml"))
	night.exits(exitUsage)
	for _, says := range []string{"how plate responds to full power was not measured on this rig", "the longest exchange with plate", "the longest exchange with meter", "identify.yaml"} {
		if !strings.Contains(night.err.String(), says) {
			t.Errorf("of a bench that was not measured check does not say %q:\n%s", says, night.err)
		}
	}
	p := start(t, "rehearse", "--json", "--seed", seed, "--out", t.TempDir(), filepath.Join(folder, "identify.yaml"))
	p.exits(exitDone)
	f := start(t, "figures", "--json", p.expectObject(map[string]any{"exit": 0.0})["run"].(string))
	f.exits(exitDone)
	o := f.expectObject(map[string]any{"exit": 0.0})
	lines := o["for_rig"].(string)
	shown := start(t, "figures", o["run"].(string))
	if shown.exits(exitDone); !strings.Contains(shown.out.String(), lines) || !strings.Contains(lines, "no real one") {
		t.Fatalf("for the rig file:\n%s", lines)
	}
	rig := filepath.Join(folder, "rig.yaml")
	write(t, rig, pasted(t, read(t, rig), lines))
	night = start(t, "check", filepath.Join(folder, "overnight.yaml"))
	night.exits(exitDone)
	today := time.Now().UTC().Format("2006-01-02")
	if says := "measured on " + today + "; response to full power identified on " + today; !strings.Contains(strings.Join(strings.Fields(night.out.String()), " "), says) {
		t.Errorf("check does not say %q:\n%s", says, night.out)
	}
	if start(t, "report", o["run"].(string)).exits(exitDone); !strings.Contains(read(t, filepath.Join(o["run"].(string), "report.html")), "<pre>"+lines) {
		t.Error("the page of the run does not have them")
	}
	return o
}

// pasted puts lines into the instruments of a rig file, as a person does.
func pasted(t *testing.T, rig, lines string) string {
	t.Helper()
	head := ""
	for _, line := range strings.SplitAfter(lines, "\n") {
		if name := regexp.MustCompile(`^  (\w+):`).FindStringSubmatch(line); name != nil {
			head = "\n  " + name[1] + ":\n"
			if strings.Count(rig, head) != 1 {
				t.Fatalf("no instrument %q in\n%s", head, rig)
			}
		} else if line != "" {
			rig = strings.Replace(rig, head, head+line, 1)
		}
	}
	return rig
}

// longestCommand is how long it took at most, s, from an event that tells the plate to go
// up until its virtual controller did.
func longestCommand(t *testing.T, folder string, every float64) (longest float64) {
	t.Helper()
	r, _, err := logs.Open(logs.Disk{}, folder)
	if err != nil {
		t.Fatal(err)
	}
	for x, err := range r.Exchanges() {
		if err != nil {
			t.Fatal(err)
		}
		for _, told := range []string{"68", "62"} {
			if string(x.Request) != "OUT_SP_1 "+told+".0\r\n" {
				continue
			}
			for _, h := range happenings(t, folder) {
				if h.Event == "set" && h.Text == "plate temperature "+told+" degC" {
					longest = max(longest, math.Ceil(float64(x.LastNs)/1e9/every)*every-float64(h.AtNs)/1e9)
				}
			}
		}
	}
	if longest == 0 {
		t.Fatal("the plate was told nothing")
	}
	return longest
}

func figureOf(t *testing.T, o map[string]any, name string) (value, within float64) {
	t.Helper()
	for _, f := range o["figures"].([]any) {
		if f := f.(map[string]any); f["figure"] == name {
			return f["value"].(float64), f["U"].(float64)
		}
	}
	t.Fatalf("no %s; not given: %v", name, o["left_out"])
	return 0, 0
}
