package rig

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"dwell/drivers"
	"dwell/drivers/clock"
)

// words answers the lines of a stage by a table.
func words(table map[string]string) *scripted {
	return &scripted{answer: func(line string) string { return table[line] }}
}

// Stages that are known by their profiles alone, against a table of their answers.
func TestStagesByProfileAlone(t *testing.T) {
	scpi := map[string]string{"*IDN?": "A,STAGE,0,1\n", "SYST:ERR?": "0,\"No error\"\n", "*OPC?;:REF:FOUND?": "1\n", "SPEED?": "5\n",
		"POS?": "3.25\n", "STATE?": "MOVING\n"}
	plain := map[string]string{"VER": "STAGE 2\n", "ST": "OK\n", "HM": "OK\n", "VE5.00": "OK\n", "MA3.250": "OK\n", "P": "3.25\n", "Q": "S\n"}
	for _, c := range []struct {
		profile, move, stop string
		table               map[string]string
		still               func(table map[string]string)
	}{
		{"scpi-stage", "MOVE:ABS 3.2500", "STOP", scpi, func(table map[string]string) { table["STATE?"] = "READY\n" }},
		{"plain-stage", "MA3.250", "ST", plain, func(map[string]string) {}},
	} {
		d := words(c.table)
		if c.profile == "plain-stage" {
			d.ends = '\r'
		}
		bench(t, c.profile, d, &judge{}, func(w *clock.World, i *Instrument, b *Bench) error {
			who, err := i.Identify(soon(w))
			if err = errors.Join(err, i.Prepare(soon(w)), i.Apply(set("reference", "home", 0, ""), soon(w)), i.Apply(set("speed", "", 5e-3, "m/s"), soon(w)),
				i.Apply(set("position", "", 3.25e-3, "m"), soon(w))); err != nil {
				return fmt.Errorf("%s: %w", c.profile, err)
			}
			if d.count(c.move) != 1 || !strings.Contains(who, "STAGE") {
				t.Errorf("%s: it is %q and heard %q", c.profile, who, d.heard)
			}
			q, _, _ := i.p.Measured("position")
			rs, err := i.Measure(q, nil, soon(w))
			if err != nil || len(rs) != 1 || rs[0].Value != 3.25e-3 || rs[0].Flag != drivers.Good {
				t.Errorf("%s: %+v, %v", c.profile, rs, err)
			}
			c.still(c.table)
			if e, err := seized(w, i); err != nil || e.Grade != drivers.Direct || d.count(c.stop) < 2 {
				t.Errorf("%s: %+v, %v; heard %q", c.profile, e, err, d.heard)
			}
			expect(t, c.profile, i.Apply(set("position", "", 1e-3, "m"), soon(w)), "while reference is home")
			return nil
		})
	}
}
