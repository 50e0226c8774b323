package figures

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Worn is a run as a life of its specimen.
type Worn struct {
	Figures  []Figure
	LeftOut  []Omission
	Name     string // of the run, for texts
	Specimen string // what tells one film from another
	Start    string // when the run began: its order as text is that of time
}

// Lives is what several specimens survived of one kind of wear, and the distribution of
// it.
type Lives struct {
	ThresholdPercent float64  // change of resistance that counts as failure; 0 where the protocols say what does
	Fails            string   // what they say
	Wear             string   // the strains between which the films were bent; "" where no run says so
	Of               []*Life  // by run; nil where there is none, or it is left out
	Ended            []string // by run: what ended the life of a film that had not come to that; "" for nothing
	Without          []string // by run: why; "" for one that counts, or belongs to other lives
	Figures          []Figure
	Why              string // there are none
}

// LivesOf takes the lives of several runs from their figures and fits them, for each change
// at which one of them has failed, and for what their protocols call failure. Films that were
// bent otherwise are fitted apart, and each film has one life: its first run.
func LivesOf(runs []Worn) (all []Lives) {
	for _, limit := range append(slices.Clone(thresholds), 0) {
		groups, known, failed := grouped(runs, limit)
		if known < 2 || !failed {
			continue
		}
		for _, l := range groups {
			l.fit(runs)
			all = append(all, *l)
		}
	}
	return all
}

// grouped are the lives of runs, those of films that were bent alike together; how many
// there are, and whether one of them ended. A run that says nothing of its life stands in
// the first group, with its reason.
func grouped(runs []Worn, limit float64) (groups []*Lives, known int, failed bool) {
	var firsts []*Figure
	for i, r := range runs {
		life, f := lifeOf(r.Figures, limit)
		if f == nil {
			continue
		}
		k := slices.IndexFunc(firsts, func(o *Figure) bool { return wornAlike(*o, *f) })
		if k < 0 {
			k = len(groups)
			firsts = append(firsts, f)
			l := &Lives{ThresholdPercent: limit, Wear: wearOf(*f), Of: make([]*Life, len(runs)), Ended: make([]string, len(runs)), Without: make([]string, len(runs))}
			if limit == 0 {
				l.Fails = f.Flavour
			}
			groups = append(groups, l)
		}
		if other := firstRun(runs, i, limit); other != i {
			groups[k].Without[i] = fmt.Sprintf("left out: run %s wore this film before, and a film has one life", runs[other].Name)
			continue
		}
		groups[k].Of[i] = &life
		if life.Survived {
			groups[k].Ended[i] = failedOtherwise(r.Figures)
		}
		known, failed = known+1, failed || !life.Survived
	}
	for i, r := range runs {
		if _, f := lifeOf(r.Figures, limit); f == nil && len(groups) > 0 {
			groups[0].Without[i] = "left out: " + whyNoLife(r.LeftOut, limit)
		}
	}
	return groups, known, failed
}

// firstRun is the place of the first run, in time, in which the film of a run was worn.
func firstRun(runs []Worn, i int, limit float64) int {
	first := i
	for k, r := range runs {
		if _, f := lifeOf(r.Figures, limit); f == nil || r.Specimen != runs[i].Specimen || r.Specimen == "" {
			continue
		}
		if r.Start < runs[first].Start || r.Start == runs[first].Start && k < first {
			first = k
		}
	}
	return first
}

// fit puts the distribution to the lives.
func (l *Lives) fit(runs []Worn) {
	var known []Life
	channel := ""
	for i, life := range l.Of {
		if life != nil {
			_, f := lifeOf(runs[i].Figures, l.ThresholdPercent)
			known, channel = append(known, *life), f.Channel
		}
	}
	until := fmt.Sprintf("until the flat film has changed by %g %%, linear in cycles", l.ThresholdPercent)
	if l.ThresholdPercent == 0 {
		until = "until the specimen had failed: " + l.Fails
	}
	o := Origin{channel, fmt.Sprintf("%d films: cycles %s", len(known), until)}
	var err error
	if l.Figures, err = WeibullFigures(o, known); err != nil {
		l.Why = err.Error()
	}
	for k := range l.Figures {
		f := &l.Figures[k]
		if l.ThresholdPercent > 0 {
			f.With = append([]Given{{"threshold", l.ThresholdPercent, "%"}}, f.With...)
		}
		*f = f.Note("how far each life is known is not in the limits: they tell what so few specimens leave open")
	}
}

// lifeOf is what one run says of a threshold, or, for 0, of what its protocol calls failure.
// A film that has not reached a lower threshold has survived this one as well. f is the
// figure it comes from, nil for none.
func lifeOf(all []Figure, limit float64) (life Life, f *Figure) {
	for k := range all {
		f := &all[k]
		if limit == 0 && f.Figure == "cycles_to_failure" {
			return Life{Cycles: f.Value, Survived: f.Censored}, f
		}
		reached, known := f.with("threshold")
		if f.Figure != "cycles_to_threshold" || !known || limit == 0 {
			continue
		}
		switch {
		case (f.Flavour == "linear in cycles" || f.Flavour == wentOpen) && reached == limit:
			return Life{Cycles: f.Value}, f
		case f.Censored && reached <= limit:
			return Life{Cycles: f.Value, Survived: true}, f
		}
	}
	return Life{}, nil
}

// whyNoLife is why a run says nothing of a life.
func whyNoLife(left []Omission, limit float64) string {
	if limit == 0 {
		return "its protocol does not say when a specimen has failed"
	}
	for _, o := range left {
		if own := fmt.Sprintf("cycles_to_threshold, %g %%", limit); o.Figure == own || strings.Contains(o.Figure, "cycles_to_threshold") && !strings.Contains(o.Figure, "%") {
			return o.Why
		}
	}
	return "its record does not say"
}

// failedOtherwise is when and how a film failed as its protocol says, "" when it did not.
func failedOtherwise(all []Figure) string {
	for _, f := range all {
		if f.Figure == "cycles_to_failure" && !f.Censored {
			return fmt.Sprintf("failed otherwise after %.0f cycles (%s)", f.Value, f.Flavour)
		}
	}
	return ""
}

// with is a number that a figure was taken with.
func (f Figure) with(name string) (value float64, known bool) {
	for _, g := range f.With {
		if g.Name == name {
			return g.Value, true
		}
	}
	return 0, false
}

// wear are the names of what a film was worn by.
var wear = []string{"strain", "least strain", "kinds of cycle"}

// wornAlike tells whether two lives are of one kind of wear.
func wornAlike(a, b Figure) bool {
	if a.Figure == "cycles_to_failure" && a.Flavour != b.Flavour {
		return false
	}
	for _, name := range wear {
		x, knownX := a.with(name)
		y, knownY := b.with(name)
		if knownX != knownY || math.Abs(x-y) > conditions[name].share*max(math.Abs(x), math.Abs(y)) {
			return false
		}
	}
	return true
}

// wearOf is the wear of a life in words.
func wearOf(f Figure) string {
	most, known := f.with("strain")
	if !known {
		return ""
	}
	least, _ := f.with("least strain")
	text := fmt.Sprintf("strain %.3g %% to %.3g %%", 100*least, 100*most)
	if n, several := f.with("kinds of cycle"); several {
		text += fmt.Sprintf(", the greatest of %g kinds of cycle", n)
	}
	return text
}
