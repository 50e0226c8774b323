// Command dwell runs thermal and bend tests on a bench. This room joins the others
// and computes nothing: it turns arguments into files, files into a plan, a plan
// into a run on a clock, and what came of it into words, files and an exit code.
package main

import (
	"errors"
	"os"
	"os/signal"
	"runtime/debug"
	"slices"
	"strings"
	"syscall"

	"dwell/safety"
	"dwell/sequence"

	"github.com/spf13/cobra"
)

// The exit codes are an interface; a code that is not listed means failure.
const (
	exitDone      = 0
	exitProgram   = 1 // a fault of the program
	exitUsage     = 2 // bad usage or a bad file, or a port that is not there; nothing was touched
	exitTripped   = 3 // tripped, rig confirmed safe
	exitFailed    = 4 // instrument, link or disk failed, or a ceiling reached; rig confirmed safe
	exitNotSafe   = 5 // rig not confirmed safe
	exitStopped   = 6 // stopped by the operator, rig confirmed safe
	exitDiffering = 7 // what was asked for does not hold
)

// coded is an error with the exit code it leads to.
type coded struct {
	code int
	err  error
}

func (c *coded) Error() string { return c.err.Error() }
func (c *coded) Unwrap() error { return c.err }

func usage(err error) error {
	if err == nil {
		return nil
	}
	return &coded{exitUsage, err}
}

// outcomeCode is the exit code of a run by how it ended.
func outcomeCode(o sequence.Outcome) int {
	switch {
	case !o.Safe:
		return exitNotSafe
	case o.Cause == nil:
		return exitDone
	}
	switch o.Cause.Kind {
	case safety.Tripped:
		return exitTripped
	case safety.Stopped:
		return exitStopped
	case safety.Program:
		return exitProgram
	}
	return exitFailed
}

func main() {
	// A crash of the runtime would exit with 2, our code for "nothing touched".
	debug.SetTraceback("crash")
	// A viewer that left (run | head) is no reason to stop without making safe.
	signal.Ignore(syscall.SIGPIPE)
	os.Exit(execute(os.Args[1:]))
}

func execute(args []string) int {
	s := newSpeech(os.Stdout, os.Stderr)
	root := command(s)
	root.SetArgs(args)
	s.json = slices.Contains(args, "--json") // also for what is wrong with the arguments
	err := root.Execute()
	if err == nil && s.lost != nil {
		err = &coded{exitFailed, s.lost}
	}
	if err == nil {
		return exitDone
	}
	var c *coded
	if !errors.As(err, &c) {
		c = &coded{exitProgram, err}
		if _, rest, unknown := root.Find(args); unknown != nil && len(rest) > 0 {
			errors.As(wrongVerb(root, verb(args)), &c)
		}
	}
	if errors.Is(c.err, errSaid) {
		return c.code
	}
	s.failure(c.err, c.code)
	return c.code
}

// errSaid marks an error about which everything has been said.
var errSaid = errors.New("see above")

func said(code int) error { return &coded{code, errSaid} }

func command(s *speech) *cobra.Command {
	root := &cobra.Command{
		Use:   "dwell",
		Short: "characterise temperature sensors on a bench: check, rehearse, run",
		Long: `dwell steps a hotplate through a protocol while a source-meter reads a specimen,
keeps the bench safe, and leaves a run folder from which every number can be
recomputed.

Start without any hardware:
  dwell rehearse examples/leaf-clip/staircase.yaml

dwell is no safety device: see the cautions in README.md.`,
		SilenceUsage: true, SilenceErrors: true,
		PersistentPreRun: func(*cobra.Command, []string) { s.settle() },
	}
	root.SetFlagErrorFunc(wrongFlag)
	root.Version = version
	root.SetVersionTemplate(fullVersion())
	root.SetHelpCommand(helpCommand())
	root.PersistentFlags().BoolVar(&s.json, "json", false, "one JSON object on standard output as the last line")
	root.SetOut(os.Stdout)
	root.SetErr(os.Stderr)
	root.AddCommand(initCommand(s), showCommand(s), portsCommand(s), schemaCommand(s), checkCommand(s), rehearseCommand(s), drillCommand(s), runCommand(s), resumeCommand(s), rerunCommand(s),
		figuresCommand(s), reportCommand(s), compareCommand(s), exportCommand(s), twinCommand(s), verifyCommand(s), safeCommand(s), proofCommand(s), guardCommand(s))
	for _, c := range root.Commands() {
		if args := c.Args; args != nil {
			c.Args = func(c *cobra.Command, a []string) error {
				if args(c, a) != nil {
					return wrongArguments(c, a)
				}
				return nil
			}
		}
	}
	return root
}

// verb is the first argument that is no flag.
func verb(args []string) string {
	for _, a := range args {
		if !strings.HasPrefix(a, "-") {
			return a
		}
	}
	return ""
}
