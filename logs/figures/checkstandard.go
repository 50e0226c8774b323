package figures

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
)

// checkRole is the role of steps in which the meter reads a check standard, a resistor that
// stays what it is, in place of the film: what that seems to drift by is the meter.
const checkRole = "check standard"

// session is once in which the check standard was read. Nothing read in it is the film's;
// the standard's own readings are those of its longest hold, for before and after that
// something is being connected.
type session struct {
	all, hold span
	since     float64 // s: when the present step began
	holding   bool    // it is a hold
	t, y      []float64
}

func (s *session) step(at float64, name string) {
	if s.holding && at-s.since > s.hold.to-s.hold.from {
		s.hold = span{s.since, at}
	}
	s.since, s.holding = at, strings.HasSuffix(name, " hold")
}

// check begins such a session, goes on in it, or ends it. A plateau goes on across it, and the meter stands
// afterwards as it did before.
func (t *teller) check(at float64, on bool, step string) {
	if on && !t.checking {
		t.before = t.now
		t.sessions = append(t.sessions, session{all: span{at, math.MaxFloat64}})
	}
	if on || t.checking {
		t.sessions[len(t.sessions)-1].step(at, step)
	}
	ends := t.checking && !on
	if t.checking = on; !ends {
		return
	}
	t.sessions[len(t.sessions)-1].all.to = at
	t.now = t.before
	t.now.at = at
	t.settings = append(t.settings, t.now)
}

// ofStandard tells whether a resistance is none of the film's, and keeps it if it is one of
// the check standard's.
func (s story) ofStandard(at, ohm float64) bool {
	for i := range s.sessions {
		x := &s.sessions[i]
		if at < x.all.from || at >= x.all.to {
			continue
		}
		if at > x.hold.from && at < x.hold.to && !math.IsNaN(ohm) {
			x.t, x.y = append(x.t, at), append(x.y, ohm)
		}
		return true
	}
	return false
}

// standard is the check standard as it was read once.
type standard struct{ at, ohm, u float64 }

func (s story) standards() (all []standard) {
	for _, x := range s.sessions {
		if len(x.y) < leastReadings {
			continue
		}
		r := standard{at: MomentsOf(x.t).Mean}
		r.ohm, r.u = sureMean(x.y)
		all = append(all, r)
	}
	return all
}

// against puts the check standard beside each reading, straight between the times at which
// it was read, and leaves out what lies before the first of these and after the last.
func (d Record) against(all []standard) (Record, error) {
	if len(all) < 2 {
		return d, fmt.Errorf("the check standard was read %d times, with %d readings and more: at least 2 are needed", len(all), leastReadings)
	}
	from, _ := slices.BinarySearch(d.Time, all[0].at)
	to, _ := slices.BinarySearch(d.Time, all[len(all)-1].at)
	if to-from < 2*leastReadings || d.Time[to-1]-d.Time[from] < driftLeast {
		return d, errors.New("the check standard was not read before and after the readings at rest")
	}
	if d.Time, d.R = d.Time[from:to], d.R[from:to]; d.Temperature != nil {
		d.Temperature = d.Temperature[from:to]
	}
	mean, hours := 0., make([]float64, len(d.Time))
	for i, t := range d.Time {
		hours[i] = (t - d.Time[0]) / 3600
	}
	middle := MomentsOf(hours)
	per := make([]float64, len(all)) // change of the slope by an error of one session
	d.Check = make([]float64, len(d.Time))
	for i, k := 0, 0; i < len(d.Time); i++ {
		for k+2 < len(all) && d.Time[i] > all[k+1].at {
			k++
		}
		share := (d.Time[i] - all[k].at) / (all[k+1].at - all[k].at)
		d.Check[i] = all[k].ohm + share*(all[k+1].ohm-all[k].ohm)
		lever := (hours[i] - middle.Mean) / middle.sum
		per[k] += (1 - share) * lever
		per[k+1] += share * lever
		mean += d.Check[i] / float64(len(d.Time))
	}
	for k, s := range all {
		d.UScatter = math.Hypot(d.UScatter, 1e6*per[k]*s.u/mean)
	}
	d.Rows += fmt.Sprintf(", check standard read %d times", len(all))
	return d, nil
}
