package main

import (
	"bytes"
	"errors"
	"path/filepath"

	"dwell/drivers/rig"
	"dwell/drivers/yamltext"
	"dwell/logs"
)

// keptRig is the rig of a run folder, with the profiles that lie there: those that dwell
// has may be others by now.
func keptRig(r *logs.Run, j *job) (*rig.Rig, error) {
	text, err := r.File("rig.yaml")
	if err != nil {
		return nil, err
	}
	m := &yamltext.Mistakes{}
	kept := rig.LoadKept(yamltext.Parse(filepath.Join(r.Dir(), "rig.yaml"), text, m), func(name string) ([]byte, error) {
		as := profilesFolder + filepath.Base(name)
		text, err := r.File(as)
		if err == nil && j != nil {
			j.add(as, text)
		}
		return text, err
	}, m)
	if m.Len() > 0 {
		return nil, mistakesError(m)
	}
	if j != nil {
		j.add("rig.yaml", text)
	}
	return kept, nil
}

// keptSpecimen is the specimen of a run folder.
func keptSpecimen(r *logs.Run, j *job) (*rig.Specimen, error) {
	text, err := r.File("specimen.yaml")
	if err != nil {
		return nil, err
	}
	m := &yamltext.Mistakes{}
	specimen := rig.LoadSpecimen(yamltext.Parse(filepath.Join(r.Dir(), "specimen.yaml"), text, m), m)
	if m.Len() > 0 {
		return nil, mistakesError(m)
	}
	if j != nil {
		j.add("specimen.yaml", text)
	}
	return specimen, nil
}

// mistakesError is all mistakes as one error.
func mistakesError(m *yamltext.Mistakes) error {
	var text bytes.Buffer
	m.Print(&text)
	return errors.New(text.String())
}
