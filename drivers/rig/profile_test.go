package rig

import (
	"strings"
	"testing"

	"dwell/drivers/yamltext"
)

func TestEmbeddedProfilesAreRight(t *testing.T) {
	names := Embedded()
	if len(names) < 5 {
		t.Fatalf("expected at least five profiles, got %q", names)
	}
	for _, name := range names {
		text, _ := EmbeddedProfile(name)
		var m yamltext.Mistakes
		p := LoadProfile(yamltext.Parse(name+".yaml", text, &m), &m)
		var b strings.Builder
		m.Print(&b)
		if m.Len() > 0 || p.Name != name {
			t.Errorf("profile %q calls itself %q and has %d mistakes:\n%s", name, p.Name, m.Len(), b.String())
		}
	}
}
