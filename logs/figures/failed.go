package figures

import "fmt"

// This file tells when a specimen failed, where its run was told what that means.

// wentOpen is the flavour of a threshold that a film passed by going open.
const wentOpen = "went open"

// isOpen is what the record says of a film that was open.
const isOpen = "it is open"

// SpecimenFailed says why a specimen failed, and after how many cycles; begun is the last one
// that was being made, 0 for none.
func SpecimenFailed(why string, cycles, begun float64) string {
	switch {
	case begun > cycles:
		return fmt.Sprintf("the specimen failed after %.0f to %.0f cycles: %s", cycles, begun, why)
	case cycles > 0:
		return fmt.Sprintf("the specimen failed after %.0f cycles: %s", cycles, why)
	}
	return "the specimen failed before the first cycle: " + why
}

// failure is the end of a specimen's part of a run.
type failure struct {
	at       float64 // s
	why      string
	open     bool
	from, to float64 // it came after so many cycles, and before so many were done
	in       *block  // in these cycles; nil for none
}

// count is how many cycles had been done when the film was seen to have failed: within a
// block, by the time since that began.
func (c *computer) count() float64 {
	f := c.failed
	if f.in == nil {
		return f.to
	}
	return min(f.from+max(0, f.at-f.in.from)/f.in.periodAt(c.Facts.StageAccel), f.to)
}

// failures is how many cycles the specimen took until it had failed as its protocol says. A
// film may be open only while it is bent: that it was sound is sure of the last reading in
// that shape, or of the last of all where there is none.
func (c *computer) failures(all []held) {
	if c.fails == "" || c.cycles == 0 {
		return
	}
	const figure, source = "cycles_to_failure", "common practice"
	says := "cycles until the specimen had failed as its protocol says: " + c.fails
	if c.failed == nil {
		o := Origin{c.R.Channel, fmt.Sprintf("%.0f cycles, judged meanwhile", c.cycles)}
		f, err := o.figure(meaning{figure, c.fails, "cycles", says + "; it did not", source}, c.cycles, Budget{Level: Level95, K: 1}, c.wornBetween(c.cycles)...)
		f.Censored = true
		c.add(figure, []Figure{f}, err)
		return
	}
	sound, bent := 0., false
	for _, h := range all {
		if isBent := h.bend != nil; h.to <= c.failed.at && (isBent || !bent) {
			sound, bent = h.cycles, isBent
		}
	}
	o := Origin{c.R.Channel, fmt.Sprintf("the event at %.1f s; read sound after %.0f cycles", c.failed.at, sound)}
	f, err := c.between(o, meaning{figure, c.fails, "cycles", says, source}, sound, c.wornBetween(c.failed.to)...)
	c.add(figure, []Figure{f}, err)
}

// opened is a threshold of a film that went open before it was read flat above it.
func (c *computer) opened(o Origin, sound, threshold float64) ([]Figure, error) {
	f, err := c.between(o, meaning{"cycles_to_threshold", wentOpen, "cycles",
		fmt.Sprintf("cycles until the change first reaches %.4g %%: the flat film had not when it was last read, and went open", threshold), "common practice"}, sound, Given{"threshold", threshold, "%"})
	return []Figure{f}, err
}

// between is when the film was seen to have failed, and may have since it was sound.
func (c *computer) between(o Origin, m meaning, sound float64, with ...Given) (Figure, error) {
	value, most := c.count(), c.failed.to+c.more
	return o.interval(m, value, Rectangular(max(value-sound, most-value)), min(sound, value), most, with...)
}

// failsBy is when a specimen has failed, in words.
func failsBy(open bool, when string) string {
	switch {
	case open && when != "":
		return "it is open, or " + when
	case open:
		return isOpen
	}
	return when
}
