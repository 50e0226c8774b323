package plan

import (
	"math"
	"testing"
)

// A film that its cover puts on the neutral plane has next to no strain, and a standard
// uncertainty of it that does not vanish: by hand, E t (middle - neutral plane)/S/R for each
// modulus, added in squares.
func TestStrainNearTheNeutralPlane(t *testing.T) {
	cover := "encapsulation: none => encapsulation: {of: parylene, thickness: 125 um, modulus: 2.5 GPa"
	const bend = bendHead + "  - bend: {radius: 12 mm, at most: 1 min}\n"
	const exact, alone = ", uncertainty of thickness: 2 um => ", "  uncertainty of modulus: 0.3 GPa => "
	p, said := bent(t, bend, nil, []string{exact, alone, cover + ", uncertainty of modulus: 0.25 GPa}", "thickness: 125 um, modulus: 2.5 GPa} => thickness: 125 um, modulus: 2.5 GPa, uncertainty of modulus: 0.25 GPa}"})
	if said != "" {
		t.Fatal(said)
	}
	b := p.Summary.Bends[0]
	const stretch = 2*2.5e9*125e-6 + 3e9*8e-6
	one := 0.25e9 * 125e-6 * (129e-6 - 62.5e-6) / stretch / b.RadiusM
	if want := one * math.Sqrt2; math.Abs(b.Strain) > 1e-12 || math.Abs(b.UStrain/want-1) > 1e-3 {
		t.Errorf("strain %g, uncertain by %g, expected %g", b.Strain, b.UStrain, want)
	}
	p, said = bent(t, bend, nil, []string{exact, alone, cover + "}"})
	if said != "" || p.Summary.Bends[0].UStrain > 1e-12 {
		t.Errorf("where nothing is stated of layers: %+v %s", p.Summary.Bends, said)
	}
}
