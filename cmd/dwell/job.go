package main

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"dwell/drivers/rig"
	"dwell/drivers/yamltext"
	"dwell/logs"
	"dwell/sequence/plan"

	"github.com/spf13/cobra"
)

// files are the files a verb works on, as flags name them.
type files struct {
	protocol, rig, specimen string
	unattended              bool
}

func (f *files) flags(c *cobra.Command) {
	c.Flags().StringVar(&f.rig, "rig", "", "the rig file (default: rig.yaml beside the protocol)")
	c.Flags().StringVar(&f.specimen, "specimen", "", "the specimen file (default: specimen.yaml beside the protocol)")
}

// job is a protocol, checked, with all it needs.
type job struct {
	name     string // of the protocol, without folder and ending
	rig      *rig.Rig
	specimen *rig.Specimen
	plan     *plan.Plan
	inputs   []logs.Input // as they will lie in the run folder
}

// load reads and checks everything, and prints every mistake in one pass.
func load(s *speech, f files) (*job, error) {
	m := &yamltext.Mistakes{}
	j := &job{}
	base := filepath.Base(f.protocol)
	j.name = base[:len(base)-len(filepath.Ext(base))]
	protocol, err := j.read(f.protocol, "protocol.yaml", m)
	if err != nil {
		return nil, err
	}
	beside := filepath.Dir(f.protocol)
	if err := j.bench(f, beside, m); err != nil {
		return nil, err
	}
	if protocol.Root != nil {
		j.plan = plan.Compile(protocol, j.rig, j.specimen, plan.Options{Unattended: f.unattended}, m)
	}
	if m.Len() > 0 {
		return nil, s.mistakes(m)
	}
	text, err := plan.WriteJSON(j.plan)
	if err != nil {
		return nil, err
	}
	j.inputs = append(j.inputs, logs.Input{Name: "plan.json", Bytes: text})
	return j, nil
}

// bench reads rig and specimen.
func (j *job) bench(f files, beside string, m *yamltext.Mistakes) error {
	if f.rig == "" {
		f.rig = filepath.Join(beside, "rig.yaml")
	}
	if f.specimen == "" {
		f.specimen = filepath.Join(beside, "specimen.yaml")
	}
	doc, err := j.read(f.rig, "rig.yaml", m)
	if err != nil {
		return err
	}
	j.rig = rig.Load(doc, j.kept(ownProfiles(f.rig)), m)
	for _, d := range j.rig.Instruments {
		if text, ok := rig.EmbeddedProfile(d.Profile.Name); ok && bytes.Equal(text, d.Profile.Text) {
			j.add(profilesFolder+d.Profile.Name+".yaml", d.Profile.Text)
		}
	}
	doc, err = j.read(f.specimen, "specimen.yaml", m)
	if err != nil {
		return err
	}
	j.specimen = rig.LoadSpecimen(doc, m)
	return nil
}

// profilesFolder is where a run folder keeps instrument profiles.
const profilesFolder = "profiles/"

// ownProfiles finds instrument profiles of a person's own: beside the rig file, or
// where a run folder keeps them.
func ownProfiles(rigFile string) func(name string) ([]byte, error) {
	return func(name string) ([]byte, error) {
		beside := filepath.Dir(rigFile)
		text, err := os.ReadFile(filepath.Join(beside, name))
		if errors.Is(err, fs.ErrNotExist) {
			if kept, err := os.ReadFile(filepath.Join(beside, profilesFolder, filepath.Base(name))); err == nil {
				return kept, nil
			}
		}
		return text, err
	}
}

// kept has the run folder keep every profile of a person's own, under the name by
// which the rig file calls it.
func (j *job) kept(find func(name string) ([]byte, error)) func(name string) ([]byte, error) {
	return func(name string) ([]byte, error) {
		text, err := find(name)
		if err != nil {
			return nil, err
		}
		as := profilesFolder + filepath.Base(name)
		for _, in := range j.inputs {
			if in.Name == as && !bytes.Equal(in.Bytes, text) {
				return nil, fmt.Errorf("another profile has the same file name; a run folder keeps one of each")
			}
		}
		j.add(as, text)
		return text, nil
	}
}

func (j *job) read(path, as string, m *yamltext.Mistakes) (*yamltext.Document, error) {
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, usage(fmt.Errorf("there is no file %s", path))
	}
	if err != nil {
		return nil, usage(err)
	}
	j.add(as, text)
	return yamltext.Parse(path, text, m), nil
}

func (j *job) add(name string, text []byte) {
	for _, in := range j.inputs {
		if in.Name == name {
			return
		}
	}
	j.inputs = append(j.inputs, logs.Input{Name: name, Bytes: text})
}
