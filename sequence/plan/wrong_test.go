package plan

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestWrong compares what is said about wrong protocols, to the letter, with what
// was found to be right. Every protocol there is wrong, and every mistake in it is
// found in one pass.
func TestWrong(t *testing.T) {
	files, err := filepath.Glob("testdata/wrong/*.yaml")
	if err != nil || len(files) < 40 {
		t.Fatalf("expected 40 wrong protocols or more, found %d (%v)", len(files), err)
	}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		_, m := compile(t, filepath.Base(file), string(text))
		got := printed(m)
		if got == "" {
			t.Errorf("%s: nothing is found wrong with it", file)
			continue
		}
		expected := strings.TrimSuffix(file, ".yaml") + ".txt"
		if *update {
			if err := os.WriteFile(expected, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(expected)
		if err != nil {
			t.Fatal(err)
		}
		if got != string(want) {
			t.Errorf("%s: got\n%s\nwant\n%s", file, got, want)
		}
	}
}
