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
