package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"

	"dwell/logs"

	"github.com/spf13/cobra"
)

func exportCommand(s *speech) *cobra.Command {
	var bundle, nameless bool
	var out, license string
	c := &cobra.Command{
		Use:   "export RUN",
		Short: "plots and tables of a run for other programs, or one archive file of it",
		Long: `export writes the plots of a run as SVG and PDF, and its readings, the same on a common
time base, figures, plateaus, and resistance and curvature within cycles of bending as CSV
and Apache Parquet, into a folder.

With --bundle it writes the run folder as one ordinary zip, with a description of its
files after RO-Crate 1.1, which repositories for research data read. Opening it needs no
dwell: CSV, JSON, HTML. dwell verify reads it as it is.

With --without-serial-numbers the copies in the zip have an x for each letter of the
serial numbers of the rig file and of the instruments' own answers, and the seal in the
zip says so. Names of ports stay. The run folder is not changed.`,
		Example: `  dwell export runs/20261125T091500Z-staircase-LC-07
  dwell export --bundle --license https://creativecommons.org/licenses/by/4.0/ runs/20261125T091500Z-staircase-LC-07`,
		Args: cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			if !bundle && nameless {
				return usage(errors.New("--without-serial-numbers is about --bundle: plots and tables have none"))
			}
			r, err := openRun(s, args[0])
			if err != nil {
				return err
			}
			if out == "" {
				out = filepath.Clean(args[0]) + map[bool]string{true: ".zip", false: "-export"}[bundle]
			}
			if !bundle {
				names, without, err := exportTo(r, out)
				if err != nil {
					return err
				}
				for _, why := range without {
					s.say("%s", why)
				}
				s.result(out + "\n")
				s.object(map[string]any{"run": args[0], "folder": out, "files": names, "exit": exitDone})
				return nil
			}
			if nameless {
				copied, done, err := withoutSerials(r.Dir())
				if err != nil {
					return err
				}
				defer done()
				r = copied
			}
			if err := writeBundle(r, out, license); err != nil {
				return err
			}
			s.result(out + "\n")
			s.object(map[string]any{"run": args[0], "bundle": out, "exit": exitDone})
			return nil
		},
	}
	c.Flags().BoolVar(&bundle, "bundle", false, "a zip of the whole folder, with RO-Crate 1.1 metadata")
	c.Flags().BoolVar(&nameless, "without-serial-numbers", false, "leave serial numbers out of the copies; the seal says so")
	c.Flags().StringVar(&out, "out", "", "the folder, or with --bundle the file, to write (default: beside the run, with its name and -export or .zip)")
	c.Flags().StringVar(&license, "license", "no license is stated", "under which others may use it: a URL, or words")
	return c
}

// withoutSerials is a copy of a run folder without serial numbers, for as long as it is
// needed. Only a folder that holds is copied, and the copy must hold as well: a serial
// number that is also another word of the record cannot be left out.
func withoutSerials(dir string) (r *logs.Run, done func(), err error) {
	if err := holds(dir); err != nil {
		return nil, nil, usage(fmt.Errorf("%s: %w: see dwell verify", dir, err))
	}
	words, err := serialsIn(dir)
	if err != nil {
		return nil, nil, err
	}
	temporary, err := os.MkdirTemp("", "dwell-bundle-")
	if err != nil {
		return nil, nil, &coded{exitFailed, err}
	}
	folder := filepath.Join(temporary, filepath.Base(filepath.Clean(dir)))
	if err = os.CopyFS(folder, os.DirFS(dir)); err == nil {
		err = logs.LeaveOut(logs.Disk{}, folder, "serial numbers of instruments", words, version)
	}
	if err == nil {
		if err = holds(folder); err != nil {
			err = fmt.Errorf("the serial numbers %q cannot be left out without touching other words of the record: %w", words, err)
		}
	}
	if err == nil {
		r, _, err = logs.Open(logs.Disk{}, folder)
	}
	if err != nil {
		os.RemoveAll(temporary)
		return nil, nil, &coded{exitFailed, err}
	}
	return r, func() { os.RemoveAll(temporary) }, nil
}

// holds is nil for a run folder in which verify finds nothing.
func holds(dir string) error {
	v := &verification{}
	if err := v.folder(dir); err != nil {
		return err
	}
	switch {
	case v.crashed:
		return errors.New("the run was never closed")
	case len(v.findings) > 0:
		return errors.New(v.findings[0].String())
	}
	return nil
}

// serialIn is a serial number in an instrument that a comparison quotes whole.
var serialIn = regexp.MustCompile(`serial number: ([^,}]+)`)

// serialsIn are the serial numbers that a run folder knows: of the rig file, of the
// answers to the question who somebody is (maker, model, serial number, firmware), and of
// what was compared with them.
func serialsIn(dir string) (words []string, err error) {
	r, _, err := logs.Open(logs.Disk{}, dir)
	if err != nil {
		return nil, err
	}
	id, err := r.Identity()
	if err != nil {
		return nil, err
	}
	bench, err := keptRig(r, nil)
	if err != nil {
		return nil, err
	}
	add := func(word string) {
		word = strings.TrimSpace(word)
		if word != "" && strings.Trim(word, "0") != "" && word != or("") && word != notThere && !slices.Contains(words, word) {
			words = append(words, word) // all zeros is how a maker says none
		}
	}
	answer := func(text string) {
		if f := strings.Split(text, ","); len(f) == 4 {
			add(f[2])
		}
	}
	for _, d := range bench.Instruments {
		add(d.Serial)
	}
	for _, i := range id.Instruments {
		answer(i.Identity)
	}
	var compared []logs.Difference
	if id.Repeats != nil {
		compared = id.Repeats.Differences
	}
	for _, s := range id.Segments {
		compared = append(compared, s.Differences...)
	}
	for _, d := range compared {
		for _, text := range []string{d.Then, d.Now} {
			if answer(text); strings.HasSuffix(d.What, ": its serial number") {
				add(text)
			}
			if m := serialIn.FindStringSubmatch(text); m != nil {
				add(m[1])
			}
		}
	}
	return words, nil
}

// writeBundle writes the zip under another name first, and over no file of anybody's.
func writeBundle(r *logs.Run, out, license string) error {
	if _, err := os.Lstat(out); err == nil {
		return usage(fmt.Errorf("there is a file %s already", out))
	}
	f, err := os.CreateTemp(filepath.Dir(out), ".bundle-*.tmp")
	if err != nil {
		return usage(err)
	}
	err = errors.Join(r.Bundle(f, license), f.Sync(), f.Chmod(0o644), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), out)
	}
	if err != nil {
		os.Remove(f.Name())
		return &coded{exitFailed, err}
	}
	return nil
}

// unbundled is the run folder of a bundle, unfolded for as long as it is looked at. What
// is no bundle is left as it is.
func unbundled(path string) (folder string, done func(), err error) {
	info, err := os.Stat(path)
	if err != nil || info.IsDir() || filepath.Ext(path) != ".zip" {
		return path, func() {}, nil
	}
	dir, err := os.MkdirTemp("", "dwell-bundle-")
	if err != nil {
		return "", nil, &coded{exitFailed, err}
	}
	base := filepath.Base(path)
	folder = filepath.Join(dir, base[:len(base)-len(".zip")])
	if err = os.Mkdir(folder, 0o777); err == nil {
		if err = logs.Unbundle(path, folder); err != nil {
			err = &coded{exitDiffering, err}
		}
	}
	if err != nil {
		os.RemoveAll(dir)
		return "", nil, err
	}
	return folder, func() { os.RemoveAll(dir) }, nil
}
