package main

import (
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// The commands in the documents can be copied as they stand: they begin with the name
// under which go build leaves the program, their verbs exist, and so do their files.
func TestTheCommandsOfTheDocuments(t *testing.T) {
	t.Parallel()
	var verbs []string
	for _, c := range command(newSpeech(os.Stdout, os.Stderr)).Commands() {
		verbs = append(verbs, c.Name())
	}
	verb := regexp.MustCompile(`(?:\./dwell|go run \./cmd/dwell) ([a-z]+)`)
	file := regexp.MustCompile(`examples/[a-z/-]*\.[a-z]+`)
	for _, name := range []string{"README.md", "examples/protocol-language.md"} {
		commands := 0
		for i, line := range strings.Split(read(t, "../../"+name), "\n") {
			command, isCode := strings.CutPrefix(line, "    ")
			if isCode && strings.HasPrefix(command, "dwell ") {
				t.Errorf("%s:%d: %q cannot be copied: the program is ./dwell", name, i+1, line)
			}
			for _, m := range verb.FindAllStringSubmatch(line, -1) {
				if commands++; !slices.Contains(verbs, m[1]) {
					t.Errorf("%s:%d: there is no verb %q", name, i+1, m[1])
				}
			}
			for _, f := range file.FindAllString(line, -1) {
				if _, err := os.Stat("../../" + f); err != nil {
					t.Errorf("%s:%d: %v", name, i+1, err)
				}
			}
		}
		if commands == 0 {
			t.Errorf("%s has no command", name)
		}
	}
}

// What the README shows of the first command is what it prints, but for how long the
// rehearsal took and the name of the folder.
func TestTheReadmeShowsWhatIsPrinted(t *testing.T) {
	t.Parallel()
	_, shown, _ := strings.Cut(read(t, "../../README.md"), "This is what it prints")
	_, shown, _ = strings.Cut(shown, "\n\n")
	shown, _, found := strings.Cut(shown, "    folder ")
	if !found {
		t.Fatal("the README shows no output that ends with the folder")
	}
	p := start(t, "rehearse", leafClip+"staircase.yaml", "--out", t.TempDir())
	p.exits(exitDone)
	printed, _, _ := strings.Cut(p.out.String(), "folder ")
	took := regexp.MustCompile(`rehearsed in [0-9.]+ s`)
	lines := func(text, indent string) (all []string) {
		for line := range strings.Lines(took.ReplaceAllString(text, "")) {
			all = append(all, strings.TrimRight(strings.TrimPrefix(line, indent), " \n"))
		}
		return all
	}
	if got, want := lines(shown, "    "), lines(printed, ""); !slices.Equal(got, want) {
		t.Errorf("README.md shows\n%s\nprinted is\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}
