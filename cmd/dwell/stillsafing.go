package main

import (
	"fmt"
	"path/filepath"

	"dwell/drivers/clock"
	"dwell/logs"
)

// guardTakes is how long resume waits for the guard of a run that was killed, which watches
// heaters cool: longer than most need. Common practice, no source.
const guardTakes = 5 * clock.Minute

// awaitGuard waits while the guard of a run that was killed still makes its bench safe: until
// then it has the ports, and how it ended is not known.
func awaitGuard(s *speech, dir string) error {
	r, _, err := logs.Open(logs.Disk{}, dir)
	if r == nil || err != nil {
		return nil // is said by whoever reads it next
	}
	wall := clock.Wall(0)
	return wall.Run(func() error {
		for told := false; ; told = true {
			lines, err := guardLines(r)
			guard := stillSafing(dir, lines)
			switch {
			case err != nil || guard == 0:
				return err
			case wall.Now() > guardTakes:
				return fmt.Errorf("the guard of this run (process %d) is still making the bench safe: %s says how far it is; nothing was done", guard, filepath.Join(dir, guardFile))
			case !told:
				s.say("the guard of this run (process %d) is still making the bench safe: waiting for it, at most %s", guard, span(guardTakes))
			}
			if err := wall.Sleep(wall.Now() + clock.Second/4); err != nil {
				return err
			}
		}
	})
}

// stillSafing is the number of the guard whose run is gone and whose bench is not confirmed to
// be safe yet, 0 for none. Both are known by what they lock: a number that a guard has left
// behind may be another process by now, after a power cut above all.
func stillSafing(dir string, lines []guardLine) int {
	if unconfirmed(lines) == "" {
		return 0
	}
	folder, err := lockFolder(dir, "")
	if err != nil {
		return 0 // the run lives
	}
	folder.Give()
	return livingGuard(dir)
}
