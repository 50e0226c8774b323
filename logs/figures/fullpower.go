package figures

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"dwell/drivers/quantity"
	"dwell/logs"
)

// This file takes out of a run how a heater responds to full power, and how long the
// exchanges with each instrument took: what a rig file says of a bench so that the worst
// overshoot after a fault can be worked out. A run shows it in which a cold heater is told
// to go far hotter than it then gets: it is turned back on the way, and watched as it cools.
// Whether that was all its power is seen by doing it again with another set value: a heater
// that warms as fast as it can warms as fast for both.

// Heater is an instrument that heats, and the channel of its own thermometer.
type Heater struct {
	Name, Channel string
	WithinK       float64 // declared accuracy, a bound; 0 where none is declared
	DisplayK      float64 // step of what it shows
}

// What a response must show of itself. Rules of thumb, no source.
const (
	leastRiseK   = 10
	leastCooled  = 0.5  // of the rise
	leastAtRest  = 10   // readings before
	restS        = 60   // that are looked at
	notAtRestK   = 0.2  // from where it tends to
	poorestShare = 0.01 // of the rise: residuals beyond it are of another law
	leastApartK  = 5    // two set values that say something of each other
	sameRate     = 0.01 // rates that differ by less are one
)

// pulse is power for a time: when a heater was told to go up, and when to turn back.
type pulse struct{ up, down, toldDegC float64 }

// pulses are the first that a heater did in a run, and until when it was left alone then.
type pulses struct {
	heater Heater
	all    []pulse
	end    float64 // s
}

// toldTo is what events say of one heater.
type toldTo struct {
	heater   Heater
	at, degC []float64 // set values; NaN for one of a ramp
	arrived  []float64 // s
	over     float64   // s
}

func (x *toldTo) hear(e happened, ramp bool) {
	at := float64(e.TNs) / 1e9
	value, is := strings.CutPrefix(e.Text, x.heater.Name+" temperature ")
	switch {
	case x.over > 0:
	case slices.Contains([]string{"segment", "gap", "tripped", "failed", "stopped", "paused", "safe", "not safe", "ended"}, e.Event):
		x.over = at
	case e.Event == "arrived" && e.Text == x.heater.Channel:
		x.arrived = append(x.arrived, at)
	case is && e.Event == "set":
		to, err := quantity.Parse(value)
		if ramp || err != nil {
			to.Value = math.NaN()
		}
		x.at, x.degC = append(x.at, at), append(x.degC, to.Value)
	}
}

func (x *toldTo) pulses() pulses {
	p, i := pulses{heater: x.heater, end: x.over}, 0
	if p.end == 0 { // cut off
		p.end = math.MaxFloat64
	}
	for ; i+1 < len(x.at); i += 2 {
		arrived := slices.ContainsFunc(x.arrived, func(at float64) bool { return at > x.at[i] && at <= x.at[i+1] })
		if !(x.degC[i+1] < x.degC[i]) || arrived {
			break
		}
		p.all = append(p.all, pulse{x.at[i], x.at[i+1], x.degC[i]})
	}
	if i < len(x.at) {
		p.end = x.at[i]
	}
	return p
}

// pulsesOf are those of all heaters that have done some.
func pulsesOf(r *logs.Run, heaters []Heater, ops map[string]string) (found []pulses, err error) {
	all := make([]toldTo, len(heaters))
	for i, h := range heaters {
		all[i].heater = h
	}
	for line, err := range r.Events() {
		if err != nil {
			return nil, err
		}
		var e happened
		if err := json.Unmarshal(line, &e); err != nil {
			return nil, fmt.Errorf("events.jsonl: %w", err)
		}
		for i := range all {
			all[i].hear(e, ops[e.Step] == "ramp")
		}
	}
	for _, x := range all {
		if p := x.pulses(); len(p.all) > 0 {
			found = append(found, p)
		}
	}
	return found, nil
}

// fullPower adds what a run shows of its heaters. Most runs show nothing of it, and that
// is no omission.
func (c *computer) fullPower(r *logs.Run, all []pulses) (err error) {
	identified := map[string]string{}
	for _, p := range all {
		figures, err := p.identify(*c.series[p.heater.Channel], c.Facts.Cooled)
		if c.add("full power of "+p.heater.Name, figures, err); err == nil {
			identified[p.heater.Name] = worstCase(figures)
			c.Notes = append(c.Notes, figures[0].Notes...)
		}
	}
	if len(identified) == 0 {
		return nil
	}
	c.ForRig, err = forRig(r, identified)
	return err
}

// responseTo is what a step of power has done after x s to a heater with a large lag, tau,
// and a small one, as a share of where it ends.
func responseTo(x, tau, lag float64) float64 {
	if x <= 0 {
		return 0
	}
	if math.Abs(tau-lag) < 1e-6*tau {
		lag *= 1 - 1e-5
	}
	return 1 - (tau*math.Exp(-x/tau)-lag*math.Exp(-x/lag))/(tau-lag)
}

// The coefficients of the law that is fitted: these, and then three for each pulse.
const (
	ofAmbient  = iota // degC
	ofTau             // s
	ofLag             // the logarithm of s
	ofPulses          // from here on
	ofRate     = 0    // K/s
	ofDead     = 1    // s, from being told to go up
	ofDeadBack = 2    // s, from being told to turn back
	perPulse   = 3
)

func (p pulses) law(t float64, b []float64) float64 {
	y, tau, lag := b[ofAmbient], b[ofTau], math.Exp(b[ofLag])
	for i, x := range p.all {
		own := b[ofPulses+perPulse*i:]
		y += own[ofRate] * tau * (responseTo(t-x.up-own[ofDead], tau, lag) - responseTo(t-x.down-own[ofDeadBack], tau, lag))
	}
	return y
}

// identify fits T = A + sum of S tau (g(t - up - L) - g(t - down - L')) over the pulses,
// where g is the step response of two lags, tau and a small one.
func (p pulses) identify(s Series, cooled bool) ([]Figure, error) {
	if cooled {
		return nil, errors.New("this rig cools: how a plate cools by itself is not seen")
	}
	// What it shows at rest is not fitted: a display that stands still is wrong by half a
	// digit all the time, and one that moves is not.
	var t, y, rest []float64
	bound := 0.
	for i, at := range s.Time {
		switch begins := p.all[0].up; {
		case at < begins-restS || at > p.end || math.IsNaN(s.Y[i]):
		case at < begins:
			rest = append(rest, s.Y[i])
		default:
			t, y, bound = append(t, at), append(y, s.Y[i]), max(bound, s.Bound[i])
		}
	}
	if len(rest) < leastAtRest {
		return nil, fmt.Errorf("%d readings of %s before the heat: %d are needed, of a cold plate", len(rest), p.heater.Channel, leastAtRest)
	}
	from := MomentsOf(rest).Mean
	start, height, err := p.start(t, y, from)
	if err != nil {
		return nil, err
	}
	fit, err := p.fit(t, y, start)
	if err != nil {
		return nil, fmt.Errorf("the response of %s: %w", p.heater.Name, err)
	}
	figures, err := p.figures(fit, height, bound, fmt.Sprintf("%s, %.1f to %.1f s", p.heater.Channel, t[0], t[len(t)-1]))
	for i := range figures {
		f := &figures[i]
		if d := from - fit.B[ofAmbient]; math.Abs(d) > notAtRestK {
			*f = f.Note("%s began %.2f K from where it tends to as it cools: it was not at rest, or does not cool by the law that was fitted", p.heater.Name, d)
		}
		if fit.S > poorestShare*height {
			*f = f.Note("%s does not respond by the law that was fitted: residuals of %.2g K", p.heater.Name, fit.S)
		}
	}
	return figures, err
}

// fit is the law through the readings, and through one thing more: that the small lag is
// of the order of what was read off first. It weighs less than a reading, and decides only
// where the lag is too small to be seen.
func (p pulses) fit(t, y, start []float64) (Fit, error) {
	const perFold = 0.01 // K for a factor of e
	f, err := NonlinearFit(func(b, predicted []float64) {
		for i, at := range t {
			predicted[i] = p.law(at, b)
		}
		predicted[len(t)] = perFold * b[ofLag]
	}, append(slices.Clip(y), perFold*start[ofLag]), start)
	if err == nil {
		f.Residuals = f.Residuals[:len(t)]
	}
	return f, err
}

// start looks whether each pulse shows what is needed, and reads a first guess off the
// record. height is the least by which the plate warmed.
func (p pulses) start(t, y []float64, ambient float64) (b []float64, height float64, err error) {
	b, height = make([]float64, ofPulses), math.Inf(1)
	for i, x := range p.all {
		ends := p.end
		if i+1 < len(p.all) {
			ends = p.all[i+1].up
		}
		from, _ := slices.BinarySearch(t, x.up)
		to, _ := slices.BinarySearch(t, ends)
		if to-from < leastAtRest {
			return nil, 0, fmt.Errorf("%d readings of %s in a pulse of power: too few", to-from, p.heater.Channel)
		}
		t, y := t[from:to], y[from:to]
		top := slices.Index(y, slices.Max(y))
		base := slices.Min(y[:top+1])
		rise, fallen := y[top]-base, y[top]-y[len(y)-1]
		switch {
		case rise < leastRiseK:
			return nil, 0, fmt.Errorf("%s has warmed by %.2g K: at least %d K are needed", p.heater.Name, rise, leastRiseK)
		case fallen < leastCooled*rise:
			return nil, 0, fmt.Errorf("%s has cooled by %.2g K of the %.2g K it had warmed: watch it until half of them are gone", p.heater.Name, fallen, rise)
		}
		low, high := crossing(t, y, base+0.2*rise, true), crossing(t, y, base+0.7*rise, true)
		rate := 0.5 * rise / (high - low)
		delay := max(0.1, low-0.2*rise/rate-x.up)
		b[ofTau] = (crossing(t[top:], y[top:], base+0.6*rise, false) - t[top]) / math.Log(1/0.6)
		b[ofLag] = math.Log(delay / 2)
		b, height = append(b, rate, delay/2, delay/2), min(height, rise)
	}
	b[ofAmbient] = ambient
	return b, height, nil
}

// crossing is when y is first beyond a level, upwards or downwards.
func crossing(t, y []float64, level float64, upwards bool) float64 {
	for i, v := range y {
		if (v > level) == upwards {
			return t[i]
		}
	}
	return t[len(t)-1]
}

// wholePower is the pulse for which the heater was told most, if those for which it was
// told less show that it gave all its power.
func (p pulses) wholePower(fit Fit, widen float64) (int, error) {
	most, least := 0, 0
	for i, x := range p.all {
		if x.toldDegC > p.all[most].toldDegC {
			most = i
		}
		if x.toldDegC < p.all[least].toldDegC {
			least = i
		}
	}
	high, low := p.all[most].toldDegC, p.all[least].toldDegC
	if high-low < leastApartK {
		return 0, fmt.Errorf("one rise does not show that %s gave all its power: let it warm once more, told at least %d K less or more", p.heater.Name, leastApartK)
	}
	i, j := ofPulses+perPulse*most+ofRate, ofPulses+perPulse*least+ofRate
	d := fit.B[i] - fit.B[j]
	u := widen * math.Sqrt(max(0, fit.U(i)*fit.U(i)+fit.U(j)*fit.U(j)-2*fit.Correlation(i, j)*fit.U(i)*fit.U(j)))
	if math.Abs(d) > StudentT(Level95, math.Inf(1))*u && math.Abs(d) > sameRate*fit.B[i] {
		return 0, fmt.Errorf("%s warms by %.3g K/min told %g degC, and by %.3g K/min told %g degC: its controller holds power back; tell it more, or turn it back earlier",
			p.heater.Name, 60*fit.B[i], high, 60*fit.B[j], low)
	}
	return most, nil
}

// inputs are what the figures are worked out from: the coefficients, and then what the
// thermometer and the times of its readings add.
func (p pulses) inputs(fit Fit, widen, height, bound float64) (inputs []Input, correlations []Correlation) {
	inputs = []Input{ofAmbient: {Name: "ambient, fitted", Unit: "degC"}, ofTau: {Name: "tau, fitted", Unit: "s"}, ofLag: {Name: "logarithm of the small lag, fitted", Unit: "1"}}
	for i := range p.all {
		of := fmt.Sprintf(", fitted, rise %d", i+1)
		inputs = append(inputs, Input{Name: "rate" + of, Unit: "K/s"}, Input{Name: "dead time" + of, Unit: "s"}, Input{Name: "dead time on turning back" + of, Unit: "s"})
	}
	for k := range inputs {
		in := &inputs[k]
		in.Value, in.U, in.Type, in.DoF = fit.B[k], widen*fit.U(k), "A", max(1, float64(fit.DoF)/(widen*widen))
		for j := range k {
			correlations = append(correlations, Correlation{j, k, fit.Correlation(j, k)})
		}
	}
	return append(inputs,
		Input{Name: p.heater.Channel + ", over the rise", Value: 1, U: Rectangular(p.heater.WithinK) / height, Unit: "1", Type: "B", Bounded: true, Instrument: true,
			Says: "its error changes over the rise by at most its declared accuracy, rectangular"},
		Input{Name: "display", U: Rectangular(p.heater.DisplayK / 2), Unit: "K", Type: "B", Bounded: true, Says: "half a digit, where it changes slowly"},
		Input{Name: "time of a reading", U: Rectangular(bound), Unit: "s", Type: "B", Bounded: true, Says: "half an exchange, rectangular"}), correlations
}

// figures are what a fitted law says, each with its budget.
func (p pulses) figures(fit Fit, height, bound float64, rows string) ([]Figure, error) {
	widen := math.Sqrt(float64(len(fit.Residuals)) / EffectiveSize(fit.Residuals))
	most, err := p.wholePower(fit, widen)
	if err != nil {
		return nil, err
	}
	inputs, correlations := p.inputs(fit, widen, height, bound)
	at := ofPulses + perPulse*most + ofRate
	longest := ofPulses + ofDead
	for k := longest; k < len(fit.B); k += perPulse {
		if fit.B[k] > fit.B[longest] {
			longest = k
		}
	}
	thermometer, display, moment := len(inputs)-3, len(inputs)-2, len(inputs)-1
	const law = "T = A + sum of S tau (g(t - up - L) - g(t - down - L')), fitted to the plate's own thermometer; g is the step response of two lags, tau and l; up and down are when it was told; "
	var l list
	for _, x := range [...]struct {
		meaning
		of func(b []float64) float64
	}{
		{meaning{"full_power_rise", "for ever", "K", law + "S tau, S being the same for two set values", reactionCurve}, func(b []float64) float64 { return b[at] * b[ofTau] * b[thermometer] }},
		{meaning{"full_power_rate", "at ambient", "K/min", law + "S, the same for two set values", reactionCurve}, func(b []float64) float64 { return 60 * b[at] * b[thermometer] }},
		{meaning{"plate_time_constant", "warming and cooling", "s", law + "tau", reactionCurve}, func(b []float64) float64 { return b[ofTau] * (1 + b[display]/height) }},
		{meaning{"plate_dead_time", "apparent, the longest", "s", law + "L + l, where the line of the steady rate meets the ambient: what command, controller and thermometer take is in it", reactionCurve},
			func(b []float64) float64 {
				return b[longest] + math.Exp(b[ofLag]) + b[moment] + b[display]/fit.B[at]
			}},
	} {
		value, b, err := Propagate(x.unit, Level95, inputs, func(b []float64) (float64, error) { return x.of(b), nil }, correlations...)
		if err == nil && !(value > 0) {
			err = fmt.Errorf("%s: %.3g %s is none", x.figure, value, x.unit)
		}
		if err != nil {
			return nil, err
		}
		l.add(Origin{p.heater.Channel, rows}.figure(x.meaning, value, b, Given{"told", p.all[most].toldDegC, "degC"}, Given{"warmed by", height, "K"}, Given{"residual standard deviation", fit.S, "K"}))
	}
	return l.done()
}

// reactionCurve is the source of dead time and rate as they are read off here.
const reactionCurve = "dead time and reaction rate of the reaction curve: Ziegler and Nichols, Trans. ASME 64 (1942) 759, from memory; by least squares in place of the tangent"

// worstCase is a response as a rig file states it, on the side on which a heater overshoots
// more, by as much as each is uncertain.
func worstCase(all []Figure) string {
	at := func(name string, side float64) string {
		f := all[slices.IndexFunc(all, func(f Figure) bool { return f.Figure == name })]
		v := f.Value + side*f.Expanded
		unit := math.Pow(10, math.Floor(math.Log10(v))-2) // three digits
		if side > 0 {
			return fmt.Sprintf("%.6g %s", math.Ceil(v/unit)*unit, f.Unit)
		}
		return fmt.Sprintf("%.6g %s", math.Floor(v/unit)*unit, f.Unit)
	}
	return fmt.Sprintf("rise at full power: %s, time constant: %s, dead time: %s", at("full_power_rise", 1), at("plate_time_constant", -1), at("plate_dead_time", 1))
}

// ForRigSays says what to do with what is for a rig file.
const ForRigSays = "each line into its instrument, in place of one that is there\n(by their uncertainty rise and dead time are higher and the time constant is lower: the worse side)"

// forRig is what a rig file says of a bench, as YAML under instruments.
func forRig(r *logs.Run, identified map[string]string) (string, error) {
	id, err := r.IdentityIfWhole()
	if err != nil {
		return "", err
	}
	longest := map[string]int64{}
	for x, err := range r.Exchanges() {
		if err != nil {
			return "", err
		}
		if x.Ended == "answered" && len(x.Reply) > 0 {
			longest[x.Port] = max(longest[x.Port], x.LastNs-x.SentNs)
		}
	}
	date, _, _ := strings.Cut(id.StartUTC, "T")
	var b strings.Builder
	for _, i := range id.Instruments {
		if longest[i.Name] == 0 {
			continue
		}
		virtual := ""
		if id.Kind == "rehearsal" || i.Port == "twin" {
			virtual = "   # of the virtual bench, and no real one"
		}
		fmt.Fprintf(&b, "  %s:%s\n", i.Name, virtual)
		if text := identified[i.Name]; text != "" {
			fmt.Fprintf(&b, "    identified: {%s, date: %s}\n", text, date)
		}
		fmt.Fprintf(&b, "    %s\n", LongestExchange(float64(longest[i.Name])/1e9, date))
	}
	return b.String(), nil
}

// LongestExchange is the longest exchange with an instrument, as a rig file states it.
func LongestExchange(s float64, date string) string {
	return fmt.Sprintf("longest exchange: {takes: %.0f ms, measured on: %s}", math.Ceil(1e3*s), date)
}
