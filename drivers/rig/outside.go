package rig

import (
	"slices"
	"strings"
	"time"

	"dwell/drivers/quantity"
	"dwell/drivers/yamltext"
)

// This file reads what on a bench stops a run from outside, and how far two of its
// thermometers may differ.

// Contact is a channel that must read what is stated, or the run stops: an emergency
// stop, a door, a flow switch, sensed by an instrument.
type Contact struct {
	Channel string
	Reads   float64
	Word    string // the same as the file says it
	Node    *yamltext.Node
}

// Apart is how far two thermometers at one place may differ, as far as the rig file
// says something about that.
type Apart struct {
	ByK, OfExcess *quantity.Quantity // of both, the sum: a fixed part, and one of the temperature above ambient
	LastingNs     *int64
	By, Of, For   *yamltext.Node
}

// date reads a date.
func (r *rigReader) date(n *yamltext.Node) string {
	text := r.text(n)
	if _, err := time.Parse(time.DateOnly, text); err != nil && text != "" {
		r.wrong(n, "%q is no date", text).Hint("year-month-day, such as 2026-03-14")
	} else if text != "" {
		r.rig.Dates = append(r.rig.Dates, Date{text, n})
	}
	return text
}

func (r *rigReader) contacts(n *yamltext.Node) {
	for _, item := range r.items(n) {
		if k, ok := r.contact(item); ok {
			r.rig.Contacts = append(r.rig.Contacts, k)
		}
	}
}

func (r *rigReader) contact(n *yamltext.Node) (Contact, bool) {
	t := r.table(n, "!channel", "!must read")
	i := r.oneOf(t["channel"], "channel of this rig", r.rig.Names())
	if i < 0 || t["must read"] == nil {
		return Contact{}, false
	}
	c := r.rig.Channels[i]
	field := r.rig.Instruments[c.Instrument].Profile.Queries[c.Query].Fields[c.Field]
	k := Contact{Channel: c.Name, Word: r.text(t["must read"]), Node: n}
	switch {
	case r.rig.Instruments[c.Instrument].Profile.Queries[c.Query].Needs != nil:
		r.wrong(t["channel"], "%s cannot be read all the time, as a contact must be", c.Name)
	case c.Unit.Dim != plain || c.Through != "":
		r.wrong(t["channel"], "%s is in %s: a contact reads a state, or a plain number", c.Name, c.Unit.Symbol)
	case len(field.States) > 0:
		k.Reads = float64(max(0, r.oneOf(t["must read"], "state of "+c.Name, field.States)))
	default:
		k.Reads = r.number(t["must read"])
	}
	return k, true
}

func (r *rigReader) apart(n *yamltext.Node) {
	t := r.table(n, "by", "of excess", "lasting")
	a := &r.rig.Apart
	a.By, a.Of, a.For = t["by"], t["of excess"], t["lasting"]
	if q, ok := r.quantity(t["by"], inKelvin); ok {
		r.positive(t["by"], inKelvin)
		a.ByK = &q
	}
	if q, ok := r.quantity(t["of excess"], plain); ok {
		if q.Value < 0 {
			r.wrong(t["of excess"], "a part of at least 0 %% is expected here")
		}
		a.OfExcess = &q
	}
	if t["lasting"] != nil {
		ns := int64(r.span(t["lasting"]))
		a.LastingNs = &ns
	}
	if t != nil && len(t) == 0 {
		r.wrong(n, "by, of excess or lasting is missing here")
	}
}

// answersInWords reads the states of a measured quantity and the instrument's own
// words for them.
func (r *profileReader) answersInWords(f *Field, q *Query, n *yamltext.Node) {
	for _, pair := range r.entries(n) {
		f.States = append(f.States, pair.Key.Text)
		words := r.texts(pair.Value)
		for _, word := range words {
			if slices.ContainsFunc(slices.Concat(f.Words...), func(w string) bool { return strings.EqualFold(w, word) }) {
				r.wrong(pair.Value, "the answer %q means two states", word)
			}
		}
		f.Words = append(f.Words, words)
	}
	if n != nil && q.Style == ListOfValues {
		r.wrong(n, "words in a list of values are not understood")
	}
}

// usualHeating is taken where a profile says nothing: a slow plate. It makes what is
// worked out from it patient, and late. Common practice, no source.
var usualHeating = Heating{RateKPerS: 3.0 / 60, DeadS: 30, CoolingS: 1800}

// HeatingOrUsual is how the instrument heats and cools, for all that is known.
func (p *Profile) HeatingOrUsual() Heating {
	if p.Heating == nil {
		return usualHeating
	}
	return *p.Heating
}

// Thermometers are the channels that show the temperature of an instrument that
// heats, its own first.
func (r *Rig) Thermometers(instrument string) []int {
	i := r.Instrument(instrument)
	if i < 0 {
		return nil
	}
	own := r.Instruments[i].Profile.BoundedBy("temperature")
	var all []int
	for k, c := range r.Channels {
		if c.Instrument == i && c.Quantity == own && own != "" && c.Through == "" {
			all = append(all, k)
		}
	}
	if r.Place.On == instrument {
		for _, name := range r.Place.Temperature {
			if k := r.Channel(name); k >= 0 && !slices.Contains(all, k) {
				all = append(all, k)
			}
		}
	}
	return all
}
