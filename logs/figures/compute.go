package figures

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"dwell/logs"
)

// Results is everything that could be computed from one record, and in words what could
// not. The rest is what the figures were taken from, to be looked at.
type Results struct {
	Figures []Figure
	LeftOut []Omission
	Notes   []string

	Facts      Facts
	R          Series              // the resistance
	T          map[string]*Series  // temperatures, by channel
	Settled    map[string]*Settled // the plateaus, by thermometer
	Up, Down   Curve               // of the first cycle, by the best thermometer
	Plateaus   []Plateau
	Steps      []Step
	Transients []Transient
	Sweeps     []Sweep
	Shapes     []Shape
	Loops      []Loop // of resistance against curvature, within cycles
	Allan      []Allan
	Interval   float64 // s, of the readings of Allan
	Trend      Record  // what the drift was taken from
	Ended      float64 // s: when the measurement was over
	ForRig     string  // what was measured of the bench, as its rig file states it; "" for nothing
	Found      Found   // plateaus, ramps and steps of a table; none of a run, which records its own
	FromTable  bool    // of which no file of figures is kept
}

// Plateau is a stretch at one temperature that figures were taken from.
type Plateau struct {
	From, To   float64 // s
	TargetDegC float64
	Step       string
}

// Step is where a step of the protocol begins.
type Step struct {
	At   float64 // s
	Name string  // such as 3.1.4 sweep
}

// Shape is the film in one shape, at one temperature.
type Shape struct {
	Cycles     float64 // done before
	RadiusM    float64 // 0 for flat
	MeanStrain float64
	R, U       float64 // Ohm, and its standard uncertainty
}

// Omission is a figure that is not given, and why.
type Omission struct {
	Figure string `json:"figure"`
	Why    string `json:"why"`
}

// Compute takes all figures out of a run folder that its record supports.
func Compute(r *logs.Run, f Facts) (*Results, error) {
	c := computer{Results: Results{Facts: f, T: map[string]*Series{}, Settled: map[string]*Settled{}}}
	var err error
	if c.story, err = readStory(r, f); err != nil {
		return nil, err
	}
	var channels []string
	for _, t := range f.Thermometers {
		channels = append(channels, t.Channel)
	}
	for _, ch := range [...]string{f.Resistance, f.Current, f.Position} {
		if ch != "" {
			channels = append(channels, ch)
		}
	}
	heated, err := pulsesOf(r, f.Heaters, c.ops)
	if err != nil {
		return nil, err
	}
	for _, p := range heated {
		if !slices.Contains(channels, p.heater.Channel) {
			channels = append(channels, p.heater.Channel)
		}
	}
	if c.kept, err = c.read(r, f, channels...); err != nil {
		return nil, err
	}
	c.Notes = slices.Concat(f.Notes, c.story.notes, c.kept.notes)
	c.Ended = c.ended
	for _, b := range c.steps {
		c.Steps = append(c.Steps, Step{b.at, b.step})
	}
	c.take()
	return &c.Results, c.fullPower(r, heated)
}

// computer goes from one kind of figure to the next; what one finds, a later one uses.
type computer struct {
	Results
	story
	kept
	slope, uSlope float64 // dR/dT at AtDegC, once known
	tcr, uTCR     float64 // relative, of the middle of the curve
	noise         *Figure
	widths        []looped
}

func (c *computer) take() {
	if s := c.series[c.Facts.Resistance]; s != nil {
		c.R = *s
	}
	for _, s := range c.stays {
		c.Plateaus = append(c.Plateaus, Plateau{s.from, min(s.to, c.R.Last()), s.target, s.step})
	}
	for _, t := range c.Facts.Thermometers {
		if s := c.series[t.Channel]; s != nil && len(s.Time) > 0 {
			c.T[t.Channel] = s
		}
	}
	if len(c.R.Time) == 0 {
		c.skip("all but ohmic", errors.New("the record holds no resistance"))
		c.ohmic()
		return
	}
	every := c.stays
	c.choose()
	c.plateaus()
	c.follows()
	c.contacts(every)
	c.placements()
	c.ohmic()
	c.quiet()
	c.selfHeating(every)
	c.bending()
	c.loops()
}

// choose leaves plateaus out that do not belong with others: those read with two wires
// where others were read with four, and those in which the film was laid down anew, on
// a contact with the plate that may be another one.
func (c *computer) choose() {
	least, fewest := math.Inf(1), math.Inf(1)
	c.stays = slices.DeleteFunc(c.stays, func(s stay) bool { // such as between two blocks of cycles
		from, _ := slices.BinarySearch(c.R.Time, s.from)
		return from == len(c.R.Time) || c.R.Time[from] > s.to
	})
	for _, s := range c.stays {
		fewest = min(fewest, s.cycles)
		if s.amps > 0 {
			least = min(least, s.amps)
		}
	}
	for _, odd := range [...]struct {
		is   func(stay) bool
		says string
	}{
		{func(s stay) bool { return s.amps > apart*least }, "were read at a larger current than others: they count for self_heating alone"},
		{func(s stay) bool { return s.cycles > fewest }, "(a film measured flat between cycles is one too) came after further cycles of bending: the film is another one then, and the first figures are told"},
		{func(s stay) bool { return s.wires == "2" }, "were read with two wires: they count for contact_resistance alone"},
		{func(s stay) bool { return s.placed }, "began with the specimen laid down: they count for response alone"},
	} {
		kept := slices.DeleteFunc(slices.Clone(c.stays), odd.is)
		if n := len(c.stays) - len(kept); n > 0 && len(kept) > 0 {
			c.Notes = append(c.Notes, fmt.Sprintf("%d plateaus %s", n, odd.says))
			c.stays = kept
		}
	}
}

// Last is the time of the last reading.
func (s Series) Last() float64 {
	if len(s.Time) == 0 {
		return 0
	}
	return s.Time[len(s.Time)-1]
}

func (c *computer) skip(figure string, err error) {
	o := Omission{figure, ""}
	if err != nil {
		o.Why = err.Error()
	}
	if err != nil && !slices.Contains(c.LeftOut, o) {
		c.LeftOut = append(c.LeftOut, o)
	}
}

// add keeps figures; what they say was not given is told apart.
func (c *computer) add(what string, figures []Figure, err error) {
	if err != nil { // then they are none, whatever is in them
		c.skip(what, err)
		return
	}
	for _, f := range figures {
		f.Notes = c.notGiven(what, f.Notes)
		c.Figures = append(c.Figures, f)
	}
}

// notGiven tells what notes say was not given, and returns the others.
func (c *computer) notGiven(what string, notes []string) (others []string) {
	for _, n := range notes {
		if rest, ok := strings.CutPrefix(n, "not given: "); ok {
			name, why, _ := strings.Cut(rest, ": ")
			c.skip(cmp.Or(name, what), errors.New(why))
			continue
		}
		others = append(others, n)
	}
	return others
}

// beside brings a thermometer to the moments of the resistances.
type beside struct {
	t, temperature, r, u []float64 // u: K, from timing
}

// gapIn is how far apart readings may be that a value is taken between: five times as far
// as usual. Common practice, no source.
func gapIn(s *Series) float64 { return 5 * usualStep(s.Time) }

func usualStep(t []float64) float64 {
	d := make([]float64, 0, len(t))
	for i := 1; i < len(t); i++ {
		d = append(d, t[i]-t[i-1])
	}
	if len(d) == 0 {
		return 0
	}
	return median(d)
}

func (c *computer) together(channel string) (b beside, err error) {
	s := c.T[channel]
	if s == nil {
		return b, fmt.Errorf("the record holds no %s", channel)
	}
	a, err := s.Align(c.R.Time, gapIn(s))
	if err != nil {
		return b, err
	}
	all, _ := Complete(c.R.Time, a.Y, c.R.Y, a.U)
	if len(all[0]) == 0 {
		return b, fmt.Errorf("%s and %s were never read together", channel, c.R.Channel)
	}
	return beside{all[0], all[1], all[2], all[3]}, nil
}

// segments are the stays of the record as stretches of readings.
func (b beside) segments(stays []stay) (all []Segment) {
	for _, s := range stays {
		from, _ := slices.BinarySearch(b.t, s.from)
		to, _ := slices.BinarySearch(b.t, s.to)
		if to > from {
			all = append(all, Segment{Kind: "plateau", From: from, To: to, Start: b.t[from], End: b.t[to-1]})
		}
	}
	return all
}

// plateaus is what resistance does with temperature: the curve's figures by the best
// thermometer, lag and hysteresis by each.
func (c *computer) plateaus() {
	if len(c.stays) == 0 {
		c.skip("r0, sensitivity, tcr, b_value, linearity, hysteresis", errors.New("the plate never arrived at a temperature and stayed there, outside of warm-up and conditioning, with the specimen on it"))
		return
	}
	done := false
	for _, t := range c.Facts.Thermometers {
		b, err := c.together(t.Channel)
		if err != nil {
			c.skip("plateaus by "+t.Channel, err)
			continue
		}
		segments := b.segments(c.stays)
		var s Settled
		if t.asRead() {
			s, err = readOff(b.t, b.temperature, b.r, segments)
		} else {
			s, err = Settle(b.t, b.temperature, b.r, segments, c.Facts.ResolutionOhm)
		}
		fitted := err == nil
		if err != nil && t.MayLead { // without a lag, then
			if seen, bad := readOff(b.t, b.temperature, b.r, segments); bad == nil {
				if step := c.Facts.ResolutionOhm; step > 0 {
					err = fmt.Errorf("of resistances in steps of %.3g Ohm none can be told: %w", step, err)
				}
				c.skip("lag_tau by "+t.Channel, err)
				s, err, fitted = seen, nil, false
			}
		}
		if err != nil {
			if !done && len(segments) > 0 {
				c.oneLevel(t, b, segments)
				done = true
			}
			c.skip("lag, hysteresis by "+t.Channel, err)
			continue
		}
		s.resolve(t, b)
		s.shown(b, c.Facts.ResolutionOhm)
		c.Settled[t.Channel] = &s
		common := c.common(t, s.Holds)
		c.lagFigures(t, s, common, fitted)
		if !done {
			c.curveFigures(t, s, common)
			done = true
		}
	}
	if !done {
		c.skip("r0, sensitivity, tcr, b_value, linearity", errors.New("no plateau could be used"))
	}
}

// resolve adds what every temperature of a plateau is uncertain by besides its scatter:
// the step of the display, and the moments at which it was read.
func (s *Settled) resolve(t Thermometer, b beside) {
	s.digit = t.ResolutionK / 2
	for i := range s.Holds {
		h := &s.Holds[i]
		half, tail := (h.From+h.To)/2, h.tail()
		timing := MomentsOf(b.u[half:h.To]).Mean
		also := math.Hypot(Rectangular(s.digit), timing)
		if t.rounds(b.temperature[half:h.To]) {
			h.UT = 0
		}
		if t.rounds(b.temperature[tail:h.To]) {
			h.UTSeen = 0
		}
		h.UT, h.UTSeen = math.Hypot(h.UT, also), math.Hypot(h.UTSeen, also)
	}
}

// rounds tells whether readings change by no more than the step of the display: then they
// scatter by rounding, which is in the half digit that a mean may be off.
func (t Thermometer) rounds(x []float64) bool { return roundsTo(t.ResolutionK, x) }

func roundsTo(step float64, x []float64) bool {
	low, high := extremes(x)
	const aLittle = 1e-6 // of a step, of binary fractions
	return step > 0 && high-low <= step*(1+aLittle)
}

// shown adds the rounding of resistances to that of plateaus whose readings differ by no
// more than a step of what the meter shows.
func (s *Settled) shown(b beside, step float64) {
	for i := range s.Holds {
		h := &s.Holds[i]
		if roundsTo(step, b.r[(h.From+h.To)/2:h.To]) {
			h.URounded, h.USeen = Rectangular(step/2), 0
		}
	}
}

// common are the errors of thermometer and meter that all plateaus share.
func (c *computer) common(t Thermometer, holds []Hold) []Common {
	r := 0.
	for _, h := range holds {
		r = max(r, math.Abs(h.Settled))
	}
	if r == 0 {
		r = MomentsOf(goodOf(c.R.Y)).Mean
	}
	at := c.R.Time[0]
	if len(holds) > 0 {
		at = holds[0].Start
	}
	if len(c.Facts.Promised) == 0 && c.Found.Segments != nil {
		return slices.Clone(t.Errors) // of a table: said already
	}
	meter, notes := c.Facts.meterErrors(r, c.currentAt(at), c.settingAt(at).reversed)
	for _, n := range notes {
		if !slices.Contains(c.Notes, n) {
			c.Notes = append(c.Notes, n)
		}
	}
	if w := c.settingAt(at).wires; w == "2" {
		const text = "the resistance was read with two wires: leads and contacts are in it"
		if !slices.Contains(c.Notes, text) {
			c.Notes = append(c.Notes, text)
		}
	}
	return append(slices.Clone(t.Errors), meter...)
}

// currentAt is the measuring current beside a moment.
func (c *computer) currentAt(at float64) float64 {
	s := c.series[c.Facts.Current]
	if s == nil || len(s.Time) == 0 {
		return 0
	}
	i, _ := slices.BinarySearch(s.Time, at)
	for ; i < len(s.Y); i++ {
		if !math.IsNaN(s.Y[i]) && s.Y[i] != 0 {
			return s.Y[i]
		}
	}
	return 0
}

func goodOf(y []float64) (good []float64) {
	for _, v := range y {
		if !math.IsNaN(v) {
			good = append(good, v)
		}
	}
	return good
}

// named says which plateaus and which thermometer.
func (c *computer) named(t Thermometer, holds []Hold, what string) Origin {
	first, last := holds[0], holds[len(holds)-1]
	return Origin{c.R.Channel, fmt.Sprintf("%d plateaus from %.0f to %.0f s, %s, by %s", len(holds), first.Start, last.End, what, t.Channel)}
}

// toFilm corrects a curve read on the plate for what the film loses to the air.
func (c *computer) toFilm(t Thermometer, curve Curve) (Curve, error) {
	if t.BesideFilm {
		return curve, nil
	}
	return curve.OnFilm(c.Facts.AirDegC, leastLost, mostLost)
}

// cycle is a way up and the way down after it, as places of holds; down may be missing.
type cycle struct{ from, top, to int }

// cyclesOf cuts holds where the temperature turns from falling to rising. The lowest hold
// between two cycles belongs to both.
func cyclesOf(holds []Hold) (all []cycle) {
	for from := 0; from < len(holds); {
		top := from
		for top+1 < len(holds) && holds[top+1].T > holds[top].T-nearEnough {
			top++
		}
		to := top
		for to+1 < len(holds) && holds[to+1].T < holds[to].T+nearEnough {
			to++
		}
		all = append(all, cycle{from, top, to})
		if to+1 >= len(holds) {
			break
		}
		from = max(to, from+1)
	}
	return all
}

// lagFigures are the lag, what had not settled, and hysteresis before and after the lag
// is taken out, cycle by cycle. Where no lag could be fitted, that was said.
func (c *computer) lagFigures(t Thermometer, s Settled, common []Common, fitted bool) {
	cycles := cyclesOf(s.Holds)
	for n, k := range cycles {
		part := s
		part.Holds = s.Holds[k.from : k.to+1]
		if n > 0 {
			part.Tau = nil // common to all: said once
		}
		what := "settled"
		if len(cycles) > 1 {
			what = fmt.Sprintf("cycle %d of %d", n+1, len(cycles))
		}
		o := c.named(t, part.Holds, what)
		all, err := SettleFigures(o, part, common...)
		for i := range all {
			all[i].Flavour += ", by " + t.Channel
		}
		all = slices.DeleteFunc(all, func(f Figure) bool {
			lag := f.Figure == "not_settled" || f.Figure == "lag_tau" || strings.Contains(f.Flavour, "lag taken out")
			gone := lag && t.asRead() || f.Figure == "not_settled" && len(s.Tau) == 0 // then nothing remained
			if gone && !t.asRead() {
				c.notGiven("hysteresis by "+t.Channel, f.Notes)
			}
			return gone
		})
		c.add("hysteresis by "+t.Channel, all, err)
	}
	switch {
	case t.asRead():
		c.skip("lag_tau by "+t.Channel, errors.New("it lies beside the film and shows what that has: no lag is taken out"))
	case fitted && len(s.Tau) == 0:
		c.skip("lag_tau by "+t.Channel, errors.New("the transients show no lag that stands out of their noise"))
	}
}

// curveFigures are those of the first way up (of the first way there is). Beside the film
// temperature and resistance are those of the same moments, the last fifth of each plateau;
// on the plate, resistances are those the film tends to.
func (c *computer) curveFigures(t Thermometer, s Settled, common []Common) {
	k := cyclesOf(s.Holds)[0]
	kind := "settled values"
	if t.asRead() {
		kind = "last fifth of each"
	}
	make := func(holds []Hold, way string) (Curve, error) {
		return c.toFilm(t, s.branch(c.named(t, holds, kind+", way "+way), holds, !t.asRead(), common))
	}
	holds, way := s.Holds[k.from:k.top+1], "up"
	if len(holds) < 2 {
		holds, way = s.Holds[k.top:k.to+1], "down"
	}
	curve, err := make(holds, way)
	if err != nil {
		c.skip("r0, sensitivity, tcr, b_value, linearity", err)
		return
	}
	if c.Up = curve; k.to > k.top && way == "up" {
		c.Down, _ = make(s.Holds[k.top+1:k.to+1], "down")
	}
	c.ofCurve(curve)
	c.ofMeans()
	c.repeated(t, s)
}

// ofMeans is the linearity of both directions together.
func (c *computer) ofMeans() {
	if len(c.Down.T) > 1 {
		all, err := LinearityOfMeans(c.Up, c.Down)
		c.add("linearity, means of both directions", all, err)
	}
}

// ofCurve are all figures of one curve, and the slope that later ones need.
func (c *computer) ofCurve(curve Curve) {
	low, high := extremes(curve.T)
	at := c.Facts.AtDegC
	all, err := R0(curve, at)
	c.add("r0", c.shaped(curve, all), err)
	if at < low-nearEnough || at > high+nearEnough {
		c.Notes = append(c.Notes, fmt.Sprintf("R0 is asked for at %.4g degC, outside the %.4g to %.4g degC that were measured: it is extrapolated", at, low, high))
	}
	all, err = Sensitivity(curve, at)
	c.add("sensitivity", all, err)
	all, err = TCR(curve, low, high, at, (low+high)/2)
	c.add("tcr", c.shaped(curve, all), err)
	c.keepSlope(curve, at)
	if curve.R[0] > 0 && falls(curve) {
		all, err = BValue(curve, low, high)
		c.add("b_value", all, err)
		if len(curve.T) > 3 {
			all, err = SteinhartHartFigures(curve)
			c.add("steinhart_hart", all, err)
		} else {
			c.skip("steinhart_hart", fmt.Errorf("%d plateaus on the way: at least 4 are needed", len(curve.T)))
		}
	} else {
		c.skip("b_value, steinhart_hart", errors.New("the resistance does not fall with temperature: no thermistor"))
	}
	if len(curve.T) < 3 {
		c.skip("linearity", fmt.Errorf("%d plateaus on the way: through two points every curve is straight", len(curve.T)))
		return
	}
	all, err = Linearity(curve)
	c.add("linearity", all, err)
	low, high = extremes(curve.R)
	f, err := InversePrediction(curve, (low+high)/2, 1)
	c.add("inverse_prediction", []Figure{f}, err)
}

// shaped adds to what a quadratic says how far an exponential law through the same points,
// as thermistors have it, would say something else: which of the two the film follows is
// not known.
func (c *computer) shaped(curve Curve, all []Figure) []Figure {
	if len(curve.T) < 3 || !falls(curve) || slices.Min(curve.R) <= 0 {
		return all
	}
	f, err := logFit(curve.T, curve.R)
	if err != nil {
		return all
	}
	for k, fig := range all {
		var other float64
		switch fig.Figure + ", " + fig.Flavour {
		case "r0, fitted quadratic":
			other = math.Exp(f.B[0] + f.B[1]/(fig.With[0].Value+zeroCelsius))
		case "tcr, local":
			other = Slope(f.B[1], fig.With[0].Value)
		default:
			continue
		}
		in := Input{Name: "quadratic or exponential", Unit: fig.Unit, U: Rectangular(math.Abs(other - fig.Value)), Type: "B", Sensitivity: 1, Bounded: true, Says: "bound: what the exponential law through the same points says"}
		if wide, err := fig.wider(in); err == nil {
			all[k] = wide
		}
	}
	return all
}

// wider is the figure with further inputs in its budget.
func (f Figure) wider(more ...Input) (Figure, error) {
	if f.Budget == nil {
		return f, errors.New("a figure without a budget")
	}
	b, err := Combine(f.Unit, f.Level, slices.Concat(f.Budget.Inputs, more), f.Budget.Correlations...)
	if err == nil {
		f.Budget, f.U_std, f.K, f.Expanded = &b, b.Combined, b.K, b.Expanded
	}
	return f, err
}

func falls(curve Curve) bool {
	first, last := ends(curve.T)
	return curve.R[last] < curve.R[first]
}

// keepSlope is dR/dT and the relative coefficient at a temperature, with uncertainties,
// for figures that need them.
func (c *computer) keepSlope(curve Curve, at float64) {
	c.slope, c.uSlope, _ = curve.slopeAt(at)
	degree := min(2, len(curve.T)-1)
	f, err := curve.figure(meaning{unit: "1/K"}, func(t, r []float64) (float64, error) {
		f, err := PolynomialFit(shifted(t, at), r, degree)
		if err != nil {
			return 0, err
		}
		return f.B[1] / f.B[0], nil
	})
	if c.tcr, c.uTCR = 0, 0; err == nil {
		c.tcr, c.uTCR = f.Value, f.U_std
	}
}

// repeated is how much the same plateau scatters from cycle to cycle, each reached from
// the same side.
func (c *computer) repeated(t Thermometer, s Settled) {
	type place struct {
		level float64
		up    bool
	}
	groups := map[place][]float64{}
	var order []place
	for i, h := range s.Holds {
		if i == 0 || math.Abs(h.T-s.Holds[i-1].T) < nearEnough {
			continue
		}
		p := place{h.T, h.T > s.Holds[i-1].T}
		for _, q := range order {
			if q.up == p.up && math.Abs(q.level-p.level) < nearEnough {
				p = q
			}
		}
		if groups[p] == nil {
			order = append(order, p)
		}
		at, r := h.T, h.Settled
		if t.asRead() {
			at, r = h.TSeen, h.Seen
		}
		groups[p] = append(groups[p], r-h.Slope*(at-p.level))
	}
	var values [][]float64
	for _, p := range order {
		values = append(values, groups[p])
	}
	all, err := Repeatability(c.named(t, s.Holds, "each reached from the same side, reduced to one temperature"), "Ohm", values...)
	c.add("repeatability", all, err)
}

// oneLevel is R0 from a single temperature.
func (c *computer) oneLevel(t Thermometer, b beside, segments []Segment) {
	p := slices.MaxFunc(segments, func(a, b Segment) int { return (a.To - a.From) - (b.To - b.From) })
	if p.To-p.From < leastInHold {
		c.skip("r0", fmt.Errorf("the longest plateau has %d readings, at least %d are needed", p.To-p.From, leastInHold))
		return
	}
	tail := p.tail()
	h := Hold{Segment: p}
	h.TSeen, h.UTSeen = sureMean(b.temperature[tail:p.To])
	h.Seen, h.USeen = sureMean(b.r[tail:p.To])
	s := Settled{Holds: []Hold{h}}
	s.resolve(t, b)
	s.shown(b, c.Facts.ResolutionOhm)
	curve, err := c.toFilm(t, s.branch(c.named(t, s.Holds, "last fifth of it, as read off"), s.Holds, false, c.common(t, nil)))
	if err != nil {
		c.skip("r0", err)
		return
	}
	c.Up = curve
	all, err := R0(curve.steep(c.Facts.ExpectedPerK), c.Facts.AtDegC)
	for i := range all {
		if c.Facts.ExpectedPerK == 0 {
			all[i] = all[i].Note("from one temperature, and no law of the resistance is stated: what is uncertain in the temperature is in no uncertainty")
			continue
		}
		all[i] = all[i].Note("from one temperature: what an error of temperature makes in resistance is taken from the specimen's stated law, %.4g per K", c.Facts.ExpectedPerK)
	}
	c.add("r0", all, err)
}

// steep turns what is uncertain in the temperature of a single point into Ohm, by a
// relative slope that is known from elsewhere.
func (c Curve) steep(perK float64) Curve {
	slope := math.Abs(c.R[0] * perK)
	c.UR = []float64{math.Hypot(c.UR[0], slope*c.UT[0])}
	c.UT = nil
	common := slices.Clone(c.Common)
	for i, e := range common {
		switch e.Kind {
		case TemperatureOffset:
			common[i] = Common{Name: e.Name, Kind: ResistanceOffset, U: e.U * slope, Says: e.Says, Bounded: e.Bounded, Instrument: e.Instrument}
		case TemperatureShare:
			common[i] = Common{Name: e.Name, Kind: ResistanceOffset, U: e.U * e.Within(c.T[0]) * slope, Says: e.Says, Bounded: e.Bounded, Instrument: e.Instrument}
		case TemperatureGain:
			common[i] = Common{Name: e.Name, Kind: ResistanceOffset, U: e.U * math.Abs(c.T[0]-e.Pivot) * slope, Says: e.Says, Bounded: e.Bounded, Instrument: e.Instrument}
		}
	}
	c.Common = common
	return c
}
