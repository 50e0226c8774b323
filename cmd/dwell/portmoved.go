package main

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"dwell/drivers/rig"
	"dwell/drivers/wire"
	"dwell/drivers/yamltext"
	"dwell/logs"
)

// A port may have another name after a reboot. The rig file of a run folder stays what it
// was; run.json says, for each part of a run, which ports it was continued on. The guard
// reads them there, so that it opens the ports of the run and no others.

// movePorts puts instruments on the ports that the parts of a run had, the last one last.
func movePorts(r *rig.Rig, id logs.Identity) error {
	for _, s := range id.Segments {
		for _, p := range s.Ports {
			k := r.Instrument(p.Instrument)
			if k < 0 {
				return fmt.Errorf("run.json: a port of %q, which this rig has not", p.Instrument)
			}
			address, err := wire.ParseAddress(p.Port)
			if err != nil {
				return fmt.Errorf("run.json: the port of %s: %w", p.Instrument, err)
			}
			r.Instruments[k].Address = address
		}
	}
	return nil
}

// movedPorts does so for the rig of a run folder.
func movedPorts(r *rig.Rig, folder string) error {
	f, _, err := logs.Open(logs.Disk{}, folder)
	if f == nil {
		return err
	}
	id, err := f.Identity()
	if err != nil {
		return err
	}
	return movePorts(r, id)
}

// findPorts takes the ports from a rig file of today. The run goes on by the plan and the
// limits that it had: a file that says anything else than ports in another way is refused.
func (t *takenUp) findPorts(file string) error {
	if file == "" {
		return nil
	}
	m := &yamltext.Mistakes{}
	j := &job{}
	doc, err := j.read(file, "rig.yaml", m)
	if err != nil {
		return err
	}
	today := rig.LoadKept(doc, func(name string) ([]byte, error) {
		return os.ReadFile(filepath.Join(t.folder, profilesFolder, filepath.Base(name)))
	}, m)
	if m.Len() > 0 {
		return mistakesError(m)
	}
	if found := otherThanPorts(nil, t.job.rig.Doc.Root, doc.Root); len(found) > 0 {
		return fmt.Errorf("%s is not the rig of this run, but for its ports:\n  %s\na run goes on with the limits and on the bench that it had: put the file right, or begin again (dwell rerun)",
			file, strings.Join(found, "\n  "))
	}
	for _, now := range today.Instruments {
		then := &t.job.rig.Instruments[t.job.rig.Instrument(now.Name)]
		if then.Address.Text == now.Address.Text {
			continue
		}
		if cable(then.Address.Kind) != cable(now.Address.Kind) {
			return fmt.Errorf("%s was on port %s, and is on %s in %s: a run does not go on between a real and a virtual instrument", now.Name, then.Address.Text, now.Address.Text, file)
		}
		then.Address = now.Address
		t.segment.Ports = append(t.segment.Ports, logs.Port{Instrument: now.Name, Port: now.Address.Text})
	}
	t.job.rigFile = file
	return nil
}

// cable is whether something real is at the other end.
func cable(k wire.Kind) bool { return k == wire.Serial || k == wire.TCP }

// otherThanPorts lists what two rig files say in another way, ports left out. Keys may
// stand in any order: it is the rig of the run that is used, on other ports.
func otherThanPorts(path []string, then, now *yamltext.Node) (found []string) {
	where := strings.Join(path, ": ")
	switch {
	case then.Kind != now.Kind || then.Kind == yamltext.Scalar && then.Text != now.Text:
		return []string{fmt.Sprintf("%s was %s, is %s", where, nodeText(then), nodeText(now))}
	case then.Kind == yamltext.Sequence && len(then.Items) != len(now.Items):
		return []string{fmt.Sprintf("%s had %d entries, has %d", where, len(then.Items), len(now.Items))}
	case then.Kind == yamltext.Sequence:
		for k := range then.Items {
			found = append(found, otherThanPorts(append(slices.Clone(path), fmt.Sprint(k+1)), then.Items[k], now.Items[k])...)
		}
		return found
	case then.Kind == yamltext.Scalar:
		return nil
	}
	for _, key := range keysIn(then) {
		deeper := append(slices.Clone(path), key)
		if isPort(deeper) {
			continue
		}
		if again := valueIn(now, key); again == nil {
			found = append(found, strings.Join(deeper, ": ")+" is missing")
		} else {
			found = append(found, otherThanPorts(deeper, valueIn(then, key), again)...)
		}
	}
	for _, key := range keysIn(now) {
		if valueIn(then, key) == nil {
			found = append(found, strings.Join(append(slices.Clone(path), key), ": ")+" is new")
		}
	}
	return found
}

// isPort is the key of a port in a rig file: instruments, the name of one, port.
func isPort(path []string) bool {
	return len(path) == 3 && path[0] == "instruments" && path[2] == "port"
}

func nodeText(n *yamltext.Node) string {
	if n.Kind == yamltext.Scalar {
		return n.Text
	}
	return "a list or table"
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
