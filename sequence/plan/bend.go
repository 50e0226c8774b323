package plan

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"dwell/drivers/bending"
	"dwell/drivers/clock"
	"dwell/drivers/quantity"
	"dwell/drivers/rig"
	"dwell/drivers/yamltext"
	"dwell/safety"
)

// This file makes the steps that bend the specimen. A shape is asked for as a radius, a
// travel or a strain; the other two are worked out by the exact shape of the strip (see
// drivers/bending), told by check, and held against what the specimen bears.

// Words for what is commanded and read (see the profiles).
const (
	setReference = "reference"
	setSpeed     = "speed"
	setPosition  = "position"
	readMotion   = "motion"
	stateHome    = "home"
	stateStill   = "still"
	stateLocked  = "alarm"
)

const (
	// usualSpeed is how fast a stage bends when the protocol does not say. Common
	// practice, no source.
	usualSpeed = 5e-3
	// arrivedWithin is how near to its target a stage that stands has arrived, unless its
	// last digit is coarser. Common practice, no source.
	arrivedWithin = 20e-6
	// arriveSpareNs is how much longer than worked out a motion may take: for starting,
	// for a report, and for a controller that is slower than it promises.
	arriveSpareNs = int64(5 * clock.Second)
	// homesS is how long it takes to find the switch from near it, where a stage is left
	// with its specimen flat; from elsewhere it takes longer. Common practice, no source.
	homesS = 3
	// blockCycles is how many cycles are done between two looks at where the stage is:
	// so many can be uncertain after a crash.
	blockCycles = 100
)

var (
	inMetre   = quantity.Dimension{M: 1}
	inMPerS   = quantity.Dimension{M: 1, S: -1}
	perSecond = quantity.Dimension{S: -1}
)

// Bend is a shape that a plan takes the specimen to, for whoever looks at it before.
type Bend struct {
	Line       int     `json:"line"`
	RadiusM    float64 `json:"radius_m"`             // of the neutral plane, where it is least
	InnerM     float64 `json:"inner_m"`              // of the inner face there
	URadiusM   float64 `json:"u_radius_m,omitempty"` // standard uncertainty; 0 when none is stated
	TravelM    float64 `json:"travel_m"`
	RodM       float64 `json:"rod_m,omitempty"`         // the diameter of the rod that the strip is laid round; 0 for none
	Strain     float64 `json:"strain"`                  // of the film, where it is greatest
	MeanStrain float64 `json:"mean_strain"`             // over its length
	MeanM      float64 `json:"mean_radius_m,omitempty"` // of the neutral plane, by the mean curvature over the film's length; 0 for one that is none
	UStrain    float64 `json:"u_strain,omitempty"`      // standard uncertainty of the former; 0 when none is stated
}

// Cover is what would have to lie on the film for it to be on the neutral plane, where no
// bend strains it.
type Cover struct {
	Of         string  `json:"of"`
	ModulusPa  float64 `json:"modulus_Pa"`
	ThicknessM float64 `json:"thickness_m,omitempty"`
	HasM       float64 `json:"has_m,omitempty"` // the thickness that it has; 0 for a bare film
	None       string  `json:"none,omitempty"`  // why no thickness does it
}

// cover is advice, for a protocol that bends.
func (c *compiler) cover() *Cover {
	if len(c.plan.Summary.Bends) == 0 {
		return nil
	}
	of, thickness, err := c.specimen.NeutralCover()
	x := &Cover{Of: of.Of, ModulusPa: of.ModulusPa, ThicknessM: thickness}
	if c.specimen.Encapsulant != nil {
		x.HasM = of.ThicknessM
	}
	if most := c.rig.Bending.FreeLengthM / bending.Slender; err == nil && thickness > most {
		err = fmt.Errorf("it would have to be %s thick, and a strip that is bent is %s at most (a part of its length)", near(thickness, inMetre), near(most, inMetre))
	}
	if err != nil {
		x.ThicknessM, x.None = 0, err.Error()
	}
	return x
}

// stage is the rig's fixture with the specimen in it.
type stage struct {
	instrument int // -1 for rods, which a person uses
	bench      *rig.Bending
	film       bending.Film
	fixture    bending.Fixture // nil for rods
	motion     int             // channels
	position   int
	accel      float64
	fastest    float64
	slowest    float64
}

// strip is the specimen in what bends it; nil, after a mistake, when nothing can be bent here.
func (c *compiler) strip(at *yamltext.Node) *stage {
	b := c.rig.Bending
	if b == nil {
		if !c.rig.Lost() && valueOf(c.rig.Doc.Root, "bending") == nil {
			c.wrong(at, "nothing is clamped into a stage on this rig").
				Hint("the rig file says so under bending: {stage: …, ends: …, free length: …, flat at: …, homing: …}")
		}
		return nil
	}
	s := &stage{instrument: c.rig.Instrument(b.Stage), bench: b}
	var err error
	if s.film, err = c.specimen.BendingFilm(); err != nil {
		c.wrong(at, "the specimen %s cannot be bent: %s", c.specimen.ID, err)
		return nil
	}
	if b.RodsM != nil {
		return s
	}
	if s.fixture, err = b.Fixture(s.film.Strip(b.FreeLengthM)); err == nil && b.GapM > 0 {
		_, err = s.fixture.AtTravel(0)
	}
	if err != nil {
		c.wrong(at, "%s", err).Note(c.rig.Doc, b.Node, "how the strip is bent stands here")
		return nil
	}
	return s
}

// stageOf finds the stage with the strip in it; nil, after a mistake, when there is none.
func (c *compiler) stageOf(at *yamltext.Node) *stage {
	s := c.strip(at)
	if s == nil {
		return nil
	}
	if s.fixture == nil {
		c.wrong(at, "on this rig a person lays the strip round rods, and nothing moves by itself").
			Note(c.rig.Doc, s.bench.Node, "as is said here").Hint("- bend: {rod: 12 mm, at most: 10 min} and - flat: {at most: 10 min} ask for it")
		return nil
	}
	p := c.rig.Instruments[s.instrument].Profile
	s.motion, s.position = c.channelOf(s.instrument, readMotion), c.channelOf(s.instrument, setPosition)
	s.slowest, s.fastest = p.Sets[p.Set(setSpeed)].Least, p.Sets[p.Set(setSpeed)].Most
	s.accel = s.fastest / p.FullSpeed.Seconds()
	if s.bench.GapM > 0 && c.plan.Summary.Open == nil {
		open, err := s.fixture.AtTravel(0)
		if err == nil {
			c.plan.Summary.Open, err = c.shaped(s, open, at.Pos.Line)
		}
		if err != nil {
			c.wrong(at, "with the plates open: %s", err)
			return nil
		}
	}
	return s
}

// channelOf is the channel of an instrument's measured quantity, as it was measured.
func (c *compiler) channelOf(i int, quantity string) int {
	return slices.IndexFunc(c.rig.Channels, func(ch rig.Channel) bool {
		return ch.Instrument == i && ch.Quantity == quantity && ch.Through == ""
	})
}

// shapes are the keys by which a shape is asked for.
var shapes = []string{"radius", "travel", "strain"}

// shape reads a shape and works out the position of the stage for it. Its words are such as
// "radius 8 mm".
func (c *compiler) shape(st *stage, t map[string]*yamltext.Node, at *yamltext.Node) (v value, words string, ok bool) {
	var asked *yamltext.Node
	for _, key := range shapes {
		if t[key] != nil && asked != nil {
			c.wrong(t[key], "a shape is a radius, a travel or a strain: one of them").Note(c.doc, asked, "asked for here already")
			return v, "", false
		}
		if t[key] != nil {
			asked, words = t[key], key
		}
	}
	if asked == nil {
		if t != nil {
			c.wrong(at, "a radius, a travel or a strain is missing here")
		}
		return v, "", false
	}
	dim := inMetre
	if t["strain"] != nil {
		dim = plain
	}
	if v, ok = c.value(asked, dim); !ok {
		return v, "", false
	}
	if words += " " + near(v.Value, dim); dim == plain {
		words = "strain " + percent(v.Value)
	}
	bend, err := st.bend(t, v.Value)
	if err != nil {
		x := c.wrongValue(v, "%s", err)
		if _, other := st.bend(t, -v.Value); other == nil {
			x.Hint("a strip bends to one side only here, so that the film is in tension or in compression, never in both: for the other one, turn the specimen")
		}
		return v, "", false
	}
	c.strained(st, bend, v, 0)
	v.Value = round12(st.bench.FlatAtM + bend.TravelM)
	v.Unit, _ = quantity.LookUp("mm")
	return v, words, true
}

// bend is the strip in the shape asked for.
func (s *stage) bend(t map[string]*yamltext.Node, v float64) (bending.Bend, error) {
	switch {
	case t["travel"] != nil:
		return s.fixture.AtTravel(v)
	case t["strain"] != nil:
		radius, err := s.film.NeutralRadiusM(v)
		if err != nil {
			return bending.Bend{}, err
		}
		return s.fixture.AtRadius(radius)
	}
	return s.fixture.AtRadius(v)
}

// longestRadiusM is a mean radius above which a strip is as good as straight over its film:
// that of one that is bent as much one way as the other is a matter of rounding.
const longestRadiusM = 1e6

// shaped is a bend by all of its names, with its uncertainty.
func (c *compiler) shaped(st *stage, bend bending.Bend, line int) (*Bend, error) {
	strip := st.film.Strip(st.bench.FreeLengthM)
	b := &Bend{Line: line, RadiusM: bend.NeutralRadiusM, TravelM: bend.TravelM}
	var err1, err2, err3 error
	b.InnerM, err1 = strip.RadiusM(bend.NeutralRadiusM, bending.InnerFace)
	b.Strain, err2 = st.film.Strain(1 / bend.NeutralRadiusM)
	b.MeanStrain, b.MeanM = b.Strain, b.RadiusM
	if length := c.alongStrip(); length > 0 {
		var mean float64
		if mean, err3 = bend.MeanCurvaturePerM(0, length); err3 == nil {
			b.MeanStrain, err3 = st.film.Strain(mean)
			if b.MeanM = 0; mean*longestRadiusM > 1 {
				b.MeanM = 1 / mean
			}
		}
	}
	u := st.bench.Uncertainty(c.specimen)
	var err4, err5 error
	b.URadiusM, err4 = bend.RadiusUncertaintyM(u)
	b.UStrain, err5 = bend.StrainUncertainty(st.film, u)
	return b, errors.Join(err1, err2, err3, cmp.Or(err4, err5))
}

// strained holds a bend against what the specimen bears, and tells of it.
func (c *compiler) strained(st *stage, bend bending.Bend, v value, rodM float64) {
	b, err := c.shaped(st, bend, v.node.Pos.Line)
	if err != nil {
		c.wrongValue(v, "%s", err)
		return
	}
	b.RodM = rodM
	limit := c.specimen.StrainBelow()
	switch {
	case limit == nil:
		c.wrongValue(v, "this bends the film by %s, and the specimen does not say what it bears", percent(b.Strain)).
			Hint("limits: {strain: {below: 1.5 %}} belongs into its file")
	case math.Abs(b.Strain) >= *limit.Below:
		c.wrongValue(v, "this bends the film by %s, at a radius of %s and a travel of %s: more than the specimen bears (%s)",
			percent(b.Strain), near(b.RadiusM, inMetre), near(b.TravelM, inMetre), percent(*limit.Below)).Note(limit.Doc, limit.Node, "the limit stands here")
	}
	if c.muted == nil && !slices.Contains(c.plan.Summary.Bends, *b) {
		c.plan.Summary.Bends = append(c.plan.Summary.Bends, *b)
	}
}

// alongStrip is the length of the film along the strip; 0 when it is not stated.
func (c *compiler) alongStrip() float64 {
	if c.specimen.Bent.Current == "across" {
		return c.specimen.WidthM
	}
	return c.specimen.LengthM
}

func percent(strain float64) string { return strconv.FormatFloat(100*strain, 'g', 4, 64) + " %" }

// lasting is how long a motion takes at a speed, in s.
func (s *stage) lasting(from, to, speed float64) float64 {
	length := math.Abs(to - from)
	v := math.Min(speed, math.Sqrt(s.accel*length))
	if length == 0 {
		return 0
	}
	return length/v + v/s.accel
}

// speed reads how fast the stage is to move.
func (c *compiler) speed(st *stage, n *yamltext.Node) value {
	if n == nil {
		u, _ := quantity.LookUp("mm/s")
		return value{Quantity: quantity.Quantity{Value: math.Min(usualSpeed, st.fastest), Unit: u}}
	}
	v, ok := c.value(n, inMPerS)
	if ok {
		c.allowed(st.instrument, c.rig.Instruments[st.instrument].Profile.Set(setSpeed), v)
	}
	return v
}

// homed refuses to move a stage that does not know where it is.
func (c *compiler) homed(st *stage) {
	p := c.rig.Instruments[st.instrument].Profile
	if yes, _ := c.world.holds(st.instrument, p.Sets[p.Set(setPosition)].While); !yes && !c.world.doubtful[st.instrument] {
		c.wrong(c.at, "here the stage does not know where it is").Hint("begin with - home: {at most: 2 min}")
	}
}

// goTo takes the stage to a position and waits until it stands there.
func (c *compiler) goTo(st *stage, to, speed value, most int64, at *yamltext.Node) {
	p := c.rig.Instruments[st.instrument].Profile
	set := p.Set(setPosition)
	c.allowed(st.instrument, set, to)
	from, known := st.bench.FlatAtM, c.world.settings[st.instrument][set]
	if known.known {
		from = known.value
	}
	takes := st.lasting(from, to.Value, speed.Value)
	if at != nil && most > 0 && takes > float64(most)/1e9 {
		c.wrong(at, "the way takes about %s, longer than this", spanText(takes))
	}
	out := c.command(st.instrument, map[int]want{p.Set(setSpeed): {value: speed.Value}, set: {value: to.Value}})
	c.emit(Action{Op: Move, Setpoints: out, Channel: c.rig.Channels[st.position].Name, Channels: []string{c.rig.Channels[st.motion].Name},
		Target: to.Value, Within: c.within(st), DurationNs: nanoseconds(takes), AtMostNs: most})
	c.talks(c.setTime(out))
	c.spend(takes)
}

// within is how near to its target a stage that stands has arrived, m.
func (c *compiler) within(st *stage) float64 {
	return math.Max(arrivedWithin, 2*c.rig.Channels[st.position].Display)
}

// homeStep finds the limit switch.
func (c *compiler) homeStep(s step) {
	t := c.table(s.with, "!at most")
	st, most := c.stageOf(s.verb), c.time(t["at most"])
	if st == nil {
		return
	}
	p := c.rig.Instruments[st.instrument].Profile
	k := p.Set(setReference)
	a := Action{Op: Home, AtMostNs: most, Setpoints: []Setpoint{c.setpoint(st.instrument, k, want{state: p.Sets[k].State(stateHome)})}}
	if !st.bench.Harmless {
		a.Text = "the stage looks for its switch now and does not know where it is: take the specimen out, or make sure that the way does it no harm"
		a.DurationNs = personNs
		c.alone(s.verb)
		c.spend(personS)
	} else {
		c.notPulled(st, s.verb)
	}
	c.begin()
	c.emit(a)
	for _, set := range []string{setSpeed, setPosition} {
		c.world.settings[st.instrument][p.Set(set)].known = false
	}
	c.world.settings[st.instrument][k] = setting{known: true, state: p.Sets[k].State(stateHome)}
	c.talks(c.setTime(a.Setpoints))
	c.spend(min(homesS, p.Sets[k].Takes.Seconds()))
}

// notPulled refuses to look for a switch, by which positions are counted, that lies so far
// beyond flat that the way there pulls the strip by more than it bears.
func (c *compiler) notPulled(st *stage, at *yamltext.Node) {
	pulled := st.bench.FlatAtM / st.bench.FreeLengthM
	limit := c.specimen.StrainBelow()
	if limit == nil || st.bench.GapM > 0 || pulled < *limit.Below {
		return
	}
	c.wrong(at, "the switch, at 0 mm, lies %s beyond where the strip is flat: the way there would pull it by %s of its free length, and the specimen bears %s",
		near(st.bench.FlatAtM, inMetre), percent(pulled), percent(*limit.Below)).
		Note(c.rig.Doc, st.bench.Node, "it is called harmless here").Hint("homing: ask has a person take the specimen out first")
}

// bendStep bends to a shape, or back to flat, or opens the plates.
func (c *compiler) bendStep(s step) {
	if c.rig.Bending != nil && c.rig.Bending.RodsM != nil {
		c.layRound(s)
		return
	}
	keys := []string{"speed", "!at most"}
	if s.name == "bend" {
		keys = append(keys, shapes...)
	}
	if plates := c.rig.Bending != nil && c.rig.Bending.GapM > 0; plates != (s.name == "open") && s.name != "bend" {
		c.wrong(s.verb, "%s", map[bool]string{true: "between plates nothing lies flat", false: "there are no plates on this rig to open"}[plates]).
			Hint(map[bool]string{true: "- open: {at most: 10 s}", false: "- flat: {at most: 10 s}"}[plates])
		return
	}
	t := c.table(s.with, keys...)
	st, most := c.stageOf(s.verb), c.time(t["at most"])
	if st == nil || t == nil {
		return
	}
	c.homed(st)
	to, ok := st.flat(), true
	if s.name == "bend" {
		to, _, ok = c.shape(st, t, s.with)
	}
	speed := c.speed(st, t["speed"])
	if !ok || !(speed.Value > 0) {
		return
	}
	c.begin()
	c.goTo(st, to, speed, most, t["at most"])
}

// layRound has a person lay the strip round a rod, or take it off and lay it flat.
func (c *compiler) layRound(s step) {
	a := Action{Op: Wrap, Text: "flat"}
	var t map[string]*yamltext.Node
	if s.name == "bend" {
		t = c.table(s.with, "!rod", "!at most")
	} else {
		t = c.table(s.with, "!at most")
	}
	st, most := c.strip(s.verb), c.time(t["at most"])
	if s.name == "open" {
		c.wrong(s.verb, "there are no plates on this rig to open").Hint("- flat: {at most: 10 min}")
		return
	}
	c.alone(s.verb)
	if st == nil || t == nil {
		return
	}
	if n := t["rod"]; n != nil && !c.rod(st, n, &a) || s.name == "bend" && n == nil {
		return
	}
	a.AtMostNs = most
	c.begin()
	c.emit(a)
	c.spend(personS)
}

// rod finds the rod that is asked for by its diameter.
func (c *compiler) rod(st *stage, n *yamltext.Node, a *Action) bool {
	v, ok := c.value(n, inMetre)
	if !ok {
		return false
	}
	var known []string
	for _, d := range st.bench.RodsM {
		if math.Abs(d-v.Value) < 1e-9 {
			a.Target = d
		}
		known = append(known, near(d, inMetre))
	}
	if a.Target == 0 {
		c.wrongValue(v, "there is no rod of %s on this rig: there are %s", near(v.Value, inMetre), strings.Join(known, ", ")).
			Note(c.rig.Doc, st.bench.Node, "their diameters stand here")
		return false
	}
	bend, err := bending.OnMandrel(st.film.Strip(st.bench.FreeLengthM), a.Target/2)
	if err != nil {
		c.wrongValue(v, "%s", err)
		return false
	}
	c.strained(st, bend, v, a.Target)
	a.Text = "round the rod of " + plainText(round12(1e3*a.Target)) + " mm"
	return true
}

func (s *stage) flat() value {
	u, _ := quantity.LookUp("m")
	return value{Quantity: quantity.Quantity{Value: s.bench.FlatAtM, Unit: u}}
}

// stageRules stop a run whose stage locks itself, and hold it to what the specimen bears.
func (c *compiler) stageRules() {
	for i, d := range c.rig.Instruments {
		motion := c.channelOf(i, readMotion)
		if d.Profile.Kind != "stage" || motion < 0 {
			continue
		}
		ch := c.rig.Channels[motion]
		if alarm := slices.Index(c.field(ch).States, stateLocked); alarm >= 0 {
			c.plan.Rules.Interlocks = append(c.plan.Rules.Interlocks, safety.Interlock{Name: "stage alarm: " + d.Name + " has locked itself", When: fmt.Sprintf("%s < %s < %s",
				plainText(float64(alarm)-0.5), ch.Name, plainText(float64(alarm)+0.5)), While: safety.Homed, Then: "trip", From: builtIn("stage alarm"), Source: "its own word"})
		}
	}
	c.strainRule()
}

func plainText(v float64) string { return string(quantity.AppendNumber(nil, v)) }

// strainRule holds the stage to the travel at which the specimen's limit of strain is
// reached, for the gate and the driver, which know nothing of bending.
func (c *compiler) strainRule() {
	limit, b := c.specimen.StrainBelow(), c.rig.Bending
	if limit == nil || b == nil || b.RodsM != nil || len(c.plan.Summary.Bends) == 0 {
		return
	}
	film, err := c.specimen.BendingFilm()
	if err != nil {
		return
	}
	fixture, err := b.Fixture(film.Strip(b.FreeLengthM))
	if err != nil {
		return
	}
	travel := fixture.Limits().GreatestTravelM
	for _, strain := range []float64{*limit.Below, -*limit.Below} {
		if radius, err := film.NeutralRadiusM(strain); err == nil {
			if bend, err := fixture.AtRadius(radius); err == nil {
				travel = bend.TravelM
			}
		}
	}
	below := round12(b.FlatAtM + travel)
	c.plan.Rules.Limits = append(c.plan.Rules.Limits, safety.Limit{Channel: c.rig.Channels[c.channelOf(c.rig.Instrument(b.Stage), setPosition)].Name,
		Below: &below, From: place(limit.Doc, limit.Node)})
}

// stageNeeds has the stage read all the time.
func (c *compiler) stageNeeds() {
	for i, d := range c.rig.Instruments {
		if d.Profile.Kind == "stage" {
			c.needs(c.channelOf(i, readMotion))
			c.needs(c.channelOf(i, setPosition))
		}
	}
	if b := c.rig.Bending; b != nil && b.FlatSeen != nil {
		c.needs(c.rig.Channel(b.FlatSeen.Channel))
		c.plan.FlatSeen = &Seen{b.FlatSeen.Channel, b.FlatSeen.Reads, b.FlatSeen.Word}
	}
}

// isWhole reads a whole number in a text such as "every 1000".
func isWhole(text string) (int64, bool) {
	n, err := strconv.ParseInt(strings.TrimSpace(text), 10, 64)
	return n, err == nil && n > 0
}
