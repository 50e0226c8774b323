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
	home := plan.Action{Op: plan.Home, Text: "it may harm", Setpoints: []plan.Setpoint{{Instrument: "stage", Quantity: "reference", State: "home"}}}
	if got, want := wayLine(r, home), "stage looks for its switch, once a person has said that it may"; got != want {
		t.Errorf("%q, expected %q", got, want)
	}
	move := plan.Action{Op: plan.Move, Setpoints: []plan.Setpoint{{Instrument: "stage", Quantity: "speed", Value: 5e-3, Unit: "m/s"}, {Instrument: "stage", Quantity: "position", Value: 0.2e-3, Unit: "m"}}}
	if got, want := wayLine(r, move), "stage goes to 200 um; whether the strip lies flat is asked, or read, before it is bent on"; got != want {
		t.Errorf("%q, expected %q", got, want)
	}
}
