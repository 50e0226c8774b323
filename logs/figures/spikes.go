package figures

import (
	"fmt"
	"math"
	"slices"
)

// withoutSpikes leaves out rows with a single reading of temperature or resistance that
// stands out of its neighbours, as a contact that opens for a moment or a lost answer makes
// it: no plateau, and nothing else, is found of it. Where a film is bent in between, its
// resistance does so by itself.
func (c *tableComputer) withoutSpikes() {
	t := c.column[TimeRole.Name]
	if t == nil || c.column[RadiusRole.Name] != nil || c.column[CyclesRole.Name] != nil {
		return
	}
	keep, left := make([]bool, len(t)), false
	for k := range keep {
		keep[k] = true
	}
	for _, role := range [...]Role{TemperatureRole, ResistanceRole} {
		x := c.column[role.Name]
		spikes := spikesOf(x, c.step[role])
		if len(spikes) == 0 {
			continue
		}
		for _, k := range spikes {
			keep[k], left = false, true
		}
		c.Notes = append(c.Notes, fmt.Sprintf("column %q: %d single readings stand out of their neighbours by more than %d times what these differ by, and are left out of every figure with their rows, the first %.6g %s at %.9g s",
			c.name(role), len(spikes), farOut, x[spikes[0]], role.Canonical, t[spikes[0]]))
	}
	if !left {
		return
	}
	for name, x := range c.column {
		c.column[name] = only(x, keep)
	}
}

// farOut says of what lies far out in plateaus, and is no single reading, that it counts: a
// temperature on its way may lie so too.
func (c *tableComputer) farOut() {
	readings, plateaus := 0, 0
	for _, s := range c.Found.Segments {
		if s.Kind == "plateau" && s.Wild > 0 {
			readings, plateaus = readings+s.Wild, plateaus+1
		}
	}
	if plateaus > 0 {
		c.Notes = append(c.Notes, fmt.Sprintf("%d readings of %d plateaus lie more than %d times the noise from their level, several together: they are left out of the levels that are listed, and count in the figures; delete their rows, or bound the plateaus with --plateaus, if they are wrong",
			readings, plateaus, farOut))
	}
}

// spikesOf are the readings that lie farther from the median of the five around them than
// farOut times the noise, the step in which they are written, and the range of the other
// four: a corner, a step or a pulse of two readings is none.
func spikesOf(x []float64, step float64) (spikes []int) {
	const near = 5
	if len(x) < leastReadings {
		return nil
	}
	noise := max(noiseOf(x), step)
	for k, v := range x {
		from := max(0, min(k-near/2, len(x)-near))
		others := slices.Delete(slices.Clone(x[from:from+near]), k-from, k-from+1)
		low, high := extremes(others)
		if math.Abs(v-median(others)) > farOut*max(noise, high-low) {
			spikes = append(spikes, k)
		}
	}
	return spikes
}
