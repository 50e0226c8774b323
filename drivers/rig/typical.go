package rig

import "dwell/drivers/clock"

// This file says how long talking to an instrument takes when all goes well: what the
// duration of a plan and the size of its record are added up from.

// Talk is what some exchanges take, and how many they are.
type Talk struct {
	Takes     clock.Instant
	Exchanges int
}

// Plus is both, one after the other.
func (t Talk) Plus(u Talk) Talk { return Talk{t.Takes + u.Takes, t.Exchanges + u.Exchanges} }

// Usual lengths of an answer, in characters: a value, an entry of the error queue that
// is empty, and a name.
const (
	usualValue = 8
	usualEntry = 14
	usualName  = 40
)

// said is a command that nothing, or something short, is answered to.
func (p *Profile) said(words []byte, answer Style) Talk {
	t := p.Line.Pause + p.characters(len(words))
	if answer != Silence {
		t += p.Typical + p.characters(usualValue)
	}
	return Talk{t, 1}
}

// asked is a question with its answer.
func (p *Profile) asked(words []byte, answered int) Talk {
	return Talk{p.Line.Pause + p.Typical + p.characters(len(words)+answered), 1}
}

// verified is making sure of a quantity that was set.
func (p *Profile) verified(k int) (t Talk) {
	c := &p.Sets[k]
	t.Takes = c.After
	if p.Errors != nil {
		t = t.Plus(p.asked(p.Errors.Ask, usualEntry))
	}
	if c.Back != nil {
		t = t.Plus(p.asked(c.Back.Ask, usualValue))
	}
	return t
}

// SetTime is setting one quantity to a state, or to a value when state is below 0.
func (p *Profile) SetTime(k, state int) (t Talk) {
	c := &p.Sets[k]
	if c.Kept {
		return t
	}
	for _, words := range c.Send[max(0, state)] {
		t = t.Plus(p.said(words, p.Answer))
	}
	return t.Plus(p.verified(k))
}

// ArmTime is starting the instrument's own watchdog, and FeedTime keeping it content.
func (p *Profile) ArmTime() Talk { return p.order(func(w *Watchdog) Order { return w.Arm }) }

// FeedTime is repeating the watchdog's command once.
func (p *Profile) FeedTime() Talk { return p.order(func(w *Watchdog) Order { return w.Feed }) }

func (p *Profile) order(which func(*Watchdog) Order) Talk {
	if p.Watchdog == nil {
		return Talk{}
	}
	o := which(p.Watchdog)
	return p.said(o.Send, o.Style)
}

// PrepareTime is finding out who is there and taking it to its known state.
func (p *Profile) PrepareTime() Talk {
	t := p.asked(p.Identity.Ask, usualName)
	t.Takes += p.Prepared
	for _, words := range p.Prepare {
		t = t.Plus(p.said(words, p.Answer))
	}
	if p.Errors != nil {
		t = t.Plus(p.asked(p.Errors.Ask, usualEntry))
	}
	for k := range p.Sets {
		if c := &p.Sets[k]; c.HasDefault && !c.Kept {
			t = t.Plus(p.verified(k))
		}
	}
	for i := range p.Watch.Checks {
		t = t.Plus(p.asked(p.Watch.Checks[i].Ask, usualValue))
	}
	return t
}

// WatchTime is one look at the instrument's health.
func (p *Profile) WatchTime() (t Talk) {
	for i := range p.Watch.Checks {
		t = t.Plus(p.asked(p.Watch.Checks[i].Ask, usualValue))
	}
	for _, k := range p.Watch.Settings {
		if b := p.Sets[k].Back; b != nil {
			t = t.Plus(p.asked(b.Ask, usualValue))
		}
	}
	if p.Errors != nil {
		t = t.Plus(p.asked(p.Errors.Ask, usualEntry))
	}
	return t
}

// SafeTypical is making the instrument safe and having that confirmed, on a line that
// is as it should be: everything is sent once without waiting, the port finds its
// footing in two silences, and everything is sent and asked again.
func (p *Profile) SafeTypical() (t Talk) {
	if len(p.Safe) == 0 {
		return t
	}
	t = p.said(p.Footing.Clear, Silence).Plus(p.asked(p.Footing.Ask.Ask, usualName))
	t.Takes += 2 * p.Footing.Quiet
	for _, a := range p.Safe {
		t.Takes += 2 * a.After
		for _, words := range a.Send {
			t = t.Plus(p.said(words, Silence)).Plus(p.said(words, p.Answer))
		}
		if a.Back != nil {
			t = t.Plus(p.asked(a.Back.Ask, usualValue))
		}
	}
	return t
}
