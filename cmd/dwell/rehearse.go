package main

import (
	"fmt"

	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/drivers/twin"
	"dwell/drivers/wire"

	"github.com/spf13/cobra"
)

func rehearseCommand(s *speech) *cobra.Command {
	var f files
	x := &execution{speech: s, kind: "rehearsal"}
	c := &cobra.Command{
		Use:   "rehearse PROTOCOL",
		Short: "do the whole protocol on the virtual bench, in virtual time",
		Long: `rehearse does everything that run does, through the same drivers and the same
log, with the virtual counterpart of every instrument and a clock that jumps from
one event to the next. A night takes seconds. Nothing real is touched.`,
		Example: `  dwell rehearse examples/leaf-clip/staircase.yaml
  dwell rehearse --seed 2 --out /tmp/runs examples/leaf-clip/overnight.yaml`,
		Args: cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			f.protocol = args[0]
			j, err := load(s, f)
			if err != nil {
				return err
			}
			x.job = j
			return x.rehearse()
		},
	}
	f.flags(c)
	x.outlook.flags(c)
	x.startFlag(c)
	c.Flags().Uint64Var(&x.seed, "seed", 1, "seed of the virtual bench: same seed, same bytes")
	return c
}

func (x *execution) rehearse() error { return x.rehearseFrom(0) }

// rehearseFrom rehearses from a moment of the run's time base.
func (x *execution) rehearseFrom(start clock.Instant) error {
	x.clock = clock.Virtual(start)
	if err := x.replaying(); err != nil {
		return usage(err)
	}
	if err := x.preflight(false); err != nil {
		return err
	}
	if x.offBy > 0 {
		x.offBy += start - x.replays.past()
	}
	bench, err := x.virtual()
	if err != nil {
		return usage(err)
	}
	began := clock.Today()
	world := x.stage(bench, start)
	err = x.do(nil)
	took := clock.Today().UTC.Sub(began.UTC)
	return x.report(err, fmt.Sprintf("%s of bench time, rehearsed in %.1f s (virtual bench, seed %d)", span(world.Now()-start), took.Seconds(), x.seed))
}

// virtual is a new virtual bench, or the one of the rehearsal that is taken up again.
func (x *execution) virtual() (*twin.Bench, error) {
	if x.again != nil && x.again.bench != nil {
		return x.again.bench, nil
	}
	return twin.New(x.job.rig, x.job.specimen, x.seed)
}

// stage puts a virtual bench, and somebody at it, into virtual time.
func (x *execution) stage(bench *twin.Bench, start clock.Instant) clock.Clock {
	if x.clock == nil {
		x.clock = clock.Virtual(start)
	}
	if x.person == nil {
		x.person = bench.Person(x.clock, x.job.plan.Specimen)
	}
	if x.attach == nil {
		x.attach = func(d rig.Description) (wire.Device, error) { return bench.Device(d.Name), nil }
	}
	return x.clock
}
