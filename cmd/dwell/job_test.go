package main

import (
	"path/filepath"
	"strings"
	"testing"
)

// Files that cannot be read at all do not keep the mistakes of the others back, and
// are no cause for more of them.
func TestMistakesOfAllFilesAtOnce(t *testing.T) {
	for _, lost := range []string{"rig.yaml", "specimen.yaml"} {
		for _, text := range []string{"", "a: b: c\n"} {
			dir := t.TempDir()
			for _, name := range []string{"rig.yaml", "specimen.yaml"} {
				write(t, filepath.Join(dir, name), read(t, leafClip+name))
			}
			write(t, filepath.Join(dir, lost), text)
			write(t, filepath.Join(dir, "p.yaml"), strings.Replace(read(t, leafClip+"staircase.yaml"), "- hold: {until", "- hodl: {until", 1))
			var said strings.Builder
			_, err := load(&speech{out: &said, err: &said}, files{protocol: filepath.Join(dir, "p.yaml")})
			if got := said.String(); err == nil || strings.Count(got, ".yaml:") != 2 || !strings.Contains(got, lost) || !strings.Contains(got, "did you mean hold?") {
				t.Errorf("%s is %q: expected that and hodl to be mistakes (%v), got\n%s", lost, text, err, got)
			}
		}
	}
}
