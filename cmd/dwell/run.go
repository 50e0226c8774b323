package main

import (
	"fmt"
	"os"
	"os/signal"
	"syscall"

	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/drivers/twin"
	"dwell/drivers/wire"
	"dwell/sequence"

	"github.com/spf13/cobra"
)

func runCommand(s *speech) *cobra.Command {
	var f files
	var confirm string
	x := &execution{speech: s, kind: "run"}
	c := &cobra.Command{
		Use:   "run PROTOCOL",
		Short: "do the protocol on the bench",
		Long: `run does the protocol on the instruments that the rig file names. Ctrl-C stops:
heat and output go off and are read back; a second Ctrl-C gives up waiting for the
confirmation. Ctrl-\ does the same as Ctrl-C. Ctrl-Z does nothing: a run cannot be put to sleep.

Rehearse first. dwell is no safety device: the bench needs its own over-temperature
cut-out and a hard-wired emergency stop.`,
		Example: `  dwell run --rig my-rig.yaml examples/leaf-clip/staircase.yaml
  dwell run --unattended --confirm LC-07 --operator M.K. my-night.yaml`,
		Args: cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			f.protocol = args[0]
			j, err := load(s, f)
			if err != nil {
				return err
			}
			x.job = j
			return x.run(confirm, f.unattended)
		},
	}
	f.flags(c)
	x.outlook.flags(c)
	c.Flags().Uint64Var(&x.seed, "seed", 1, "seed of virtual instruments, where the rig has port: twin")
	c.Flags().StringVar(&confirm, "confirm", "", "the id of the specimen on the bench, instead of being asked for it")
	c.Flags().BoolVar(&f.unattended, "unattended", false, "nobody is at the bench: refuse a protocol that needs a person")
	c.Flags().StringVar(&x.operator, "operator", "", "who runs this, for run.json")
	c.Flags().StringVar(&x.remarks, "remarks", "", "anything worth remembering, for run.json")
	return c
}

func (x *execution) run(confirm string, unattended bool) error {
	if err := x.preflight(unattended && confirm == ""); err != nil {
		return err
	}
	return x.runFrom(0, confirm)
}

// runFrom runs from a moment of the run's time base.
func (x *execution) runFrom(start clock.Instant, confirm string) error {
	if x.offBy > 0 {
		x.offBy += start
	}
	wall := clock.Wall(start)
	x.clock = wall
	if err := x.twins(); err != nil {
		return usage(err)
	}
	proven, doubtful := "", []string(nil)
	if opensPorts(x.job.rig) {
		proven, doubtful = provenWhen(x.job.rigFile, x.job), doubts("/", x.job.rig)
		if x.job.rigFile == "" { // taken up from a run folder: its ledger stands beside the file of then
			proven = ""
		}
		for _, text := range append(doubtful, proven) {
			if text != "" {
				x.speech.say("note: %s", text)
			}
		}
	}
	control, err := newControl()
	if err != nil {
		return x.report(untouched(fmt.Errorf("cannot listen for dwell safe: %w", err)), "")
	}
	x.owner = control.text()
	p := &panel{x: x}
	operator := newKeyboard(os.Stdin, confirm, p.tell, p.typed)
	p.asking = func() bool { return operator.asking }
	x.person = operator
	x.onEvent = p.say
	wakeful()
	signals := make(chan os.Signal, 8)
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM, syscall.SIGQUIT, syscall.SIGHUP)
	x.started = func(r *sequence.Run) {
		p.run = r
		p.start(wall)
		operator.attach(wall)
		control.serve(wall, func() { r.StopFor("dwell safe") }, p.alarmText, func() (bool, bool) { s := r.Status(); return s.Safe, s.Over })
		watchSignals(wall, signals, r, x.speech)
		if opensPorts(x.job.rig) {
			if proven != "" {
				r.Remark("proof test", proven)
			}
			for _, text := range doubtful {
				r.Remark("warning", text)
			}
			stayAwake(wall, r)
			x.caller = newCaller(wall, x.job.rig, x.folder, r.Remark)
			x.caller.watch(r, func() bool { return p.safing(r.Status().Since).unsure() })
		}
	}
	err = x.do(func() {
		operator.close()
		control.close()
		signal.Stop(signals)
		close(signals)
	})
	return x.report(err, span(wall.Now()-start))
}

// preflight looks at what would spoil a run, before anything is touched.
func (x *execution) preflight(nobody bool) error {
	if nobody {
		return usage(fmt.Errorf("an unattended run needs --confirm with the id of the specimen on the bench"))
	}
	for _, w := range x.job.plan.Summary.Warnings {
		x.speech.say("warning: %s", w)
	}
	if opensPorts(x.job.rig) {
		if err := noProgram(x.job.rig); err != nil {
			return usage(err)
		}
	}
	var err error
	rest := *x.job.plan
	if x.again != nil {
		rest.Summary.DurationNs = max(0, rest.Summary.DurationNs-int64(x.again.from.Ran))
	}
	x.offBy, _, _, err = x.look(&rest)
	return err
}

// twins puts virtual instruments where the rig file says so, and says it.
func (x *execution) twins() error {
	var bench *twin.Bench
	for _, d := range x.job.rig.Instruments {
		if d.Address.Kind == wire.Record {
			return fmt.Errorf("%s is on %s: a record answers in virtual time only, so use rehearse", d.Name, d.Address)
		}
		if d.Address.Kind != wire.Twin {
			continue
		}
		if bench == nil {
			var err error
			if bench, err = twin.New(x.job.rig, x.job.specimen, x.seed); err != nil {
				return err
			}
		}
		x.speech.say("note: %s is virtual (port: twin in the rig file)", d.Name)
	}
	if bench != nil {
		x.attach = func(d rig.Description) (wire.Device, error) { return bench.Device(d.Name), nil }
	}
	return nil
}

// watchSignals turns the terminal's signals into the operator's word. A terminal
// that hangs up is noted: whoever closed a lid did not mean the night to end.
func watchSignals(c clock.Clock, signals <-chan os.Signal, r *sequence.Run, s *speech) {
	c.Go("signals", func() error {
		for {
			var got os.Signal
			c.Block(func() error { got = <-signals; return nil })
			switch got {
			case nil:
				return nil
			case syscall.SIGHUP:
				r.Note("the terminal hung up; the run goes on")
			default:
				r.Stop()
			}
		}
	})
}
