package plan

import (
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strings"

	"dwell/drivers/quantity"
	"dwell/safety"
)

// This file compares a plan that was executed once with what the same protocol would
// become on today's bench, so that the old one can be executed again.

// Weight is how much a difference between then and now matters.
type Weight string

// The weights.
const (
	Harmless Weight = "harmless"
	Notable  Weight = "notable"
	Blocking Weight = "blocking" // it needs a written reason
)

// Difference is one thing that is not as it was.
type Difference struct {
	What   string `json:"what"`
	Then   string `json:"then"`
	Now    string `json:"now"`
	Weight Weight `json:"weight"`
	Why    string `json:"why"`
}

func (d Difference) String() string {
	return fmt.Sprintf("%s: %s was %s, is %s: %s", d.Weight, d.What, d.Then, d.Now, d.Why)
}

// Again is the plan to execute when p is executed again, where today's files would give
// today: the actions of p, and the tighter of the rules of both, which no reason
// overrides. The error says what today's rules need and p does not do. It is p itself
// when no rule has to be added.
func (p *Plan) Again(today *Plan) (*Plan, []Difference, error) {
	again := *p
	a, t := &again.Rules, today.Rules
	var all []Difference
	a.Limits = tighter(p.Rules.Limits, t.Limits, &all)
	a.Rates = joined("a limit on the rate", a.Rates, t.Rates, func(r safety.Rate) safety.Rate { r.From = ""; return r }, &all)
	a.Interlocks = joined("an interlock", a.Interlocks, t.Interlocks, unplaced, &all)
	a.Compliance = joined("the built-in rule compliance", a.Compliance, t.Compliance, func(x safety.Compliance) safety.Compliance { x.From = ""; return x }, &all)
	a.HeatsNot = joined("the built-in rule heats not", a.HeatsNot, t.HeatsNot, func(x safety.HeatsNot) safety.HeatsNot { x.From = ""; return x }, &all)
	a.KeepsWarming = joined("the built-in rule keeps warming", a.KeepsWarming, t.KeepsWarming, func(x safety.KeepsWarming) safety.KeepsWarming { x.From = ""; return x }, &all)
	a.Frozen = joined("the built-in rule frozen", a.Frozen, t.Frozen, func(x safety.Frozen) safety.Frozen { x.From = ""; return x }, &all)
	a.Energy = joined("a limit on the energy", a.Energy, t.Energy, func(x safety.Energy) safety.Energy { x.From = ""; return x }, &all)
	t.Drives = slices.DeleteFunc(slices.Clone(t.Drives), func(x safety.Drives) bool {
		if p.reads(x.Channel) {
			return false
		}
		all = append(all, Difference{"the built-in rule drives another level", "not there", words(x), Notable, "the old plan does not read " + x.Channel + ", so that it cannot be held to it"})
		return true
	})
	a.Drives = joined("the built-in rule drives another level", a.Drives, t.Drives, func(x safety.Drives) safety.Drives { x.From = ""; return x }, &all)
	a.Watched = joined("the built-in rule watched", a.Watched, t.Watched, func(x safety.Watched) safety.Watched { x.From = ""; return x }, &all)
	for _, x := range today.Polled {
		if !p.reads(x.Channel) && !onlyDriven(today.Rules, x.Channel) {
			return nil, all, fmt.Errorf("today's rules need %s, which the old plan does not read: it cannot be executed under them", x.Channel)
		}
	}
	if text(lineless(p.Actions)) != text(lineless(today.Actions)) {
		all = append(all, Difference{"the plan", fmt.Sprintf("%d actions", len(p.Actions)), fmt.Sprintf("%d other ones", len(today.Actions)), Notable,
			"today the same protocol would become another plan; the old one is executed"})
	}
	if text(a) == text(p.Rules) {
		return p, all, nil
	}
	return &again, all, nil
}

// reads tells whether a plan reads a channel.
func (p *Plan) reads(channel string) bool {
	return slices.ContainsFunc(p.Polled, func(x Polled) bool { return x.Channel == channel })
}

// onlyDriven tells whether a channel is read for nothing but to see that a source drives
// what it was told: there are plans of before that rule.
func onlyDriven(r safety.Rules, channel string) bool {
	is := slices.ContainsFunc(r.Drives, func(x safety.Drives) bool { return x.Channel == channel })
	r.Drives, r.Stale = nil, nil
	return is && !strings.Contains(text(r), channel)
}

func text(v any) string {
	var b strings.Builder
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false) // a person reads it
	if err := e.Encode(v); err != nil {
		return err.Error() // plans have no numbers that JSON does not have
	}
	return strings.TrimSpace(b.String())
}

// words are a rule as a person reads it: "when a > b, lasting 5 s, then trip".
func words(rule any) string {
	var all []string
	d := json.NewDecoder(strings.NewReader(text(rule)))
	d.Token() // the brace
	for d.More() {
		key, _ := d.Token()
		var value json.RawMessage
		if d.Decode(&value) != nil {
			break
		}
		name, unit := fmt.Sprint(key), ""
		if k := strings.LastIndexByte(name, '_'); k > 0 && isIn([]string{"ns", "s", "K", "J", "degC"}, name[k+1:]) {
			name, unit = name[:k], " "+name[k+1:]
		}
		said := string(value)
		var plain string
		var ns int64
		switch {
		case name == "from" || name == "source":
			continue
		case json.Unmarshal(value, &plain) == nil:
			said = plain
		case unit == " ns" && json.Unmarshal(value, &ns) == nil:
			said, unit = string(quantity.AppendSeconds(nil, ns)), " s"
		}
		all = append(all, strings.ReplaceAll(name, "_", " ")+" "+said+unit)
	}
	return strings.Join(all, ", ")
}

// unplaced is an interlock without the places in files that it came from.
func unplaced(i safety.Interlock) safety.Interlock {
	i.From, i.Source = "", ""
	return i
}

// lineless are actions without the lines of the protocol that they came from.
func lineless(actions []Action) []Action {
	plain := slices.Clone(actions)
	for i := range plain {
		plain[i].Line = 0
	}
	return plain
}

// places are where in which file something in plan.json comes from.
var places = regexp.MustCompile(`"(from|source)": "[^"]*:\d+:\d+"|"line": \d+`)

// Placeless is the text of a plan.json without them: what is done, and under which rules.
func Placeless(text []byte) []byte { return places.ReplaceAll(text, nil) }

// joined adds to old rules those of today that are not among them.
func joined[R any](what string, old, today []R, plain func(R) R, all *[]Difference) []R {
	result := slices.Clone(old)
	has := func(list []R, r R) bool {
		return slices.ContainsFunc(list, func(o R) bool { return text(plain(o)) == text(plain(r)) })
	}
	for _, r := range today {
		if !has(old, r) {
			result = append(result, r)
			*all = append(*all, Difference{what, "not there", words(r), Notable, "it holds besides the old ones"})
		}
	}
	for _, r := range old {
		if !has(today, r) {
			*all = append(*all, Difference{what, words(r), "not there", Harmless, "the old one holds"})
		}
	}
	return result
}

// tighter adds to old limits those of today that are tighter.
func tighter(old, today []safety.Limit, all *[]Difference) []safety.Limit {
	result := slices.Clone(old)
	for _, l := range today {
		if slices.ContainsFunc(old, func(o safety.Limit) bool { return covers(o, l) }) {
			continue
		}
		result = append(result, l)
		*all = append(*all, Difference{"a limit", limitsOf(old, l.Channel), limitText(l), Notable, "today's is tighter, or asks for something else, and holds"})
	}
	for _, o := range old {
		if !slices.ContainsFunc(today, func(l safety.Limit) bool { return covers(l, o) }) {
			*all = append(*all, Difference{"a limit", limitText(o), limitsOf(today, o.Channel), Harmless, "the old one is tighter and holds"})
		}
	}
	return result
}

// covers tells whether a limit is at least as tight as another in everything.
func covers(a, b safety.Limit) bool {
	below := b.Below == nil || a.Below != nil && *a.Below <= *b.Below
	above := b.Above == nil || a.Above != nil && *a.Above >= *b.Above
	return a.Channel == b.Channel && below && above && a.LastingNs <= b.LastingNs
}

func limitText(l safety.Limit) string {
	s := l.Channel
	if l.Below != nil {
		s += " below " + string(quantity.AppendNumber(nil, *l.Below))
	}
	if l.Above != nil {
		s += " above " + string(quantity.AppendNumber(nil, *l.Above))
	}
	if l.LastingNs > 0 {
		s += " lasting " + string(quantity.AppendSeconds(nil, l.LastingNs)) + " s"
	}
	return s
}

func limitsOf(list []safety.Limit, channel string) string {
	s := ""
	for _, l := range list {
		if l.Channel == channel {
			if s != "" {
				s += " and "
			}
			s += limitText(l)
		}
	}
	if s == "" {
		return "not there"
	}
	return s
}

// Of is the plan for the specimen of today's file: its id, and how it is confirmed where
// another resistance is expected of it now. It is p itself when both are as they were.
func (p *Plan) Of(id string, today *Plan) (*Plan, []Difference) {
	now := slices.IndexFunc(today.Actions, func(a Action) bool { return a.Op == Confirm })
	again := *p
	again.Specimen, again.Actions = id, slices.Clone(p.Actions)
	var found []Difference
	for i := range again.Actions {
		a := &again.Actions[i]
		if a.Op != Confirm {
			continue
		}
		check := *a.Confirm
		if now >= 0 && (today.Actions[now].Confirm.LowOhm != check.LowOhm || today.Actions[now].Confirm.HighOhm != check.HighOhm) {
			then := check
			check, a.Setpoints = *today.Actions[now].Confirm, today.Actions[now].Setpoints
			if len(found) == 0 {
				found = append(found, Difference{"what the specimen is confirmed by", bandText(then), bandText(check), Notable, "today's specimen file says so, and it is confirmed by that"})
			}
		}
		check.Specimen = id
		a.Confirm = &check
	}
	if id == p.Specimen && len(found) == 0 {
		return p, nil
	}
	return &again, found
}

func bandText(c Check) string {
	return fmt.Sprintf("%s to %s at %s", near(c.LowOhm, inOhm), near(c.HighOhm, inOhm), near(c.CurrentA, inAmpere))
}
