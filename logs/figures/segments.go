package figures

import (
	"cmp"
	"container/heap"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// Segment is a stretch of a record in time: readings From … To-1.
type Segment struct {
	Kind       string // "plateau", "ramp" or "step"
	From, To   int
	Start, End float64 // s
	Level      float64 // plateau: mean
	ULevel     float64 // its standard uncertainty, neighbours being alike
	Change     float64 // from beginning to end
	Rate       float64 // per s: ramp, its rate; plateau, what it still creeps
	Wild       int     // readings of a plateau that lie far out and are left out of Level
}

// Found says by what a record was divided, so that nobody has to guess.
type Found struct {
	Segments []Segment
	Noise    float64 // standard deviation of a reading, from second differences
	Span     float64 // of the record
	FlatRate float64 // per s, below which a stretch is a plateau: a tenth of the rate at which half of all change happens
	Averaged int     // readings averaged before the search
	Gaps     []Gap   // that ended a plateau
}

// Gap is a time within a plateau in which nothing was read.
type Gap struct{ From, To float64 } // s

// MarshalJSON leaves out the level of what is no plateau: it has none, and JSON no word
// for that.
func (s Segment) MarshalJSON() ([]byte, error) {
	type plain Segment
	given := struct {
		plain
		Level, ULevel *float64 `json:",omitempty"`
	}{plain: plain(s)}
	if s.Kind == "plateau" {
		given.Level, given.ULevel = &s.Level, &s.ULevel
	}
	return json.Marshal(given)
}

const (
	mostBlocks    = 20000 // a longer record is averaged down before it is divided
	leastReadings = 8     // of a plateau
	flatShare     = 0.1   // of the usual rate of change
	smallShare    = 0.015 // of the span: movements one way below it are no transition (a plate that cycles)
	creepShare    = 0.05  // of the span: what creeps farther is a ramp
	shortShare    = 0.2   // of the shorter neighbour: shorter stillness is a turning point
)

// Segments divides a record of a temperature into plateaus, ramps and steps, from the
// data alone. Single readings far out are passed over (running median of five). A record
// that stays within 1 K is one plateau. The bounds are those of the temperature read: a film
// may still be on its way. All shares above are common practice without source; the result
// is there to be looked at and corrected.
func Segments(t, y []float64) (Found, error) {
	if err := fittable(y, t); err != nil {
		return Found{}, err
	}
	for i := 1; i < len(t); i++ {
		if !(t[i] > t[i-1]) {
			return Found{}, fmt.Errorf("time stands still or runs back at reading %d (%.9g s after %.9g s)", i+1, t[i], t[i-1])
		}
	}
	if len(t) < leastReadings {
		return Found{}, fmt.Errorf("%d readings are too few to find a plateau in, at least %d are needed", len(t), leastReadings)
	}
	f := Found{Averaged: (len(y) + mostBlocks - 1) / mostBlocks, Noise: noiseOf(y)}
	tame := medianOfFive(y)
	low, high := extremes(tame)
	f.Span = high - low
	if f.held() {
		f.FlatRate = math.Inf(1)
		f.Segments = []Segment{f.segment(t, y, 0, len(y), true)}
		f.endAtGaps(t, y)
		return f, nil
	}
	pieces := f.pieces(t, tame)
	for range 3 {
		if !sharpen(t, tame, pieces) {
			break
		}
	}
	pieces = f.jumps(t, tame, pieces)
	f.FlatRate = flatShare * f.usualRate(pieces)
	f.join(t, y, f.flat(pieces), pieces)
	f.endAtGaps(t, y)
	return f, nil
}

// held tells a record in which the temperature only wanders about one level: nothing in it is
// another temperature.
func (f Found) held() bool { return f.Span < nearEnough }

// longGap is how many usual intervals without a reading are more than readings lost: what
// the temperature did meanwhile is not known. Common practice, no source.
const longGap = 30

// endAtGaps ends plateaus where readings are missing for long, and begins others after.
func (f *Found) endAtGaps(t, y []float64) {
	var all []Segment
	limit := longGap * usualStep(t)
	for _, s := range f.Segments {
		from, gaps := s.From, len(f.Gaps)
		for i := s.From + 1; s.Kind == "plateau" && i < s.To; i++ {
			if t[i]-t[i-1] > limit {
				f.Gaps = append(f.Gaps, Gap{t[i-1], t[i]})
				all = f.with(all, t, y, from, i)
				from = i
			}
		}
		if gaps == len(f.Gaps) {
			all = append(all, s)
		} else {
			all = f.with(all, t, y, from, s.To)
		}
	}
	f.Segments = all
}

// with is the segments and a plateau of readings from … to-1, if they are enough for one.
func (f *Found) with(all []Segment, t, y []float64, from, to int) []Segment {
	if to-from < leastReadings {
		return all
	}
	return append(all, f.segment(t, y, from, to, true))
}

// noiseOf is the scatter of a reading, from second differences, which ramps do not enter.
// Of readings in coarse steps it is at least that of the steps.
func noiseOf(y []float64) float64 {
	d, quantum := make([]float64, 0, len(y)), math.Inf(1)
	for i := 2; i < len(y); i++ {
		d = append(d, math.Abs(y[i]-2*y[i-1]+y[i-2]))
		if s := math.Abs(y[i] - y[i-1]); s > 0 {
			quantum = min(quantum, s)
		}
	}
	noise := median(d) / 0.6745 / math.Sqrt(6) // median of |normal|
	low, high := extremes(y)
	if noise == 0 && !math.IsInf(quantum, 1) {
		noise = min(quantum, (high-low)/20) / math.Sqrt(12)
	}
	return max(noise, 1e-9*max(high-low, math.Abs(high)), math.SmallestNonzeroFloat64)
}

func medianOfFive(y []float64) []float64 {
	m := make([]float64, len(y))
	var five [5]float64
	for i := range y {
		near := five[:copy(five[:], y[max(0, i-2):min(len(y), i+3)])]
		slices.Sort(near)
		m[i] = (near[(len(near)-1)/2] + near[len(near)/2]) / 2
	}
	return m
}

// piece is a straight line through blocks of readings, as sums about the means.
type piece struct {
	from, to              int // readings
	n, mt, my, tt, ty, yy float64
	left, right, index    int // neighbours and own place; left < 0: none
	gone                  bool
	firstTime, lastTime   float64
}

func (p piece) slope() float64 {
	if p.tt == 0 {
		return 0
	}
	return p.ty / p.tt
}

func (p piece) change() float64 { return p.slope() * (p.lastTime - p.firstTime) }

func (p piece) rest() float64 {
	if p.tt == 0 {
		return 0
	}
	return max(0, p.yy-p.ty*p.ty/p.tt)
}

func (p piece) with(q piece) piece {
	n := p.n + q.n
	dt, dy, w := q.mt-p.mt, q.my-p.my, p.n*q.n/n
	p.mt, p.my = p.mt+dt*q.n/n, p.my+dy*q.n/n
	p.tt, p.ty, p.yy = p.tt+q.tt+w*dt*dt, p.ty+q.ty+w*dt*dy, p.yy+q.yy+w*dy*dy
	p.n, p.to, p.lastTime, p.right = n, q.to, q.lastTime, q.right
	return p
}

// merge is a pair of neighbours that could be one line.
type merge struct {
	cost        float64
	left, right int
	sizes       float64 // of both when priced: an old price is void
}

type merges []merge

func (m merges) Len() int { return len(m) }
func (m merges) Less(i, j int) bool {
	return m[i].cost < m[j].cost || m[i].cost == m[j].cost && m[i].left < m[j].left
}
func (m merges) Swap(i, j int) { m[i], m[j] = m[j], m[i] }
func (m *merges) Push(x any)   { *m = append(*m, x.(merge)) }
func (m *merges) Pop() any {
	last := (*m)[len(*m)-1]
	*m = (*m)[:len(*m)-1]
	return last
}

// pieces joins neighbouring lines as long as one line does about as well, cheapest
// first: the price of a further line is that of three numbers more (Schwarz).
func (f Found) pieces(t, y []float64) []piece {
	const start = 3 // blocks a piece begins with
	size := start * f.Averaged
	var p []piece
	for from := 0; from < len(y); from += size {
		to := min(len(y), from+size)
		q := piece{from: from, to: to, left: len(p) - 1, right: len(p) + 1, index: len(p), firstTime: t[from], lastTime: t[to-1]}
		for i := from; i < to; i += f.Averaged {
			end := min(to, i+f.Averaged)
			one := piece{n: 1, mt: MomentsOf(t[i:end]).Mean, my: MomentsOf(y[i:end]).Mean}
			one.from, one.to, one.left, one.right, one.index, one.firstTime, one.lastTime = q.from, q.to, q.left, q.right, q.index, q.firstTime, q.lastTime
			if q.n == 0 {
				q = one
			} else {
				q = q.with(one)
			}
		}
		p = append(p, q)
	}
	p[len(p)-1].right = -1
	noise := f.Noise / math.Sqrt(float64(f.Averaged))
	price := 3 * math.Log(float64(len(y)/f.Averaged)) * noise * noise
	h := &merges{}
	offer := func(i int) {
		if i >= 0 && p[i].right >= 0 {
			a, b := p[i], p[p[i].right]
			if cost := a.with(b).rest() - a.rest() - b.rest(); cost <= price {
				heap.Push(h, merge{cost, i, a.right, a.n + b.n})
			}
		}
	}
	for i := range p {
		offer(i)
	}
	for h.Len() > 0 {
		m := heap.Pop(h).(merge)
		if p[m.left].gone || p[m.right].gone || p[m.left].right != m.right || p[m.left].n+p[m.right].n != m.sizes {
			continue
		}
		p[m.left] = p[m.left].with(p[m.right])
		p[m.right].gone = true
		if r := p[m.left].right; r >= 0 {
			p[r].left = m.left
		}
		offer(p[m.left].left)
		offer(m.left)
	}
	var left []piece
	for _, q := range p {
		if !q.gone {
			left = append(left, q)
		}
	}
	return left
}

// sharpen moves the bound between neighbours to where two lines fit best: joining from
// below leaves it anywhere near. It tells whether one has moved.
func sharpen(t, y []float64, pieces []piece) (moved bool) {
	for i := 1; i < len(pieces); i++ {
		from, to := pieces[i-1].from, pieces[i].to
		before, after := make([]float64, to-from+1), make([]float64, to-from+1) // rest of readings before, from on
		var p piece
		for k := from; k < to; k++ {
			p = p.with(piece{n: 1, mt: t[k], my: y[k]})
			before[k-from+1] = p.rest()
		}
		p = piece{}
		for k := to - 1; k >= from; k-- {
			p = p.with(piece{n: 1, mt: t[k], my: y[k]})
			after[k-from] = p.rest()
		}
		best := pieces[i].from - from
		for k := 3; k <= to-from-3; k++ {
			if before[k]+after[k] < before[best]+after[best] {
				best = k
			}
		}
		moved = moved || from+best != pieces[i].from
		pieces[i-1], pieces[i] = line(t, y, from, from+best), line(t, y, from+best, to)
	}
	return moved
}

// jumps puts a piece of two readings wherever one line ends far from where the next one
// begins.
func (f Found) jumps(t, y []float64, pieces []piece) (all []piece) {
	for _, p := range pieces {
		if n := len(all); n > 0 {
			q := all[n-1]
			gap := (p.my + p.slope()*(p.firstTime-p.mt)) - (q.my + q.slope()*(q.lastTime-q.mt))
			if math.Abs(gap) > f.small() && p.to-p.from > 3 && q.to-q.from > 3 {
				all[n-1] = line(t, y, q.from, q.to-1)
				all = append(all, line(t, y, q.to-1, p.from+1))
				p = line(t, y, p.from+1, p.to)
			}
		}
		all = append(all, p)
	}
	return all
}

// line is the piece of readings from … to-1.
func line(t, y []float64, from, to int) piece {
	p := piece{n: 1, mt: t[from], my: y[from]}
	for i := from + 1; i < to; i++ {
		p = p.with(piece{n: 1, mt: t[i], my: y[i]})
	}
	p.from, p.to, p.firstTime, p.lastTime = from, to, t[from], t[to-1]
	return p
}

// small is a movement that is noise, or no transition.
func (f Found) small() float64 { return max(5*f.Noise, smallShare*f.Span) }

// movements is, for each piece, how far the temperature went in the same direction
// without turning back.
func movements(pieces []piece) []float64 {
	far := make([]float64, len(pieces))
	for from := 0; from < len(pieces); {
		to, sum := from, 0.
		for to < len(pieces) && pieces[to].slope()*pieces[from].slope() >= 0 {
			sum += math.Abs(pieces[to].change())
			to++
		}
		for ; from < to; from++ {
			far[from] = sum
		}
	}
	return far
}

// usualRate is the rate at which half of all change happens, small movements left out.
func (f Found) usualRate(pieces []piece) float64 {
	type part struct{ rate, change float64 }
	var parts []part
	total := 0.
	far := movements(pieces)
	for i, p := range pieces {
		if far[i] > f.small() {
			parts = append(parts, part{math.Abs(p.slope()), math.Abs(p.change())})
			total += math.Abs(p.change())
		}
	}
	slices.SortFunc(parts, func(a, b part) int { return cmp.Compare(a.rate, b.rate) })
	sum := 0.
	for _, p := range parts {
		if sum += p.change; 2*sum >= total {
			return p.rate
		}
	}
	return math.Inf(1) // nothing but noise: all is flat
}

// flat tells of each piece whether it is still.
func (f Found) flat(pieces []piece) []bool {
	still, far := make([]bool, len(pieces)), movements(pieces)
	for i, p := range pieces {
		u := 2 * f.Noise / math.Sqrt(p.tt*float64(f.Averaged)) // of the rate
		still[i] = math.Abs(p.slope()) <= f.FlatRate+u || far[i] <= f.small()
	}
	return still
}

// run is neighbouring pieces of one kind.
type run struct {
	first, last int // pieces
	still       bool
}

func (r run) change(pieces []piece) float64 {
	a, b := pieces[r.first], pieces[r.last]
	return (b.my + b.slope()*(b.lastTime-b.mt)) - (a.my + a.slope()*(a.firstTime-a.mt))
}

// join makes segments of runs of pieces.
func (f *Found) join(t, y []float64, still []bool, pieces []piece) {
	var runs []run
	for i := range pieces {
		turned := i > 0 && !still[i] && !still[i-1] && pieces[i].slope()*pieces[i-1].slope() < 0
		if i > 0 && still[i] == still[i-1] && !turned {
			runs[len(runs)-1].last = i
			continue
		}
		runs = append(runs, run{i, i, still[i]})
	}
	for i := range runs { // a small movement beside stillness is part of it
		beside := i > 0 && runs[i-1].still || i+1 < len(runs) && runs[i+1].still
		runs[i].still = runs[i].still || beside && math.Abs(runs[i].change(pieces)) <= f.small()
	}
	runs = merged(runs, pieces)
	duration := func(r run) float64 { return t[pieces[r.last].to-1] - t[pieces[r.first].from] }
	for i := range runs {
		r := &runs[i]
		if !r.still {
			continue
		}
		shorter := math.Inf(1)
		for _, j := range [...]int{i - 1, i + 1} {
			if j >= 0 && j < len(runs) {
				shorter = min(shorter, duration(runs[j]))
			}
		}
		if len(runs) < 3 || i == 0 || i == len(runs)-1 {
			shorter = 0
		}
		if pieces[r.last].to-pieces[r.first].from < leastReadings || duration(*r) < shortShare*shorter {
			r.still = false
		}
	}
	for _, r := range merged(runs, pieces) {
		f.Segments = append(f.Segments, f.segment(t, y, pieces[r.first].from, pieces[r.last].to, r.still))
	}
}

// merged joins runs that became alike, as long as they move the same way.
func merged(runs []run, pieces []piece) (all []run) {
	for _, r := range runs {
		if n := len(all); n > 0 && all[n-1].still == r.still && (r.still || all[n-1].change(pieces)*r.change(pieces) >= 0) {
			all[n-1].last = r.last
			continue
		}
		all = append(all, r)
	}
	return all
}

// segment measures readings from … to-1.
func (f *Found) segment(t, y []float64, from, to int, still bool) Segment {
	s := Segment{From: from, To: to, Start: t[from], End: t[to-1]}
	tame := medianOfFive(y[from:to])
	if line, err := LineFit(t[from:to], tame); err == nil {
		s.Rate = line.B[1]
		s.Change = s.Rate * (s.End - s.Start)
	}
	if still && (f.held() || math.Abs(s.Change) <= max(creepShare*f.Span, 6*f.Noise)) {
		s.Kind = "plateau"
		kept := f.withoutWild(y[from:to])
		s.Wild = to - from - len(kept)
		s.Level, s.ULevel, _ = MeanError(kept)
		if math.IsNaN(s.ULevel) { // what is left of it is one slow movement
			s.ULevel = MomentsOf(kept).S()
		}
		return s
	}
	s.Kind = "step"
	s.Change = y[to-1] - y[from]
	s.Level = math.NaN()
	if still || straight(t, tame, from) {
		s.Kind = "ramp"
	}
	return s
}

// farOut is how many robust standard deviations from the median a reading of a plateau
// is too many: common practice, no source.
const farOut = 8

func (f Found) withoutWild(y []float64) (kept []float64) {
	m := median(y)
	d := make([]float64, len(y))
	for i, v := range y {
		d[i] = math.Abs(v - m)
	}
	limit := farOut * max(median(d)/0.6745, f.Noise) // median of |normal|
	for _, v := range y {
		if math.Abs(v-m) <= limit {
			kept = append(kept, v)
		}
	}
	return kept
}

// straight tells a ramp from an approach that slows down: how the time from the middle to
// 90 % of a change compares with that from 10 % to the middle, 1 for a line and 2.7 for
// an exponential.
// y begins with reading from.
func straight(t, y []float64, from int) bool {
	t = t[from : from+len(y)]
	if len(y) < leastReadings {
		return false
	}
	a, b := median(y[:2]), median(y[len(y)-2:])
	at := func(share float64) float64 {
		level := a + share*(b-a)
		var first, last float64
		seen := false
		for i := range y {
			if above := (y[i]-level)*(b-a) >= 0; above && !seen {
				first, seen = t[i], true
			} else if !above {
				last = t[i]
			}
		}
		return (first + max(first, last)) / 2
	}
	low, middle, high := at(0.1), at(0.5), at(0.9)
	return high-middle < 1.5*(middle-low)
}

// Plateaus are the plateaus among segments.
func (f Found) Plateaus() (p []Segment) {
	for _, s := range f.Segments {
		if s.Kind == "plateau" {
			p = append(p, s)
		}
	}
	return p
}

// String lists the segments as a table that ReadSegments takes back after correction by
// hand: kind, start and end in s, then what was measured, for information.
func (f Found) String() string {
	var s strings.Builder
	flat := fmt.Sprintf("flat below %.3g per s", f.FlatRate)
	if math.IsInf(f.FlatRate, 0) {
		flat = "flat all the while"
	}
	fmt.Fprintf(&s, "# noise %.3g, span %.6g, %s, %d readings averaged\nkind,start_s,end_s,level,u,change,rate_per_s,left_out\n",
		f.Noise, f.Span, flat, f.Averaged)
	for _, g := range f.Segments {
		level, u := "", ""
		if g.Kind == "plateau" {
			level, u = fmt.Sprintf("%.6g", g.Level), fmt.Sprintf("%.2g", g.ULevel)
		}
		fmt.Fprintf(&s, "%s,%s,%s,%s,%s,%.4g,%.3g,%d\n", g.Kind, strconv.FormatFloat(g.Start, 'f', -1, 64), strconv.FormatFloat(g.End, 'f', -1, 64), level, u, g.Change, g.Rate, g.Wild)
	}
	return s.String()
}

// ReadSegments takes kind, start and end of each line of a file for given, and measures
// the rest from the record.
func ReadSegments(file, text string, t, y []float64) ([]Segment, error) {
	found := Found{Span: math.Inf(1), Noise: noiseOf(y), Averaged: 1}
	var all []Segment
	for n, line := range strings.Split(text, "\n") {
		line = strings.TrimSpace(line)
		fields := strings.Split(line, ",")
		if line == "" || line[0] == '#' || fields[0] == "kind" {
			continue
		}
		if len(fields) < 3 || fields[0] != "plateau" && fields[0] != "ramp" && fields[0] != "step" {
			return nil, fmt.Errorf("%s:%d: expected plateau, ramp or step, a start and an end in s, got %q", file, n+1, line)
		}
		from, to, err := between(fields[1], fields[2], t)
		if err == nil && len(all) > 0 && from < all[len(all)-1].To {
			err = fmt.Errorf("%q begins before the one before it has ended", line)
		}
		if err != nil {
			return nil, fmt.Errorf("%s:%d: %w", file, n+1, err)
		}
		s := found.segment(t, y, from, to, fields[0] == "plateau")
		s.Kind = fields[0]
		all = append(all, s)
	}
	if all == nil {
		return nil, fmt.Errorf("%s: no segments: expected lines of plateau, ramp or step, a start and an end in s", file)
	}
	return all, nil
}

// between is the readings from … to-1 of a record from a start to an end in s. A bound may
// be rounded past the record, by no more than a reading.
func between(start, end string, t []float64) (from, to int, err error) {
	var bounds [2]float64
	for i, cell := range [...]string{start, end} {
		bounds[i], err = strconv.ParseFloat(strings.TrimSpace(cell), 64)
		if err != nil || math.IsNaN(bounds[i]) || math.IsInf(bounds[i], 0) {
			return 0, 0, fmt.Errorf("expected a time in s, got %q", cell)
		}
	}
	first, last, step := t[0], t[len(t)-1], usualStep(t)
	if bounds[0] < first-step || bounds[1] > last+step {
		return 0, 0, fmt.Errorf("%q to %q s goes beyond the record, which is from %.9g to %.9g s", start, end, first, last)
	}
	to = len(t)
	for from < len(t) && t[from] < bounds[0] {
		from++
	}
	for to > from && t[to-1] > bounds[1] {
		to--
	}
	if to-from < 2 {
		return 0, 0, fmt.Errorf("%q to %q s holds %d readings of the record, at least 2 are needed", start, end, to-from)
	}
	return from, to, nil
}
