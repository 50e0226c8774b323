package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"path/filepath"
	"syscall"
	"time"

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
run that has the ports is asked to do it, or the guard of one that is gone; one that
does not answer within a second, or has not confirmed the rig safe within 30 s, is
ended, and its ports are taken. It tries again until every instrument has
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
	safe, by, ended := askOwners(s, j.rig)
	if by != "" && safe {
		s.result(by + " that had the rig has made it safe\n")
		s.object(map[string]any{"safe": true, "by": by, "exit": exitDone})
		return nil
	}
	return takeOver(s, j.rig, ended)
}

// askOwners asks each run, or guard, that has a port of the rig. safe tells that one had them
// all and confirmed; by who that was, empty where nobody has a port; ended are those who
// were ended.
func askOwners(s *speech, r *rig.Rig) (safe bool, by string, ended []owner) {
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
			safe, by = false, "the program"
			continue
		}
		if by = "the run"; o.Role == roleGuard {
			by = "the guard"
			s.say("the run is gone; its guard, process number %d, has the rig and makes it safe. Asking it how far it is", o.PID)
		} else {
			s.say("asking the run with process number %d to make the rig safe", o.PID)
		}
		answer := ask(s, o)
		if answer == "" || answer == "stopping" {
			end(s, o)
			ended = append(ended, o)
		}
		safe = safe && answer == "safe"
	}
	return safe, by, ended
}

// ask asks one owner, and says what it answers.
func ask(s *speech, o owner) (answer string) {
	said := false
	answer = askOwner(o, ownerPatience, func(state string) {
		s.say("%s", s.alarmed(state))
		if !said {
			s.say("it goes on trying. If it has not confirmed the rig safe in %s it is ended, and this command tries in its place", span(ownerPatience))
		}
		said = true
	})
	switch answer {
	case "":
		s.say("it does not answer: it is ended and its ports are taken")
	case "stopping":
		s.say("it has not confirmed the rig safe in %s: it is ended and its ports are taken", span(ownerPatience))
	}
	return answer
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

// leaveWord says in the folder of each run that was ended that its rig has been made safe
// since: to whoever reads it, to resume, and to a guard that comes to itself later.
func leaveWord(s *speech, ended []owner) {
	for _, o := range ended {
		if o.Folder == "" {
			continue
		}
		if err := o.leaveWord(); err != nil {
			s.say("%s does not know of this: %v", o.Folder, err)
		}
	}
}

// leaveWord does so for one, unless a guard is there that took over too: it says itself what
// it did.
func (o owner) leaveWord() error {
	name := filepath.Join(o.Folder, guardFile)
	before, err := os.ReadFile(name)
	if err != nil || o.Role != roleGuard && tookOver(linesOfGuard(before)) {
		return err
	}
	text, err := json.Marshal(guardLine{"confirmed", clock.Today().UTC.Format(time.RFC3339Nano),
		fmt.Sprintf(bySafe+"%d, has ended process %d and made the rig safe", os.Getpid(), o.PID)})
	if err != nil {
		return err
	}
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_APPEND, 0o666)
	if err != nil {
		return err
	}
	_, err = f.Write(behind(before, text))
	return errors.Join(err, f.Sync(), f.Close())
}

// takeOver makes the rig safe from here: each instrument as soon as its port is free
// and can be opened. The folders of those who were ended for that are told.
func takeOver(s *speech, r *rig.Rig, ended []owner) error {
	for _, d := range r.Instruments {
		if d.Address.Kind == wire.Twin || d.Address.Kind == wire.Record {
			return usage(fmt.Errorf("%s is virtual (port: %s in the rig file): there is nothing to make safe", d.Name, d.Address))
		}
	}
	wall := clock.Wall(0)
	stop := make(chan os.Signal, 2)
	signal.Notify(stop, os.Interrupt, syscall.SIGTERM, syscall.SIGQUIT)
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
			leaveWord(s, ended)
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
