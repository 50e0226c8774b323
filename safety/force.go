package safety

import (
	"fmt"
	"math"
)

// This file forces a rule for a proof test: it tightens the rule's threshold until what
// is read right now, on a bench that is in no danger, is beyond it. Everything from
// there on is what it would be in earnest. A rule can only be tightened.

// Ref names one rule: its kind and its place among the Rules of that kind.
type Ref struct {
	Kind  RuleKind `json:"kind"`
	Index int      `json:"index"`
}

// Lasts tells whether a rule of this kind must hold for a while, also when it is forced.
func (k RuleKind) Lasts() bool {
	return k == OfLimitBelow || k == OfLimitAbove || k == OfInterlock || k == OfCompliance || k == OfDrives
}

// RuleKind is which of the Rules.
type RuleKind uint8

// The kinds of rules.
const (
	OfLimitBelow RuleKind = iota
	OfLimitAbove
	OfRate
	OfInterlock
	OfSilence
	OfCompliance
	OfHeatsNot
	OfKeepsWarming
	OfFrozen
	OfEnergy
	OfDrives
	OfWatched // not to be forced: an instrument must say something
)

// kindWords are the kinds as a plan has them: the keys of the rules.
var kindWords = [...]string{"limits below", "limits above", "rates", "interlocks", "stale", "compliance", "heats_not", "keeps_warming",
	"frozen", "energy", "drives", "watched"}

// MarshalText implements encoding.TextMarshaler.
func (k RuleKind) MarshalText() ([]byte, error) { return []byte(kindWords[k]), nil }

// UnmarshalText implements encoding.TextUnmarshaler.
func (k *RuleKind) UnmarshalText(text []byte) error {
	for i, w := range kindWords {
		if w == string(text) {
			*k = RuleKind(i)
			return nil
		}
	}
	return fmt.Errorf("%q is no kind of rule", text)
}

const (
	taken    = 0.02 // of a value: how far a level is tightened beyond it, so that noise does not matter
	anyValue = 1e9  // K, and other units: beyond whatever a bench can do
)

// Force tightens a rule until it is breached, and says what it did. From then on the
// gate is good for nothing else than to stop.
func (g *Gate) Force(r Ref) (how string, err error) {
	i := r.Index
	switch r.Kind {
	case OfLimitBelow, OfLimitAbove:
		return g.forceLimit(&g.watches[i], r.Kind == OfLimitBelow)
	case OfInterlock:
		w := &g.watches[len(g.rules.Limits)+i]
		if w.forced = true; w.pause == nil {
			return "it was taken to hold", nil
		}
		pause := *w.pause
		pause.AtMostNs, w.pause = 0, &pause
		return "it was taken to hold, and a pause for longer than it may last", nil
	case OfRate:
		g.watches[len(g.rules.Limits)+len(g.rules.Interlocks)+i].forced = true
		return "it was taken to hold", nil
	case OfSilence:
		f := &g.state.Fresh[g.names[g.rules.Stale[i].Channel]]
		if !f.Armed {
			return "", fmt.Errorf("%s is not read", g.rules.Stale[i].Channel)
		}
		f.AfterNs = 1
		return "it may be silent for no time at all", nil
	case OfCompliance:
		k, err := g.instrument(g.rules.Compliance[i].From, g.rules.Compliance[i].Instrument)
		g.inCompliance = k
		return "its readings were taken to be in compliance", err
	case OfHeatsNot:
		w := &g.rules.HeatsNot[i]
		w.AboveK, w.ByK, w.WithinNs = -anyValue, anyValue, 0
		return "it must warm at once, and by more than it can", nil
	case OfKeepsWarming:
		g.rules.KeepsWarming[i].OvershootK = -anyValue
		return "any reading counts as too warm", nil
	case OfFrozen:
		w := &g.rules.Frozen[i]
		w.AfterNs, w.MovedBy, w.BehindBy = -1, -anyValue, -anyValue
		if w.Readings != 0 {
			w.Readings = -1
		}
		return "a change is due at once", nil
	case OfEnergy:
		g.rules.Energy[i].BelowJ = 0
		return "it may take nothing at all", nil
	case OfDrives:
		g.rules.Drives[i].Within = []Nearness{{By: -1}}
		return "no reading counts as the level that it was told", nil
	}
	return "", fmt.Errorf("only the instrument itself can bring this about")
}

func (g *Gate) forceLimit(w *watch, below bool) (string, error) {
	c := g.channels[w.channel]
	v, known := g.latest(w.channel)
	if !known {
		return "", fmt.Errorf("%s shows nothing", c.Name)
	}
	spare := math.Abs(float64(taken*v)) + 2*c.Display
	if below {
		w.below = min(w.below, v-spare)
	} else {
		w.above = max(w.above, v+spare)
	}
	return fmt.Sprintf("its level was taken to just beyond %s, which was read", g.show(w.channel, v)), nil
}

// ownRules gives the gate rules that it may tighten without anybody else noticing.
func (r Rules) ownRules() Rules {
	r.HeatsNot = append([]HeatsNot(nil), r.HeatsNot...)
	r.KeepsWarming = append([]KeepsWarming(nil), r.KeepsWarming...)
	r.Frozen = append([]Frozen(nil), r.Frozen...)
	r.Energy = append([]Energy(nil), r.Energy...)
	r.Drives = append([]Drives(nil), r.Drives...)
	return r
}
