package main

import (
	"testing"

	"dwell/drivers/quantity"
	"dwell/drivers/rig"
	"dwell/sequence/plan"
)

// What a way back waits for has its unit.
func TestTheWayBackInWords(t *testing.T) {
	degC, _ := quantity.LookUp("degC")
	r := &rig.Rig{Channels: []rig.Channel{{Name: "plate.temperature", Unit: degC}}}
	got := wayLine(r, plan.Action{Op: plan.Arrive, Channel: "plate.temperature", Target: 30, AtMostNs: 60e9})
	if want := "wait until plate.temperature is at 30 degC, at most 1 min 00 s"; got != want {
		t.Errorf("%q, expected %q", got, want)
	}
}
