package twin

import (
	"fmt"
	"math"

	"dwell/drivers/convert"
)

// PlateModel is a hotplate: a heater that moves the plate's surface through a
// dead time and a first-order lag, G(s) = K exp(-theta s) / (tau s + 1) above
// ambient, with its own thermometer and controller. Heat leaves to the ambient
// only: the plate heats at up to 100 K / tau and cools only as the lag lets it.
//
// The slab takes no heat from the plate: 1 mm of glass of microscope size holds
// 4 J/K, a plate of this kind 150 J/K and more.
type PlateModel struct {
	GainKPerPercent float64 // rise above ambient at rest, for one percent of power
	TimeConstantS   float64
	DeadTimeS       float64 // up to 25.5 s

	SensorLagS    float64
	SensorNoiseK  float64 // standard deviation of one conversion
	SensorLimitK  float64 // declared accuracy: the error stays inside plus or minus this
	ControllerS   float64 // time between two decisions of the controller
	ClosedLoopS   float64 // SIMC tau_c: the lag that the controller aims at
	CutOutDegC    float64 // the over-temperature circuit opens above it
	InitialTarget float64 // degC
}

// delayMax bounds the dead time in ticks, so that the plate is plain data.
const delayMax = 256

// plate is the constants of a PlateModel on the grid.
type plate struct {
	ambient float64
	gain    float64
	decay   float64 // exp(-tick/tau)
	delay   int64   // dead time in ticks
	period  int64   // ticks between two decisions
	sensor  lag
	offset  float64 // the sensor's calibration error in K
	noise   stream
	noiseK  float64
	kc      float64 // %/K
	reset   float64 // 1 - exp(-period/Ti)
	cutOut  float64
}

// PlateState is all that changes in a plate.
type PlateState struct {
	Excess     float64 // surface above ambient, K
	Indicated  float64 // what the sensor has reached of it, K
	TargetDegC float64
	ToldDegC   float64           // the set value as it was told last, by whoever has the line
	ObeyedDegC float64           // and as it goes on when the plate ignores new ones
	HeldDegC   float64           // what its thermometer shows when it is frozen
	DriftK     float64           // of its thermometer
	On         bool              // the heating function, as START and STOP switch it
	CutOut     bool              // the over-temperature circuit has opened, and stays open
	NoMains    bool              // a switch in its mains is open
	Percent    float64           // the controller's last decision
	Reset      float64           // the controller's memory, %
	Delayed    [delayMax]float64 // power on its way through the dead time, by tick
}

func newPlate(m PlateModel, ambient float64, seed uint64) (plate, error) {
	tick_s := Grid.Seconds()
	p := plate{
		ambient: ambient, gain: m.GainKPerPercent,
		delay: int64(math.Round(m.DeadTimeS / tick_s)), period: int64(math.Round(m.ControllerS / tick_s)),
		sensor: newLag(m.SensorLagS, tick_s),
		offset: Drawn(seed, "plate sensor", m.SensorLimitK/math.Sqrt(3)),
		noise:  newStream(seed, noisePlate), noiseK: m.SensorNoiseK,
		cutOut: m.CutOutDegC,
	}
	if !(m.GainKPerPercent > 0 && m.TimeConstantS > 0 && m.ClosedLoopS > 0 && m.SensorNoiseK >= 0) ||
		p.delay < 0 || p.delay >= delayMax || p.period < 1 {
		return plate{}, fmt.Errorf("the plate: expected positive gain and times, a dead time below %g s and a controller of at least %g s, got %+v",
			delayMax*tick_s, tick_s, m)
	}
	p.decay = convert.Exp(-tick_s / m.TimeConstantS)

	// The sensor's small lag goes by halves to the dead time and to the large lag
	// (Skogestad's half rule); a sampled controller adds half its period.
	tau := m.TimeConstantS + float64(m.SensorLagS/2)
	theta := m.DeadTimeS + float64(m.SensorLagS/2) + float64(m.ControllerS/2)
	kc, ti_s := simc(m.GainKPerPercent, tau, theta, m.ClosedLoopS)
	p.kc, p.reset = kc, 1-convert.Exp(-m.ControllerS/ti_s)
	return p, nil
}

// simc is a PI controller for gain, lag and dead time that aims at a closed-loop
// lag (Skogestad, J. Process Control 13 (2003) 291, cited from memory):
// Kc = tau / (K (tau_c + theta)), Ti = min(tau, 4 (tau_c + theta)).
func simc(gain, tau_s, theta_s, closed_s float64) (kc, ti_s float64) {
	return tau_s / float64(gain*(closed_s+theta_s)), min(tau_s, float64(4*(closed_s+theta_s)))
}

// reading is what the plate's own converter gives at a tick, in degC.
func (p *plate) reading(s *PlateState, tick int64, f *Faults) float64 {
	if f.PlateFrozen {
		return s.HeldDegC
	}
	return p.ambient + s.Indicated + p.offset + s.DriftK + float64(p.noiseK*p.noise.normal(tick))
}

// decide is one run of the controller: proportional plus integral, the integral
// kept as the output seen through a lag of Ti. So it can never wind up: where the
// output is clamped, so is what it remembers.
func (p *plate) decide(s *PlateState, tick int64, f *Faults) {
	s.Percent = 0
	if s.On {
		wanted := float64(p.kc*(s.inForce(f)-p.reading(s, tick, f))) + s.Reset
		s.Percent = min(100, max(0, wanted))
	}
	s.Reset += float64(p.reset * (s.Percent - s.Reset))
}

// power is what reaches the heater now, in percent.
func (p *plate) power(s *PlateState, f *Faults) float64 {
	switch {
	case s.CutOut, s.NoMains, f.HeaterBroken: // its own contact, in series with the relay
		return 0
	case f.RelayWelded:
		return 100
	case !s.On:
		return 0
	}
	return s.Percent
}

// step moves the plate from a tick to the next.
func (p *plate) step(s *PlateState, tick int64, f *Faults) {
	if tick%p.period == 0 && !f.PlateHung {
		p.decide(s, tick, f)
	}
	s.CutOut = s.CutOut || p.ambient+s.Excess > p.cutOut
	p.heat(s, tick, p.power(s, f))
}

// heat puts power in for one tick.
func (p *plate) heat(s *PlateState, tick int64, percent float64) {
	arriving := percent
	if p.delay > 0 {
		place := tick % p.delay
		arriving, s.Delayed[place] = s.Delayed[place], percent
	}
	rest := float64(p.gain * arriving)
	before := s.Excess
	s.Excess = rest + float64((before-rest)*p.decay)
	s.Indicated = p.sensor.step(s.Indicated, before, s.Excess)
}
