package logs

import (
	"encoding/json"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"sort"
	"strings"

	"dwell/drivers/quantity"
)

// The events between which channels are not read by the clock, as planned; their text
// names the channels, with ", " between them.
const (
	Unread    = "unread"
	ReadAgain = "read again"
)

// Column is one channel of aligned.csv.
type Column struct {
	Channel string
	StaleNs int64 // readings further apart than this have a gap between them
}

// Aligned is what became of an alignment.
type Aligned struct {
	Ticks int64
	Late  int64    // rows that came after a tick they could have changed
	Units []string // of the columns; empty for a channel without readings
}

const (
	// Rows stand in order of completion: one may be this much older than the newest
	// before it (readings fetched from an instrument's buffer) and still count. If
	// that many points of a channel do not fit, the window shrinks, to a second.
	alignWindowNs   int64 = 600e9
	alignLeastNs    int64 = 1e9
	alignMostPoints       = 1 << 20
	alignMostTicks        = 100_000_000
)

type point struct {
	atNs  int64
	value float64
	good  bool
}

// track is the part of one channel that ticks to come may need, in order of time.
type track struct {
	Column
	unit   string
	known  bool // that unit
	points []point
	first  int // points before it are done with
	gaps   []gap
	nested int // how often the last gap was begun and not ended
	passed int // gaps that stand among the points
}

// gap is a time in which a channel was not read by the clock, as planned. What was read
// in it belongs to a list of levels, and nothing before it is a neighbour of what comes
// after.
type gap struct{ fromNs, toNs int64 }

// open begins a gap, unless one is open.
func (k *track) open(atNs int64) {
	if k.nested++; k.nested == 1 {
		k.gaps = append(k.gaps, gap{atNs, math.MaxInt64})
	}
}

// close ends what open began, or everything.
func (k *track) close(atNs int64, all bool) {
	if k.nested == 0 {
		return
	}
	if k.nested--; k.nested == 0 || all {
		k.nested = 0
		last := &k.gaps[len(k.gaps)-1]
		last.toNs = max(atNs, last.fromNs)
	}
}

// within tells whether an instant lies in a gap.
func (k *track) within(atNs int64) bool {
	i := sort.Search(len(k.gaps), func(i int) bool { return k.gaps[i].toNs >= atNs })
	return i < len(k.gaps) && k.gaps[i].fromNs <= atNs
}

// pass puts the gaps that began by an instant among the points, as bad readings at
// their edges.
func (k *track) pass(atNs int64) {
	for ; k.passed < len(k.gaps) && k.gaps[k.passed].fromNs <= atNs; k.passed++ {
		k.add(point{atNs: k.gaps[k.passed].fromNs})
		k.add(point{atNs: k.gaps[k.passed].toNs})
	}
}

func (k *track) add(p point) {
	if k.first > 1024 && k.first > len(k.points)/2 {
		k.points = slices.Delete(k.points, 0, k.first)
		k.first = 0
	}
	k.points = append(k.points, p)
	for i := len(k.points) - 1; i > k.first && k.points[i-1].atNs > p.atNs; i-- {
		k.points[i-1], k.points[i] = p, k.points[i-1]
	}
}

// at is the value at a tick; ticks only go forward. There is none, never a guess,
// outside the readings, beside a bad one, or where they are too far apart.
func (k *track) at(tickNs int64) (float64, bool) {
	for k.first+1 < len(k.points) && k.points[k.first+1].atNs <= tickNs {
		k.first++
	}
	if k.first == len(k.points) {
		return 0, false
	}
	a := k.points[k.first]
	if a.atNs > tickNs || !a.good {
		return 0, false
	}
	if a.atNs == tickNs {
		return a.value, true
	}
	if k.first+1 == len(k.points) {
		return 0, false
	}
	b := k.points[k.first+1]
	if !b.good || b.atNs-a.atNs > k.StaleNs {
		return 0, false
	}
	share := float64(tickNs-a.atNs) / float64(b.atNs-a.atNs)
	v := a.value + float64((b.value-a.value)*share)
	return v, !math.IsInf(v, 0)
}

// aligner is the one pass from rows to ticks, in memory that does not grow with
// the file.
type aligner struct {
	everyNs  int64
	windowNs int64
	tracks   []track
	place    map[string]int
	emit     func(tickNs int64) error

	any, begun       bool
	oldest, newestNs int64
	tickNs           int64 // the next one, once begun
	done             Aligned
}

func (a *aligner) row(r Row) error {
	i, ok := a.place[r.Channel]
	if !ok {
		return nil
	}
	k := &a.tracks[i]
	if !k.known {
		k.unit, k.known = r.Unit, true
	} else if k.unit != r.Unit {
		return fmt.Errorf("%s is in %q and in %q: one column needs one unit", r.Channel, k.unit, r.Unit)
	}
	if !a.any {
		a.any, a.oldest, a.newestNs = true, r.AtNs, r.AtNs
	}
	a.newestNs = max(a.newestNs, r.AtNs)
	if !a.begun {
		a.oldest = min(a.oldest, r.AtNs)
	} else if r.AtNs <= a.tickNs-a.everyNs {
		a.done.Late++
		if len(k.points) == k.first || r.AtNs <= k.points[k.first].atNs {
			return nil
		}
	}
	for i := range a.tracks {
		a.tracks[i].pass(a.newestNs)
	}
	if !k.within(r.AtNs) {
		k.add(point{r.AtNs, r.Value, r.Good()})
	}
	for len(k.points)-k.first >= alignMostPoints {
		if a.windowNs /= 2; a.windowNs < alignLeastNs {
			return fmt.Errorf("%s has over %d readings within %d s: too many to hold", r.Channel, alignMostPoints, 2*a.windowNs/1e9)
		}
		if err := a.ticks(a.newestNs - a.windowNs); err != nil {
			return err
		}
	}
	return a.ticks(a.newestNs - a.windowNs)
}

// ticks emits all ticks up to an instant. The first is not before the oldest
// reading.
func (a *aligner) ticks(upTo int64) error {
	if !a.begun && upTo < a.oldest {
		return nil
	}
	if !a.begun {
		a.begun = true
		if a.tickNs = a.oldest / a.everyNs * a.everyNs; a.tickNs < a.oldest {
			a.tickNs += a.everyNs
		}
	}
	if more := (upTo - a.tickNs) / a.everyNs; a.done.Ticks+more > alignMostTicks {
		return fmt.Errorf("over %d ticks of %d ns from the first reading to the last", alignMostTicks, a.everyNs)
	}
	for ; a.tickNs <= upTo; a.tickNs += a.everyNs {
		a.done.Ticks++
		if err := a.emit(a.tickNs); err != nil {
			return err
		}
	}
	return nil
}

// Align writes aligned.csv and its metadata, in place of earlier ones: one row a
// tick, at whole multiples of everyNs from the first reading of the channels to the
// last, one column a channel, linear between neighbours. It is empty where the run says
// that a channel was not read by the clock: in a sweep, while its source was changed, in
// a pause.
func Align(r *Run, everyNs int64, columns []Column) (Aligned, error) {
	if everyNs <= 0 || len(columns) == 0 {
		return Aligned{}, fmt.Errorf("aligned.csv needs a tick above zero and a channel, got %d ns and %d channels", everyNs, len(columns))
	}
	a := &aligner{everyNs: everyNs, windowNs: alignWindowNs, place: map[string]int{}}
	var names []string
	for i, c := range columns {
		if _, twice := a.place[c.Channel]; twice || c.StaleNs <= 0 {
			return Aligned{}, fmt.Errorf("column %q: named twice, or its gap of %d ns is not above zero", c.Channel, c.StaleNs)
		}
		a.place[c.Channel] = i
		a.tracks = append(a.tracks, track{Column: c})
		names = append(names, c.Channel)
	}
	if err := a.findGaps(r); err != nil {
		return Aligned{}, err
	}
	name := filepath.Join(r.dir, alignedName)
	err := replaceWith(r.fs, name, func(f File) error { return a.write(f, r, names) })
	if err != nil {
		return Aligned{}, fmt.Errorf("%s: %w", name, err)
	}
	for i := range a.tracks {
		a.done.Units = append(a.done.Units, a.tracks[i].unit)
	}
	return a.done, replaceFile(r.fs, name+metadataSuffix, alignedMetadata(names, a.done.Units, everyNs))
}

// findGaps reads from the events when channels were not read by the clock. One that is
// still open when the instruments are opened again ended there: the run was killed in it.
func (a *aligner) findGaps(r *Run) error {
	for line, err := range r.Events() {
		var e struct {
			Event, Text string
			AtNs        int64 `json:"t_ns"`
		}
		if err == nil {
			err = json.Unmarshal(line, &e)
		}
		if err != nil {
			return err
		}
		switch e.Event {
		case "instrument":
			for i := range a.tracks {
				a.tracks[i].close(e.AtNs, true)
			}
		case Unread, ReadAgain:
			for name := range strings.SplitSeq(e.Text, ", ") {
				if i, ok := a.place[name]; ok && e.Event == Unread {
					a.tracks[i].open(e.AtNs)
				} else if ok {
					a.tracks[i].close(e.AtNs, false)
				}
			}
		}
	}
	return nil
}

func (a *aligner) write(f File, r *Run, names []string) error {
	const full = 64 << 10
	b := []byte("t_s")
	for _, name := range names {
		var ok bool
		if b, ok = appendField(append(b, ','), name); !ok {
			return fmt.Errorf("%q cannot be the name of a column", name)
		}
	}
	b = append(b, '\r', '\n')
	a.emit = func(tickNs int64) error {
		b = quantity.AppendSeconds(b, tickNs)
		for i := range a.tracks {
			b = append(b, ',')
			if v, ok := a.tracks[i].at(tickNs); ok {
				b = quantity.AppendNumber(b, v)
			}
		}
		b = append(b, '\r', '\n')
		if len(b) < full {
			return nil
		}
		err := writeAll(f, b)
		b = b[:0]
		return err
	}
	for row, err := range r.Rows() {
		if err == nil {
			err = a.row(row)
		}
		if err != nil {
			return err
		}
	}
	if a.any {
		if err := a.ticks(a.newestNs); err != nil {
			return err
		}
	}
	return writeAll(f, b)
}
