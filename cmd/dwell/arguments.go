package main

import (
	"fmt"
	"runtime"
	"runtime/debug"
	"slices"
	"strings"

	"dwell/drivers/yamltext"

	"github.com/spf13/cobra"
)

// This file says in our own words what is wrong with arguments, and who we are.

// version stands in every run folder.
const version = "0.1.0"

// versionText is the version with what is known of the build: the revision it was made
// from, and whether that had been changed.
func versionText() string {
	text := version
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return text
	}
	of := func(key string) string {
		i := slices.IndexFunc(info.Settings, func(s debug.BuildSetting) bool { return s.Key == key })
		if i < 0 {
			return ""
		}
		return info.Settings[i].Value
	}
	const short = 12
	if revision := of("vcs.revision"); revision != "" {
		text += ", revision " + revision[:min(short, len(revision))]
		if of("vcs.modified") == "true" {
			text += " with changes"
		}
	}
	return text
}

func fullVersion() string {
	return fmt.Sprintf("dwell %s (%s, %s/%s)\n", versionText(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
}

// wrongArguments says what a verb takes, when it was given something else.
func wrongArguments(c *cobra.Command, given []string) error {
	takes := strings.Fields(c.Use)[1:]
	expected := "nothing but flags"
	if len(takes) > 0 {
		expected = strings.Join(takes, " ")
	}
	got := "nothing was given"
	if len(given) > 0 {
		got = fmt.Sprintf("%d were given: %s", len(given), strings.Join(given, " "))
		if len(given) == 1 {
			got = "given was " + given[0]
		}
	}
	return usage(fmt.Errorf("%s expects %s, %s (dwell help %s shows how)", c.CommandPath(), expected, got, c.Name()))
}

// wrongFlag adds the nearest flag to what is wrong with one.
func wrongFlag(c *cobra.Command, err error) error {
	text := err.Error()
	word, unknown := strings.CutPrefix(text, "unknown flag: --")
	if unknown {
		var names []string
		for _, w := range strings.Fields(c.Flags().FlagUsages()) {
			if name, is := strings.CutPrefix(w, "--"); is {
				names = append(names, name)
			}
		}
		text = fmt.Sprintf("%s has no flag --%s", c.CommandPath(), word)
		if near := yamltext.Nearest(word, names); near != "" {
			text += ": did you mean --" + near + "?"
		} else {
			text += fmt.Sprintf(" (dwell help %s lists them)", c.Name())
		}
	}
	return usage(fmt.Errorf("%s", text))
}

// verbNames are the verbs that are shown.
func verbNames(root *cobra.Command) (names []string) {
	for _, c := range root.Commands() {
		if !c.Hidden {
			names = append(names, c.Name())
		}
	}
	return names
}

func wrongVerb(root *cobra.Command, word string) error {
	text := fmt.Sprintf("unknown command %q", word)
	if near := yamltext.Nearest(word, verbNames(root)); near != "" {
		text += ": did you mean " + near + "?"
	} else {
		text += " (there are " + strings.Join(verbNames(root), ", ") + ")"
	}
	return usage(fmt.Errorf("%s", text))
}

func helpCommand() *cobra.Command {
	return &cobra.Command{
		Use:     "help [VERB]",
		Short:   "what a verb does, with examples and flags",
		Example: "  dwell help check",
		Args:    cobra.MaximumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			of := c.Root()
			if len(args) > 0 {
				found, _, err := of.Find(args)
				if err != nil || found == of {
					return wrongVerb(of, args[0])
				}
				of = found
			}
			return of.Help()
		},
	}
}
