package rig

import (
	"errors"
	"io/fs"
	"math"
	"slices"
	"strings"

	"dwell/drivers/clock"
	"dwell/drivers/convert"
	"dwell/drivers/quantity"
	"dwell/drivers/wire"
	"dwell/drivers/yamltext"
)

// Rig is a bench as its file describes it; nothing is open.
type Rig struct {
	Name        string
	AmbientDegC float64
	Cooling     string  // "none", or what is written
	LowestDegC  float64 // that can be held: ambient without cooling
	Instruments []Description
	Channels    []Channel
	Limits      []Limit // the rig's own and those of the instrument profiles
	Interlocks  []*yamltext.Node
	Contacts    []Contact // that stop a run
	Apart       Apart
	Bending     *Bending // nil when nothing is clamped into a stage
	Place       Place
	ActWithin   clock.Instant // longest time from a fault to safe; 0 when not stated
	Notify      []string      // a program and its arguments, to tell somebody of a bench that is not safe
	NotifyAt    *yamltext.Node
	Scene       map[string]quantity.Quantity
	Doc         *yamltext.Document
	Dates       []Date // of what was measured on it

	// lost are the instruments whose profile could not be read, and the channels made
	// from theirs: what is said of them is no mistake of its own. There may be any
	// number of them when a whole section is lost.
	lost    []string
	section bool
}

// Excused tells whether a mistake about the name of an instrument or a channel was
// reported where it is described, so that using it is none.
func (r *Rig) Excused(name string) bool {
	instrument, _, _ := strings.Cut(name, ".")
	return slices.Contains(r.lost, name) || slices.Contains(r.lost, instrument) ||
		r.section && r.Channel(name) < 0 && r.Instrument(instrument) < 0
}

// Lost tells whether some instrument could not be read.
func (r *Rig) Lost() bool { return len(r.lost) > 0 || r.section }

// lostSections notes which sections, of those that give names, stand there but
// cannot be read.
func (r *rigReader) lostSections(t map[string]*yamltext.Node) {
	lacks := func(key string) bool {
		n := t[key]
		return t == nil || n != nil && n.Kind != yamltext.Mapping || n == nil && yamltext.IsMisspelt(r.doc.Root, []string{key}, key)
	}
	r.rig.section = t["instruments"] == nil || lacks("instruments") || lacks("channels")
	r.rig.Place.Lost = lacks("specimen place")
}

// Date is one that a rig file names.
type Date struct {
	Text string // year-month-day
	Node *yamltext.Node
}

// SetPlace is the quantity by which a profile moves a specimen: its states are plate,
// air, moving air, cold block.
const SetPlace = "place"

// Description is one instrument of a rig.
type Description struct {
	Name       string
	Profile    *Profile // with this instrument's own line settings and heating
	Address    wire.Address
	Switches   string // the instrument whose mains it is in, or ""
	Calibrated string // date, or ""
	Serial     string
	Longest    *Longest       // nil when it was not measured
	Identified *Identified    // nil when it was not
	Node       *yamltext.Node // its name in the rig file
}

// Channel is a quantity that can be read.
type Channel struct {
	Name       string
	Instrument int    // place in Instruments
	Quantity   string // as the profile names what is measured
	Query      int
	Field      int
	Unit       quantity.Unit // canonical: the unit of readings
	Display    float64       // the smallest step that can be seen, in that unit
	Lowest     float64       // good readings lie between these; both 0 when that is not known
	Highest    float64
	Through    string             // the conversion, or ""
	Class      *convert.Tolerance // of the thermometer; nil when it is not stated
	Node       *yamltext.Node

	conversion *convert.Conversion
}

// Limit is a level that must not be passed.
type Limit struct {
	Channel   string // in a profile: the measured quantity; in a specimen: the kind of quantity
	Below     *float64
	Above     *float64
	LastingNs int64
	Where     string // file:line:col
	Doc       *yamltext.Document
	Node      *yamltext.Node
}

// Place is where the specimen lies, and which channels speak of it.
type Place struct {
	On          string   // the instrument that heats it
	MovedBy     string   // "person", or an instrument
	Temperature []string // channels for which the specimen's limit of temperature holds
	Resistance  string
	Power       string
	Current     string
	Voltage     string
	Lost        bool // it has mistakes: what is missing here may be meant there
}

// scene is what the section `twin` may set: properties of the virtual bench.
var scene = []struct {
	key string
	dim quantity.Dimension
}{
	{"ambient", inDegC},
	{"glass thickness", inMetre},
	{"foil thickness", inMetre},
	{"contact conductance", inContact}, // plate to slide
	{"top conductance", inContact},     // upper face to ambient, on the plate
	{"still air conductance", inContact},
	{"moving air conductance", inContact},
	{"cold block conductance", inContact},
	{"cold block temperature", inDegC},
	{"contact resistance", inOhm}, // of each electrode
	{"lead resistance", inOhm},    // of each lead
	{"gauge factor", plain},       // of the film
	{"strain play", plain},        // of the film's resistance, half of what it stays behind by
	{"check standard", inOhm},     // at the source-meter's rear terminals
	{"meter drift per hour", plain},
	{"film cracks after", plain}, // cycles of 1 % of strain: the resistance has risen by a fifth
}

// rigReader reads one rig file.
type rigReader struct {
	reader
	rig   *Rig
	files func(name string) ([]byte, error)
	kept  bool // all profiles come from there

	renamed map[string]*yamltext.Node // what a channel was called before: its new name
}

// Load reads a rig file and adds everything wrong with it, and with the profiles it
// names, to m. files finds profiles of one's own, beside the rig; it may be nil.
func Load(doc *yamltext.Document, files func(name string) ([]byte, error), m *yamltext.Mistakes) *Rig {
	return load(doc, files, false, m)
}

// LoadKept is Load with every profile from files, those too that dwell has itself: they
// may have been others when a run folder was written.
func LoadKept(doc *yamltext.Document, files func(name string) ([]byte, error), m *yamltext.Mistakes) *Rig {
	return load(doc, files, true, m)
}

func load(doc *yamltext.Document, files func(name string) ([]byte, error), kept bool, m *yamltext.Mistakes) *Rig {
	rig := &Rig{Doc: doc, Scene: map[string]quantity.Quantity{}, AmbientDegC: math.NaN(), LowestDegC: math.NaN()}
	r := &rigReader{reader{doc, m}, rig, files, kept, map[string]*yamltext.Node{}}
	t := r.table(doc.Root, "!format", "!rig", "!ambient", "line frequency", "!instruments", "channels", "limits", "interlocks",
		"specimen place", "bending", "stop contacts", "thermometers disagree", "must act within", "notify", "twin")
	if r.lostSections(t); t == nil {
		return rig
	}
	r.edition(t["format"])
	rig.Name = r.text(t["rig"])
	r.ambient(t["ambient"])
	hertz := r.positive(t["line frequency"], inHertz)
	for _, pair := range r.entries(t["instruments"]) {
		r.instrument(pair, hertz)
	}
	r.noSharedPorts()
	r.switches(t["instruments"])
	r.baseChannels()
	r.channels(t["channels"])
	r.limits(t["limits"])
	for _, n := range r.items(t["interlocks"]) {
		if n.Kind != yamltext.Mapping {
			r.wrong(n, "an interlock is a table with when and then, not %s", n.Kind)
			continue
		}
		rig.Interlocks = append(rig.Interlocks, n)
	}
	r.place(t["specimen place"])
	r.bending(t["bending"])
	r.contacts(t["stop contacts"])
	r.keptClosed()
	r.apart(t["thermometers disagree"])
	rig.ActWithin = r.span(t["must act within"])
	if t["must act within"] != nil && rig.ActWithin == 0 {
		r.wrong(t["must act within"], "no bench acts in no time")
	}
	rig.NotifyAt = t["notify"]
	if rig.Notify = r.texts(t["notify"]); t["notify"] != nil && len(rig.Notify) == 0 {
		r.wrong(t["notify"], "a program is missing here")
	}
	r.scene(t["twin"])
	return rig
}

func (r *rigReader) ambient(n *yamltext.Node) {
	t := r.table(n, "!temperature", "!cooling")
	if q, ok := r.quantity(t["temperature"], inDegC); ok {
		r.rig.AmbientDegC = q.Value // otherwise it is NaN, and so is the lowest: nothing follows from that
	}
	r.rig.Cooling = r.text(t["cooling"])
	if r.rig.Cooling == "none" {
		r.rig.LowestDegC = r.rig.AmbientDegC
	} else if c := t["cooling"]; r.rig.Cooling != "" {
		q, err := quantity.Parse(r.rig.Cooling)
		if err != nil || q.Unit.Dim != inDegC {
			r.wrong(c, "%q says nothing about cooling", r.rig.Cooling).Hint("none, or the lowest temperature that is reached, such as 5 degC")
			return
		}
		r.rig.LowestDegC = q.Value
	}
}

func (r *rigReader) instrument(pair yamltext.Pair, hertz float64) {
	d := Description{Name: pair.Key.Text, Node: pair.Key, Profile: &Profile{}}
	if !isName(d.Name) || d.Name == "person" {
		r.wrong(pair.Key, "%q is no name for an instrument", d.Name).Hint("use letters, digits and _, such as plate")
	}
	t := r.table(pair.Value, "!profile", "!port", "switches", "baud", "data bits", "parity", "stop bits", "calibrated", "serial number", "heating",
		"identified", "longest exchange")
	if p := r.profile(t["profile"]); p != nil {
		d.Profile = p // read for this instrument alone: its settings are its own
	} else {
		r.rig.lost = append(r.rig.lost, d.Name)
	}
	r.lineSettings(&d.Profile.Line, t)
	if n := t["port"]; n != nil {
		var err error
		if d.Address, err = wire.ParseAddress(r.text(n)); err != nil {
			r.wrong(n, "%s", err)
		}
		if d.Address.Kind == wire.Twin && err == nil && d.Profile.Name != "" && d.Profile.Twin == "" {
			r.wrong(n, "the profile %s has no twin", d.Profile.Name)
		}
		if d.Address.Kind == wire.TCP {
			d.Profile.Line.Baud = 0
		}
	}
	d.Switches = r.text(t["switches"])
	d.Serial, d.Calibrated = r.text(t["serial number"]), r.date(t["calibrated"])
	d.Longest, d.Identified = r.longest(t["longest exchange"]), r.identified(t["identified"], d.Profile)
	if hertz > 0 {
		d.Profile.LineHz = hertz
	}
	if n := t["heating"]; n != nil {
		h := Heating{}
		if d.Profile.Heating != nil {
			h = *d.Profile.Heating
		}
		before := r.m.Len()
		if r.heats(&h, n); r.m.Len() > before {
			h = Heating{RateKPerS: math.NaN(), DeadS: math.NaN(), CoolingS: math.NaN()}
		}
		d.Profile.Heating = &h
	}
	r.heatsAsIdentified(d, t)
	r.rig.Instruments = append(r.rig.Instruments, d)
}

// heatsAsIdentified refuses a heater that was measured to respond to full power otherwise
// than it is said to heat: how far it overshoots follows from either.
func (r *rigReader) heatsAsIdentified(d Description, t map[string]*yamltext.Node) {
	h, full := d.Profile.Heating, d.Identified
	if h == nil || full == nil || full.TauS <= 0 || h.RateKPerS <= 0 {
		return
	}
	if rate := full.RiseK / full.TauS; rate < leastOfRate*h.RateKPerS || rate > mostOfRate*h.RateKPerS {
		r.wrong(t["identified"], "full power would heat %s at %.3g K/min from the ambient, and it is said to heat at %.3g K/min: one of the two is wrong",
			d.Name, 60*rate, 60*h.RateKPerS).Hint("measure it again by identify.yaml, and write what that gives into identified and heating")
	}
}

// Full power from the ambient heats no slower than the rate at which a plate is said to
// heat, and not very much faster. Rules of thumb, no source.
const (
	leastOfRate = 0.8
	mostOfRate  = 100
)

// ending marks a profile of one's own.
const ending = ".yaml"

// profile loads a profile by its name or, for one beside the rig, its file's name.
func (r *rigReader) profile(n *yamltext.Node) *Profile {
	name := r.text(n)
	if name == "" {
		return nil
	}
	text, known := EmbeddedProfile(name)
	file := "profiles/" + name + ending
	own := !known && strings.HasSuffix(name, ending)
	if own {
		file = name
	}
	if (own || r.kept) && r.files != nil {
		var err error
		if text, err = r.files(file); err != nil {
			x := r.wrong(n, "the profile %s cannot be read: %s", name, err)
			if errors.Is(err, fs.ErrNotExist) {
				x.Hint("a profile of your own lies beside the rig file")
			}
			return nil
		}
		known = true
	}
	if !known {
		x := r.unknown(n, "profile that dwell has", name, Embedded())
		if x.Advice == "" || !strings.HasPrefix(x.Advice, "did you mean") {
			x.Hint("dwell has " + strings.Join(Embedded(), ", ") + "; one of your own lies beside the rig file and ends in " + ending)
		}
		return nil
	}
	before := r.m.Len()
	p := LoadProfile(yamltext.Parse(file, text, r.m), r.m)
	if r.m.Len() > before {
		r.wrong(n, "the profile %s has mistakes", name)
		return nil
	}
	return p
}

func (r *rigReader) noSharedPorts() {
	seen := map[string]*Description{}
	for i := range r.rig.Instruments {
		d := &r.rig.Instruments[i]
		if d.Address.Kind == wire.Twin || d.Address.Kind == wire.Record {
			continue
		}
		if other := seen[d.Address.Key()]; other != nil {
			r.wrong(d.Node, "%s is on the same port as %s: %s", d.Name, other.Name, d.Address).Note(r.doc, other.Node, "the other one")
		}
		seen[d.Address.Key()] = d
	}
}

// baseChannels makes a channel of everything that the instruments measure.
func (r *rigReader) baseChannels() {
	for i, d := range r.rig.Instruments {
		for q, query := range d.Profile.Queries {
			for f, field := range query.Fields {
				if field.Quantity == "" {
					continue
				}
				unit, _ := field.Unit.Dim.Canonical()
				c := Channel{Name: d.Name + "." + field.Quantity, Instrument: i, Quantity: field.Quantity,
					Query: q, Field: f, Unit: unit, Display: field.Display, Node: d.Node}
				c.Lowest, c.Highest = field.span()
				r.rig.Channels = append(r.rig.Channels, c)
			}
		}
	}
}

// span is where good readings of a field lie, zeros when that is not known.
func (f *Field) span() (lowest, highest float64) {
	switch n := len(f.States); {
	case n > 0:
		return 0, float64(n - 1)
	case math.IsInf(f.Lowest, 0) || math.IsInf(f.Highest, 0):
		return 0, 0
	}
	return f.Lowest, f.Highest
}

// Channel is the place of a channel's name, or -1.
func (r *Rig) Channel(name string) int {
	return slices.IndexFunc(r.Channels, func(c Channel) bool { return c.Name == name })
}

// Instrument is the place of an instrument's name, or -1.
func (r *Rig) Instrument(name string) int {
	return slices.IndexFunc(r.Instruments, func(d Description) bool { return d.Name == name })
}

// Names of all channels.
func (r *Rig) Names() []string {
	var names []string
	for _, c := range r.Channels {
		names = append(names, c.Name)
	}
	return names
}

// channels renames and converts. A renamed channel is known by its new name only; a
// converted one stays, since it is what was measured.
func (r *rigReader) channels(n *yamltext.Node) {
	for _, pair := range r.entries(n) {
		name := pair.Key.Text
		if !isChannel(name) {
			r.wrong(pair.Key, "%q is no name for a channel", name).Hint("two words with a point between, such as foil.temperature")
		}
		t := r.table(pair.Value, "!from", "through", "thermometer")
		from := r.text(t["from"])
		if r.rig.Channel(name) >= 0 {
			r.wrong(pair.Key, "there is a channel %q already", name)
			continue
		}
		i := r.rig.Channel(from)
		if i < 0 {
			switch k := r.renamed[from]; {
			case k != nil:
				r.wrong(t["from"], "%s goes by the name of %s already: an input has one name", from, k.Text).Note(r.doc, k, "named here")
			case from != "" && !r.rig.Excused(from):
				r.unknown(t["from"], "channel of this rig", from, r.rig.Names())
			}
			r.rig.lost = append(r.rig.lost, name)
			continue
		}
		if t["through"] == nil {
			r.rig.Channels[i].Name, r.rig.Channels[i].Node = name, pair.Key
			r.renamed[from] = pair.Key
			r.class(&r.rig.Channels[i], t["thermometer"])
			continue
		}
		c := r.rig.Channels[i]
		c.Name, c.Node, c.Lowest, c.Highest = name, pair.Key, 0, 0
		if r.convert(&c, t["through"]) {
			r.class(&c, t["thermometer"])
			r.rig.Channels = append(r.rig.Channels, c)
		} else {
			r.rig.lost = append(r.rig.lost, name)
		}
	}
}

// displayDegC is where the display step of a converted channel is worked out: the
// laws are near enough to straight for that.
const displayDegC = 25

func (r *rigReader) convert(c *Channel, n *yamltext.Node) bool {
	law, err := convert.ByName(r.text(n))
	switch {
	case err != nil:
		r.wrong(n, "%s", err)
		return false
	case c.Through != "":
		r.wrong(n, "%q is converted already", c.Name)
		return false
	case law.In != c.Unit.Dim:
		r.wrong(n, "%s converts %s, but %s is in %s", law.Name, law.In, c.Name, c.Unit.Symbol)
		return false
	case law.NeedsJunction:
		r.wrong(n, "%s needs the temperature of its reference junction", law.Name).Hint("write it behind: " + law.Name + " junction 23.5 degC")
		return false
	}
	c.Through, c.conversion = law.Name, &law
	c.Unit, _ = law.Out.Canonical()
	if x, err := law.InvertAt(displayDegC, displayDegC); err == nil {
		if t, err := law.Apply(x + c.Display); err == nil {
			c.Display = math.Abs(t - displayDegC)
		}
	}
	return true
}

// class reads what a thermometer may be wrong of itself.
func (r *rigReader) class(c *Channel, n *yamltext.Node) {
	if n == nil {
		return
	}
	class, err := convert.ToleranceByName(r.text(n))
	kind, _, _ := strings.Cut(class.Name, " class ")
	law, _, _ := strings.Cut(c.Through, " junction ")
	switch {
	case err != nil:
		r.wrong(n, "%s", err)
	case c.Unit.Dim != inDegC:
		r.wrong(n, "%s is in %s: only a temperature is read by a thermometer", c.Name, c.Unit.Symbol)
	case law != "" && strings.Contains(class.Name, "class") && kind != law && !(kind == "platinum" && strings.HasPrefix(law, "pt")):
		r.wrong(n, "%s is read through %s, which is no %s", c.Name, law, kind)
	default:
		c.Class = &class
	}
}

// PerKelvin is what is measured at a temperature, in the unit of the instrument's own
// quantity, and by how much it changes per kelvin there.
func (c Channel) PerKelvin(degC float64) (x, perK float64, ok bool) {
	if c.conversion == nil {
		return degC, 1, c.Unit.Dim == inDegC
	}
	const step = 0.5 // K to either side
	x, err := c.conversion.InvertAt(degC, 0)
	above, err1 := c.conversion.InvertAt(degC+step, 0)
	below, err2 := c.conversion.InvertAt(degC-step, 0)
	return x, (above - below) / (2 * step), err == nil && err1 == nil && err2 == nil
}

// limits reads the rig's limits and puts those of the profiles beside them. A limit
// may only be tighter than one that holds already.
func (r *rigReader) limits(n *yamltext.Node) {
	var given []Limit // by the instruments
	for i, d := range r.rig.Instruments {
		for _, l := range d.Profile.Limits {
			for _, c := range r.rig.Channels {
				if c.Instrument == i && c.Quantity == l.Channel && c.Through == "" {
					l.Channel = c.Name
					given = append(given, l)
					break
				}
			}
		}
	}
	for _, pair := range r.entries(n) {
		i := r.rig.Channel(pair.Key.Text)
		if i < 0 {
			if !r.rig.Excused(pair.Key.Text) {
				r.unknown(pair.Key, "channel of this rig", pair.Key.Text, r.rig.Names())
			}
			r.limit(pair, anything)
			continue
		}
		l := r.limit(pair, r.rig.Channels[i].Unit.Dim)
		for _, g := range given {
			if g.Channel == l.Channel && !l.NoLooser(&g) {
				r.wrong(l.Node, "this is looser than the limit of the instrument itself").Note(g.Doc, g.Node, "which stands here").
					Hint("limits only tighten: lower it, or leave it out")
			}
		}
		r.rig.Limits = append(r.rig.Limits, l)
	}
	r.rig.Limits = append(r.rig.Limits, given...)
}

// NoLooser tells whether a limit, where it limits the same side, is no looser than
// one that holds already. A longer persistence counts as looser.
func (l *Limit) NoLooser(than *Limit) bool {
	below := l.Below == nil || than.Below == nil || *l.Below < *than.Below || *l.Below == *than.Below && l.LastingNs <= than.LastingNs
	above := l.Above == nil || than.Above == nil || *l.Above > *than.Above || *l.Above == *than.Above && l.LastingNs <= than.LastingNs
	return below && above
}

func (r *rigReader) place(n *yamltext.Node) {
	before := r.m.Len()
	t := r.table(n, "!lies on", "!moved by", "temperature", "resistance", "power", "current", "voltage")
	if t == nil {
		return
	}
	var instruments []string
	movers := []string{"person"}
	for _, d := range r.rig.Instruments {
		instruments = append(instruments, d.Name)
		if d.Profile.Set(SetPlace) >= 0 {
			movers = append(movers, d.Name)
		}
	}
	p := &r.rig.Place
	if i := r.oneOfBench(t["lies on"], "instrument of this rig", instruments); i >= 0 {
		p.On = instruments[i]
	}
	if i := r.oneOfBench(t["moved by"], "one who moves a specimen on this rig", movers); i >= 0 {
		p.MovedBy = movers[i]
	}
	for _, one := range r.oneOrMore(t["temperature"]) {
		name := r.channelOf(one, inDegC)
		if k := slices.IndexFunc(p.Temperature, func(other string) bool { return name != "" && r.rig.sameInput(name, other) }); k >= 0 {
			r.wrong(one, "%s and %s are one thermometer: it would be compared with itself", p.Temperature[k], name)
		}
		p.Temperature = append(p.Temperature, name)
	}
	p.Resistance, p.Power = r.channelOf(t["resistance"], inOhm), r.channelOf(t["power"], inWatt)
	p.Current, p.Voltage = r.channelOf(t["current"], inAmpere), r.channelOf(t["voltage"], inVolt)
	p.Lost = r.m.Len() > before || p.On == "" || p.MovedBy == "" || t["resistance"] != nil && p.Resistance == ""
}

// sameInput tells whether two channels are read from the same place.
func (r *Rig) sameInput(one, other string) bool {
	i, k := r.Channel(one), r.Channel(other)
	if i < 0 || k < 0 {
		return false
	}
	a, b := r.Channels[i], r.Channels[k]
	return a.Instrument == b.Instrument && a.Query == b.Query && a.Field == b.Field
}

// oneOfBench reads a name of this bench, and returns its place among the known ones,
// or -1.
func (r *rigReader) oneOfBench(n *yamltext.Node, what string, known []string) int {
	if n != nil && !slices.Contains(known, n.Text) && r.rig.Excused(n.Text) {
		return -1
	}
	return r.oneOf(n, what, known)
}

// channelOf reads the name of a channel of a dimension.
func (r *rigReader) channelOf(n *yamltext.Node, dim quantity.Dimension) string {
	names := r.rig.Names()
	i := r.oneOfBench(n, "channel of this rig", names)
	if i < 0 {
		return ""
	}
	if got := r.rig.Channels[i].Unit; got.Dim != dim {
		r.wrong(n, "%s is in %s, %s is expected here", names[i], got.Symbol, named(dim))
	}
	return names[i]
}

func (r *rigReader) scene(n *yamltext.Node) {
	var keys []string
	for _, s := range scene {
		keys = append(keys, s.key)
	}
	t := r.table(n, keys...)
	for _, s := range scene {
		if t[s.key] == nil {
			continue
		}
		q, ok := r.quantity(t[s.key], s.dim)
		if ok && !s.dim.Absolute && q.Value < 0 {
			r.wrong(t[s.key], "%s cannot be negative", s.key)
		}
		r.rig.Scene[s.key] = q
	}
}

// SpecimenLimits are the limits of a specimen on the channels that speak of it.
func (r *Rig) SpecimenLimits(s *Specimen) []Limit {
	var all []Limit
	for _, l := range s.Limits {
		channels := map[string][]string{"temperature": r.Place.Temperature, "power": {r.Place.Power},
			"current": {r.Place.Current}, "voltage": {r.Place.Voltage}}[l.Channel]
		for _, c := range channels {
			if c != "" {
				l.Channel = c
				all = append(all, l)
			}
		}
	}
	return all
}
