package main

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A virtual meter that drifts by 2000 ppm/h reads a film that drifts by 20, and now and
// then a check standard at its rear terminals: drift is given as measured, and against it.
func TestDriftAgainstACheckStandard(t *testing.T) {
	t.Parallel()
	dir := renamed(t, "profile: scpi-source-meter", "profile: two-terminals.yaml",
		"\ntwin:\n", "\ntwin:\n  check standard: 10 kOhm\n  meter drift per hour: 2000 ppm\n")
	for name, text := range map[string]string{
		"two-terminals.yaml": strings.Replace(read(t, "../../drivers/rig/profiles/scpi-source-meter.yaml"), "  - quantity: integration ", `  - quantity: terminals
    states:
      front: {send: "ROUT:TERM FRON", reads: FRON}
      rear: {send: "ROUT:TERM REAR", reads: REAR}
    read back: {ask: "ROUT:TERM?"}
    default: front
    changes only while: {output: off}
  - quantity: integration `, 1),
		"hold.yaml": `format: 1
title: Drift with a check standard
record: {plate.temperature: 1 s, foil.temperature: 1 s, element.resistance: 1 s}
ends: {at most: 8 h}
steps:
  - confirm: {specimen: LC-07, resistance within: 20 %}
  - source: {instrument: meter, current: 10 uA, compliance: 2 V, wires: 4, terminals: front}
  - bring: {plate to: 30 degC, at most: 20 min, then wait: 10 min}
  - repeat: {times: 4}
    do:
      - group: {as: check standard}
        do:
          - source: {instrument: meter, current: 10 uA, compliance: 2 V, wires: 4, terminals: rear}
          - hold: 1 min
          - source: {instrument: meter, current: 10 uA, compliance: 2 V, wires: 4, terminals: front}
      - hold: 20 min
`} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	root := t.TempDir()
	start(t, "rehearse", filepath.Join(dir, "hold.yaml"), "--seed", "4", "--out", root).exits(exitDone)
	seen := 0
	for _, f := range figuresIn(t, theFolder(t, root)) {
		truth, ok := map[string]float64{"as measured": 2020, "against the check standard": 20}[f.Flavour]
		if f.Figure != "drift" || !ok {
			continue
		}
		if seen++; math.Abs(f.Value-truth) > f.Expanded || f.Expanded > 200 {
			t.Errorf("%s: %.0f ± %.0f ppm/h, in truth %.0f", f.Flavour, f.Value, f.Expanded, truth)
		}
	}
	if seen != 2 {
		t.Errorf("%d of two drifts: %s", seen, read(t, filepath.Join(theFolder(t, root), "figures.json")))
	}
}
