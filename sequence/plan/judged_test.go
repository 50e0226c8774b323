package plan

import (
	"fmt"
	"strings"
	"testing"
)

// A film that is judged more seldom than it is recorded is read as it is recorded, and
// within cycles too unless that would meet the same places in each of them.
func TestTheFasterOfTwoRatesCounts(t *testing.T) {
	for _, c := range []struct {
		recorded, judged string
		betweenNs, inNs  int64
	}{
		{"500 ms", "1.38 s", 500e6, 1380e6},
		{"380 ms", "1.38 s", 380e6, 380e6},
		{"380 ms", "2 s", 380e6, 380e6}, // 2 s alone would be refused
		{"2 s", "1.38 s", 1380e6, 1380e6},
	} {
		head := strings.Replace(bendHead, "element.resistance: 1 s", "element.resistance: "+c.recorded, 1)
		p, said := bent(t, head+"  - until failed: {open: true, judged every: "+c.judged+"}\n    do:\n"+
			"      - cycle: {to: {radius: 12 mm}, times: 250, rate: 1 Hz, measure: {at: every 120, for: 20 s}}\n      - hold: 1 min\n", nil, nil)
		if said != "" {
			t.Errorf("%+v:\n%s", c, said)
			continue
		}
		cycles, waits, isRead := 0, 0, int64(0)
		for _, a := range p.Actions {
			for _, x := range a.Polled {
				if x.Channel == "element.resistance" {
					isRead = x.EveryNs
				}
			}
			switch {
			case a.Op == Cycle:
				if cycles++; isRead != c.inNs {
					t.Errorf("%+v: read every %d ns in cycles", c, isRead)
				}
			case a.Op == Wait:
				if waits++; isRead != c.betweenNs {
					t.Errorf("%+v: read every %d ns while it waits", c, isRead)
				}
			}
		}
		if cycles < 3 || waits < 5 {
			t.Errorf("%+v: %d blocks, %d waits", c, cycles, waits)
		}
	}
}

// What ends a step in cycles that are read at another rate leaves the rate from before.
func TestWhatEndsInACycleIsReadAsBefore(t *testing.T) {
	p, said := bent(t, bendHead+"  - until failed: {open: true, judged every: 1.38 s}\n    do:\n"+
		"      - cycle: {to: {radius: 12 mm}, times: 250, rate: 1 Hz, stop when: \"element.resistance > 13 kOhm\"}\n      - hold: 1 min\n", nil, nil)
	if said != "" {
		t.Fatal(said)
	}
	ends := 0
	for _, a := range p.Actions {
		if a.Op != Cycle {
			continue
		}
		ends++
		if next := p.Actions[a.Jump+1]; next.Op != Record || next.Polled[0].Channel != "element.resistance" || next.Polled[0].EveryNs != 1e9 {
			t.Errorf("on at %+v", next)
		}
	}
	if ends == 0 {
		t.Error("no cycles in the plan")
	}
}

// What check says of measuring that will give little, or nothing.
func TestMeasuringInVain(t *testing.T) {
	const life = "  - until failed: {open: true, judged every: 1.38 s}\n    do: [{cycle: {to: {radius: 12 mm}, times: 10, rate: 1 Hz}}]\n"
	for _, c := range []struct{ steps, refused, warned string }{
		{measuring("every 1", "20 s"), "", ""},
		{measuring("every 1", "3 s"), "", "element.resistance is read every 1 s, and figures take the second half of what is measured: they need 4 s for 2 readings there, and 3 s were asked for"},
		{measuring("every 1000", "20 s"), "", "of 10 cycles none is the 1000th: it is measured before the first and after the last alone"},
		{life + measuring("every 1", "20 s"), "element.resistance is not read here, since its source is off", ""},
		{life + "  - source: {instrument: meter, current: 10 uA, compliance: 2 V}\n" + measuring("every 1", "20 s"), "", ""},
	} {
		p, said := bent(t, bendHead+c.steps, nil, nil)
		if c.refused != "" {
			if !strings.Contains(said, c.refused) || strings.Count(said, "^") != 1 {
				t.Errorf("%s: expected %q, got:\n%s", c.steps, c.refused, said)
			}
			continue
		}
		if said != "" {
			t.Errorf("%s:\n%s", c.steps, said)
			continue
		}
		if text := strings.Join(p.Summary.Warnings, "\n"); !strings.Contains(text, c.warned) || c.warned == "" && text != "" {
			t.Errorf("%s: expected %q, got %q", c.steps, c.warned, text)
		}
	}
}

func measuring(at, wait string) string {
	return fmt.Sprintf("  - cycle: {to: {radius: 12 mm}, times: 10, rate: 1 Hz, measure: {at: %s, for: %s}}\n", at, wait)
}

// A stage can move too slowly as well, cannot go everywhere, and finds its switch beyond flat.
func TestWhatAStageCannotDo(t *testing.T) {
	cycle := func(rate string) string { return "  - cycle: {to: {radius: 12 mm}, times: 10, rate: " + rate + "}\n" }
	follow := "  - cycle: {to: {radius: 12 mm}, times: 10, rate: 1 Hz, measure: {at: every 5, for: 20 s, follow: {cycles: 2, every: 10 s, rate: 0.001 Hz}}}\n"
	for _, c := range []struct{ steps, rig, refused string }{
		{cycle("1 Hz"), "", ""},
		{cycle("0.0016 Hz"), "", ""},
		{cycle("0.0015 Hz"), "", "slower than it can be told to (1 mm/min): more than 0.00158 Hz"},
		{follow, "", "slower than it can be told to (1 mm/min): more than 0.00158 Hz"},
		{cycle("1 Hz"), "flat at: 0.2 mm => flat at: -5 mm", "stage cannot go to -5 mm: it reaches from 0 m to 100 mm"},
		{cycle("1 Hz"), "flat at: 0.2 mm => flat at: 101 mm", "stage cannot go to 101 mm"},
		{cycle("1 Hz"), "flat at: 0.2 mm => flat at: 0.7 mm", ""},
		{cycle("1 Hz"), "flat at: 0.2 mm => flat at: 0.8 mm", "would pull it by 1.6 % of its free length, and the specimen bears 1.5 %"},
	} {
		var changes []string
		if c.rig != "" {
			changes = []string{c.rig}
		}
		_, said := bent(t, bendHead+c.steps, changes, nil)
		if !strings.Contains(said, c.refused) || c.refused == "" && said != "" {
			t.Errorf("%s, %s: expected %q, got:\n%s", c.steps, c.rig, c.refused, said)
		}
	}
}
