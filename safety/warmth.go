package safety

import (
	"fmt"
	"math"

	"dwell/drivers/clock"
	"dwell/drivers/rig"
)

// This file says whether a heater that is off can be touched: off and safe is not cold.

// TouchDegC is below what counts as safe to touch for hours, on any material (ISO 13732-1,
// 8 h; quoted from memory).
const TouchDegC = 43

// Warmth is how warm a heater was when it was last looked at. Channel is "" if nothing
// has shown that.
type Warmth struct {
	Instrument string
	Channel    string
	DegC       float64
	At         clock.Instant
}

// Touchable tells whether it was measured to be below what can be touched.
func (w Warmth) Touchable(belowDegC float64) bool { return w.Channel != "" && w.DegC < belowDegC }

// Text says so, or how long it takes about until then, in a room as the rig file has it.
func (w Warmth) Text(r *rig.Rig, belowDegC float64) string {
	switch {
	case w.Channel == "":
		return w.Instrument + " may be hot: nothing has shown how warm it is"
	case w.Touchable(belowDegC):
		return fmt.Sprintf("%s can be touched: %s is %s degC, below %s degC", w.Instrument, w.Channel, short(w.DegC), short(belowDegC))
	}
	text := fmt.Sprintf("%s is too hot to touch: %s is %s degC, not below %s degC", w.Instrument, w.Channel, short(w.DegC), short(belowDegC))
	i := r.Instrument(w.Instrument)
	if s := r.Instruments[i].Profile.HeatingOrUsual().CoolingS * math.Log((w.DegC-r.AmbientDegC)/(belowDegC-r.AmbientDegC)); belowDegC > r.AmbientDegC && s > 0 {
		text += fmt.Sprintf("; that takes about %.0f min", math.Ceil(s/60))
	}
	return text
}

// LookAtWarmth reads how warm each heater is now.
func LookAtWarmth(c clock.Clock, b *rig.Bench) (all []Warmth) {
	for _, i := range b.Instruments {
		if !i.Heats() {
			continue
		}
		w := Warmth{Instrument: i.Name(), At: c.Now()}
		if degC, channel, why := temperature(c, b, b.Rig.Thermometers(i.Name())); why == "" && channel != "" {
			w.Channel, w.DegC, w.At = channel, degC, c.Now()
		}
		all = append(all, w)
	}
	return all
}
