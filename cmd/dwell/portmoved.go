package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"dwell/drivers/rig"
	"dwell/drivers/wire"
	"dwell/drivers/yamltext"
	"dwell/logs"
	"dwell/safety"
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

// today takes up a run by a rig file of today: its ports, and its limits where they are
// tighter. Everything else in it that is not as it was is weighed as for a rerun; what is
// read, and how, stays as the run began with.
func (t *takenUp) today(file, reason string) error {
	if file == "" {
		return nil
	}
	now, err := t.rigOf(file)
	if err != nil {
		return err
	}
	found, keys := weighed(t.job.rig.Doc.Root, now.Doc.Root, rigWeights)
	for k, d := range found {
		if slices.Contains(readsOtherwise, keys[k]) {
			return fmt.Errorf("%s: %s was %s, is %s: a run is read in one way from its beginning to its end; put the file right, or begin again (dwell rerun)", file, d.What, d.Then, d.Now)
		}
	}
	r := &repetition{folder: filepath.Base(t.folder), then: t.identity, old: t.job, found: found, begun: true, reason: strings.TrimSpace(reason),
		job: &job{rig: now, specimen: t.job.specimen}}
	if err := t.tighter(r); err != nil {
		return err
	}
	if err := r.judge(t.speech); err != nil {
		return err
	}
	t.segment.Differences, t.segment.Reason, t.job.rigFile = r.differences(), r.reason, file
	if err := t.wayBack(now.AmbientDegC); err != nil {
		return err
	}
	return t.findPorts(file, now)
}

// rigOf is the rig of a file, with the profiles of the run.
func (t *takenUp) rigOf(file string) (*rig.Rig, error) {
	m := &yamltext.Mistakes{}
	j := &job{}
	doc, err := j.read(file, "rig.yaml", m)
	if err != nil {
		return nil, err
	}
	now := rig.LoadKept(doc, func(name string) ([]byte, error) {
		return os.ReadFile(filepath.Join(t.folder, profilesFolder, filepath.Base(name)))
	}, m)
	if m.Len() > 0 {
		return nil, mistakesError(m)
	}
	return now, nil
}

// tighter gives the plan the rules that it would have on today's bench, where they are
// tighter than its own.
func (t *takenUp) tighter(r *repetition) error {
	name := filepath.Join(t.folder, "protocol.yaml")
	protocol, err := readFile(name)
	if err != nil {
		return err
	}
	today, err := r.compile(name, protocol)
	if err != nil {
		return fmt.Errorf("today's bench does not allow this run, and no reason overrides that:\n%w", err)
	}
	p, found, err := t.job.plan.Again(today)
	if err != nil {
		return err
	}
	r.found = append(r.found, found...)
	if _, err := safety.NewGate(p.Rules, t.job.rig); err != nil {
		return fmt.Errorf("the bench of this run cannot keep today's rules: %w", err)
	}
	if p != t.job.plan {
		t.job.plan = p
		t.segment.Rules, err = json.Marshal(p.Rules)
	}
	return err
}

// findPorts takes the ports from a rig of today.
func (t *takenUp) findPorts(file string, today *rig.Rig) error {
	for k := range t.job.rig.Instruments {
		then := &t.job.rig.Instruments[k]
		now := today.Instruments[today.Instrument(then.Name)]
		if then.Address.Text == now.Address.Text {
			continue
		}
		if cable(then.Address.Kind) != cable(now.Address.Kind) {
			return fmt.Errorf("%s was on port %s, and is on %s in %s: a run does not go on between a real and a virtual instrument", now.Name, then.Address.Text, now.Address.Text, file)
		}
		then.Address = now.Address
		t.segment.Ports = append(t.segment.Ports, logs.Port{Instrument: now.Name, Port: now.Address.Text})
	}
	return nil
}

// cable is whether something real is at the other end.
func cable(k wire.Kind) bool { return k == wire.Serial || k == wire.TCP }
