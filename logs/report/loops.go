package report

import (
	"fmt"
	"slices"

	"dwell/logs/figures"

	"gonum.org/v1/plot/vg/draw"
)

// loops are the resistance against curvature within cycles, and what is left of it beside a
// parabola through both ways, where a narrow loop shows: of many loops the first and the
// last.
func loops(r *figures.Results) []Drawing {
	if len(r.Loops) == 0 {
		return nil
	}
	whole := newDrawing("curvature / (1/m)", "change of resistance / %")
	apart := newDrawing("curvature / (1/m)", "beside the mean course / ppm")
	few := []figures.Loop{r.Loops[0], r.Loops[len(r.Loops)-1]}[:min(2, len(r.Loops))]
	for k, l := range few {
		var curvature, ohm []float64
		for _, in := range l.Inside {
			curvature, ohm = append(curvature, in.PerM), append(ohm, in.R)
		}
		fit, err := figures.PolynomialFit(curvature, ohm, 2)
		if err != nil {
			whole.fail(err)
			break
		}
		least := slices.Min(curvature)
		flat, _ := fit.At(1, least, least*least) // of the strip as it is bent least
		for way, name := range [...]string{"out", "back"} {
			var x, y, left []float64
			for i, in := range l.Inside {
				if in.Out == (way == 0) {
					x, y, left = append(x, in.PerM), append(y, 100*(in.R/flat-1)), append(left, 1e6*fit.Residuals[i]/flat)
				}
			}
			if len(few) > 1 {
				name = fmt.Sprintf("%s, after %.0f cycles", name, l.Cycles)
			}
			shape := [...]draw.GlyphDrawer{draw.CircleGlyph{}, draw.RingGlyph{}}[way]
			whole.marks(name, x, y, palette[2*k+way], shape)
			apart.marks(name, x, left, palette[2*k+way], shape)
		}
	}
	whole.p.Legend.Left = true
	for _, d := range [...]*drawing{whole, apart} {
		room(&d.p.X)
		room(&d.p.Y)
		d.above(0.35)
	}
	caption := fmt.Sprintf("Within cycles of %.3g s, relative to the strip as it is bent least; positions by a model of the stage's motion.", few[0].PeriodS)
	return []Drawing{{"resistance-within-a-cycle", "Within a cycle", caption, tall, whole},
		{"loop-within-a-cycle", "Within a cycle", "The same less a parabola through both ways: what the way back differs from the way out by.", tall, apart}}
}
