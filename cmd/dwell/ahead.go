package main

import (
	"fmt"

	"dwell/drivers/clock"
	"dwell/logs"
	"dwell/sequence/plan"

	"github.com/spf13/cobra"
)

// outlook is what check, rehearse and run look at before anything is touched, all in
// the same way: the room for the run folder, and the time of day by which the bench is
// to be off and cool.
type outlook struct {
	root  string // of the run folders
	start string // a time of day, "" for now
}

func (o *outlook) flags(c *cobra.Command) {
	c.Flags().StringVar(&o.root, "out", "runs", "where run folders go")
}

func (o *outlook) startFlag(c *cobra.Command) {
	c.Flags().StringVar(&o.start, "start", "", "the time of day at which the run will be started, as HH:MM (default: now)")
}

// look refuses a run that would be spoiled. offBy is when the bench is to be off and
// cool, from the start on, and spare what is left until then; both are 0 where the
// protocol names no time of day.
func (o *outlook) look(p *plan.Plan) (offBy, spare clock.Instant, begins string, err error) {
	sum := p.Summary
	if err := logs.Room(logs.Disk{}, o.root, sum.Bytes); err != nil {
		return 0, 0, "", usage(err)
	}
	by := p.OffBy
	if by == "" {
		by = "00:00" // only to look at the start
	}
	offBy, begins, err = clock.UntilTimeOfDay(o.start, by)
	if err != nil {
		return 0, 0, "", usage(fmt.Errorf("--start: %w", err))
	}
	if p.OffBy == "" {
		return 0, 0, "", nil
	}
	need := clock.Instant(sum.DurationNs + sum.CoolingNs)
	if need > offBy {
		when := "now, at " + begins
		if o.start != "" {
			when = "at " + begins
		}
		return 0, 0, "", usage(fmt.Errorf("started %s, the rig must be off and cool in %s, by %s, but the protocol takes about %s and cooling %s: start earlier or shorten it",
			when, span(offBy), p.OffBy, span(clock.Instant(sum.DurationNs)), span(clock.Instant(sum.CoolingNs))))
	}
	return offBy, offBy - need, begins, nil
}
