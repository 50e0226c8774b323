package rig

import (
	"slices"

	"dwell/drivers"
	"dwell/drivers/yamltext"
)

// This file is about switches in the mains of other instruments: a second way to cut
// the heat. Such a switch is open by itself, is closed before what it feeds can be
// asked anything, and is the first thing that opens.

// The words of such a switch.
const (
	mains       = "mains"
	stateOpen   = "open"
	stateClosed = "closed"
)

// switches looks whether every switch is in somebody's mains.
func (r *rigReader) switches(n *yamltext.Node) {
	for i, d := range r.rig.Instruments {
		is, at := d.Profile.Kind == mainsSwitch, d.Node
		if n != nil && i < len(n.Pairs) {
			for _, p := range n.Pairs[i].Value.Pairs {
				if p.Key.Text == "switches" {
					at = p.Value
				}
			}
		}
		k := r.rig.Instrument(d.Switches)
		switch {
		case d.Profile.Name == "": // told already
		case is && d.Switches == "":
			r.wrong(at, "%s is a mains switch: what it switches is missing", d.Name).Hint("add switches: and the name of the heater")
		case !is && d.Switches != "":
			r.wrong(at, "%s is a %s, and switches nobody's mains", d.Name, d.Profile.Kind)
		case is && k < 0:
			if !r.rig.Excused(d.Switches) {
				r.unknown(at, "instrument of this rig", d.Switches, r.rig.instrumentNames())
			}
		case is && r.rig.Instruments[k].Profile.Set(heat) < 0 && r.rig.Instruments[k].Profile.Name != "":
			r.wrong(at, "%s does not heat", d.Switches)
		case is && r.rig.SwitchOf(d.Switches) != i:
			r.wrong(at, "%s has a switch already", d.Switches)
		}
	}
}

func (r *Rig) instrumentNames() []string {
	var names []string
	for _, d := range r.Instruments {
		names = append(names, d.Name)
	}
	return names
}

// keptClosed stops a run whose switch has opened: it is a contact like any other.
func (r *rigReader) keptClosed() {
	for i, d := range r.rig.Instruments {
		if d.Profile.Kind != mainsSwitch || d.Switches == "" {
			continue
		}
		for _, c := range r.rig.Channels {
			if c.Instrument != i || c.Quantity != mains || c.Through != "" {
				continue
			}
			states := d.Profile.Queries[c.Query].Fields[c.Field].States
			if at := slices.Index(states, stateClosed); at >= 0 {
				r.rig.Contacts = append(r.rig.Contacts, Contact{Channel: c.Name, Reads: float64(at), Word: stateClosed, Node: d.Node})
			}
		}
	}
}

// SwitchOf is the place of the switch in an instrument's mains, or -1.
func (r *Rig) SwitchOf(name string) int {
	return slices.IndexFunc(r.Instruments, func(d Description) bool { return d.Switches == name && d.Profile.Kind == mainsSwitch })
}

// InMains tells whether an instrument is a switch in another one's mains.
func (i *Instrument) InMains() bool { return i.p.Kind == mainsSwitch }

// Closing is what closes a switch.
func (i *Instrument) Closing() drivers.Setpoint {
	return drivers.Setpoint{Instrument: i.about.Name, Quantity: mains, State: stateClosed}
}
