package plan

import (
	"strings"
	"testing"

	"dwell/drivers/yamltext"
)

// A proof test switches everything on, as little as possible, and every rule of the rig
// has a reaction that names it.
func TestProof(t *testing.T) {
	m := &yamltext.Mistakes{}
	r, s := bench(t, m)
	p, text := Proof(r, s, m)
	if m.Len() > 0 {
		t.Fatalf("%s%s", text, printed(m))
	}
	if p.Summary.HighestDegC != r.AmbientDegC+5 || p.Summary.HighestAmps != 1e-6 {
		t.Errorf("%+v", p.Summary)
	}
	seen := map[any]bool{}
	for _, x := range p.Summary.Reactions {
		if seen[x.Of] {
			t.Errorf("two reactions are about one rule: %+v", x)
		}
		seen[x.Of] = true
	}
	for _, want := range []string{"heats not", "keeps warming", "in compliance", "thermometers disagree", "no good reading", "frozen", "element.power below"} {
		found := false
		for _, x := range p.Summary.Reactions {
			found = found || strings.Contains(x.Rule, want)
		}
		if !found {
			t.Errorf("no rule says %q", want)
		}
	}
	r.AmbientDegC, r.LowestDegC = 79, 79 // hotter than the rig may be
	m = &yamltext.Mistakes{}
	if Proof(r, s, m); !strings.Contains(printed(m), "84 degC is above what") {
		t.Errorf("got %s", printed(m))
	}
}
