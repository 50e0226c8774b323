package main

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"dwell/drivers/clock"
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
	rigFile  string
	rig      *rig.Rig
	specimen *rig.Specimen
	plan     *plan.Plan
	inputs   []logs.Input // as they will lie in the run folder

	tightened bool // the rules of the plan are tighter than those in its plan.json
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
	byDefault, specimenByDefault := f.rig == "", f.specimen == ""
	if f.rig == "" {
		f.rig = filepath.Join(beside, "rig.yaml")
	}
	if f.specimen == "" {
		f.specimen = filepath.Join(beside, "specimen.yaml")
	}
	j.rigFile = f.rig
	doc, err := j.read(f.rig, "rig.yaml", m)
	if err != nil {
		return orNamed(err, byDefault, "--rig")
	}
	j.rig = rig.Load(doc, j.kept(ownProfiles(f.rig)), m)
	overNetwork(j.rig)
	for _, d := range j.rig.Dates {
		if today := latestDate(); d.Text > today {
			m.Add(doc, d.Node, "nothing was measured on a day that has not come: it is %s at most", today).
				Hint("correct this date, or the one of this computer")
		}
	}
	for _, d := range j.rig.Instruments {
		if text, ok := rig.EmbeddedProfile(d.Profile.Name); ok && bytes.Equal(text, d.Profile.Text) {
			j.add(profilesFolder+d.Profile.Name+".yaml", d.Profile.Text)
		}
	}
	doc, err = j.read(f.specimen, "specimen.yaml", m)
	if err != nil {
		return orNamed(err, specimenByDefault, "--specimen")
	}
	j.specimen = rig.LoadSpecimen(doc, m)
	return nil
}

// latestDate is the latest date that it is anywhere: the calendar of the farthest east is
// 14 h before UTC.
func latestDate() string { return clock.Today().UTC.Add(14 * time.Hour).Format(time.DateOnly) }

// orNamed adds that a file which was looked for beside the protocol can be named.
func orNamed(err error, byDefault bool, flag string) error {
	if !byDefault {
		return err
	}
	return usage(fmt.Errorf("%w; put it beside the protocol, or use %s FILE", err, flag))
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

// read reads a file that lies in the run folder under another name. A file of another
// kind is one mistake, and nothing in it is looked at.
func (j *job) read(path, as string, m *yamltext.Mistakes) (*yamltext.Document, error) {
	text, err := readFile(path)
	if err != nil {
		return nil, usage(err)
	}
	j.add(as, text)
	doc := yamltext.Parse(path, text, m)
	kind := as[:len(as)-len(".yaml")]
	if other, key := fileKind(doc.Root); other != "" && other != kind {
		x := m.Add(doc, key, "this looks like %s: %s is expected here", kindNames[other], kindNames[kind])
		if kind == "protocol" && (other == "rig" || other == "specimen") {
			x.Hint("name the protocol, and this one behind --" + other)
		}
		doc.Root = nil
	}
	return doc, nil
}

var kindNames = map[string]string{"protocol": "a protocol", "rig": "a rig file", "specimen": "a specimen file", "profile": "an instrument profile"}

// kindKeys are the keys that only files of one kind have at the top.
var kindKeys = []struct {
	kind string
	keys []string
}{
	{"protocol", []string{"steps", "ends", "record", "title", "let"}},
	{"rig", []string{"rig", "instruments", "channels", "ambient", "specimen place"}},
	{"specimen", []string{"film", "layers", "film face", "encapsulation"}},
	{"profile", []string{"profile", "kind", "dialect", "measures", "sets", "identity"}},
}

// fileKind is what a file is by its keys, and the first of them; "" when they are none
// of these, or of several.
func fileKind(n *yamltext.Node) (kind string, first *yamltext.Node) {
	if n == nil {
		return "", nil
	}
	for _, p := range n.Pairs {
		for _, k := range kindKeys {
			if !slices.Contains(k.keys, p.Key.Text) {
				continue
			}
			if kind != "" && kind != k.kind {
				return "", nil
			}
			if kind == "" {
				kind, first = k.kind, p.Key
			}
		}
	}
	return kind, first
}

// mostBytes is what is read of a protocol, a rig, a specimen or a profile at most.
const mostBytes = 1 << 20

// readFile reads a file, or says in a word why it cannot be read.
func readFile(path string) ([]byte, error) {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, fmt.Errorf("there is no file %s%s", path, nearestFile(path))
	case err == nil && info.IsDir():
		return nil, fmt.Errorf("%s is a folder: name a file in it%s", path, filesIn(path))
	case err == nil && !info.Mode().IsRegular():
		return nil, fmt.Errorf("%s is no ordinary file", path)
	case err == nil && info.Size() > mostBytes:
		return nil, fmt.Errorf("%s has %d bytes: no file of dwell has more than %d", path, info.Size(), mostBytes)
	}
	text, err := os.ReadFile(path)
	if why := (*fs.PathError)(nil); errors.As(err, &why) {
		return nil, fmt.Errorf("%s cannot be read: %w", path, why.Err)
	}
	return text, err
}

// nearestFile is a hint at a file with nearly the same name.
func nearestFile(path string) string {
	if near := yamltext.Nearest(filepath.Base(path), yamlFiles(filepath.Dir(path))); near != "" {
		return ": did you mean " + filepath.Join(filepath.Dir(path), near) + "?"
	}
	return ""
}

func filesIn(dir string) string {
	all := yamlFiles(dir)
	if len(all) == 0 {
		return ""
	}
	return " (" + strings.Join(all[:min(len(all), 8)], ", ") + ")"
}

func yamlFiles(dir string) (names []string) {
	found, _ := filepath.Glob(filepath.Join(dir, "*.yaml"))
	for _, name := range found {
		names = append(names, filepath.Base(name))
	}
	return names
}

func (j *job) add(name string, text []byte) {
	for _, in := range j.inputs {
		if in.Name == name {
			return
		}
	}
	j.inputs = append(j.inputs, logs.Input{Name: name, Bytes: text})
}
