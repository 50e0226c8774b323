package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"dwell/logs"

	"github.com/spf13/cobra"
)

func exportCommand(s *speech) *cobra.Command {
	var bundle bool
	var out, license string
	c := &cobra.Command{
		Use:   "export --bundle RUN",
		Short: "one archive file of a run, for a repository",
		Long: `export --bundle writes a run folder as one ordinary zip, with a description of its
files after RO-Crate 1.1, which repositories for research data read. Opening it needs no
dwell: CSV, JSON, HTML. dwell verify reads it as it is.`,
		Example: `  dwell export --bundle --license https://creativecommons.org/licenses/by/4.0/ runs/20261125T091500Z-staircase-LC-07`,
		Args:    cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			if !bundle {
				return usage(errors.New("say what to export: --bundle"))
			}
			r, err := openRun(s, args[0])
			if err != nil {
				return err
			}
			if out == "" {
				out = filepath.Clean(args[0]) + ".zip"
			}
			if err := writeBundle(r, out, license); err != nil {
				return err
			}
			s.result(out + "\n")
			s.object(map[string]any{"run": r.Dir(), "bundle": out, "exit": exitDone})
			return nil
		},
	}
	c.Flags().BoolVar(&bundle, "bundle", false, "a zip of the whole folder, with RO-Crate 1.1 metadata")
	c.Flags().StringVar(&out, "out", "", "the file to write (default: beside the folder, with its name and .zip)")
	c.Flags().StringVar(&license, "license", "no license is stated", "under which others may use it: a URL, or words")
	return c
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
