package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"time"

	"dwell/drivers/clock"
	"dwell/logs"
	"dwell/logs/figures"

	"github.com/spf13/cobra"
)

func figuresCommand(s *speech) *cobra.Command {
	var budget string
	var f tableFlags
	c := &cobra.Command{
		Use:   "figures RUN | --csv FILE",
		Short: "figures of merit of a run or of a table, each with its uncertainty",
		Long: `figures computes what the record of a run supports: resistance against temperature,
lag and hysteresis, response and recovery, noise, drift, contacts; and how the plate
responds to full power, with the lines for the rig file. Every figure has its
uncertainty (JCGM 100, 95 %), its exact definition, and the readings it comes from; what
cannot be computed is named with the reason. figures.json in the run folder is written
anew.

With --csv it does the same for a table that somebody logged: name its columns. Plateaus
and steps are then found in the temperature and listed; --plateaus takes a corrected list.`,
		Example: `  dwell figures runs/20261125T091500Z-staircase-LC-07
  dwell figures --budget tcr runs/20261125T091500Z-staircase-LC-07
  dwell figures --csv old.csv --time t --temperature T --resistance R --units time=min`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if len(args) == 0 == (f.file == "") {
				return usage(errors.New("either a run folder or --csv FILE is needed: dwell figures RUN, or name the columns of FILE: --time, --temperature, --resistance"))
			}
			if f.file != "" {
				results, err := f.compute()
				if err != nil {
					return err
				}
				return s.figures(results, budget, map[string]any{"table": f.file, "segments": results.Found.Segments})
			}
			if only := tableOnly(c); only != "" {
				return usage(fmt.Errorf("--%s is about a table: a run has its columns, and the temperature of R0 from its specimen", only))
			}
			r, err := openRun(s, args[0])
			if err != nil {
				return err
			}
			results, err := computeRun(r)
			if err != nil {
				return err
			}
			err = writeFigures(r, results)
			if err == nil {
				err = sealDerived(s, r, logs.FiguresName)
			}
			if err != nil {
				return &coded{exitFailed, err}
			}
			return s.figures(results, budget, map[string]any{"run": r.Dir()})
		},
	}
	c.Flags().StringVar(&budget, "budget", "", "print the uncertainty budgets of this figure, such as tcr")
	f.flags(c)
	return c
}

func writeFigures(r *logs.Run, results *figures.Results) error {
	text, err := figures.Encode(results.Figures)
	if err != nil {
		return err
	}
	return r.WriteDerived(logs.FiguresName, text)
}

// sealDerived seals the file that was derived anew, beside what the run left. A run that ended
// before it could seal its folder, in which nothing is found, is sealed with it.
func sealDerived(s *speech, r *logs.Run, written string) error {
	v := &verification{}
	if err := v.look(r.Dir()); err != nil {
		return err
	}
	if v.unsealed && len(v.findings) == 0 {
		return sealUnsealed(s, r.Dir())
	}
	err := logs.SealDerived(logs.Disk{}, r.Dir(), clock.Today().UTC.Format(time.RFC3339Nano), version, written)
	if errors.Is(err, logs.ErrCorrupt) {
		return nil // a record that is damaged is read as far as it goes, and not sealed anew
	}
	return err
}

// openRun opens a run folder to read, and says what is wrong with its record.
func openRun(s *speech, dir string) (*logs.Run, error) {
	r, damage, err := openDamaged(dir)
	s.damaged(damage)
	return r, err
}

func (s *speech) damaged(damage []string) {
	for _, d := range damage {
		s.say("%s %s", s.red("damaged:"), d)
	}
}

// openDamaged opens a run folder; one that is damaged is read as far as it is whole.
func openDamaged(dir string) (r *logs.Run, damage []string, err error) {
	r, tails, err := logs.Open(logs.Disk{}, dir)
	if r == nil || err != nil && !errors.Is(err, logs.ErrCorrupt) {
		return nil, nil, usage(fmt.Errorf("%s is no run folder that can be read: %w", dir, err))
	}
	if err != nil {
		damage = append(damage, err.Error())
	}
	for _, t := range tails {
		damage = append(damage, t.String())
	}
	if found := edits(r); len(found) > 0 {
		return r, append(damage, found...), nil
	}
	if _, err := r.Identity(); errors.Is(err, logs.ErrCorrupt) { // without a seal nothing else says it
		damage = append(damage, err.Error())
	}
	if text, err := r.File("plan.json"); err == nil && !json.Valid(text) {
		damage = append(damage, "plan.json: not whole: what was planned is not known")
	}
	return r, damage, nil
}

// edits says what is not as it was sealed, for whoever would take a number from it. A
// run that goes on, or was never closed, has no seal.
func edits(r *logs.Run) (found []string) {
	if _, err := r.File("seal.json"); err != nil {
		id, err2 := r.Identity()
		if !errors.Is(err, fs.ErrNotExist) || err2 != nil || id.Outcome == "" || id.Unsealed {
			return nil
		}
		found = append(found, "seal.json: missing: the run was closed and sealed, but its seal is gone")
	}
	const most = 5
	for f := range r.Verify() {
		if f.Kind == logs.Torn || f.Kind == logs.Outdated {
			continue
		}
		if len(found) == most {
			return append(found, "and more: dwell verify "+r.Dir())
		}
		found = append(found, f.String())
	}
	return found
}

func computeRun(r *logs.Run) (*figures.Results, error) {
	facts, err := runFacts(r)
	if err != nil {
		return nil, usage(err)
	}
	results, err := figures.Compute(r, facts)
	if err != nil {
		return nil, &coded{exitFailed, err}
	}
	return results, nil
}

// figures prints results, or the budgets of one of them.
func (s *speech) figures(r *figures.Results, budget string, object map[string]any) error {
	if budget != "" {
		text := ""
		for _, f := range r.Figures {
			switch {
			case f.Figure != budget:
			case f.Budget != nil:
				text += f.String() + f.Budget.String() + "\n"
			default:
				text += f.String() + "  no budget: its interval comes from how the readings themselves scatter\n\n"
			}
		}
		if text == "" {
			return usage(fmt.Errorf("no figure %q; there are %s", budget, strings.Join(figures.Names(r.Figures), ", ")))
		}
		s.result(text)
	} else {
		s.result(r.Text())
	}
	object["figures"], object["left_out"] = append([]figures.Figure{}, r.Figures...), append([]figures.Omission{}, r.LeftOut...) // a list without entries is a list
	object["for_rig"] = r.ForRig
	object["plateaus"] = append([]figures.PlateauSettled{}, r.PlateausSettled()...)
	object["notes"], object["exit"] = append([]string{}, r.Notes...), exitDone
	s.object(object)
	return nil
}
