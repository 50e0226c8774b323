package plan

import (
	"fmt"
	"slices"
	"strings"
	"testing"
)

// Cycles that are followed are some of those that were asked for, and before and after
// them film and stage are read as seldom as the protocol says.
func TestFollowedCyclesAreCountedToo(t *testing.T) {
	for _, c := range []struct {
		times    int64
		at       string
		cycles   int64
		followed int64
	}{{1000, "1-2-5", 5, 2 + 4 + 6*5}, {1000, "every 500", 10, 20}, {100, "every 1000", 3, 3}, {20, "every 1", 3, 0}} {
		p, said := bent(t, bendHead+fmt.Sprintf("  - cycle: {to: {radius: 12 mm}, times: %d, rate: 1 Hz, measure: {at: %s, for: 2 s, follow: {cycles: %d, every: 300 ms, rate: 0.1 Hz}}}\n",
			c.times, c.at, c.cycles), nil, nil)
		if said != "" {
			t.Errorf("%+v:\n%s", c, said)
			continue
		}
		if cycles, _, _ := performed(t, p); cycles != c.times {
			t.Errorf("%+v: %d cycles", c, cycles)
		}
		slow, often, loops := int64(0), false, []int64{1}
		for _, a := range p.Actions {
			switch a.Op {
			case Loop:
				loops = append(loops, loops[len(loops)-1]*a.Count)
			case Again:
				loops = loops[:len(loops)-1]
			case Record:
				often = a.Polled[len(a.Polled)-1].EveryNs == 300e6
			case Cycle:
				if is := a.DurationNs == 10e9; is != often {
					t.Errorf("%+v: cycles of %d ns, read often: %v", c, a.DurationNs, often)
				}
				if often {
					slow += loops[len(loops)-1] * a.Count
				}
			}
		}
		if slow != c.followed || often {
			t.Errorf("%+v: %d cycles are followed; read often at the end: %v", c, slow, often)
		}
		if text := p.Summary.Steps[len(p.Summary.Steps)-1].Does; c.followed > 0 && !strings.Contains(text, fmt.Sprintf("; %d of them in 10 s, and meanwhile it reads element.resistance, stage.position every 300 ms", c.followed)) {
			t.Errorf("%+v: check says %q", c, text)
		}
	}
}

// The record grows by the cycles that are followed alone.
func TestFollowedCyclesCostLittle(t *testing.T) {
	bytes := func(follow string) int64 {
		p, said := bent(t, bendHead+"  - cycle: {to: {radius: 12 mm}, times: 100000, rate: 1 Hz, measure: {at: 1-2-5, for: 2 s"+follow+"}}\n", nil, nil)
		if said != "" {
			t.Fatal(said)
		}
		return p.Summary.Bytes
	}
	with, without := bytes(", follow: {cycles: 5, every: 300 ms, rate: 0.1 Hz}"), bytes("")
	if with < without || with > without+without/50 {
		t.Errorf("%d bytes with loops, %d without", with, without)
	}
}

func TestWrongFollow(t *testing.T) {
	refused(t, bendHead+"  - cycle: {to: {radius: 12 mm}, times: 100, rate: 1 Hz, measure: {at: 1-2-5, for: 1 s, follow: X}}\n", map[string]string{
		"{cycles: 5}":                                 "\"every\" is missing",
		"{every: 300 ms}":                             "\"cycles\" is missing",
		"{cycles: 0, every: 300 ms}":                  "out of range",
		"{cycles: 101, every: 300 ms}":                "out of range",
		"{cycles: 5, every: 20 ms}":                   "element.resistance needs",
		"{cycles: 5, every: 300 ms, rate: 6 Hz}":      "at most 2.",
		"{cycles: 5, every: 1 s, rate: 0.1 Hz}":       "5 cycles of 10 s are met at too few places",
		"{cycles: 5, every: 2.5 s, rate: 0.1 Hz}":     "met at too few places",
		"{cycles: 1, every: 1.7 s, rate: 0.1 Hz}":     "met at too few places",
		"{cycles: 5, every: 300 ms}":                  "5 cycles of 1 s are met at too few places",
		"{cycles: 5, every: 300 ms, quickly: 0.1 Hz}": "unknown key \"quickly\"",
	})
	_, said := bent(t, strings.Replace(bendHead, "element.resistance: 1 s", "plate.temperature: 1 s", 1)+
		"  - cycle: {to: {radius: 12 mm}, times: 100, rate: 1 Hz, measure: {at: 1-2-5, for: 1 s, follow: {cycles: 5, every: 110 ms}}}\n", nil, nil)
	if !strings.Contains(said, "element.resistance is not read here") {
		t.Errorf("a film that is not read:\n%s", said)
	}
}

// Readings that are spread over the cycles are not refused, nor is what is proposed instead
// of others.
func TestFollowThatIsSpread(t *testing.T) {
	said := func(every string) string {
		_, said := bent(t, bendHead+"  - cycle: {to: {radius: 12 mm}, times: 100, rate: 1 Hz, measure: {at: 1-2-5, for: 1 s, follow: {cycles: 5, rate: 0.1 Hz, every: "+every+"}}}\n", nil, nil)
		return said
	}
	for _, every := range []string{"310 ms", "500 ms", "770 ms"} {
		if text := said(every); text != "" {
			t.Errorf("every %s:\n%s", every, text)
		}
	}
	for _, every := range []string{"1 s", "1.25 s", "2 s", "2.5 s", "5 s", "10 s", "20 s"} {
		_, hint, is := strings.Cut(said(every), "hint: every: ")
		hint, _, _ = strings.Cut(hint, "\n")
		if text := said(hint); !is || text != "" {
			t.Errorf("every %s: %q is proposed:\n%s", every, hint, text)
		}
	}
}

// A step, or a specimen's part of the run, may end in the middle of cycles that are read
// often: what comes then is read as seldom as before.
func TestWhatEndsInAFollowedCycleIsReadSeldomAfterwards(t *testing.T) {
	const follow = "follow: {cycles: 5, every: 310 ms, rate: 0.1 Hz}"
	for _, c := range []struct {
		steps string
		op    Op
		wants []string
	}{
		{"  - cycle: {to: {radius: 12 mm}, times: 100, rate: 1 Hz, stop when: \"element.resistance > 13 kOhm\", measure: {at: every 50, for: 2 s, " + follow + "}}\n",
			Cycle, []string{"element.resistance", "stage.position"}},
		{"  - until failed: {open: true, judged every: 1.38 s}\n    do:\n      - cycle: {to: {radius: 12 mm}, times: 100, rate: 1 Hz, measure: {at: every 50, for: 2 s, " + follow + "}}\n",
			Life, []string{"stage.position"}},
	} {
		p, said := bent(t, bendHead+c.steps+"  - mark: after\n", nil, nil)
		if said != "" {
			t.Fatal(said)
		}
		ends := 0
		for _, a := range p.Actions {
			if a.Op != c.op {
				continue
			}
			ends++
			next := p.Actions[a.Jump+1]
			var names []string
			for _, x := range next.Polled {
				if names = append(names, x.Channel); x.EveryNs < 1e9 {
					t.Errorf("%s: %s goes on every %d ns", c.op, x.Channel, x.EveryNs)
				}
			}
			if p.Actions[a.Jump].Op != Begin || next.Op != Record || !slices.Equal(names, c.wants) {
				t.Errorf("%s: on at %+v, %+v", c.op, p.Actions[a.Jump], next)
			}
		}
		if ends == 0 {
			t.Errorf("no %s in the plan", c.op)
		}
	}
}
