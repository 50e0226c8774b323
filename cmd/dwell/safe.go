package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"path/filepath"
	"syscall"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/drivers/wire"
	"dwell/drivers/yamltext"
	"dwell/safety"

	"github.com/spf13/cobra"
)

func safeCommand(s *speech) *cobra.Command {
	var f files
	c := &cobra.Command{
		Use:   "safe --rig RIG",
		Short: "make the rig safe now, also while a run owns its ports",
		Long: `safe switches heat and output off and reads that back, whatever was going on. A
run that has the ports is asked to do it; one that does not answer within a second
is ended, and its ports are taken. It tries again until every instrument has
confirmed, or until Ctrl-C. A plate that is off may still be hot: it is watched until
it can be touched, or until Ctrl-C, which changes nothing about the exit code.`,
		Example: `  dwell safe --rig my-rig.yaml`,
		Args:    cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			if f.rig == "" {
				return usage(fmt.Errorf("safe needs --rig"))
			}
			return makeRigSafe(s, f)
		},
	}
	c.Flags().StringVar(&f.rig, "rig", "", "the rig file")
	return c
}

// ownerPatience is how long a run that was asked may take to make the bench safe
// before its ports are taken.
const ownerPatience = 30 * clock.Second

func makeRigSafe(s *speech, f files) error {
	m := &yamltext.Mistakes{}
	j := &job{}
	doc, err := j.read(f.rig, "rig.yaml", m)
	if err != nil {
		return err
	}
	if doc.Root != nil {
		j.rig = rig.Load(doc, ownProfiles(f.rig), m)
	}
	if m.Len() > 0 {
		err := s.mistakes(m)
		s.say("hint: every run folder holds the rig file that was used: dwell safe --rig %s", filepath.Join("RUN", "rig.yaml"))
		return err
	}
	safe, asked := askOwners(s, j.rig)
	if asked && safe {
		s.result("the run that owned the rig has made it safe\n")
		s.object(map[string]any{"safe": true, "by": "the run", "exit": exitDone})
		return nil
	}
	return takeOver(s, j.rig)
}

// askOwners asks each run that has a port of the rig. safe tells that one had them
// all and confirmed; asked that there was any.
func askOwners(s *speech, r *rig.Rig) (safe, asked bool) {
	owners := map[string]bool{}
	free := 0
	for _, d := range r.Instruments {
		if d.Address.Kind == wire.Twin {
			continue
		}
		lock, err := wire.Take(d.Address.Key(), "")
		var used *wire.InUse
		switch {
		case err == nil:
			lock.Give()
			free++
		case errors.As(err, &used):
			owners[used.Owner] = true
		}
	}
	safe = free == 0
	for text := range owners {
		var o owner
		if json.Unmarshal([]byte(text), &o) != nil || o.PID == 0 {
			safe = false
			continue
		}
		s.say("asking the run with process number %d to make the rig safe", o.PID)
		confirmed, answered := askOwner(o, ownerPatience)
		if !answered {
			s.say("it does not answer: it is ended and its ports are taken")
			end(s, o)
		}
		safe = safe && confirmed
	}
	return safe, len(owners) > 0
}

// end kills an owner by the handle of its process, so that a number that has been
// given to another process meanwhile is not mistaken for it.
func end(s *speech, o owner) {
	p, err := os.FindProcess(o.PID)
	if err == nil {
		err = p.Kill()
	}
	if err != nil && !errors.Is(err, os.ErrProcessDone) {
		s.say("it cannot be ended: %v", err)
	}
}

// takeOver makes the rig safe from here: each instrument as soon as its port is free
// and can be opened.
func takeOver(s *speech, r *rig.Rig) error {
	for _, d := range r.Instruments {
		if d.Address.Kind == wire.Twin || d.Address.Kind == wire.Record {
			return usage(fmt.Errorf("%s is virtual (port: %s in the rig file): there is nothing to make safe", d.Name, d.Address))
		}
	}
	wall := clock.Wall(0)
	stop := make(chan os.Signal, 2)
	signal.Notify(stop, os.Interrupt, syscall.SIGTERM)
	var report safety.Report
	err := wall.Run(func() error {
		giveUp := false
		wall.Go("signals", func() error {
			wall.Block(func() error { <-stop; return nil })
			giveUp = true
			return nil
		})
		defer close(stop)
		defer signal.Stop(stop)
		bench := rig.Unopened(wall, r, "{}")
		a := newAlarm(bench, clock.Today(), wall.Now())
		a.repeat(wall, func(line string) { s.say("%s", s.alarmed(line)) })
		report = safety.MakeSafe(wall, bench, func() bool { return giveUp }, func(e drivers.Evidence) {
			if a.hear(e) {
				s.say("%s: %s: %s", e.Instrument, e.Grade, why(e))
			}
		})
		err := bench.Close()
		s.object(map[string]any{"safe": report.Confirmed, "by": "this command", "exit": map[bool]int{true: exitDone, false: exitNotSafe}[report.Confirmed]})
		if report.Confirmed {
			s.result("the rig is safe\n")
			open := func() (*rig.Bench, error) {
				return rig.Open(wall, r, nil, rig.Opening{Owner: asking()}, wall.Now()+openPatience)
			}
			untilTouchable(s, wall, r, report.Warm, open, func() bool { return giveUp })
		}
		return err
	})
	if report.Confirmed {
		return nil
	}
	if err != nil {
		s.say("%s %v", s.red("error:"), err)
	}
	s.say("%s", s.alarmed(loud))
	return said(exitNotSafe)
}

const (
	watchWarmthEvery = 2 * clock.Second
	longestWatch     = 4 * clock.Hour // longer than any plate cools
)

// untilTouchable says how warm what can heat is, and looks on until all of it can be
// touched. The rig is safe meanwhile, whatever becomes of that.
func untilTouchable(s *speech, c clock.Clock, r *rig.Rig, warm []safety.Warmth, open func() (*rig.Bench, error), enough func() bool) {
	hot := map[string]bool{}
	look := func(all []safety.Warmth) {
		for _, w := range all {
			if w.Touchable(safety.TouchDegC) && hot[w.Instrument] {
				s.say("%s", w.Text(r, safety.TouchDegC))
				delete(hot, w.Instrument)
			}
		}
	}
	for _, w := range warm {
		s.say("%s", w.Text(r, safety.TouchDegC))
		if !w.Touchable(safety.TouchDegC) {
			hot[w.Instrument] = true
		}
	}
	if len(hot) == 0 || enough() {
		return
	}
	bench, err := open()
	if err != nil {
		s.say("it is not watched any longer: %v", err)
		return
	}
	defer bench.Close()
	s.say("it is off, and watched until it can be touched; Ctrl-C ends that")
	for by := c.Now() + longestWatch; len(hot) > 0 && !enough() && c.Now() < by; {
		look(safety.LookAtWarmth(c, bench))
		if len(hot) > 0 && c.Sleep(c.Now()+watchWarmthEvery) != nil {
			return
		}
	}
}
