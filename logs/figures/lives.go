package figures

import (
	"fmt"
	"slices"
)

// Lives is what several specimens survived of one kind of wear, and the distribution of
// it: one entry a run.
type Lives struct {
	ThresholdPercent float64 // change of resistance that counts as failure
	Of               []*Life // by run; nil where a run says nothing
	Figures          []Figure
	Why              string // there are none
}

// LivesOf takes the lives of several runs from their figures, one specimen a run, and fits
// them, for each change at which one of them has failed.
func LivesOf(sides []Side) (all []Lives) {
	for _, limit := range thresholds {
		l := Lives{ThresholdPercent: limit, Of: make([]*Life, len(sides))}
		var known []Life
		channel, failed := "", false
		for i, s := range sides {
			life, f := lifeOf(s.Figures, limit)
			if f == nil {
				continue
			}
			l.Of[i], known, channel = &life, append(known, life), f.Channel
			failed = failed || !life.Survived
		}
		if len(known) < 2 || !failed {
			continue
		}
		o := Origin{channel, fmt.Sprintf("%d runs, one specimen each: cycles until the flat film has changed by %g %%, linear in cycles", len(known), limit)}
		var err error
		if l.Figures, err = WeibullFigures(o, known); err != nil {
			l.Why = err.Error()
		}
		for k := range l.Figures {
			f := &l.Figures[k]
			f.With = append([]Given{{"threshold", limit, "%"}}, f.With...)
			*f = f.Note("how far each life is known is not in the limits: they tell what so few specimens leave open")
		}
		all = append(all, l)
	}
	return all
}

// lifeOf is what one run says of a threshold. A film that has not reached a lower one has
// survived this one as well. f is the figure it comes from, nil for none.
func lifeOf(all []Figure, limit float64) (life Life, f *Figure) {
	for k := range all {
		f := &all[k]
		at := slices.IndexFunc(f.With, func(g Given) bool { return g.Name == "threshold" })
		if f.Figure != "cycles_to_threshold" || at < 0 {
			continue
		}
		switch reached := f.With[at].Value; {
		case f.Flavour == "linear in cycles" && reached == limit:
			return Life{Cycles: f.Value}, f
		case f.Censored && reached <= limit:
			return Life{Cycles: f.Value, Survived: true}, f
		}
	}
	return Life{}, nil
}
