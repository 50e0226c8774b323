package rig

import (
	"math"
	"testing"

	"dwell/drivers/yamltext"
)

// The worked example of a plate stuck at full power: 25 degC ambient, a rise of 200 K,
// 180 s, a dead time of 20 s. From 120 to 150 degC it takes 180 ln(105/75) = 60.56 s;
// with the dead time the power must be off 40.57 s after 120 degC, at 141.19 degC.
// (Worked out for this project from the first-order lag itself.)
func TestFullPower(t *testing.T) {
	h := Identified{RiseK: 200, TauS: 180, DeadS: 20}
	near := func(what string, got, want, within float64) {
		t.Helper()
		if !(math.Abs(got-want) <= within) {
			t.Errorf("%s: %g, expected %g", what, got, want)
		}
	}
	s, ok := h.Until(25, 120, 150)
	near("120 to 150 degC in s", s, 60.56, 0.0051)
	near("the power must be off after, s", s-h.DeadS, 40.57, 0.0051)
	near("at, degC", h.After(25, 120, s-h.DeadS), 141.19, 0.005)
	near("and gets to, degC", h.After(25, 120, s), 150, 1e-9)
	near("at the very first it warms by, K/s", h.After(25, 25, 1)-25, 1.111, 0.005) // 200 K / 180 s
	if !ok {
		t.Error("it never gets to 150 degC")
	}
	if _, ok := h.Until(25, 120, 225); ok {
		t.Error("it never gets to 225 degC, which is where it ends")
	}
	if s, ok := h.Until(25, 120, 110); s != 0 || !ok {
		t.Error("110 degC is behind it")
	}
	near("hotter than it can get", h.After(25, 240, 60), 240, 0)
}

// What stopping a hotplate takes on its line, by hand: 9600 baud and 10 bits a
// character are 1.0417 ms; CR LF, STOP_1 CR LF and OUT_SP_1 10.0 CR LF are 2, 8 and 15
// characters, each after a pause of 100 ms; the last is obeyed within 250 ms.
func TestSafeTime(t *testing.T) {
	for name, want := range map[string]float64{
		"namur-hotplate":    3*100 + (2+8+15)*10/9.6 + 250,
		"scpi-source-meter": (1+9+12+12)*10/57.6 + 100, // LF, OUTP OFF LF, SOUR:CURR 0 LF, SOUR:VOLT 0 LF
		"scpi-multimeter":   0,
	} {
		text, _ := EmbeddedProfile(name)
		var m yamltext.Mistakes
		if got := LoadProfile(yamltext.Parse(name, text, &m), &m).SafeTime().Seconds() * 1e3; math.Abs(got-want) > 0.01 {
			t.Errorf("%s: %g ms, expected %g ms", name, got, want)
		}
	}
}
