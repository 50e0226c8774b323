package main

import (
	"fmt"
	"iter"
	"path/filepath"

	"dwell/drivers/clock"
	"dwell/drivers/wire"
	"dwell/logs"
	"dwell/sequence"
)

// records are the instruments whose port is a record: recorded:RUN/INSTRUMENT.
func (x *execution) records() (map[string]*wire.Recorded, error) {
	all := map[string]*wire.Recorded{}
	for _, d := range x.job.rig.Instruments {
		if d.Address.Kind != wire.Record {
			continue
		}
		folder, port := filepath.Split(d.Address.Path)
		exchanges, err := exchangesWith(folder, port)
		if err != nil {
			return nil, fmt.Errorf("%s: port %s: %w", d.Name, d.Address, err)
		}
		all[d.Name] = wire.NewRecorded(d.Profile.Line, exchanges)
		x.speech.say("note: %s answers as it was recorded in %s", d.Name, folder)
	}
	return all, nil
}

// exchangesWith reads all exchanges on one port.
func exchangesWith(folder, port string) (all []wire.Exchange, err error) {
	r, _, err := logs.Open(logs.Disk{}, folder)
	if err != nil {
		return nil, err
	}
	pulled, stop := iter.Pull2(r.Exchanges())
	defer stop()
	next := exchangesOf(pulled)
	for x, more := next(); more; x, more = next() {
		if x.Exchange.Port == port {
			all = append(all, x.Exchange)
		}
	}
	if len(all) == 0 {
		return nil, fmt.Errorf("nothing was recorded there under the name %q", port)
	}
	return all, nil
}

// recordPatience is how long a bench is still made safe on which a record has nothing
// more to say: no one will confirm.
const recordPatience = 30 * clock.Second

// lookAtRecords ends a run whose instruments have no more answers: it has left the way of
// the one that was recorded.
func lookAtRecords(c clock.Clock, records map[string]*wire.Recorded, r *sequence.Run) {
	c.Go("look at the records", func() error {
		for c.Sleep(c.Now()+clock.Second) == nil {
			for name, record := range records {
				if record.Missing() == "" {
					continue
				}
				r.Fail(fmt.Sprintf("%s: the record has no answer to %s: this run does not go the way of the recorded one", name, record.Missing()))
				if c.Sleep(c.Now()+recordPatience) == nil {
					r.Stop()
					r.Stop()
				}
				return nil
			}
		}
		return nil
	})
}
