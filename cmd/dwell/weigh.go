package main

import (
	"fmt"
	"slices"
	"strings"

	"dwell/drivers/quantity"
	"dwell/drivers/yamltext"
	"dwell/sequence/plan"
)

// weighing is how much it matters that a key of a rig or specimen file has another value
// than it had.
type weighing struct {
	key    string // its path; * is any name
	what   string // with %s for that name
	weight plan.Weight
	why    string
}

// elsewhere is of keys that are not told of here: the rules that follow from them are compared
// as rules, and the tighter hold.
const elsewhere plan.Weight = ""

// rigWeights is in the order in which a key is looked for. A key that stands under one of
// these counts with it.
var rigWeights = []weighing{
	{"rig", "the rig", plan.Blocking, "it is another bench"},
	{"instruments: *: port", "%s: its port", plan.Harmless, "the same words go over another line"},
	{"instruments: *: profile", "%s: its profile", plan.Blocking, "it is talked to in another way"},
	{"instruments: *: calibrated", "%s: its calibration", plan.Notable, "its readings may have moved against the old ones"},
	{"instruments: *: serial number", "%s: its serial number", plan.Notable, "it is another one of its kind"},
	{"instruments: *: switches", "%s: what it switches", plan.Blocking, "the mains go another way"},
	{"instruments: *: identified", "%s: how it responds to full power", plan.Notable, "it was measured again, and may heat in another way"},
	{"instruments: *: heating", "%s: how it heats", plan.Notable, "rules follow from it, which are compared themselves"},
	{"instruments: *: longest exchange", "%s: its longest exchange", plan.Harmless, "the times to safe are worked out from it, and nothing that is done"},
	{"instruments: *: baud", "%s: its line", plan.Harmless, "the same words go over it"},
	{"instruments: *: data bits", "%s: its line", plan.Harmless, "the same words go over it"},
	{"instruments: *: parity", "%s: its line", plan.Harmless, "the same words go over it"},
	{"instruments: *: stop bits", "%s: its line", plan.Harmless, "the same words go over it"},
	{"instruments: *", "the instrument %s", plan.Blocking, "it was used, or is described in another way"},
	{"line frequency", "the frequency of the mains", plan.Notable, "meters count in its periods"},
	{"channels: *: thermometer", "what the thermometer of %s may be wrong by", plan.Notable, "its readings may have moved against the old ones; of limits the tighter hold"},
	{"channels: *", "the channel %s", plan.Blocking, "what is read by that name is something else"},
	{"specimen place", "where the specimen lies", plan.Blocking, "other readings are about it, or something else heats or moves it"},
	{"bending: free length", "the free length", plan.Blocking, "the same travel bends to another radius"},
	{"bending: flat at", "where the strip is flat", plan.Blocking, "the same position bends to another radius"},
	{"bending: ends", "how the ends are held", plan.Blocking, "the same travel bends to another radius"},
	{"bending: stage", "the stage", plan.Blocking, "it is another one"},
	{"bending", "the bench for bending", plan.Notable, "it bends with another uncertainty, or asks at another time"},
	{"ambient", "the ambient", plan.Notable, "heat is lost in another way"},
	{"limits", "the limits of the rig", plan.Harmless, "the tightest of all old and new ones holds, and is told where it is another one"},
	{"interlocks", "", elsewhere, ""},
	{"stop contacts", "", elsewhere, ""},
	{"thermometers disagree", "", elsewhere, ""},
	{"must act within", "the longest time to safe", plan.Harmless, "dwell check refuses by it; nothing that is done follows from it"},
	{"notify", "who is told when the rig is not safe", plan.Harmless, "nothing that is done follows from it"},
	{"twin", "the virtual bench", plan.Notable, "it is another one, where it is used"},
}

var specimenWeights = []weighing{
	{"specimen", "the specimen", plan.Blocking, "it is another one"},
	{"description", "its description", plan.Harmless, "words"},
	{"film: width", "the width of the film", plan.Notable, "figures follow from it"},
	{"film: length", "the length of the film", plan.Notable, "figures follow from it"},
	{"film: thickness", "the thickness of the film", plan.Notable, "figures follow from it"},
	{"film: modulus", "the modulus of the film", plan.Notable, "figures follow from it"},
	{"film", "what is expected of the specimen", plan.Notable, "figures follow from it; by what it is confirmed, is told besides"},
	{"layers", "the layers of the specimen", plan.Notable, "it conducts heat, and bends, in another way"},
	{"encapsulation", "the encapsulation", plan.Notable, "it conducts heat, and bends, in another way"},
	{"array", "the place of the element in its array", plan.Notable, "compare puts it there"},
	{"film face", "where the printed face looks", plan.Notable, "it conducts heat in another way"},
	{"bending", "how the specimen is bent", plan.Blocking, "its film is strained in another way"},
	{"limits", "the limits of the specimen", plan.Harmless, "the tightest of all old and new ones holds, and is told where it is another one"},
}

// readsOtherwise are the keys that say what bytes mean. A record has one meaning from its
// beginning to its end.
var readsOtherwise = []string{"instruments: *", "instruments: *: profile", "channels: *", "specimen place"}

// weighed lists what two files say in another way, in the order of the old one, and how
// much each matters. Keys may stand in any order, and numbers in any unit.
func weighed(then, now *yamltext.Node, weights []weighing) (found []plan.Difference, keys []string) {
	for _, d := range otherwise(nil, then, now) {
		w, name := weightOf(d.path, weights)
		if w.weight == elsewhere && w.key != "" {
			continue
		}
		if strings.Contains(w.what, "%s") {
			w.what = fmt.Sprintf(w.what, name)
		}
		extra := under(d.path, w.key)
		if extra != "" {
			w.what += ": " + extra
		} else if name != "" && d.then == notThere && w.weight == plan.Blocking { // a new entry
			w.key, w.weight, w.why = "", plan.Notable, "the old plan does nothing with it"
		}
		found = append(found, plan.Difference{What: w.what, Then: d.then, Now: d.now, Weight: w.weight, Why: w.why})
		keys = append(keys, w.key)
	}
	return found, keys
}

// weightOf finds the first of the weights that a path stands under, and the name in it.
func weightOf(path []string, weights []weighing) (w weighing, name string) {
	for _, w := range weights {
		parts := strings.Split(w.key, ": ")
		if len(parts) > len(path) {
			continue
		}
		matches := true
		for i, part := range parts {
			if part == "*" {
				name = path[i]
			} else if part != path[i] {
				matches = false
			}
		}
		if matches {
			return w, name
		}
	}
	return weighing{what: strings.Join(path, ": "), weight: plan.Notable, why: "dwell knows nothing that makes this harmless"}, ""
}

// under is what a path says beyond the key that it was found by.
func under(path []string, key string) string {
	if key == "" {
		return ""
	}
	return strings.Join(path[len(strings.Split(key, ": ")):], ": ")
}

// unlike is one place at which two files say something else.
type unlike struct {
	path      []string
	then, now string
}

const notThere = "not there"

// otherwise lists where two files say something else.
func otherwise(path []string, then, now *yamltext.Node) (found []unlike) {
	if then.Kind != now.Kind || then.Kind == yamltext.Sequence && !sameList(then, now) || then.Kind == yamltext.Scalar && !sameValue(then.Text, now.Text) {
		return []unlike{{path, nodeText(then), nodeText(now)}}
	}
	if then.Kind != yamltext.Mapping {
		return nil
	}
	for _, key := range keysIn(then) {
		deeper := append(slices.Clone(path), key)
		if again := valueIn(now, key); again == nil {
			found = append(found, unlike{deeper, nodeText(valueIn(then, key)), notThere})
		} else {
			found = append(found, otherwise(deeper, valueIn(then, key), again)...)
		}
	}
	for _, key := range keysIn(now) {
		if valueIn(then, key) == nil {
			found = append(found, unlike{append(slices.Clone(path), key), notThere, nodeText(valueIn(now, key))})
		}
	}
	return found
}

func sameList(a, b *yamltext.Node) bool {
	return slices.EqualFunc(a.Items, b.Items, func(a, b *yamltext.Node) bool { return len(otherwise(nil, a, b)) == 0 })
}

// sameValue tells whether two texts are the same, or the same quantity.
func sameValue(a, b string) bool {
	if a == b {
		return true
	}
	x, err1 := quantity.Parse(a)
	y, err2 := quantity.Parse(b)
	return err1 == nil && err2 == nil && x.Value == y.Value && x.Unit.Dim == y.Unit.Dim
}

// nodeText is a value as its file would have it on one line.
func nodeText(n *yamltext.Node) string {
	var parts []string
	switch n.Kind {
	case yamltext.Scalar:
		return n.Text
	case yamltext.Sequence:
		for _, item := range n.Items {
			parts = append(parts, nodeText(item))
		}
		return "[" + strings.Join(parts, ", ") + "]"
	}
	for _, p := range n.Pairs {
		parts = append(parts, p.Key.Text+": "+nodeText(p.Value))
	}
	return "{" + strings.Join(parts, ", ") + "}"
}

func keysIn(n *yamltext.Node) (keys []string) {
	for _, p := range n.Pairs {
		keys = append(keys, p.Key.Text)
	}
	return keys
}

func valueIn(n *yamltext.Node, key string) *yamltext.Node {
	for _, p := range n.Pairs {
		if p.Key.Text == key {
			return p.Value
		}
	}
	return nil
}
