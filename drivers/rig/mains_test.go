package rig

import (
	"strings"
	"testing"

	"dwell/drivers/yamltext"
)

func TestMistakesWithMainsSwitches(t *testing.T) {
	load := func(doc *yamltext.Document, m *yamltext.Mistakes) { LoadProfile(doc, m) }
	profile, _ := EmbeddedProfile("mains-switch")
	dog := "watchdog:\n  arm: {send: \"KEEP {seconds}\", answer: ok}\n  disarm: {send: KEEP 0, answer: ok}\n  trips after: 10 s\n  feed every: 2 s\n"
	for _, e := range []edit{
		{dog, "", "opens by itself when the computer has died: a watchdog is missing"},
		{"energises: closed", "energises: [open, closed]", "closed energises"},
		{"    energises: closed\n", "", "closed energises"},
		{"      closed: {send: CLOSE", "      shut: {send: CLOSE", "mains can be open or closed"},
		{"closed: CLOSED}}]}", "shut: CLOSED}}]}", "what mains reads is missing its state closed"},
		{"quantity: mains, states: {open: OPEN", "quantity: contact, states: {open: OPEN", `a mains-switch measures "mains"`},
	} {
		e.check(t, string(profile), load)
	}
	load = func(doc *yamltext.Document, m *yamltext.Mistakes) { Load(doc, nil, m) }
	bench := strings.Replace(example(t, "rig.yaml"), "# What the instruments measure,",
		"  mains: {profile: mains-switch, port: twin, switches: plate}\n# What the instruments measure,", 1)
	for _, e := range []edit{
		{", switches: plate}", "}", "mains is a mains switch: what it switches is missing"},
		{"switches: plate", "switches: plat", "did you mean plate?"},
		{"switches: plate", "switches: meter", "meter does not heat"},
		{"    serial number: HP-0042", "    switches: meter", "plate is a hotplate, and switches nobody's mains"},
		{"switches: plate}", "switches: plate}\n  other: {profile: mains-switch, port: twin, switches: plate}", "plate has a switch already"},
	} {
		e.check(t, bench, load)
	}
	m := &yamltext.Mistakes{}
	r := Load(yamltext.Parse("rig.yaml", []byte(bench), m), nil, m)
	if m.Len() > 0 || r.SwitchOf("plate") != 2 || r.SwitchOf("meter") != -1 || r.SwitchOf("") != -1 ||
		len(r.Contacts) != 1 || r.Contacts[0].Channel != "mains.mains" || r.Contacts[0].Reads != 1 {
		t.Errorf("%s %+v", printed(m), r.Contacts)
	}
}
