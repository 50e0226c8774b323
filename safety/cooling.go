package safety

import (
	"fmt"
	"math"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/rig"
)

// This file looks whether a heater that says it is off behaves like one. A relay that
// is welded shut answers every question rightly.

// cooling is what a temperature must do after the heat went off. The numbers follow
// from the plate's dead time, rate and time constant and from what its display can
// show; the factors are common practice, no source.
type cooling struct {
	settleNs clock.Instant // so long it may go on warming: twice the dead time
	lookNs   clock.Instant // so long it must then not warm
	giveUpNs clock.Instant
	riseK    float64 // in lookNs: half of what full power would do
	fallK    float64 // that is seen for certain: two steps of the display
	nearDegC float64 // below this, near the ambient, no fall can be seen in time
}

func coolingOf(h rig.Heating, displayK, ambientDegC float64) cooling {
	dead := clock.Instant(h.DeadS * 1e9)
	w := cooling{settleNs: max(2*dead, 2*clock.Second), fallK: 2 * displayK * (1 - 1e-9)}
	w.lookNs = max(2*dead, 4*clock.Second, clock.Instant(20*displayK/h.RateKPerS*1e9))
	w.giveUpNs = w.settleNs + 4*w.lookNs
	w.riseK = max(0.5*h.RateKPerS*w.lookNs.Seconds(), 3*displayK)
	w.nearDegC = ambientDegC + max(5, 4*displayK*h.CoolingS/w.lookNs.Seconds())
	return w
}

// CoolsWithin is how long it is looked at most whether an instrument cools.
func CoolsWithin(b *rig.Bench, i *rig.Instrument) clock.Instant {
	channels := b.Rig.Thermometers(i.Name())
	if len(channels) == 0 {
		return 0
	}
	return coolingOf(i.Profile().HeatingOrUsual(), b.Rig.Channels[channels[0]].Display, b.Rig.AmbientDegC).giveUpNs
}

// verdict is what is known of a temperature that is watched.
type verdict uint8

const (
	open verdict = iota
	behaves
	warms
	stays
)

// seen is what a temperature has done since the heat went off.
type seen struct {
	any, settled     bool
	first, top, base float64
	baseAt           clock.Instant
}

// judge takes a reading, so long after the heat went off.
func (w *cooling) judge(s *seen, after clock.Instant, degC float64) verdict {
	if !s.any {
		*s = seen{any: true, first: degC, top: degC}
	}
	s.top = max(s.top, degC)
	if after >= w.settleNs && !s.settled {
		s.settled, s.base, s.baseAt = true, degC, after
	}
	near := degC <= w.nearDegC
	switch {
	case degC <= s.top-w.fallK:
		return behaves
	case !s.settled:
		return open
	case degC-s.base > w.riseK:
		return warms
	case near && degC <= s.first+w.fallK/2:
		return behaves
	case near && after >= s.baseAt+w.lookNs:
		return behaves
	case after > w.giveUpNs:
		return stays
	}
	return open
}

// lookEvery is how often the temperature is read meanwhile: a few times in the least
// time that is looked.
const lookEvery = clock.Second / 2

// cools watches the temperature of a heater that was just made safe. The evidence it
// returns has the grade of the one given, or none: a heater that keeps warming, or
// whose temperature cannot be read, is not safe, whatever it says. warm is what it was
// seen to be last.
func cools(c clock.Clock, b *rig.Bench, i *rig.Instrument, off drivers.Evidence, giveUp func() bool, warm *Warmth) drivers.Evidence {
	e := drivers.Evidence{Instrument: i.Name(), At: c.Now()}
	channels := b.Rig.Thermometers(i.Name())
	if len(channels) == 0 {
		e.Text = "nothing shows its temperature"
		return e
	}
	w := coolingOf(i.Profile().HeatingOrUsual(), b.Rig.Channels[channels[0]].Display, b.Rig.AmbientDegC)
	began := c.Now()
	var s seen
	name, problem := "", "nothing was read"
	for {
		x, channel, why := temperature(c, b, channels)
		if why == "" && name != "" && name != channel {
			s = seen{} // another thermometer: from the beginning
		}
		now := c.Now()
		found := open
		if problem = why; why == "" {
			name = channel
			warm.Channel, warm.DegC, warm.At = channel, x, now
			found = w.judge(&s, now-began, x)
		}
		e.At = now
		passed := fmt.Sprintf("%s degC, then at most %s degC, %s degC after %s s", short(s.first), short(s.top), short(x), seconds(int64(now-began)))
		switch {
		case found == behaves:
			e.Grade, e.Text = off.Grade, fmt.Sprintf("it does not heat: %s was %s", name, passed)
			return e
		case found == warms:
			e.Text = fmt.Sprintf("it was told to be off and keeps warming: %s was %s; cut its mains", name, passed)
			return e
		case found == stays:
			e.Text = fmt.Sprintf("it was told to be off and does not cool: %s was %s; cut its mains", name, passed)
			return e
		case giveUp(), c.Sleep(now+lookEvery) != nil:
			e.Text = "it was not seen to cool before the attempts were ended"
			return e
		case now-began > w.giveUpNs:
			e.Text = "its temperature cannot be seen: " + problem
			return e
		}
	}
}

// temperature reads the first of the channels that can be read; why says what was
// wrong with all of them.
func temperature(c clock.Clock, b *rig.Bench, channels []int) (degC float64, name, why string) {
	for _, k := range channels {
		ch := &b.Rig.Channels[k]
		for _, i := range b.Instruments {
			if i.Name() != b.Rig.Instruments[ch.Instrument].Name {
				continue
			}
			v, err := one(c, i, ch.Query, k)
			if err == nil {
				return v, ch.Name, ""
			}
			why += fmt.Sprintf("%s: %v; ", ch.Name, err)
		}
	}
	return math.NaN(), "", why
}

func one(c clock.Clock, i *rig.Instrument, query, channel int) (float64, error) {
	by := c.Now() + 2*i.Worst(query) + clock.Second/2
	if err := i.Begin(by); err != nil {
		return 0, err
	}
	defer i.End()
	readings, err := i.Measure(query, nil, by)
	if err != nil {
		return 0, err
	}
	for _, r := range readings {
		if r.Channel == channel && r.Flag == drivers.Good {
			return r.Value, nil
		}
	}
	return 0, fmt.Errorf("no good reading")
}

func short(v float64) string { return fmt.Sprintf("%.4g", v) }

// CoolsTypically is how long it takes until a heater that was switched off at a
// temperature has been seen to behave like one: to fall by what its display shows, or,
// near the ambient, not to warm.
func CoolsTypically(h rig.Heating, displayK, ambientDegC, degC float64) clock.Instant {
	w := coolingOf(h, displayK, ambientDegC)
	fallS := math.Inf(1)
	if above := degC - ambientDegC; above > w.fallK {
		fallS = h.DeadS + h.CoolingS*math.Log(above/(above-w.fallK))
	}
	if degC <= w.nearDegC {
		fallS = min(fallS, (w.settleNs + w.lookNs).Seconds())
	}
	return clock.Instant(min(fallS, w.giveUpNs.Seconds())*1e9) + lookEvery/2
}
