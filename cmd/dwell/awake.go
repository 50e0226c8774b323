package main

import (
	"dwell/drivers/clock"
	"dwell/sequence"
)

// stayAwake keeps the computer from going to sleep while the run lasts, where the
// system offers that, and says in the record what came of it. A sleep that happens
// all the same is noticed by the run itself.
func stayAwake(c clock.Clock, r *sequence.Run) {
	c.Go("staying awake", func() error {
		var but string
		var release func()
		err := c.Block(func() (err error) {
			but, release, err = inhibitSleep()
			return err
		})
		if err != nil {
			r.Remark("may sleep", "this computer cannot be kept from going to sleep: "+err.Error())
			return nil
		}
		text := "this computer does not go to sleep by itself during the run"
		if but != "" {
			text += "; " + but
		}
		r.Remark("kept awake", text)
		c.Sleep(clock.Never)
		return c.Block(func() error { release(); return nil })
	})
}
