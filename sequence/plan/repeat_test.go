package plan

import (
	"testing"

	"dwell/safety"
)

// Where a rule or a step stood in its file, and what the file was called, is no difference.
func TestAgainFromAnotherPlaceInAnotherFile(t *testing.T) {
	then, said := planned(t, nil, nil, heats, Options{})
	if said != "" {
		t.Fatal(said)
	}
	stop := safety.Interlock{Name: "stop contact", When: "not (0.5 < stop < 1.5)", Then: "trip"}
	at := func(place string, lines int) *Plan {
		p, i := *then, stop
		i.From, i.Source = place, place
		p.Rules.Interlocks = append(append([]safety.Interlock{}, p.Rules.Interlocks...), i)
		p.Actions = append([]Action{}, p.Actions...)
		for k := range p.Actions {
			p.Actions[k].Line += lines
		}
		return &p
	}
	old := at("twin-rig.yaml:65:24", 0)
	again, found, err := old.Again(at("rig.yaml:66:24", 3))
	if err != nil || again != old || len(found) != 0 {
		t.Errorf("expected the old plan and no difference, got %v %v", found, err)
	}
	if string(placeless(t, old)) != string(placeless(t, at("rig.yaml:66:24", 3))) {
		t.Error("what is written of them is not the same without the places")
	}
	stop.When = "not (0.5 < stop < 2.5)"
	again, found, err = old.Again(at("rig.yaml:66:24", 0))
	if string(placeless(t, old)) == string(placeless(t, at("rig.yaml:66:24", 0))) {
		t.Error("another condition is not seen in what is written")
	}
	if err != nil || again == old || len(found) != 2 || found[0].Now != "name stop contact, when not (0.5 < stop < 2.5), then trip" {
		t.Errorf("another condition: %v %v", found, err)
	}
}

func placeless(t *testing.T, p *Plan) []byte {
	t.Helper()
	text, err := WriteJSON(p)
	if err != nil {
		t.Fatal(err)
	}
	return Placeless(text)
}
