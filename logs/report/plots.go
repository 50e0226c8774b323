package report

import (
	"bytes"
	"errors"
	"fmt"
	"image/color"
	"math"
	"slices"
	"strconv"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgpdf"
	"gonum.org/v1/plot/vg/vgsvg"

	"dwell/logs/figures"
)

// Colours that colour-blind readers tell apart (Okabe and Ito, Color Universal Design,
// from memory); marks and dashes differ too, for print without colour.
var (
	blue      = color.RGBA{0x00, 0x72, 0xb2, 0xff}
	vermilion = color.RGBA{0xd5, 0x5e, 0x00, 0xff}
	green     = color.RGBA{0x00, 0x9e, 0x73, 0xff}
	purple    = color.RGBA{0xcc, 0x79, 0xa7, 0xff}
	orange    = color.RGBA{0xe6, 0x9f, 0x00, 0xff}
	sky       = color.RGBA{0x56, 0xb4, 0xe9, 0xff}
	dark      = color.RGBA{0x33, 0x33, 0x33, 0xff}
	grey      = color.RGBA{0x88, 0x88, 0x88, 0xff}
	pale      = color.RGBA{0xe8, 0xee, 0xf2, 0xff}
)

var palette = []color.RGBA{blue, vermilion, green, purple, dark}

var dashed, dotted = []vg.Length{5, 2.5}, []vg.Length{1, 2}

const (
	width  = 17 * vg.Centimeter
	tall   = 8.5 * vg.Centimeter
	flat   = 6.5 * vg.Centimeter
	mostIn = 1500 // points of a line; more are drawn as the range of neighbours
)

// Drawing is one plot of a run.
type Drawing struct {
	Name    string // as a file is called
	Section string // of the page
	Caption string

	height vg.Length
	d      *drawing
}

// drawing is a plot on its way to the page.
type drawing struct {
	p   *plot.Plot
	err error
}

// Drawings are all plots that the results of a run make, and why others cannot be drawn;
// ended is how the run ended where it was not completed.
func Drawings(r *figures.Results, ended string) (all []Drawing, without []string) {
	for _, of := range [...]func() []Drawing{func() []Drawing { return curve(r) }, func() []Drawing { return overTime(r, ended) },
		func() []Drawing { return responses(r) }, func() []Drawing { return sweeps(r) }, func() []Drawing { return bends(r) },
		func() []Drawing { return loops(r) },
		func() []Drawing { return drift(r) }, func() []Drawing { return allan(r) }} {
		for _, d := range of() {
			if d.d.err != nil {
				without = append(without, fmt.Sprintf("There is no plot %s: %v.", strings.ReplaceAll(d.Name, "-", " "), d.d.err))
				continue
			}
			all = append(all, d)
		}
	}
	return all, without
}

func newDrawing(x, y string) *drawing {
	p := plot.New()
	p.X.Label.Text, p.Y.Label.Text = x, y
	for _, a := range [...]*plot.Axis{&p.X, &p.Y} {
		a.Label.TextStyle.Font = sans(a.Label.TextStyle.Font, 11)
		a.Tick.Label.Font = sans(a.Tick.Label.Font, 10)
		a.Padding = 5
		a.Tick.Marker = roundTicks{}
	}
	p.Legend.TextStyle.Font = sans(p.Legend.TextStyle.Font, 10)
	p.Legend.ThumbnailWidth = 18
	p.Legend.Padding = 2
	grid := plotter.NewGrid()
	grid.Vertical.Color, grid.Horizontal.Color = color.Gray{0xdd}, color.Gray{0xdd}
	grid.Vertical.Width, grid.Horizontal.Width = 0.4, 0.4
	p.Add(grid)
	return &drawing{p: p}
}

func sans(f font.Font, size vg.Length) font.Font {
	f.Variant, f.Size = "Sans", size
	return f
}

// roundTicks are about six labels at multiples of 1, 2 or 5 times a power of ten.
type roundTicks struct{}

func (roundTicks) Ticks(low, high float64) (all []plot.Tick) {
	const about = 6
	step := math.Pow(10, math.Floor(math.Log10((high-low)/about)))
	for _, more := range [...]float64{2, 2.5, 2} { // 1, 2, 5, 10
		if (high-low)/step > about+1 {
			step *= more
		}
	}
	if !(step > 0) || math.IsInf(step, 0) {
		return nil
	}
	digits := max(0, -int(math.Floor(math.Log10(step)+1e-9)))
	for k := math.Ceil(low/step - 1e-9); k*step <= high*(1+1e-12)+1e-9*step; k++ {
		all = append(all, plot.Tick{Value: k * step, Label: strings.Replace(strconv.FormatFloat(k*step+0, 'f', digits, 64), "-", "−", 1)})
	}
	return all
}

// logTicks are 1, 2 and 5 times powers of ten, over many decades the powers alone.
type logTicks struct{}

func (logTicks) Ticks(low, high float64) (all []plot.Tick) {
	if !(low > 0) || math.IsInf(high, 0) {
		return nil
	}
	many := high/low > 3e3
	for k := math.Floor(math.Log10(low)); k <= math.Log10(high); k++ {
		for m := 1.; m < 10; m++ {
			v := m * math.Pow(10, k)
			if v < low*(1-1e-9) || v > high*(1+1e-9) {
				continue
			}
			t := plot.Tick{Value: v}
			if m == 1 || !many && (m == 2 || m == 5) {
				t.Label = strconv.FormatFloat(v, 'g', 1, 64)
				if v >= 1e-4 && v < 1e6 {
					t.Label = strconv.FormatFloat(math.Round(v*1e6)/1e6, 'f', -1, 64)
				}
			}
			all = append(all, t)
		}
	}
	return all
}

// above leaves room over what is drawn, for the legend.
func (d *drawing) above(share float64) {
	d.p.Legend.Top = true
	d.p.Y.Max += share * (d.p.Y.Max - d.p.Y.Min)
}

// room leaves a margin about the values of an axis, so that no mark sits on it.
func room(a *plot.Axis) {
	if over := (a.Max - a.Min) * 0.04; over > 0 {
		a.Min, a.Max = a.Min-over, a.Max+over
	}
}

func (d *drawing) fail(err error) {
	if d.err == nil {
		d.err = err
	}
}

func pairs(x, y []float64) plotter.XYs {
	all := make(plotter.XYs, 0, len(x))
	for i := range x {
		if isFinite(x[i]) && isFinite(y[i]) {
			all = append(all, plotter.XY{X: x[i], Y: y[i]})
		}
	}
	return all
}

func isFinite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// thinned keeps the least and the greatest of neighbours, so that no excursion is hidden.
func thinned(all plotter.XYs) plotter.XYs {
	size := 2 * len(all) / mostIn
	if size < 3 {
		return all
	}
	var few plotter.XYs
	for part := range slices.Chunk(all, size) {
		least, most := 0, 0
		for i, p := range part {
			if p.Y < part[least].Y {
				least = i
			}
			if p.Y > part[most].Y {
				most = i
			}
		}
		few = append(few, part[min(least, most)])
		if least != most {
			few = append(few, part[max(least, most)])
		}
	}
	return few
}

// line is one of a few; every other one is dashed.
func (d *drawing) line(name string, x, y []float64, c color.RGBA, second bool) {
	if second {
		d.stroke(name, x, y, c, 1.3, dashed)
		return
	}
	d.stroke(name, x, y, c, 1, nil)
}

func (d *drawing) stroke(name string, x, y []float64, c color.RGBA, thick vg.Length, dashes []vg.Length) {
	all := thinned(pairs(x, y))
	if len(all) == 0 {
		return
	}
	l, err := plotter.NewLine(all)
	if err != nil {
		d.fail(err)
		return
	}
	l.Color, l.Width, l.Dashes = c, thick, dashes
	d.p.Add(l)
	if name != "" {
		d.p.Legend.Add(name, l)
	}
}

func (d *drawing) marks(name string, x, y []float64, c color.RGBA, shape draw.GlyphDrawer) {
	d.sized(name, pairs(x, y), draw.GlyphStyle{Color: c, Radius: 2.6, Shape: shape})
}

// rising and falling are marks of which both are seen where one lies on the other.
func rising() draw.GlyphStyle {
	return draw.GlyphStyle{Color: blue, Radius: 4, Shape: draw.RingGlyph{}}
}
func falling() draw.GlyphStyle {
	return draw.GlyphStyle{Color: vermilion, Radius: 2.2, Shape: draw.PyramidGlyph{}}
}

func (d *drawing) sized(name string, all plotter.XYs, look draw.GlyphStyle) {
	if len(all) == 0 {
		return
	}
	s, err := plotter.NewScatter(all)
	if err != nil {
		d.fail(err)
		return
	}
	s.GlyphStyle = look
	d.p.Add(s)
	if name != "" {
		d.p.Legend.Add(name, s)
	}
}

// spread is a value with an interval.
type spread struct {
	plotter.XYs
	plotter.YErrors
}

func (d *drawing) bars(x, y, u []float64, c color.Color) {
	var s spread
	for i := range x {
		if isFinite(x[i]) && isFinite(y[i]) && isFinite(u[i]) {
			s.XYs = append(s.XYs, plotter.XY{X: x[i], Y: y[i]})
			s.YErrors = append(s.YErrors, struct{ Low, High float64 }{u[i], u[i]})
		}
	}
	if len(s.XYs) == 0 {
		return
	}
	e, err := plotter.NewYErrorBars(s)
	if err != nil {
		d.fail(err)
		return
	}
	e.Color, e.Width, e.CapWidth = c, 0.7, 4
	d.p.Add(e)
}

// shade marks stretches of the time axis, over the whole height.
func (d *drawing) shade(from, to, low, high float64) {
	p, err := plotter.NewPolygon(plotter.XYs{{X: from, Y: low}, {X: to, Y: low}, {X: to, Y: high}, {X: from, Y: high}})
	if err != nil {
		d.fail(err)
		return
	}
	p.Color, p.LineStyle.Width = pale, 0
	d.p.Add(p)
}

func (d *drawing) level(name string, y, from, to float64) {
	d.line(name, []float64{from, to}, []float64{y, y}, dark, true)
}

const margin = 3 // points of white round a drawing, so that nothing touches what stands beside it

// SVG is the drawing as an element of a page, or as a file.
func (d Drawing) SVG() ([]byte, error) {
	c := vgsvg.New(width, d.height)
	d.d.p.Draw(draw.Crop(draw.New(c), margin, -margin, margin, -margin))
	var b bytes.Buffer
	if _, err := c.WriteTo(&b); err != nil {
		return nil, err
	}
	at := bytes.Index(b.Bytes(), []byte("<svg"))
	if at < 0 {
		return nil, fmt.Errorf("%s: the plot library wrote no svg element", d.Name)
	}
	return b.Bytes()[at:], nil
}

// PDF is the drawing as a file of one page.
func (d Drawing) PDF() ([]byte, error) {
	c := western{vgpdf.New(width, d.height)}
	d.d.p.Draw(draw.Crop(draw.New(c), margin, -margin, margin, -margin))
	var b bytes.Buffer
	_, err := c.WriteTo(&b)
	return b.Bytes(), err
}

// western is a PDF whose fonts have the letters of Windows code page 1252, as the library
// embeds them.
type western struct{ *vgpdf.Canvas }

var inWestern = strings.NewReplacer("Ω", "Ohm", "−", "–")

func (c western) FillString(face font.Face, at vg.Point, text string) {
	var bytes []byte
	for _, r := range inWestern.Replace(text) {
		switch {
		case r == '–':
			bytes = append(bytes, '\x96')
		case r < 0x100:
			bytes = append(bytes, byte(r))
		default:
			bytes = append(bytes, '?')
		}
	}
	c.Canvas.FillString(face, at, string(bytes))
}

// timeScale is the unit in which a length of time reads well.
func timeScale(seconds float64) (unit string, factor float64) {
	switch {
	case seconds < 300:
		return "s", 1
	case seconds < 3*3600:
		return "min", 1. / 60
	}
	return "h", 1. / 3600
}

// prefixed is the unit in which a size reads well.
func prefixed(size float64, unit string) (string, float64) {
	for _, p := range [...]struct {
		prefix string
		factor float64
	}{{"M", 1e6}, {"k", 1e3}, {"", 1}, {"m", 1e-3}, {"µ", 1e-6}, {"n", 1e-9}, {"p", 1e-12}} {
		if size >= p.factor {
			return p.prefix + unit, 1 / p.factor
		}
	}
	return unit, 1
}

func times(x []float64, factor, less float64) []float64 {
	y := make([]float64, len(x))
	for i, v := range x {
		y[i] = (v - less) * factor
	}
	return y
}

func largest(x []float64) (most float64) {
	for _, v := range x {
		if a := math.Abs(v); a > most && !math.IsInf(a, 0) {
			most = a
		}
	}
	return most
}

func rangeOf(x []float64) (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, v := range x {
		if isFinite(v) {
			low, high = min(low, v), max(high, v)
		}
	}
	return low, high
}

// overTime is temperature and resistance against time, plateaus shaded, steps marked.
func overTime(r *figures.Results, ended string) []Drawing {
	last := r.R.Last()
	upper := newDrawing("", "temperature / °C")
	low, high := math.Inf(1), math.Inf(-1)
	for _, t := range r.Facts.Thermometers {
		if s := r.T[t.Channel]; s != nil {
			last = max(last, s.Last())
			a, b := rangeOf(s.Y)
			low, high = min(low, a), max(high, b)
		}
	}
	unit, f := timeScale(last)
	var all []Drawing
	switch {
	case len(r.T) == 0:
	case low > high:
		upper.fail(errors.New("no reading of a temperature has a value"))
		all = append(all, Drawing{"temperature-against-time", courseOfRun, "", flat, upper})
	default:
		low, high = apart(low, high)
		upper.course(r, f, low, high, ended)
		for i, t := range r.Facts.Thermometers {
			if s := r.T[t.Channel]; s != nil {
				upper.line(t.Channel, times(s.Time, f, 0), s.Y, palette[i%len(palette)], i%2 == 1)
			}
		}
		names := len(r.T)
		if ended != "" {
			names++
		}
		upper.above(0.08 + 0.13*float64(names))
		all = append(all, Drawing{"temperature-against-time", courseOfRun, "Temperatures. " + courseSays, flat, upper})
	}
	if len(r.R.Time) > 0 {
		lower := newDrawing("", "")
		ohm, g := prefixed(largest(r.R.Y), "Ω")
		lower.p.Y.Label.Text = "resistance / " + ohm
		low, high := rangeOf(r.R.Y)
		if low > high {
			lower.fail(errors.New("no reading of the resistance has a value"))
		}
		low, high = apart(low*g, high*g)
		lower.course(r, f, low, high, ended)
		says := "Resistance."
		if slices.ContainsFunc(r.Shapes, func(s figures.Shape) bool { return s.Cycles > 0 }) {
			says = "Resistance, a point a reading: within a cycle there are too few to be joined."
			lower.sized("", thinned(pairs(times(r.R.Time, f, 0), times(r.R.Y, g, 0))), draw.GlyphStyle{Color: blue, Radius: 1, Shape: draw.CircleGlyph{}})
		} else {
			lower.line("", times(r.R.Time, f, 0), times(r.R.Y, g, 0), blue, false)
		}
		lower.above(map[bool]float64{true: 0.1, false: 0.25}[ended == ""])
		all = append(all, Drawing{"resistance-against-time", courseOfRun, says, flat, lower})
	}
	for _, d := range all {
		d.d.p.X.Label.Text = "time / " + unit
		d.d.p.X.Min, d.d.p.X.Max = 0, last*f
	}
	return all
}

const (
	courseOfRun = "Course of the run"
	courseSays  = "Plateaus from which figures were taken are shaded; dotted lines are where steps of the protocol begin, with their numbers."
)

// apart is a range that has a width.
func apart(low, high float64) (float64, float64) {
	switch {
	case high > low:
		return low, high
	case low > high: // there is none
		return 0, 1
	}
	return low - 0.5, high + 0.5
}

// course is what a plot against time has behind it: plateaus, steps, and how the run ended.
func (d *drawing) course(r *figures.Results, f, low, high float64, ended string) {
	for _, p := range r.Plateaus {
		d.shade(p.From*f, p.To*f, low, high)
	}
	var labels plotter.XYLabels
	span := r.Ended
	past := math.Inf(-1)
	for _, s := range outermost(r.Steps) {
		d.upright("", s.At*f, low, high, grey, dotted)
		if s.At-past > span/40 { // numbers do not stand on each other
			past = s.At
			labels.XYs = append(labels.XYs, plotter.XY{X: s.At * f, Y: high})
			labels.Labels = append(labels.Labels, s.Name)
		}
	}
	d.words(labels)
	if ended != "" {
		d.upright(ended, r.Ended*f, low, high, vermilion, nil)
	}
}

// outermost are the steps by the first numbers of their names: as many of these as do
// not crowd a plot.
func outermost(steps []figures.Step) (few []figures.Step) {
	const most = 30
	for _, depth := range [...]int{2, 1} {
		few = nil
		for _, s := range steps {
			name, _, _ := strings.Cut(s.Name, " ")
			parts := strings.Split(name, ".")
			name = strings.Join(parts[:min(depth, len(parts))], ".")
			if n := len(few); n == 0 || few[n-1].Name != name {
				few = append(few, figures.Step{At: s.At, Name: name})
			}
		}
		if len(few) <= most {
			return few
		}
	}
	return nil
}

// upright is a line across the whole height.
func (d *drawing) upright(name string, x, low, high float64, c color.RGBA, dashes []vg.Length) {
	l, err := plotter.NewLine(plotter.XYs{{X: x, Y: low}, {X: x, Y: high}})
	if err != nil {
		d.fail(err)
		return
	}
	l.Color, l.Width, l.Dashes = c, 0.8, dashes
	if name != "" {
		l.Width = 2
		d.p.Legend.Add(name, l)
	}
	d.p.Add(l)
}

// words are short texts beside points.
func (d *drawing) words(at plotter.XYLabels) {
	if len(at.Labels) == 0 {
		return
	}
	l, err := plotter.NewLabels(at)
	if err != nil {
		d.fail(err)
		return
	}
	for i := range l.TextStyle {
		l.TextStyle[i].Font, l.TextStyle[i].Color = sans(l.TextStyle[i].Font, 9), dark
	}
	l.Offset = vg.Point{X: 5, Y: 2}
	d.p.Add(l)
}

// curve is resistance against temperature, both ways, and what is left of a quadratic.
func curve(r *figures.Results) []Drawing {
	up, down := r.Up, r.Down
	if len(up.T) < 2 {
		return nil
	}
	d := newDrawing("temperature of the film / °C", "")
	rest := newDrawing("temperature of the film / °C", "resistance − fit / Ω")
	fit, err := figures.PolynomialFit(up.T, up.R, min(2, len(up.T)-1))
	if err != nil {
		d.fail(err)
		return []Drawing{{"resistance-against-temperature", "", "", tall, d}}
	}
	at := func(t float64) (v float64) {
		for k := len(fit.B) - 1; k >= 0; k-- {
			v = v*t + fit.B[k]
		}
		return v
	}
	ohm, g := prefixed(largest(up.R), "Ω")
	d.p.Y.Label.Text = "resistance / " + ohm
	low, high := rangeOf(slices.Concat(up.T, down.T))
	var x, y []float64
	for i := range 101 {
		x = append(x, low+(high-low)*float64(i)/100)
		y = append(y, g*at(x[i]))
	}
	d.line(map[bool]string{true: "quadratic", false: "line"}[len(fit.B) > 2]+" through the way up", x, y, dark, true)
	d.sized("rising", pairs(up.T, times(up.R, g, 0)), rising())
	d.sized("falling", pairs(down.T, times(down.R, g, 0)), falling())
	d.p.Legend.Top, d.p.Legend.Left = true, y[len(y)-1] > y[0] // in the corner that the curve leaves free
	for _, b := range [...]struct {
		c    figures.Curve
		look draw.GlyphStyle
		name string
	}{{up, rising(), "rising"}, {down, falling(), "falling"}} {
		left, u := make([]float64, len(b.c.T)), make([]float64, len(b.c.T))
		for i, t := range b.c.T {
			left[i] = b.c.R[i] - at(t)
			if b.c.UR != nil {
				u[i] = 2 * math.Hypot(b.c.UR[i], slopeAt(fit.B, t)*uOf(b.c.UT, i))
			}
		}
		rest.bars(b.c.T, left, u, b.look.Color)
		rest.sized(b.name, pairs(b.c.T, left), b.look)
	}
	rest.level("", 0, low, high)
	for _, p := range [...]*drawing{d, rest} {
		room(&p.p.X)
		room(&p.p.Y)
	}
	rest.above(0.25)
	const section = "Resistance against temperature"
	return []Drawing{{"resistance-against-temperature", section, "One point a plateau.", tall, d},
		{"residuals", section, "What is left of the fit through the way up; bars are ±2 standard uncertainties of each point by itself. Errors that all points share (thermometer, meter) are not in the bars.", flat, rest}}
}

func uOf(u []float64, i int) float64 {
	if u == nil {
		return 0
	}
	return u[i]
}

func slopeAt(b []float64, t float64) (slope float64) {
	for k := len(b) - 1; k >= 1; k-- {
		slope = slope*t + float64(k)*b[k]
	}
	return slope
}

// responses are the steps on top of each other, as a share of each, with the first-order
// fit of the first of each kind.
func responses(r *figures.Results) []Drawing {
	if len(r.Transients) == 0 {
		return nil
	}
	longest := 0.
	for _, tr := range r.Transients {
		longest = max(longest, 4*reached(tr, 0.9))
	}
	unit, f := timeScale(longest)
	d := newDrawing("time since the specimen was moved / "+unit, "share of the step / %")
	since := func(tr figures.Transient, t, y []float64) (x, share []float64) {
		for i := range t {
			if s := t[i] - tr.Start; s >= -longest/20 && s <= longest {
				x, share = append(x, s*f), append(share, 100*(y[i]-tr.Base)/(tr.Final-tr.Base))
			}
		}
		return x, share
	}
	inks := map[string]color.RGBA{"response": sky, "recovery": orange}
	seen := map[string]bool{}
	for _, tr := range r.Transients {
		name := tr.Name
		if seen[name] {
			name = ""
		}
		seen[tr.Name] = true
		x, y := since(tr, tr.Time, tr.Y)
		d.stroke(name, x, y, inks[tr.Name], 2, nil)
	}
	for name, dashes := range map[string][]vg.Length{"response": dashed, "recovery": dotted} {
		at := slices.IndexFunc(r.Transients, func(tr figures.Transient) bool { return tr.Name == name })
		if at < 0 {
			continue
		}
		if t, y, err := r.Transients[at].Fitted(); err == nil { // why not, is told with the figures
			x, share := since(r.Transients[at], t, y)
			d.stroke("first-order fit, "+name, x, share, dark, 1, dashes)
		}
	}
	for _, share := range [...]float64{100 * (1 - 1/math.E), 90} {
		d.stroke("", []float64{0, longest * f}, []float64{share, share}, grey, 0.8, dashed)
	}
	d.words(plotter.XYLabels{XYs: plotter.XYs{{X: longest * f * 0.9, Y: 100 * (1 - 1/math.E)}, {X: longest * f * 0.9, Y: 90}}, Labels: []string{"63.2 %", "90 %"}})
	d.p.Legend.Top = false
	return []Drawing{{"response", "Response and recovery", "Every step as a share of its own height, from the moment the specimen was moved; the fits are of the first of each kind.", tall, d}}
}

func reached(tr figures.Transient, share float64) float64 {
	for i, t := range tr.Time {
		if (tr.Y[i]-tr.Base)/(tr.Final-tr.Base) >= share && t > tr.Start {
			return t - tr.Start
		}
	}
	return tr.Time[len(tr.Time)-1] - tr.Start
}

// sweeps are current against voltage, of many the first and the last.
func sweeps(r *figures.Results) []Drawing {
	if len(r.Sweeps) == 0 {
		return nil
	}
	volts, amps := 0., 0.
	for _, s := range r.Sweeps {
		volts, amps = max(volts, largest(s.V)), max(amps, largest(s.I))
	}
	v, f := prefixed(volts, "V")
	i, g := prefixed(amps, "A")
	d := newDrawing("voltage / "+v, "current / "+i)
	for k, s := range []figures.Sweep{r.Sweeps[0], r.Sweeps[len(r.Sweeps)-1]}[:min(2, len(r.Sweeps))] {
		d.stroke("", times(s.V, f, 0), times(s.I, g, 0), palette[k], 1, [][]vg.Length{nil, dashed}[k])
		d.marks(s.Rows, times(s.V, f, 0), times(s.I, g, 0), palette[k], [...]draw.GlyphDrawer{draw.CircleGlyph{}, draw.TriangleGlyph{}}[k])
	}
	d.p.Legend.Top, d.p.Legend.Left = true, true
	room(&d.p.X)
	room(&d.p.Y)
	caption := "The sweep."
	if len(r.Sweeps) > 1 {
		caption = fmt.Sprintf("The first and the last of %d sweeps.", len(r.Sweeps))
	}
	return []Drawing{{"current-against-voltage", "Current against voltage", caption, tall, d}}
}

// allan is the Allan deviation against averaging time, both axes logarithmic.
func allan(r *figures.Results) []Drawing {
	if len(r.Allan) < 2 || !(r.Interval > 0) {
		return nil
	}
	var x, y, u []float64
	for _, a := range r.Allan {
		if a.Deviation > 0 {
			x, y, u = append(x, float64(a.Averaging)*r.Interval), append(y, a.Deviation), append(u, min(2*a.U, 0.9*a.Deviation))
		}
	}
	if len(x) < 2 {
		return nil
	}
	d := newDrawing("averaging time / s", "Allan deviation / Ω")
	d.p.X.Scale, d.p.Y.Scale = plot.LogScale{}, plot.LogScale{}
	d.p.X.Tick.Marker, d.p.Y.Tick.Marker = logTicks{}, logTicks{}
	d.bars(x, y, u, blue)
	d.line("", x, y, blue, false)
	d.marks("", x, y, blue, draw.CircleGlyph{})
	least, most := math.Inf(1), 0.
	for i := range y {
		least, most = min(least, y[i]-u[i]), max(most, y[i]+u[i])
	}
	d.p.Y.Min, d.p.Y.Max = least/1.2, 1.2*most
	d.p.X.Min, d.p.X.Max = x[0]/1.2, 1.2*x[len(x)-1]
	return []Drawing{{"allan-deviation", "Noise", "Overlapping Allan deviation; bars are ±2 standard uncertainties.", tall, d}}
}

// drift is the change of resistance against time.
func drift(r *figures.Results) []Drawing {
	t := r.Trend
	if len(t.Time) < 2 {
		return nil
	}
	unit, f := timeScale(t.Time[len(t.Time)-1] - t.Time[0])
	d := newDrawing("time / "+unit, "change of resistance / ppm")
	fit, err := figures.LineFit(times(t.Time, 1, t.Time[0]), t.R)
	if err != nil {
		d.fail(err)
	} else {
		d.line("readings", times(t.Time, f, t.Time[0]), times(t.R, 1e6/fit.B[0], fit.B[0]), sky, false)
		end := t.Time[len(t.Time)-1] - t.Time[0]
		d.stroke("least-squares line", []float64{0, end * f}, []float64{0, 1e6 * fit.B[1] * end / fit.B[0]}, dark, 1.6, dashed)
	}
	d.above(0.2)
	return []Drawing{{"drift", "Drift", "Relative to the fitted start.", tall, d}}
}

// bends are the change of resistance with strain before the first cycles, with the radii
// beside the points, and with the count of cycles, each shape apart; both in % of the first
// flat value.
func bends(r *figures.Results) []Drawing {
	at := slices.IndexFunc(r.Shapes, func(s figures.Shape) bool { return s.RadiusM == 0 })
	if at < 0 || len(r.Shapes) < 3 {
		return nil
	}
	r0 := r.Shapes[at].R
	least := "flat"
	if r.Shapes[at].MeanStrain > 0 { // folded between plates it is never flat
		least = "bent least"
	}
	strained := newDrawing("mean strain of the film / %", "change of resistance / %")
	worn := newDrawing("cycles", "change of resistance / %")
	var strain [3][]float64                      // strain, change, interval
	byRadius := map[float64]*[2][]float64{0: {}} // cycles, change
	bent := []float64{0}
	var radii plotter.XYLabels
	most := 0.
	for _, s := range r.Shapes {
		change, u := 100*(s.R/r0-1), 200*s.U/r0
		most = max(most, s.Cycles)
		if s.Cycles == 0 {
			strain[0], strain[1], strain[2] = append(strain[0], 100*s.MeanStrain), append(strain[1], change), append(strain[2], u)
			label := least
			if s.RadiusM > 0 {
				label = fmt.Sprintf("r = %.3g mm", 1e3*s.RadiusM)
			}
			if !slices.Contains(radii.Labels, label) {
				radii.XYs, radii.Labels = append(radii.XYs, plotter.XY{X: 100 * s.MeanStrain, Y: change}), append(radii.Labels, label)
			}
		}
		to := byRadius[s.RadiusM]
		if to == nil {
			to = &[2][]float64{}
			byRadius[s.RadiusM], bent = to, append(bent, s.RadiusM)
		}
		to[0], to[1] = append(to[0], s.Cycles), append(to[1], change)
	}
	strained.bars(strain[0], strain[1], strain[2], blue)
	strained.marks("", strain[0], strain[1], blue, draw.CircleGlyph{})
	strained.words(radii)
	flat := byRadius[0]
	worn.line("", flat[0], flat[1], blue, false)
	for k, radius := range bent {
		name, glyph := least, draw.GlyphDrawer(draw.CircleGlyph{})
		switch {
		case k > 0 && len(bent) == 2:
			name, glyph = "bent", draw.RingGlyph{}
		case k > 0:
			name, glyph = fmt.Sprintf("r = %.3g mm", 1e3*radius), [...]draw.GlyphDrawer{draw.RingGlyph{}, draw.TriangleGlyph{}, draw.SquareGlyph{}}[(k-1)%3]
		}
		worn.marks(name, byRadius[radius][0], byRadius[radius][1], palette[k%len(palette)], glyph)
	}
	worn.p.Legend.Left = true
	all := []Drawing{{"change-against-strain", "Bending", "Before the first cycles, against strain, with the radius of each shape (that of the neutral plane); each value brought to one temperature; bars are ±2 standard uncertainties.", tall, strained}}
	if most > 0 {
		all = append(all, Drawing{"change-against-cycles", "Bending", "Against the count of cycles, in the shapes it was measured in.", tall, worn})
	}
	for _, d := range all {
		room(&d.d.p.X)
		room(&d.d.p.Y)
	}
	worn.above(0.08 * float64(len(bent)))                           // a line of the legend each
	strained.p.X.Max += 0.1 * (strained.p.X.Max - strained.p.X.Min) // for the words at the last point
	return all
}
