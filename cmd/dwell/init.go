package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"strings"

	"dwell/examples"

	"github.com/spf13/cobra"
)

// started are the files that somebody starts from, as they lie in examples/leaf-clip.
var started = []struct{ name, what string }{
	{"rig.yaml", "the bench: change its ports and limits"},
	{"specimen.yaml", "what is under test, and what it must never see"},
	{"short.yaml", "a protocol of some 40 s, to see whether all is well"},
	{"identify.yaml", "a protocol: how your plate responds to full power, to be done once"},
	{"staircase.yaml", "a protocol: resistance against temperature, up and down"},
}

func initCommand(s *speech) *cobra.Command {
	return &cobra.Command{
		Use:   "init DIR",
		Short: "start a bench of your own: a rig, a specimen and three protocols, to be changed",
		Long: `init writes the files to start from into a folder: rig, specimen, and three protocols,
with comments that say what to change. Every instrument is virtual until its port is
named. A file that is there already is left alone, and nothing is written then.`,
		Example: `  dwell init my-bench`,
		Args:    cobra.ExactArgs(1),
		RunE:    func(_ *cobra.Command, args []string) error { return begin(s, args[0]) },
	}
}

func begin(s *speech, dir string) error {
	for _, f := range started {
		name := filepath.Join(dir, f.name)
		if _, err := os.Lstat(name); err == nil {
			return usage(fmt.Errorf("%s is there already: nothing was written", name))
		} else if !errors.Is(err, fs.ErrNotExist) {
			return usage(err)
		}
	}
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return usage(err)
	}
	var text strings.Builder
	var names []string
	for _, f := range started {
		name := filepath.Join(dir, f.name)
		if err := writeNew(name, path.Join("leaf-clip", f.name)); err != nil {
			return usage(err)
		}
		names = append(names, name)
		fmt.Fprintf(&text, "%-*s  %s\n", width(filepath.Join(dir, "specimen.yaml"))+1, name, f.what)
	}
	protocol := filepath.Join(dir, "staircase.yaml")
	fmt.Fprintf(&text, "\nnext:\n  %s check %s\n  %s rehearse %s\n  %s ports\n", called(), quoted(protocol), called(), quoted(protocol), called())
	s.result(text.String())
	s.object(map[string]any{"files": names, "exit": exitDone})
	return nil
}

// unmeasured are the lines of the example's rig that state what was measured on its own
// virtual bench: no other bench may heat unattended by them.
var unmeasured = regexp.MustCompile(`(?m)^    (identified|longest exchange): \{.*\}$`)

// writeNew writes a file that must not be there yet.
func writeNew(name, from string) error {
	text, err := examples.Bench.ReadFile(from)
	if err != nil {
		return err
	}
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	if err != nil {
		return err
	}
	_, err = f.Write(unmeasured.ReplaceAll(text, []byte("    # $1: not measured yet")))
	return errors.Join(err, f.Close())
}

// called is how this program was called, so that what it says can be typed.
func called() string {
	if strings.Contains(os.Args[0], "go-build") {
		return "go run ./cmd/dwell"
	}
	return quoted(os.Args[0])
}

// quoted is a word as a shell takes it.
func quoted(word string) string {
	if strings.ContainsAny(word, " \t'\"&;$()<>|*?#~`!") {
		return `"` + word + `"`
	}
	return word
}
