package report

import (
	"bytes"
	"fmt"
	"html/template"
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
	dark      = color.RGBA{0x33, 0x33, 0x33, 0xff}
	pale      = color.RGBA{0xe8, 0xee, 0xf2, 0xff}
)

var palette = []color.RGBA{blue, vermilion, green, purple, dark}

const (
	width  = 17 * vg.Centimeter
	tall   = 8.5 * vg.Centimeter
	flat   = 6 * vg.Centimeter
	mostIn = 1500 // points of a line; more are drawn as the range of neighbours
)

// drawing is a plot on its way to the page.
type drawing struct {
	p   *plot.Plot
	err error
}

func newDrawing(x, y string) *drawing {
	p := plot.New()
	sans := func(f font.Font, size vg.Length) font.Font {
		f.Variant, f.Size = "Sans", size
		return f
	}
	p.X.Label.Text, p.Y.Label.Text = x, y
	for _, a := range [...]*plot.Axis{&p.X, &p.Y} {
		a.Label.TextStyle.Font = sans(a.Label.TextStyle.Font, 9)
		a.Tick.Label.Font = sans(a.Tick.Label.Font, 8)
		a.Padding = 5
		a.Tick.Marker = roundTicks{}
	}
	p.Legend.TextStyle.Font = sans(p.Legend.TextStyle.Font, 8)
	p.Legend.ThumbnailWidth = 16
	p.Legend.Padding = 1
	grid := plotter.NewGrid()
	grid.Vertical.Color, grid.Horizontal.Color = color.Gray{0xdd}, color.Gray{0xdd}
	grid.Vertical.Width, grid.Horizontal.Width = 0.4, 0.4
	p.Add(grid)
	return &drawing{p: p}
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
		for _, m := range [...]float64{1, 2, 5} {
			v := m * math.Pow(10, k)
			if v < low*(1-1e-9) || v > high*(1+1e-9) {
				continue
			}
			t := plot.Tick{Value: v}
			if m == 1 || !many {
				t.Label = strconv.FormatFloat(v, 'g', 1, 64)
			}
			all = append(all, t)
		}
	}
	return all
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
		if !math.IsNaN(y[i]) && !math.IsInf(y[i], 0) {
			all = append(all, plotter.XY{X: x[i], Y: y[i]})
		}
	}
	return all
}

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

func (d *drawing) line(name string, x, y []float64, c color.RGBA, dashed bool) {
	all := thinned(pairs(x, y))
	if len(all) == 0 {
		return
	}
	l, err := plotter.NewLine(all)
	if err != nil {
		d.fail(err)
		return
	}
	l.Color, l.Width = c, 0.9
	if dashed {
		l.Dashes = []vg.Length{4, 2}
	}
	d.p.Add(l)
	if name != "" {
		d.p.Legend.Add(name, l)
	}
}

func (d *drawing) marks(name string, x, y []float64, c color.RGBA, shape draw.GlyphDrawer) {
	all := pairs(x, y)
	if len(all) == 0 {
		return
	}
	s, err := plotter.NewScatter(all)
	if err != nil {
		d.fail(err)
		return
	}
	s.GlyphStyle = draw.GlyphStyle{Color: c, Radius: 2.6, Shape: shape}
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

func (d *drawing) bars(x, y, u []float64, c color.RGBA) {
	var s spread
	for i := range x {
		s.XYs = append(s.XYs, plotter.XY{X: x[i], Y: y[i]})
		s.YErrors = append(s.YErrors, struct{ Low, High float64 }{u[i], u[i]})
	}
	if len(x) == 0 {
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

// svg is the drawing as an element of the page.
func (d *drawing) svg(height vg.Length) (template.HTML, error) {
	if d.err != nil {
		return "", d.err
	}
	c := vgsvg.New(width, height)
	d.p.Draw(draw.New(c))
	var b bytes.Buffer
	if _, err := c.WriteTo(&b); err != nil {
		return "", err
	}
	text := b.Bytes()
	at := bytes.Index(text, []byte("<svg"))
	if at < 0 {
		return "", fmt.Errorf("the plot library wrote no svg element")
	}
	return template.HTML(text[at:]), nil // from our own numbers and escaped by the library
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
		if !math.IsNaN(v) {
			low, high = min(low, v), max(high, v)
		}
	}
	return low, high
}

// overTime is temperature and resistance against time, plateaus shaded; ended is how the
// run ended where it was not completed.
func overTime(r *figures.Results, ended string) (all []template.HTML, err error) {
	last := 0.
	if n := len(r.R.Time); n > 0 {
		last = r.R.Time[n-1]
	}
	for _, t := range r.Facts.Thermometers {
		if s := r.T[t.Channel]; s != nil {
			last = max(last, s.Time[len(s.Time)-1])
		}
	}
	unit, f := timeScale(last)
	upper := newDrawing("time / "+unit, "temperature / °C")
	low, high := math.Inf(1), math.Inf(-1)
	for _, s := range r.T {
		a, b := rangeOf(s.Y)
		low, high = min(low, a), max(high, b)
	}
	shadeAll(upper, r, f, low, high)
	for i, t := range r.Facts.Thermometers {
		if s := r.T[t.Channel]; s != nil {
			upper.line(t.Channel, times(s.Time, f, 0), s.Y, palette[i%len(palette)], i%2 == 1)
		}
	}
	upper.p.Legend.Top = true
	if high > low {
		upper.p.Y.Max = high + 0.25*(high-low) // for the legend
	}
	if ended != "" {
		upper.line(ended, []float64{r.Ended * f, r.Ended * f}, []float64{low, high}, purple, false)
	}
	lower := newDrawing("time / "+unit, "")
	if len(r.R.Time) > 0 {
		ohm, g := prefixed(largest(r.R.Y), "Ω")
		lower.p.Y.Label.Text = "resistance / " + ohm
		low, high = rangeOf(r.R.Y)
		shadeAll(lower, r, f, low*g, high*g)
		lower.line("", times(r.R.Time, f, 0), times(r.R.Y, g, 0), blue, false)
	}
	for _, d := range [...]*drawing{upper, lower} {
		d.p.X.Min, d.p.X.Max = 0, last*f
		svg, err := d.svg(flat)
		if err != nil {
			return nil, err
		}
		all = append(all, svg)
	}
	return all, nil
}

func shadeAll(d *drawing, r *figures.Results, f, low, high float64) {
	if !(high > low) {
		return
	}
	for _, p := range r.Plateaus {
		d.shade(p.From*f, p.To*f, low, high)
	}
}

// curve is resistance against temperature, both ways, and what is left of a quadratic.
func curve(r *figures.Results) (all []template.HTML, err error) {
	up, down := r.Up, r.Down
	if len(up.T) < 2 {
		return nil, nil
	}
	fit, err := figures.PolynomialFit(up.T, up.R, min(2, len(up.T)-1))
	if err != nil {
		return nil, err
	}
	at := func(t float64) (v float64) {
		for k := len(fit.B) - 1; k >= 0; k-- {
			v = v*t + fit.B[k]
		}
		return v
	}
	ohm, g := prefixed(largest(up.R), "Ω")
	d := newDrawing("temperature of the film / °C", "resistance / "+ohm)
	low, high := rangeOf(slices.Concat(up.T, down.T))
	var x, y []float64
	for i := range 101 {
		x = append(x, low+(high-low)*float64(i)/100)
		y = append(y, g*at(x[i]))
	}
	d.line(map[bool]string{true: "quadratic", false: "line"}[len(fit.B) > 2]+" through the way up", x, y, dark, true)
	d.marks("rising", up.T, times(up.R, g, 0), blue, draw.CircleGlyph{})
	d.marks("falling", down.T, times(down.R, g, 0), vermilion, draw.TriangleGlyph{})
	d.p.Legend.Top = true
	rest := newDrawing("temperature of the film / °C", "resistance − fit / Ω")
	for _, b := range [...]struct {
		c     figures.Curve
		ink   color.RGBA
		shape draw.GlyphDrawer
	}{{up, blue, draw.CircleGlyph{}}, {down, vermilion, draw.TriangleGlyph{}}} {
		left, u := make([]float64, len(b.c.T)), make([]float64, len(b.c.T))
		for i, t := range b.c.T {
			left[i] = b.c.R[i] - at(t)
			if b.c.UR != nil {
				u[i] = 2 * math.Hypot(b.c.UR[i], slopeAt(fit.B, t)*uOf(b.c.UT, i))
			}
		}
		rest.bars(b.c.T, left, u, b.ink)
		rest.marks("", b.c.T, left, b.ink, b.shape)
	}
	rest.level("", 0, low, high)
	for i, p := range [...]*drawing{d, rest} {
		room(&p.p.X)
		room(&p.p.Y)
		svg, err := p.svg([...]vg.Length{tall, flat}[i])
		if err != nil {
			return nil, err
		}
		all = append(all, svg)
	}
	return all, nil
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

// responses are the steps on top of each other, as a share of each.
func responses(r *figures.Results) (template.HTML, error) {
	if len(r.Transients) == 0 {
		return "", nil
	}
	longest := 0.
	for _, tr := range r.Transients {
		longest = max(longest, 4*reached(tr, 0.9))
	}
	unit, f := timeScale(longest)
	d := newDrawing("time since the specimen was moved / "+unit, "share of the step / %")
	seen := map[string]bool{}
	for _, tr := range r.Transients {
		ink, dashed := blue, false
		if tr.Name == "recovery" {
			ink, dashed = vermilion, true
		}
		var x, y []float64
		for i, t := range tr.Time {
			if since := t - tr.Start; since >= -longest/20 && since <= longest {
				x, y = append(x, since*f), append(y, 100*(tr.Y[i]-tr.Base)/(tr.Final-tr.Base))
			}
		}
		name := tr.Name
		if seen[name] {
			name = ""
		}
		seen[tr.Name] = true
		d.line(name, x, y, ink, dashed)
	}
	d.level("63.2 % and 90 %", 100*(1-1/math.E), 0, longest*f)
	d.level("", 90, 0, longest*f)
	d.p.Legend.Top = false
	return d.svg(tall)
}

func reached(tr figures.Transient, share float64) float64 {
	for i, t := range tr.Time {
		if (tr.Y[i]-tr.Base)/(tr.Final-tr.Base) >= share && t > tr.Start {
			return t - tr.Start
		}
	}
	return tr.Time[len(tr.Time)-1] - tr.Start
}

// sweeps are current against voltage.
func sweeps(r *figures.Results) (template.HTML, error) {
	if len(r.Sweeps) == 0 {
		return "", nil
	}
	volts, amps := 0., 0.
	for _, s := range r.Sweeps {
		volts, amps = max(volts, largest(s.V)), max(amps, largest(s.I))
	}
	v, f := prefixed(volts, "V")
	i, g := prefixed(amps, "A")
	d := newDrawing("voltage / "+v, "current / "+i)
	for k, s := range r.Sweeps {
		if k > 0 && k < len(r.Sweeps)-1 && len(r.Sweeps) > len(palette) {
			continue // the first and the last of many
		}
		ink := palette[min(k, 1)]
		d.line("", times(s.V, f, 0), times(s.I, g, 0), ink, k > 0)
		d.marks(s.Rows, times(s.V, f, 0), times(s.I, g, 0), ink, [...]draw.GlyphDrawer{draw.CircleGlyph{}, draw.TriangleGlyph{}}[min(k, 1)])
	}
	d.p.Legend.Top, d.p.Legend.Left = true, true
	room(&d.p.X)
	room(&d.p.Y)
	return d.svg(tall)
}

// allan is the Allan deviation against averaging time, both axes logarithmic.
func allan(r *figures.Results) (template.HTML, error) {
	if len(r.Allan) < 2 || !(r.Interval > 0) {
		return "", nil
	}
	var x, y, u []float64
	for _, a := range r.Allan {
		if a.Deviation > 0 {
			x, y, u = append(x, float64(a.Averaging)*r.Interval), append(y, a.Deviation), append(u, min(2*a.U, 0.9*a.Deviation))
		}
	}
	if len(x) < 2 {
		return "", nil
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
	return d.svg(tall)
}

// drift is the change of resistance against time.
func drift(r *figures.Results) (template.HTML, error) {
	t := r.Trend
	if len(t.Time) < 2 {
		return "", nil
	}
	fit, err := figures.LineFit(times(t.Time, 1, t.Time[0]), t.R)
	if err != nil {
		return "", err
	}
	unit, f := timeScale(t.Time[len(t.Time)-1] - t.Time[0])
	d := newDrawing("time / "+unit, "change of resistance / ppm")
	d.line("readings", times(t.Time, f, t.Time[0]), times(t.R, 1e6/fit.B[0], fit.B[0]), blue, false)
	end := t.Time[len(t.Time)-1] - t.Time[0]
	d.line("least-squares line", []float64{0, end * f}, []float64{0, 1e6 * fit.B[1] * end / fit.B[0]}, vermilion, true)
	d.p.Legend.Top = true
	return d.svg(tall)
}

// bends are the change of resistance with strain before the first cycles, and with the
// count of cycles, flat and bent apart; both in % of the first flat value.
func bends(r *figures.Results) (all []template.HTML, err error) {
	at := slices.IndexFunc(r.Shapes, func(s figures.Shape) bool { return s.RadiusM == 0 })
	if at < 0 || len(r.Shapes) < 3 {
		return nil, nil
	}
	r0 := r.Shapes[at].R
	strained := newDrawing("mean strain of the film / %", "change of resistance / %")
	worn := newDrawing("cycles", "change of resistance / %")
	var flat, bent [3][]float64 // strain or cycles, change, interval
	var strain [3][]float64
	most := 0.
	for _, s := range r.Shapes {
		change, u := 100*(s.R/r0-1), 200*s.U/r0
		most = max(most, s.Cycles)
		if s.Cycles == 0 {
			strain[0], strain[1], strain[2] = append(strain[0], 100*s.MeanStrain), append(strain[1], change), append(strain[2], u)
		}
		to := &bent
		if s.RadiusM == 0 {
			to = &flat
		}
		to[0], to[1], to[2] = append(to[0], s.Cycles), append(to[1], change), append(to[2], u)
	}
	strained.bars(strain[0], strain[1], strain[2], blue)
	strained.marks("", strain[0], strain[1], blue, draw.CircleGlyph{})
	worn.line("flat", flat[0], flat[1], blue, false)
	worn.marks("", flat[0], flat[1], blue, draw.CircleGlyph{})
	worn.marks("bent", bent[0], bent[1], vermilion, draw.TriangleGlyph{})
	worn.p.Legend.Top, worn.p.Legend.Left = true, true
	drawn := []*drawing{strained}
	if most > 0 {
		drawn = append(drawn, worn)
	}
	for _, d := range drawn {
		room(&d.p.X)
		room(&d.p.Y)
		svg, err := d.svg(tall)
		if err != nil {
			return nil, err
		}
		all = append(all, svg)
	}
	return all, nil
}
