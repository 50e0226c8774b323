package plan

import (
	"fmt"
	"math"
	"strings"

	"dwell/drivers/rig"
	"dwell/drivers/yamltext"
)

// This file writes the protocol of a proof test: a bench with everything switched on
// that can be, as little as possible, and kept so until something stops it.

const (
	proofWarmK = 5.0 // above the room: seen by any thermometer, and felt by nobody
	proofLasts = "30 min"
)

// ProofText is the protocol of a proof test of a rig.
func ProofText(r *rig.Rig, s *rig.Specimen) string {
	var b strings.Builder
	fmt.Fprintf(&b, "format: 1\ntitle: \"Proof test of %s\"\nends: {at most: 1 h}\nsteps:\n", strings.ReplaceAll(r.Name, `"`, ""))
	for _, d := range r.Instruments {
		p := d.Profile
		if p.Kind == "source-meter" && p.Set(setOutput) >= 0 {
			limit := max(leastCompliant, math.Ceil(20*harmlessA*s.ExpectedOhm(r.AmbientDegC)*(1+s.BandRel))/10) // as before every run
			fmt.Fprintf(&b, "  - confirm: {specimen: \"%s\"}\n  - source: {instrument: %s, current: %s, compliance: %s}\n", s.ID, d.Name, amperes(harmlessA), volts(limit))
		}
	}
	for _, d := range r.Instruments {
		if p := d.Profile; p.Set(setHeat) >= 0 && p.Set(setTemperature) >= 0 {
			fmt.Fprintf(&b, "  - bring: {%s to: %s, without waiting: true}\n", d.Name, near(math.Round(10*(r.AmbientDegC+proofWarmK))/10, inDegC))
		}
	}
	fmt.Fprintf(&b, "  - hold: %s\n", proofLasts)
	return b.String()
}

// Proof compiles it.
func Proof(r *rig.Rig, s *rig.Specimen, m *yamltext.Mistakes) (*Plan, []byte) {
	text := []byte(ProofText(r, s))
	return Compile(yamltext.Parse("protocol.yaml", text, m), r, s, Options{}, m), text
}
