package main

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// renamed writes the files of the example into a folder, with other words in them.
func renamed(t *testing.T, words ...string) string {
	t.Helper()
	dir := t.TempDir()
	for _, name := range []string{"rig.yaml", "specimen.yaml", "staircase.yaml"} {
		text := strings.NewReplacer(words...).Replace(read(t, leafClip+name))
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// figuresIn are those of a run folder.
func figuresIn(t *testing.T, folder string) (all []listed) {
	t.Helper()
	if err := json.Unmarshal([]byte(read(t, filepath.Join(folder, "figures.json"))), &all); err != nil {
		t.Fatal(err)
	}
	return all
}

// A bench whose plate and whose channels have other names gives the same figures.
func TestFiguresOfARenamedBench(t *testing.T) {
	t.Parallel()
	dir := renamed(t, "  plate:\n    profile", "  hotplate:\n    profile", "lies on: plate", "lies on: hotplate",
		"from: plate.probe, thermometer: platinum class B}", "from: hotplate.probe}\n  block.temperature: {from: hotplate.temperature}",
		"plate.temperature", "block.temperature", "plate to:", "hotplate to:")
	root := t.TempDir()
	start(t, "rehearse", filepath.Join(dir, "staircase.yaml"), "--seed", "5", "--out", root).exits(exitDone)
	for _, f := range figuresIn(t, theFolder(t, root)) {
		if f.Figure == "b_value" && strings.HasPrefix(f.Flavour, "fitted") && math.Abs(f.Value-1000) <= f.Expanded {
			return
		}
	}
	t.Errorf("no B value that holds: %s", read(t, filepath.Join(theFolder(t, root), "figures.json")))
}

// A metal film on a foil that no table knows is a specimen like any other.
func TestRehearseAMetalFilm(t *testing.T) {
	t.Parallel()
	dir := renamed(t, "B value: 1000 K", "temperature coefficient: 0.3 %/K", "of: polyimide", "of: silk")
	root := t.TempDir()
	start(t, "rehearse", filepath.Join(dir, "staircase.yaml"), "--out", root).exits(exitDone)
	for _, f := range figuresIn(t, theFolder(t, root)) {
		if f.Figure == "tcr" && f.Unit == "1/K" && math.Abs(f.Value-0.003) <= max(f.Expanded, 1e-4) {
			return
		}
	}
	t.Errorf("no coefficient that holds: %s", read(t, filepath.Join(theFolder(t, root), "figures.json")))
}
