package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"dwell/drivers/yamltext"
)

// A run folder holds all that its rig file names, so that the rig can be opened again
// from there: by the guard, by dwell safe.
func TestARunFolderKeepsOwnProfiles(t *testing.T) {
	dir := t.TempDir()
	profile := read(t, "../../drivers/rig/profiles/namur-hotplate.yaml")
	for _, name := range []string{"specimen.yaml", "short.yaml"} {
		write(t, filepath.Join(dir, name), read(t, leafClip+name))
	}
	write(t, filepath.Join(dir, "rig.yaml"), strings.Replace(read(t, leafClip+"rig.yaml"), "profile: namur-hotplate", "profile: my-plate.yaml", 1))
	own := strings.Replace(profile, "profile: namur-hotplate", "profile: somebody-elses-plate", 1)
	write(t, filepath.Join(dir, "my-plate.yaml"), own)
	p := start(t, "rehearse", filepath.Join(dir, "short.yaml"), "--out", filepath.Join(dir, "runs"))
	p.exits(exitDone)
	folder := theFolder(t, filepath.Join(dir, "runs"))
	if got := read(t, filepath.Join(folder, "profiles", "my-plate.yaml")); got != own {
		t.Error("the profile kept is not the one that was used")
	}
	if err := os.Remove(filepath.Join(dir, "my-plate.yaml")); err != nil {
		t.Fatal(err)
	}
	m := &yamltext.Mistakes{}
	j := &job{}
	if err := j.bench(files{}, folder, m); err != nil || m.Len() > 0 {
		m.Print(os.Stderr)
		t.Fatalf("the rig cannot be loaded from the run folder: %v", err)
	}
	if j.rig.Instruments[0].Profile.Name != "somebody-elses-plate" {
		t.Errorf("the plate is a %s", j.rig.Instruments[0].Profile.Name)
	}
}
