package main

import (
	"fmt"
	"path/filepath"
	"strings"
	"testing"
)

// A reading that making safe has cut short says nothing against the instrument: it is
// counted apart, by the run and by whoever reads its folder, and comes out of the record
// the same.
func TestReadingsCutShortAreCountedApart(t *testing.T) {
	dir := t.TempDir()
	protocol := write(t, filepath.Join(dir, "trip.yaml"), `
format: 1
title: Trips while the film is read
interlocks: [{when: "plate.temperature > 19 degC", then: trip}]
record: {plate.temperature: 500 ms, foil.temperature: 1 s, element.resistance: 500 ms}
ends: {at most: 10 min}
steps:
  - confirm: {specimen: LC-07, resistance within: 20 %}
  - source: {instrument: meter, current: 10 uA, compliance: 2 V, wires: 4, integration: 1, reverse: true}
  - bring: {plate to: 25 degC, at most: 5 min}
`)
	for seed := 1; seed <= 12; seed++ { // with some the trip comes between readings
		out := filepath.Join(dir, fmt.Sprint(seed))
		p := start(t, "rehearse", "--rig", leafClip+"rig.yaml", "--specimen", leafClip+"specimen.yaml", "--seed", fmt.Sprint(seed), "--out", out, protocol)
		p.exits(exitTripped)
		folder := theFolder(t, out)
		cut := strings.Count(read(t, filepath.Join(folder, "readings.csv")), ",cut short,")
		if cut == 0 {
			continue
		}
		want := fmt.Sprintf("0 flagged, %d cut short to make the rig safe", cut)
		shown := start(t, "show", folder)
		shown.exits(exitDone)
		verified := start(t, "verify", folder)
		verified.exits(exitDone)
		for _, by := range []*process{p, shown} {
			if !strings.Contains(by.out.String(), want) {
				t.Errorf("expected %q", want)
			}
		}
		return
	}
	t.Error("no reading was cut short: the test shows nothing")
}
