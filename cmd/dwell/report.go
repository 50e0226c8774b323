package main

import (
	"bytes"
	"fmt"
	"path/filepath"

	"dwell/logs"
	"dwell/logs/figures"
	"dwell/logs/report"

	"github.com/spf13/cobra"
)

func reportCommand(s *speech) *cobra.Command {
	return &cobra.Command{
		Use:   "report RUN",
		Short: "the page to read of a run: report.html in its folder",
		Long: `report writes report.html into the run folder: verdict and cautions, figures with
their uncertainties and definitions, plots, budgets, conditions and events, in one
self-contained file that needs no script and prints well. The figures are computed anew.`,
		Example: `  dwell report runs/20261125T091500Z-staircase-LC-07`,
		Args:    cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			r, damage, err := openDamaged(args[0])
			if err != nil {
				return err
			}
			s.damaged(damage)
			results, err := computeRun(r)
			if err != nil {
				return err
			}
			err = writeReport(r, results, damage)
			if err == nil {
				err = sealDerived(s, r, logs.ReportName)
			}
			if err != nil {
				return &coded{exitFailed, err}
			}
			file := filepath.Join(r.Dir(), logs.ReportName)
			s.result(file + "\n")
			s.object(map[string]any{"run": r.Dir(), "report": file, "exit": exitDone})
			return nil
		},
	}
}

func writeReport(r *logs.Run, results *figures.Results, damage []string) error {
	var page bytes.Buffer
	if err := report.Write(&page, filepath.Base(r.Dir()), r, results, damage); err != nil {
		return fmt.Errorf("%s: %w", logs.ReportName, err)
	}
	return r.WriteDerived(logs.ReportName, page.Bytes())
}
