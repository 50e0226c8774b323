package figures

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
)

// shape is a stretch in which a stage held the film in one shape.
type shape struct {
	from, to float64 // s; the stage is told at the first
	arrives  float64 // s, at the latest
	position float64 // m, of the stage; the diameter of the rod, where a strip is laid round rods
	cycles   float64 // done before
	more     float64 // that may have been done before and are not counted
}

// bend is what a plan says of one position.
type bend struct {
	RadiusM    float64 `json:"radius_m"`
	URadiusM   float64 `json:"u_radius_m"`
	TravelM    float64 `json:"travel_m"`
	RodM       float64 `json:"rod_m"`
	Strain     float64 `json:"strain"`
	UStrain    float64 `json:"u_strain"`
	MeanStrain float64 `json:"mean_strain"`
}

// uRelative is the relative standard uncertainty of its strain. Runs of before had only
// that of the radius.
func (b *bend) uRelative() float64 {
	if b.UStrain > 0 {
		return math.Abs(b.UStrain / b.Strain)
	}
	return b.URadiusM / b.RadiusM
}

// held is the resistance in one shape, at rest and brought to one temperature.
type held struct {
	shape
	r, u float64
	degC float64 // of the film; 0 when nothing was read beside it
	law  float64 // relative, with its sign: what one standard uncertainty of the law that brought it there makes
	bend *bend   // nil when flat, or open between plates
}

// sameTravel is how far two positions may differ that are one, m: a stage is told to the
// micrometre.
const sameTravel = 2e-6

// bending is what bending, and doing so again and again, does to the resistance.
func (c *computer) bending() {
	if len(c.shapes) == 0 {
		c.skip("bend_response, gauge_factor, cycles_to_threshold", errors.New("nothing was bent"))
		return
	}
	all, err := c.held()
	if err != nil {
		c.failures(all)
		c.skip("bend_response, gauge_factor, cycles_to_threshold", err)
		return
	}
	for _, h := range all {
		s := Shape{Cycles: h.cycles, R: h.r, U: h.u, MeanStrain: c.restStrain()}
		if h.bend != nil {
			s.RadiusM, s.MeanStrain = h.bend.RadiusM, h.bend.MeanStrain
		}
		c.Shapes = append(c.Shapes, s)
	}
	if text := c.unstated(); text != "" {
		c.Notes = append(c.Notes, "bending: "+text)
	}
	c.bendResponses(all)
	c.gauge(all)
	c.wear(all)
	c.firstSet(all)
	c.returned()
}

// unstated says what counts as exact in radius and strain for want of a word, "" for nothing.
func (c *computer) unstated() string {
	if len(c.Facts.Unstated) == 0 {
		return ""
	}
	return "nothing says how far to trust " + strings.Join(c.Facts.Unstated, ", ") + " (uncertainty of …, in rig and specimen file): they are in no uncertainty of a radius or a strain"
}

// restStrain is the mean strain of the film in the shape that others are compared with: none
// when it is flat, that between plates that stand open.
func (c *computer) restStrain() float64 {
	if c.open == nil {
		return 0
	}
	return c.open.MeanStrain
}

// mostRest is how much of a shape's end counts, s: what was done before in the same shape
// does not. Common practice, no source.
const mostRest = 60

// held takes the second half of each shape, once the stage has arrived. A thermometer
// read beside it brings all values to one temperature, by the film's own course.
func (c *computer) held() (all []held, err error) {
	b := beside{t: c.R.Time, r: c.R.Y}
	if len(c.Facts.Thermometers) > 0 {
		if with, err := c.together(c.Facts.Thermometers[0].Channel); err == nil {
			b = with
		} else {
			c.Notes = append(c.Notes, "bending: resistances are not corrected for temperature: "+err.Error())
		}
	}
	squares, dof := 0., 0
	var counts []int
	for _, s := range c.shapes {
		from, _ := slices.BinarySearch(b.t, max(s.arrives, (s.from+s.to)/2, s.to-mostRest))
		to, _ := slices.BinarySearch(b.t, s.to)
		r := goodOf(b.r[min(from, to):to])
		h := held{shape: s, bend: c.bendAt(s.position)}
		if len(r) == 0 || h.bend == nil && math.Abs(s.position-c.Facts.FlatAtM) > sameTravel {
			continue // not read, or another shape, of which the plan says nothing
		}
		m := MomentsOf(r)
		h.r, squares, dof = m.Mean, squares+m.SumOfSquares(), dof+m.N-1
		if b.temperature != nil {
			h.degC = MomentsOf(b.temperature[from:to]).Mean
		}
		all, counts = append(all, h), append(counts, m.N)
	}
	noise, err := c.scatterOf(all, squares, dof)
	for i := range all {
		all[i].u = noise / math.Sqrt(float64(counts[i]))
	}
	if b.temperature != nil && len(all) > 0 {
		c.toOneTemperature(all)
	}
	return all, err
}

// toOneTemperature brings all values to the temperature that most shapes had, so that
// few of them are changed by much.
func (c *computer) toOneTemperature(all []held) {
	t := make([]float64, len(all))
	for i, h := range all {
		t[i] = h.degC
	}
	course, err := c.course(median(t))
	if err != nil {
		c.Notes = append(c.Notes, "bending: resistances are not corrected for temperature: "+err.Error())
		return
	}
	for i := range all {
		h := &all[i]
		by, law, u := course.from(h.degC)
		h.r, h.u = h.r*by, math.Hypot(h.u*by, h.r*by*u)
		h.degC, h.law = course.at, law
	}
}

// scatterOf is the standard deviation of one reading in a shape: pooled over all shapes, or
// as it was at rest, or from flat values that follow each other.
func (c *computer) scatterOf(all []held, squares float64, dof int) (float64, error) {
	const enough = 8 // degrees of freedom
	var flat []float64
	for _, h := range all {
		if h.bend == nil {
			flat = append(flat, h.r)
		}
	}
	switch {
	case dof >= enough:
		return math.Sqrt(squares / float64(dof)), nil
	case c.noise != nil:
		return c.noise.Value, nil
	case len(flat) >= leastReadings:
		return noiseOf(flat), nil
	}
	return 0, fmt.Errorf("%d shapes were read so seldom that nothing says how far to trust a value", len(all))
}

func (c *computer) bendAt(position float64) *bend {
	for i, b := range c.bends {
		at := c.Facts.FlatAtM + b.TravelM
		if b.RodM > 0 {
			at = b.RodM
		}
		if math.Abs(at-position) <= sameTravel {
			return &c.bends[i]
		}
	}
	return nil
}

// nearestFlat is the flat value that a bent one is compared with: of those at the nearest
// count of cycles, so that wear does not count as bending, the last before it, or else the
// first after it. It is nil when the film was never read flat.
func nearestFlat(all []held, bent held) (flat *held) {
	apart := math.Inf(1)
	for i, h := range all {
		if h.bend != nil {
			continue
		}
		d := math.Abs(h.cycles - bent.cycles)
		if d < apart || d == apart && h.from < bent.from {
			flat, apart = &all[i], d
		}
	}
	return flat
}

// bendResponses compare, for each radius, the first and the last bent value with the flat
// one at the nearest count of cycles.
func (c *computer) bendResponses(all []held) {
	type pair struct{ flat, bent held }
	byRadius := map[float64][]pair{}
	var order []float64
	for _, h := range all {
		if h.bend == nil {
			continue
		}
		flat := nearestFlat(all, h)
		if flat == nil {
			continue
		}
		if byRadius[h.bend.RadiusM] == nil {
			order = append(order, h.bend.RadiusM)
		}
		byRadius[h.bend.RadiusM] = append(byRadius[h.bend.RadiusM], pair{*flat, h})
	}
	if len(order) == 0 {
		c.skip("bend_response", errors.New("no shape was held beside a flat one"))
	}
	for _, radius := range order {
		pairs := byRadius[radius]
		for i, p := range pairs {
			if i > 0 && i < len(pairs)-1 {
				continue
			}
			o := Origin{c.R.Channel, fmt.Sprintf("flat from %.1f s, bent from %.1f to %.1f s", p.flat.from, p.bent.from, p.bent.to)}
			f, err := BendResponse(o, p.flat.r, p.flat.u, p.bent.r, math.Hypot(p.bent.u, p.bent.r*(p.bent.law-p.flat.law)), radius)
			f.Definition += "; R flat at the nearest count of cycles, the last before the bend, or else the first after it"
			f.With = append(f.With, Given{"mean strain", p.bent.bend.MeanStrain, "1"}, Given{"cycles", p.bent.cycles, "1"}, Given{"u of the radius", p.bent.bend.URadiusM, "m"})
			c.add("bend_response", []Figure{f}, err)
		}
	}
}

// mostUnsure is how far, as a share of itself, a strain may be uncertain for something to be
// told per strain.
const mostUnsure = 0.5

// gauge is the change per strain before the film is worn by cycles.
func (c *computer) gauge(all []held) {
	var strain, change, u []float64
	scale, r0, law := 0., 0., 0.
	for _, h := range all {
		if h.cycles > 0 || r0 == 0 && h.bend != nil {
			continue
		}
		if r0 == 0 {
			r0, law = h.r, h.law
		}
		s := 0.
		if h.bend != nil {
			s = h.bend.MeanStrain - c.restStrain()
			scale = max(scale, h.bend.uRelative())
		}
		strain, change, u = append(strain, s), append(change, h.r/r0-1), append(u, math.Hypot(h.u/h.r, h.law-law))
	}
	if low, high := extremes(strain); len(strain) < 3 || low == high {
		c.skip("gauge_factor", fmt.Errorf("%d shapes were held before the first cycles, flat among them: at least 3 are needed", len(strain)))
		return
	}
	if scale > mostUnsure {
		c.skip("gauge_factor", fmt.Errorf("the strain of the film is known within %.3g %% of itself only: it lies near the neutral plane, and two standard uncertainties reach to none", 100*scale))
		return
	}
	o := Origin{c.R.Channel, fmt.Sprintf("%d shapes before the first cycles, mean strain of the film", len(strain))}
	figures, err := GaugeFactor(o, strain, change, u, scale, c.tcr)
	for i := range figures {
		if text := c.unstated(); text != "" {
			figures[i] = figures[i].Note("%s", text)
		}
	}
	c.add("gauge_factor", figures, err)
}

// thresholds of change, %, of which lives are told; common practice, no source.
var thresholds = []float64{5, 10, 20}

// strainAt is the strain of the film in a position of the stage.
func (c *computer) strainAt(position float64) (strain float64, known bool) {
	switch b := c.bendAt(position); {
	case b != nil:
		return b.Strain, true
	case math.Abs(position-c.Facts.FlatAtM) > sameTravel:
		return 0, false
	case c.open != nil:
		return c.open.Strain, true
	}
	return 0, true
}

// wornBetween are the strains of the film between which it was bent in cycles, of those up to
// a count: the greatest, the least where it is not flat, and how many kinds of cycle there
// were, if several.
func (c *computer) wornBetween(count float64) []Given {
	var kinds [][2]float64
	for _, b := range c.blocks {
		if b.done >= count {
			break
		}
		first, known := c.strainAt(b.first)
		bent, also := c.strainAt(b.bent)
		if math.Abs(first) > math.Abs(bent) {
			first, bent = bent, first
		}
		if k := [2]float64{first, bent}; known && also && !slices.Contains(kinds, k) {
			kinds = append(kinds, k)
		}
	}
	if len(kinds) == 0 {
		return nil
	}
	worst := slices.MaxFunc(kinds, func(a, b [2]float64) int { return cmp.Compare(math.Abs(a[1]), math.Abs(b[1])) })
	all := []Given{{"strain", worst[1], "1"}}
	if worst[0] != 0 {
		all = append(all, Given{"least strain", worst[0], "1"})
	}
	if len(kinds) > 1 {
		all = append(all, Given{"kinds of cycle", float64(len(kinds)), "1"})
	}
	return all
}

// reached is the count at which a change was first read at a threshold, or else the last.
func reached(cycles, change []float64, threshold float64) float64 {
	for i := range change {
		if math.Abs(change[i]) >= threshold {
			return cycles[i]
		}
	}
	return cycles[len(cycles)-1]
}

// wear is how many cycles it takes until the flat film has changed by so much.
func (c *computer) wear(all []held) {
	var cycles, change, more []float64
	r0, uFirst, u := 0., 0., 0.
	for _, h := range all {
		if h.bend != nil || len(cycles) > 0 && h.cycles <= cycles[len(cycles)-1] {
			continue
		}
		if r0 == 0 {
			r0, uFirst = h.r, 100*math.Hypot(h.u/h.r, h.law)
		} else {
			u = max(u, 100*math.Hypot(h.u/r0, h.law))
		}
		cycles, change, more = append(cycles, h.cycles), append(change, 100*(h.r-r0)/r0), append(more, h.more)
	}
	c.failures(all)
	if len(cycles) < 3 {
		c.skip("cycles_to_threshold", fmt.Errorf("the flat film was read at %d counts of cycles: at least 3 are needed", len(cycles)))
		return
	}
	o := Origin{c.R.Channel, fmt.Sprintf("flat at %d counts of cycles, %.0f to %.0f, relative to the first", len(cycles), cycles[0], cycles[len(cycles)-1])}
	for _, limit := range thresholds {
		figures, err := CyclesToThreshold(o, cycles, change, more, u, uFirst, limit)
		if len(figures) > 0 && figures[0].Censored && c.failed != nil && c.failed.open {
			figures, err = c.opened(o, cycles[len(cycles)-1], limit)
		}
		between := c.wornBetween(reached(cycles, change, limit))
		if n, several := (Figure{With: between}).with("kinds of cycle"); several && err == nil {
			figures, err = nil, fmt.Errorf("%.0f kinds of cycle wore the film before, to strains of %.3g %% at most: their count is no life in any of them", n, 100*between[0].Value)
		}
		for k := range figures {
			f := &figures[k]
			if f.With = append(f.With, between...); f.Censored && c.failed != nil {
				*f = f.Note("it failed as its protocol says, after %.0f cycles: %s", c.count(), c.failed.why)
			}
		}
		c.add(fmt.Sprintf("cycles_to_threshold, %g %%", limit), figures, err)
		if len(figures) > 0 && figures[0].Censored {
			return // then the larger ones are too
		}
	}
}
