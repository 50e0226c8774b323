package main

import (
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"dwell/logs/figures"
)

// rehearsedWith rehearses a protocol of an example with its files changed: "old => new".
func rehearsedWith(t *testing.T, bench, protocol string, changes ...string) *execution {
	t.Helper()
	dir := t.TempDir()
	for _, name := range []string{"rig.yaml", "specimen.yaml", protocol} {
		text := read(t, leafClip+bench+"/"+name)
		for _, c := range changes {
			old, new, _ := strings.Cut(c, " => ")
			text = strings.ReplaceAll(text, old, new)
		}
		write(t, filepath.Join(dir, name), text)
	}
	return rehearsedFiles(t, files{protocol: filepath.Join(dir, protocol)}, 7)
}

// On each of the four fixtures the figures find the gauge factor of the virtual film, which
// is 2, and a change of resistance for every radius.
func TestFixturesEndToEnd(t *testing.T) {
	for _, c := range []struct {
		bench, protocol string
		radii           int
		changes         []string
	}{
		{"bending", "bend.yaml", 2, nil},
		{"bending", "bend.yaml", 2, []string{"ends: clamped => ends: hinged", "strain: 0.7 % => strain: 0.6 %"}},
		{"plates", "fold.yaml", 2, nil},
		{"rods", "rods.yaml", 3, nil},
	} {
		x := rehearsedWith(t, c.bench, c.protocol, c.changes...)
		found := false
		var radii []float64
		for _, f := range figuresOf(t, x.folder) {
			if f.Figure == "gauge_factor" && f.Flavour == "through zero" {
				found = true
				// The film's resistance goes as 1 + 2 strain; between open plates the change is
				// from a film that is strained already, 0.6 % of strain and so 1.2 % of R.
				if math.Abs(f.Value-2) > max(f.Expanded, 0.03) {
					t.Errorf("%s %v: a gauge factor of %g ± %v", c.bench, c.changes, f.Value, f.Expanded)
				}
			}
			if i := slices.IndexFunc(f.With, func(g figures.Given) bool { return g.Name == "radius" }); f.Figure == "bend_response" && i >= 0 && !slices.Contains(radii, f.With[i].Value) {
				radii = append(radii, f.With[i].Value)
			}
		}
		if !found || len(radii) != c.radii {
			t.Errorf("%s %v: gauge factor found: %v; responses at radii %v", c.bench, c.changes, found, radii)
		}
		if v := verified(t, x.folder); len(v.findings) > 0 {
			t.Errorf("%s: %v", c.bench, v.findings)
		}
		if page := read(t, filepath.Join(x.folder, "report.html")); !strings.Contains(page, "neutral plane") {
			t.Errorf("%s: the report does not say which surface a radius is that of", c.bench)
		}
	}
}

// What check says of a protocol that bends: which surface a radius is that of, how the strip
// lies, and the cover that would leave the film unstrained, with its modulus.
func TestCheckSaysHowAStripIsBent(t *testing.T) {
	for _, c := range []struct {
		protocol string
		says     []string
	}{
		{"bending/bend.yaml", []string{"radius 12 mm at the neutral plane (standard uncertainty ", " at the inner face; travel ", "125 um of polyimide (modulus 2.5 GPa) on the film would put it on the neutral plane",
			"the film faces out, in tension; the current runs along the strip; its ends are clamped. It is to bow up", "the stage cannot choose"}},
		{"plates/fold.yaml", []string{"radius 6 mm at the neutral plane", "open      the strip is bent then too", "it is folded between two parallel plates"}},
		{"rods/rods.yaml", []string{"round a rod of 12 mm: radius 6.07 mm at the neutral plane", "6 mm at the inner face; strain", "a person lays it round rods"}},
	} {
		p := start(t, "check", leafClip+c.protocol)
		p.exits(exitDone)
		for _, want := range c.says {
			if !strings.Contains(p.out.String(), want) {
				t.Errorf("%s: check does not say %q:\n%s", c.protocol, want, p.out.String())
			}
		}
		if strings.Contains(p.out.String(), "nothing says how far to trust") {
			t.Errorf("%s: an uncertainty is not stated", c.protocol)
		}
	}
	dir := t.TempDir()
	text := strings.Replace(read(t, leafClip+"bending/specimen.yaml"), ", uncertainty of thickness: 2 um", "", 1)
	if err := os.WriteFile(filepath.Join(dir, "specimen.yaml"), []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	p := start(t, "check", "--specimen", filepath.Join(dir, "specimen.yaml"), leafClip+"bending/bend.yaml")
	p.exits(exitDone)
	if !strings.Contains(p.out.String(), "uncertain nothing says how far to trust thickness (uncertainty of …") {
		t.Errorf("check does not say that an uncertainty is not stated:\n%s", p.out.String())
	}
}
