package figures

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
)

// Asked says which column of a table is what, and what no table tells.
type Asked struct {
	Columns         map[string]string // role → name of the column, for those of roles
	Units           map[string]string // role → unit, where the header has none
	How             Reading
	PlateausFile    string  // name of a list of segments, corrected by hand; "" for those found in the data
	Plateaus        string  // what is in it
	AtDegC          float64 // of R0
	TemperatureK    float64 // accuracy of the thermometer, a bound; 0: not known
	ResistanceShare float64 // accuracy of the meter, a bound, as a share of the reading; 0: not known
	ThresholdShare  float64 // of resistance, for cycles to threshold; 0: not asked for
	PadWidthM       float64 // of the pads whose distance is a column; 0: not known
}

// roles in the order in which columns are read.
var roles = []Role{TimeRole, TemperatureRole, ResistanceRole, VoltageRole, CurrentRole, CyclesRole, RadiusRole, DistanceRole}

// ComputeTable takes all figures out of a table that somebody logged. Plateaus and steps
// are found in the data, listed in the results, and can be corrected by hand.
func ComputeTable(r io.ReadSeeker, ask Asked) (*Results, error) {
	table, err := ReadTable(r, ask.How)
	if err != nil {
		return nil, err
	}
	c := tableComputer{ask: ask, column: map[string][]float64{}, step: map[Role]float64{}}
	c.FromTable = true
	c.Facts = Facts{AtDegC: ask.AtDegC, Promised: map[string][]Promise{}, Says: map[string]string{}}
	c.T, c.Settled, c.series, c.every = map[string]*Series{}, map[string]*Settled{}, map[string]*Series{}, map[string]int{}
	if err := c.read(table); err != nil {
		return nil, err
	}
	c.Notes = append(c.Notes, table.Notes...)
	if err := c.compute(); err != nil {
		return nil, err
	}
	return &c.Results, nil
}

// tableComputer is a computer whose story is found in the data.
type tableComputer struct {
	computer
	ask    Asked
	column map[string][]float64 // role → values, in order of time
	step   map[Role]float64     // in which values are written; 0: not known
}

func (c *tableComputer) name(role Role) string { return c.ask.Columns[role.Name] }

func (c *tableComputer) read(table *Table) error {
	var names []string
	var wanted []Wanted
	for _, role := range roles {
		if name := c.name(role); name != "" {
			names, wanted = append(names, role.Name), append(wanted, Wanted{name, role, c.ask.Units[role.Name]})
		}
	}
	if len(wanted) == 0 {
		return errors.New("no column is named")
	}
	columns, err := table.Numbers(c.ask.How, wanted...)
	if err != nil {
		return err
	}
	of, err := table.columns(wanted)
	if err != nil {
		return err
	}
	for k, w := range wanted {
		c.step[w.Role] = of[k].step
		var r []float64 // beside a temperature
		if at := slices.Index(names, ResistanceRole.Name); at >= 0 && w.Role == TemperatureRole {
			r = columns[at]
		}
		if err := c.otherUnit(w, columns[k], r, table.Lines); err != nil {
			return err
		}
		c.unlikely(w, columns[k])
		c.outOfReach(w, columns[k], table.Lines)
		c.unmoved(w, columns[k])
	}
	if names[0] == TimeRole.Name {
		columns, err = table.InOrder(columns...)
	} else {
		var left int
		if columns, left = Complete(columns...); left > 0 {
			c.Notes = append(c.Notes, fmt.Sprintf("%d rows without a value in every column used are left out", left))
		}
		if len(columns[0]) == 0 {
			err = errors.New("no row has a value in every column used")
		}
	}
	if err != nil {
		return err
	}
	for i, name := range names {
		c.column[name] = columns[i]
	}
	c.withoutSpikes()
	return c.aboveZero()
}

// sameReading is how near to the factor between two units neighbours must differ by for a
// change of the unit: common practice, no source.
const sameReading = 0.05

// outOfReach leaves out what an instrument shows that cannot measure, in its own way, such as
// 9.9E9 Ohm: no thermometer changes by such a factor. Common practice, no source. A film
// that is bent until it breaks does.
func (c *tableComputer) outOfReach(w Wanted, all []float64, lines []int32) {
	const factor = 1e4
	if w.Role != ResistanceRole && w.Role != VoltageRole || c.name(CyclesRole) != "" || c.name(RadiusRole) != "" {
		return
	}
	sizes := goodOf(all)
	for k, x := range sizes {
		sizes[k] = math.Abs(x)
	}
	middle, left, first := median(sizes), 0, ""
	for k, x := range all {
		if middle > 0 && math.Abs(x) > factor*middle {
			if left++; left == 1 {
				first = fmt.Sprintf("the first %.6g %s at line %d", x, w.Role.Canonical, lines[k])
			}
			all[k] = math.NaN()
		}
	}
	if left > 0 {
		c.Notes = append(c.Notes, fmt.Sprintf("column %q: %d values are more than %g times the median, as an instrument shows what it cannot measure, and are left out, %s", w.Name, left, factor, first))
	}
}

// unmoved says of a resistance that is always the same that this says nothing of its error.
func (c *tableComputer) unmoved(w Wanted, all []float64) {
	k := slices.IndexFunc(all, func(x float64) bool { return !math.IsNaN(x) })
	if w.Role != ResistanceRole || k < 0 || slices.ContainsFunc(all, func(x float64) bool { return !math.IsNaN(x) && x != all[k] }) {
		return
	}
	c.Notes = append(c.Notes, fmt.Sprintf("column %q: every value is %.9g %s: that there is no scatter says nothing of how uncertain they are", w.Name, all[k], w.Role.Canonical))
}

// oneUnit is the share of the values that must be in one unit for the others to be left out.
// Common practice, no source.
const oneUnit = 2. / 3

// otherUnit leaves out what stands in another unit, as far as neighbours show it.
func (c *tableComputer) otherUnit(w Wanted, all, r []float64, lines []int32) error {
	unit, units := 0, make([]int, len(all)) // of each value, as steps from the first one's
	count, total, last, first := map[int]int{}, 0, -1, ""
	swing := swingOf(r)
	for k, x := range all {
		if math.IsNaN(x) {
			continue
		}
		if last >= 0 {
			step, text := unitJump(w.Role, all[last], x)
			if step == 0 && r != nil {
				step, text = fahrenheitJump(all, r, swing, last, k)
			}
			if unit += step; step != 0 && first == "" {
				first = fmt.Sprintf("the %s at line %d is %s that at line %d", w.Role.Name, lines[k], text, lines[last])
			}
		}
		units[k], last = unit, k
		count[unit]++
		total++
	}
	if len(count) < 2 {
		return nil
	}
	most := slices.MaxFunc(slices.Sorted(maps.Keys(count)), func(a, b int) int { return cmp.Compare(count[a], count[b]) })
	said := fmt.Sprintf("column %q: %s, as if in another unit", w.Name, first)
	if float64(count[most]) < oneUnit*float64(total) {
		return fmt.Errorf("%s, and so on: at most %d of %d values are in one: which one is meant cannot be told; write all of them in one unit, or each with its own", said, count[most], total)
	}
	if least := slices.Min(slices.Collect(maps.Keys(count))); most-least >= toFahrenheit/2 {
		return fmt.Errorf("%s, and %d of %d values are as in degF: write all of them in one unit, and that in the header", said, count[most], total)
	}
	for k := range all {
		if units[k] != most {
			all[k] = math.NaN()
		}
	}
	c.Notes = append(c.Notes, fmt.Sprintf("%s: %d of %d values, those not in the unit of most, are left out; write their unit beside them to use them", said, total-count[most], total))
	return nil
}

// unitJump says how a reading differs from its neighbour, if it is as one unit does from
// another: Ohm, kOhm and MOhm, K and degC (SI brochure: 0 degC is 273.15 K).
func unitJump(role Role, a, b float64) (step int, text string) {
	switch role {
	case ResistanceRole:
		for _, step := range [...]int{-2, -1, 1, 2} {
			if a > 0 && math.Abs(b/a/math.Pow(1000, float64(step))-1) < sameReading {
				return step, fmt.Sprintf("%.3g times", b/a)
			}
		}
	case TemperatureRole:
		if d := b - a; math.Abs(math.Abs(d)/273.15-1) < sameReading/5 {
			return int(math.Copysign(1, d)), fmt.Sprintf("%.5g K from", math.Abs(d))
		}
	}
	return 0, ""
}

// toFahrenheit is the step of a temperature from degC to degF, other than any between K and
// degC.
const toFahrenheit = 1000

// fahrenheitJump tells a temperature from its neighbour as one in degF from one in degC
// (NIST SP 811, B.8), where the resistance, which follows temperature, stays: by the medians
// of five readings on each side. How near is near enough is common practice, no source.
func fahrenheitJump(all, r []float64, swing float64, last, k int) (step int, text string) {
	const (
		near   = 5
		least  = 10    // K, of a jump
		stays  = 0.005 // share of the resistance that is none
		follow = 4     // times as much is what it must change by elsewhere to tell anything
	)
	a, b := all[last], all[k]
	size := math.Abs(b - a)
	switch {
	case size < least:
		return 0, ""
	case math.Abs(a-celsius(b)) < sameReading/5*size:
		step = toFahrenheit
	case math.Abs(b-celsius(a)) < sameReading/5*size:
		step = -toFahrenheit
	default:
		return 0, ""
	}
	before, after := median(goodOf(r[max(0, last+1-near):last+1])), median(goodOf(r[k:min(len(r), k+near)]))
	if !(swing > follow*stays*math.Abs(before)) || !(math.Abs(after-before) < stays*math.Abs(before)) {
		return 0, ""
	}
	return step, fmt.Sprintf("%.5g after %.5g, as degF beside degC, and the resistance is the same as", b, a)
}

// swingOf is the range of values without the twentieth part of them at each end.
func swingOf(x []float64) float64 {
	good := goodOf(x)
	if len(good) == 0 {
		return 0
	}
	slices.Sort(good)
	n := len(good)
	return good[n-1-n/20] - good[n/20]
}

// unlikely says of temperatures as nobody has them beside a flexible film that their unit may
// be another one: common practice, no source.
func (c *tableComputer) unlikely(w Wanted, all []float64) {
	const coldK, hotDegC = 150, 200
	good := goodOf(all)
	if w.Role != TemperatureRole || len(good) == 0 {
		return
	}
	low, high := extremes(good)
	switch {
	case median(good) < coldK-zeroCelsius:
		c.Notes = append(c.Notes, fmt.Sprintf("column %q: its values are %.4g to %.4g K, which is %.4g to %.4g degC; if that is not meant (degC under a header that says K?), correct the header, or every figure is wrong", w.Name, low+zeroCelsius, high+zeroCelsius, low, high))
	case low > hotDegC:
		c.Notes = append(c.Notes, fmt.Sprintf("column %q: its values are %.4g to %.4g degC, none of them below %d; if they are K (%.4g to %.4g degC), correct the header, or every figure is wrong", w.Name, low, high, hotDegC, low-zeroCelsius, high-zeroCelsius))
	}
}

// aboveZero refuses a column without any resistance, and counts those of a few rows.
func (c *tableComputer) aboveZero() error {
	all, name := c.column[ResistanceRole.Name], c.name(ResistanceRole)
	below := 0
	for _, r := range all {
		if r <= 0 {
			below++
		}
	}
	switch {
	case below == 0:
	case below == len(all):
		return fmt.Errorf("column %q, taken for resistance, holds nothing above zero: leads the wrong way round, or another quantity?", name)
	default:
		c.Notes = append(c.Notes, fmt.Sprintf("column %q: %d of %d resistances are zero or below, which no specimen has; they count all the same", name, below, len(all)))
	}
	return nil
}

func (c *tableComputer) compute() error {
	t, temperature, r := c.column[TimeRole.Name], c.column[TemperatureRole.Name], c.column[ResistanceRole.Name]
	v, i := c.column[VoltageRole.Name], c.column[CurrentRole.Name]
	if r == nil && v != nil && i != nil && temperature != nil { // each row is a resistance too
		r = make([]float64, len(v))
		for k := range v {
			if r[k] = v[k] / i[k]; math.IsInf(r[k], 0) {
				r[k] = math.NaN()
			}
		}
	}
	if c.ask.TemperatureK == 0 && temperature != nil {
		c.Notes = append(c.Notes, "how far the thermometer is to be trusted is not stated: its own error is in no uncertainty")
	}
	if c.ask.ResistanceShare == 0 && r != nil {
		c.Notes = append(c.Notes, "how far the meter is to be trusted is not stated: its own error is in no uncertainty")
	}
	c.takeFacts()
	if r != nil {
		name := c.name(ResistanceRole)
		if name == "" {
			name = c.name(VoltageRole) + " over " + c.name(CurrentRole)
		}
		c.R = Series{Channel: name, Unit: "Ohm", Time: t, Y: r}
	}
	every, worn := t, r
	if keep := c.unworn(len(r)); keep != nil { // what bending and wear do is neither noise nor temperature
		t, temperature, r = only(t, keep), only(temperature, keep), only(r, keep)
		c.R.Time, c.R.Y = t, r
		c.Notes = append(c.Notes, fmt.Sprintf("over time and temperature, the %d of %d rows count in which the film is flat and least worn", len(r), len(keep)))
	}
	switch {
	case len(r) < len(worn) && len(r) < leastReadings:
		c.skip("r0, sensitivity, tcr, noise_rms, resolution, drift", fmt.Errorf("%d rows are of the flat film at the fewest cycles, and at least %d are needed: what bending and wear do is neither noise nor temperature", len(r), leastReadings))
	case r != nil && t != nil:
		if err := c.overTime(t, temperature); err != nil {
			return err
		}
	case r != nil && temperature != nil:
		c.points(temperature, r)
	}
	if v != nil && i != nil {
		c.sweep(every, v, i)
	}
	if r != nil {
		c.R.Time, c.R.Y = every, worn // all of it, for whoever draws it
		c.bent(worn)
		c.cycled(worn)
		c.pads(worn)
	}
	if len(c.Figures) == 0 && len(c.LeftOut) == 0 {
		return errors.New("these columns make no figure: temperature and resistance, time and resistance, or voltage and current are needed, or radius, cycles or distance beside resistance")
	}
	return nil
}

// unworn are the rows of the flat film at the fewest cycles; nil where these are all.
func (c *tableComputer) unworn(rows int) []bool {
	cycles, radius := c.column[CyclesRole.Name], c.column[RadiusRole.Name]
	keep := make([]bool, rows)
	n, fewest := 0, math.Inf(1)
	for k := range keep {
		if cycles != nil && (radius == nil || radius[k] == 0) {
			fewest = min(fewest, cycles[k])
		}
	}
	for k := range keep {
		if keep[k] = (radius == nil || radius[k] == 0) && (cycles == nil || cycles[k] == fewest); keep[k] {
			n++
		}
	}
	if n == 0 || n == rows {
		return nil
	}
	return keep
}

// only are the values of the rows that are kept; nil of a column that there is not.
func only(all []float64, keep []bool) (some []float64) {
	for k, v := range all {
		if keep[k] {
			some = append(some, v)
		}
	}
	return some
}

func (c *tableComputer) takeFacts() {
	if c.ask.ResistanceShare > 0 {
		name := c.name(ResistanceRole)
		c.Facts.Resistance = name
		c.Facts.Promised[name] = []Promise{{UpTo: math.Inf(1), OfReading: c.ask.ResistanceShare}}
		c.Facts.Says[name] = "stated by hand"
	}
	if name := c.name(TemperatureRole); name != "" {
		t := Thermometer{Channel: name, BesideFilm: true, MayLead: true}
		if c.ask.TemperatureK > 0 {
			t.Errors = []Common{{Name: name, Kind: TemperatureOffset, U: Rectangular(c.ask.TemperatureK), Says: "stated by hand, rectangular", Bounded: true}}
		}
		c.Facts.Thermometers = []Thermometer{t}
	}
}

// overTime is a record: plateaus from the temperature, found or corrected by hand. Without
// a temperature all of it counts as one.
func (c *tableComputer) overTime(t, temperature []float64) error {
	c.ended = t[len(t)-1]
	c.Ended = c.ended
	if temperature == nil {
		c.stays = []stay{{from: t[0], to: math.Nextafter(c.ended, math.Inf(1)), step: "the whole record"}}
		c.skip("r0, sensitivity, tcr, b_value, linearity, hysteresis", errors.New("no column of temperature is named"))
		c.quiet()
		return nil
	}
	name := c.name(TemperatureRole)
	c.T[name] = &Series{Channel: name, Unit: "degC", Time: t, Y: temperature}
	found, err := Segments(t, temperature)
	if c.ask.PlateausFile != "" {
		var all []Segment
		if all, err = ReadSegments(c.ask.PlateausFile, c.ask.Plateaus, t, temperature); err == nil {
			found.Segments, found.Gaps = all, nil
		}
	}
	if err != nil {
		return err
	}
	c.Found = found
	for _, g := range found.Gaps {
		c.Notes = append(c.Notes, fmt.Sprintf("nothing was read from %.9g to %.9g s: a plateau ends there, and what follows is another", g.From, g.To))
	}
	for n, s := range found.Segments {
		if s.Kind == "plateau" {
			c.stays = append(c.stays, stay{from: s.Start, to: math.Nextafter(s.End, math.Inf(1)), target: s.Level, step: fmt.Sprintf("segment %d", n+1)})
		}
	}
	c.farOut()
	c.displays(temperature)
	c.wandering()
	if low, high := extremes(temperature); high-low < nearEnough {
		c.Notes = append(c.Notes, fmt.Sprintf("the temperature stays between %.5g and %.5g degC: nothing can be said about its effect", low, high))
	}
	c.plateaus()
	c.jumps()
	c.quiet()
	return nil
}

// displays takes the steps in which temperature and resistance are written for those of
// displays, where readings of a plateau differ by no more: then no mean is better than half
// of one.
func (c *tableComputer) displays(temperature []float64) {
	for _, d := range [...]struct {
		role Role
		x    []float64
		unit string
		into *float64
	}{{TemperatureRole, temperature, "K", &c.Facts.Thermometers[0].ResolutionK}, {ResistanceRole, c.R.Y, "Ohm", &c.Facts.ResolutionOhm}} {
		step, coarse := c.step[d.role], 0
		for _, s := range c.stays {
			from, _ := slices.BinarySearch(c.R.Time, s.from)
			to, _ := slices.BinarySearch(c.R.Time, s.to)
			if roundsTo(step, d.x[(from+to)/2:to]) {
				coarse++
			}
		}
		if coarse == 0 {
			continue
		}
		*d.into = step
		c.Notes = append(c.Notes, fmt.Sprintf("column %q: values to %.3g %s, and readings of %d of %d plateaus differ by no more: half of that may be wrong in each plateau, and is in the uncertainties",
			c.name(d.role), step, d.unit, coarse, len(c.stays)))
	}
}

// wandering says how to take a record for one hold whose temperature goes to and fro.
func (c *tableComputer) wandering() {
	held, moves, all := 0., 0, c.Found.Segments
	for _, s := range all {
		if s.Kind == "plateau" {
			held += s.End - s.Start
		} else {
			moves++
		}
	}
	const toAndFro = 3
	first, last := all[0].Start, all[len(all)-1].End
	if held = held / (last - first); c.ask.PlateausFile == "" && held < 0.5 && moves >= toAndFro {
		c.Notes = append(c.Notes, fmt.Sprintf("plateaus take %.0f %% of the record; if all of it is one hold whose temperature wanders, say so in a file for --plateaus with the line plateau,%.9g,%.9g", 100*held, first, last))
	}
}

// jumps are steps of temperature so quick that what follows is the film's own: two
// readings lie between. Slower ones are named and left out.
func (c *tableComputer) jumps() {
	usual := usualStep(c.R.Time)
	for n, s := range c.Found.Segments {
		if s.Kind == "plateau" {
			continue
		}
		if s.Kind == "ramp" || s.End-s.Start > 3*usual {
			c.skip("response_t63, response_t90", errors.New("no step of the temperature is quick enough to tell the film's response from that of what heats it"))
			continue
		}
		until := c.ended
		for k, next := range c.Found.Segments[n+1:] {
			if next.Kind != "plateau" || k > 0 { // a plateau after another: a gap lies between
				until = next.Start
				break
			}
		}
		to := "away"
		if s.Change > 0 {
			to = "plate"
		}
		c.moves = append(c.moves, move{at: (s.Start + s.End) / 2, u: Rectangular((s.End - s.Start) / 2), to: to, until: until, step: fmt.Sprintf("segment %d", n+1)})
	}
	if len(c.moves) > 0 {
		c.placements()
	}
}

// points are rows of temperature and resistance without time: a curve point by point, up
// to the hottest, and down from there.
func (c *tableComputer) points(temperature, r []float64) {
	_, top := ends(temperature)
	name := c.name(TemperatureRole)
	curve := func(from, to int, way string) Curve {
		k := Curve{Origin: Origin{c.R.Channel, fmt.Sprintf("rows %d to %d of those used, %s, by %s", from+1, to, way, name)}, T: temperature[from:to], R: r[from:to]}
		mean := math.Abs(MomentsOf(k.R).Mean)
		errs, _ := c.Facts.meterErrors(mean, 0, true)
		if c.ask.ResistanceShare > 0 {
			k.Common = errs
		}
		k.Common = append(k.Common, c.Facts.Thermometers[0].Errors...)
		return k
	}
	c.Up = curve(0, top+1, "up")
	if top == 0 {
		c.Up = curve(0, len(r), "down")
	} else if len(r)-top > 2 {
		c.Down = curve(top, len(r), "down")
	}
	c.skip("lag, noise_rms, drift", errors.New("no column of time is named"))
	c.ofCurve(c.Up)
	if c.Down.T == nil {
		c.skip("hysteresis", errors.New("the temperature does not come back"))
		return
	}
	up, err := c.Up.withScatter(2)
	down, err2 := c.Down.withScatter(2)
	if err = errors.Join(err, err2); err != nil {
		c.skip("hysteresis", err)
		return
	}
	all, err := LinearityOfMeans(up, down)
	c.add("linearity, means of both directions", all, err)
	all, err = Hysteresis(up, down)
	for i := range all {
		all[i] = all[i].Note("the scatter about a quadratic stands for the uncertainty of each resistance; nothing says whether the film had settled")
	}
	c.add("hysteresis", all, err)
}

// sweep is current against voltage: of each plateau, or of all rows.
func (c *tableComputer) sweep(t, v, i []float64) {
	if len(c.stays) == 0 || t == nil || c.column[TemperatureRole.Name] == nil {
		c.kept.sweeps = []swept{{step: "all rows", to: float64(len(v)), v: v, i: i}}
	} else {
		for _, s := range c.stays {
			a, _ := slices.BinarySearch(t, s.from)
			b, _ := slices.BinarySearch(t, s.to)
			c.kept.sweeps = append(c.kept.sweeps, swept{step: s.step, from: s.from, to: s.to, v: v[a:b], i: i[a:b]})
		}
	}
	c.Facts.Voltage, c.Facts.Current = c.name(VoltageRole), c.name(CurrentRole)
	c.ohmic()
}

// counted are rows of one count of cycles, by their radius.
type counted struct {
	cycles   float64
	byRadius map[float64][]float64
}

// byCount are the rows by their count of cycles, in order; all together where no column has
// it. Where no column has a radius, all are flat.
func (c *tableComputer) byCount(r []float64) (all []counted) {
	cycles, radius := c.column[CyclesRole.Name], c.column[RadiusRole.Name]
	places := map[float64]int{}
	for k := range r {
		at, x := 0., 0.
		if cycles != nil {
			at = cycles[k]
		}
		if radius != nil {
			x = radius[k]
		}
		i, known := places[at]
		if !known {
			i = len(all)
			places[at], all = i, append(all, counted{at, map[float64][]float64{}})
		}
		all[i].byRadius[x] = append(all[i].byRadius[x], r[k])
	}
	return all
}

// bent is the change of resistance by the radius of bending, a radius of 0 being flat: with
// cycles, at the first and the last count at which it was read flat and bent.
func (c *tableComputer) bent(r []float64) {
	radius := c.column[RadiusRole.Name]
	if radius == nil {
		return
	}
	radii := slices.Compact(slices.Sorted(slices.Values(radius)))
	all := c.byCount(r)
	for _, x := range radii {
		if x == 0 {
			continue
		}
		if x < 0 {
			c.skip("bend_response", fmt.Errorf("a radius of %.6g m: 0 is flat, and others are above", x))
			continue
		}
		both := slices.DeleteFunc(slices.Clone(all), func(o counted) bool { return len(o.byRadius[0]) < 2 || len(o.byRadius[x]) < 2 })
		if len(both) == 0 {
			c.skip("bend_response", fmt.Errorf("at a radius of %.6g m, and flat (radius 0) at the same count of cycles, at least 2 readings each are needed", x))
			continue
		}
		for k, o := range both {
			if k == 0 || k == len(both)-1 {
				c.bentAt(o, x)
			}
		}
	}
}

func (c *tableComputer) bentAt(o counted, radius float64) {
	flat, uFlat := sureMean(o.byRadius[0])
	bent, uBent := sureMean(o.byRadius[radius])
	f, err := BendResponse(Origin{c.R.Channel, fmt.Sprintf("%d rows flat, %d bent", len(o.byRadius[0]), len(o.byRadius[radius]))}, flat, uFlat, bent, uBent, radius)
	if c.column[CyclesRole.Name] != nil {
		f.With = append(f.With, Given{"cycles", o.cycles, "1"})
	}
	c.add("bend_response", []Figure{f.Note("a change of temperature between flat and bent is told from bending by nothing here")}, err)
}

// cycled is how many cycles it takes until the resistance of the flat film has changed by a
// threshold. Rows of one count are one value.
func (c *tableComputer) cycled(r []float64) {
	if c.column[CyclesRole.Name] == nil {
		return
	}
	if c.ask.ThresholdShare <= 0 {
		c.skip("cycles_to_threshold", errors.New("no threshold is stated"))
		return
	}
	var cycles, flat, change []float64
	var repeats [][]float64
	rows, u := 0, 0.
	for _, o := range c.byCount(r) {
		if x := o.byRadius[0]; len(x) > 0 {
			cycles, flat, repeats = append(cycles, o.cycles), append(flat, MomentsOf(x).Mean), append(repeats, x)
			rows += len(x)
		}
	}
	if len(cycles) == 0 {
		c.skip("cycles_to_threshold", errors.New("no row is of the flat film (radius 0)"))
		return
	}
	for _, y := range flat {
		change = append(change, 100*(y-flat[0])/flat[0])
	}
	const many = 4 * leastReadings
	switch s, ok := ofRepeats(repeats); {
	case ok:
		u = 100 * s / math.Abs(flat[0])
	case len(change) >= many:
		u = noiseOf(change)
	default:
		c.Notes = append(c.Notes, "cycles_to_threshold: no count of cycles was read twice, and nothing else tells how far a reading of it is to be trusted: that is in no uncertainty")
	}
	all, err := CyclesToThreshold(Origin{c.R.Channel, fmt.Sprintf("%d flat rows at %d counts, relative to the first", rows, len(cycles))}, cycles, change, nil, u, u, 100*c.ask.ThresholdShare)
	c.add("cycles_to_threshold", all, err)
}

// ofRepeats is the standard uncertainty of the mean of the fewest repeats, by the scatter
// within all of them (ISO 5725-2, 7.4, from memory); not ok where nothing is repeated.
func ofRepeats(all [][]float64) (u float64, ok bool) {
	sum, dof, fewest := 0., 0, math.MaxInt
	for _, x := range all {
		m := MomentsOf(x)
		for _, v := range x {
			sum += (v - m.Mean) * (v - m.Mean)
		}
		dof, fewest = dof+len(x)-1, min(fewest, len(x))
	}
	if dof == 0 {
		return 0, false
	}
	return math.Sqrt(sum / float64(dof) / float64(fewest)), true
}

// pads is contact and sheet resistance from pads at several distances.
func (c *tableComputer) pads(r []float64) {
	distance := c.column[DistanceRole.Name]
	if distance == nil {
		return
	}
	if c.ask.PadWidthM <= 0 {
		c.skip("contact_resistance, sheet_resistance, transfer_length", errors.New("the width of the pads is not stated"))
		return
	}
	all, err := TransferLength(Origin{c.R.Channel, fmt.Sprintf("%d rows, pads at %d distances", len(r), countOf(distance))}, distance, r, c.ask.PadWidthM, 0)
	for i := range all {
		all[i] = all[i].Note("the width of the pads is taken as known exactly")
	}
	c.add("contact_resistance, sheet_resistance, transfer_length", all, err)
}

// countOf is how many different values there are.
func countOf(x []float64) int {
	all := slices.Clone(x)
	slices.Sort(all)
	return len(slices.Compact(all))
}
