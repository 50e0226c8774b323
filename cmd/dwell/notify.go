package main

import (
	"errors"
	"fmt"
	"os/exec"
	"path/filepath"

	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/safety"
	"dwell/sequence"
)

// caller tells a person, by the program that the rig file names, of a bench that is not
// confirmed safe, and of a run that ended in another way than was meant. Run and guard call
// through it, each for what it has done itself.
type caller struct {
	clock  *clock.WallClock
	rig    *rig.Rig
	folder string
	note   func(kind, text string) // what came of it
	turn   *clock.Turn             // one program at a time
	called bool                    // for help: then the end is told of as well
}

func newCaller(c *clock.WallClock, r *rig.Rig, folder string, note func(kind, text string)) *caller {
	if whole, err := filepath.Abs(folder); err == nil {
		folder = whole
	}
	return &caller{clock: c, rig: r, folder: folder, note: note, turn: clock.NewTurn(c)}
}

const (
	// alarmAfter is how long it is tried before somebody is told: one whole attempt.
	alarmAfter = safety.Attempt
	// notifyPatience is how long the program may take that tells somebody.
	notifyPatience = 5 * clock.Second
)

// noProgram is why the program that is to tell somebody cannot be started; nil if it can,
// or where there is none.
func noProgram(r *rig.Rig) error {
	if len(r.Notify) == 0 {
		return nil
	}
	_, err := exec.LookPath(r.Notify[0])
	if why := (*exec.Error)(nil); errors.As(err, &why) {
		err = why.Err
	}
	if err == nil {
		return nil
	}
	at := r.NotifyAt.Pos
	return fmt.Errorf("%s:%d:%d: notify: the program %q cannot be started, so that nobody would be told of a rig that is not confirmed safe: %w",
		r.Doc.Name, at.Line, at.Column, r.Notify[0], err)
}

// call runs the program, but not for long.
func (c *caller) call(what string) {
	if c == nil || len(c.rig.Notify) == 0 || c.turn.Take(c.clock.Now()+2*notifyPatience) != nil {
		return
	}
	defer c.turn.Give()
	at := clock.Today().UTC
	text := fmt.Sprintf("dwell, %s local time (%s): rig %s, run %s: %s", at.Local().Format("Mon 15:04:05"), at.Format("2006-01-02T15:04:05Z"), c.rig.Name, c.folder, what)
	n := len(c.rig.Notify)
	p := exec.Command(c.rig.Notify[0], append(c.rig.Notify[1:n:n], text)...)
	p.SysProcAttr = apart() // a stop key at the terminal is not for it
	if err := p.Start(); err != nil {
		c.note("not notified", err.Error())
		return
	}
	var err error
	over := false
	done := clock.NewEvent(c.clock)
	c.clock.Go("notification", func() error {
		err = c.clock.Block(p.Wait)
		over = true
		done.Signal()
		return nil
	})
	by := c.clock.Now() + notifyPatience
	for !over {
		if came, ended := done.Wait(by); ended != nil || !came {
			p.Process.Kill()
			err = errors.New("it did not end in time")
			break
		}
	}
	if err != nil {
		c.note("not notified", fmt.Sprintf("%s: %v", c.rig.Notify[0], err))
		return
	}
	c.note("notified", c.rig.Notify[0])
}

// watch calls once when a run that is being made safe is not confirmed in time.
func (c *caller) watch(r *sequence.Run, unsure func() bool) {
	c.clock.Go("call for help", func() error {
		for c.clock.Sleep(c.clock.Now()+redraw) == nil {
			s := r.Status()
			if s.Over {
				return nil
			}
			if s.Stopping && c.clock.Now() > s.Since+alarmAfter && unsure() {
				c.called = true
				r.Remark("alarm", loud)
				c.call(loud + "; it is tried again and again" + causeText(s.Cause))
				return nil
			}
		}
		return nil
	})
}

// tell tells how a run ended, unless that is what somebody at the bench has wanted.
func (c *caller) tell(o sequence.Outcome) {
	if c == nil || o.Safe && !c.called && (o.Word == "completed" || o.Word == "stopped") {
		return
	}
	how := "the rig is confirmed safe"
	if !o.Safe {
		how = loud
	}
	if o.GaveUp {
		how += "; nobody tries any more"
	}
	c.call(how + "; the run has ended: " + o.Word + causeText(o.Cause))
}

func causeText(c *safety.Cause) string {
	if c == nil {
		return ""
	}
	return ": " + c.Error()
}
