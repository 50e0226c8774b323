package sequence_test

import (
	"runtime"
	"testing"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/drivers/twin"
	"dwell/drivers/wire"
	"dwell/logs"
	"dwell/safety"
	"dwell/sequence"
)

// folder is a Recorder over a run folder on the disk, as a rehearsal uses it.
type folder struct{ w *logs.Writer }

func (f folder) Reading(x drivers.Reading, c *rig.Channel, step string) error {
	return f.w.Reading(logs.Row{AtNs: int64(x.At), WithinNs: int64(x.Within), Channel: c.Name, Value: x.Value / c.Unit.Factor,
		Unit: c.Unit.Symbol, Flag: x.Flag.String(), Step: step})
}

func (f folder) Event(sequence.Event) error { return nil }

func (f folder) Sync() error {
	if b := f.w.Begin(); b != nil {
		b.Commit()
		return b.Done()
	}
	return f.w.Err()
}

func (f folder) exchange(x *wire.Exchange) {
	f.w.Exchange(logs.Exchange{Port: x.Port, SentNs: int64(x.Sent), FirstNs: int64(x.First), LastNs: int64(x.Last),
		Request: x.Request, Reply: x.Reply, Ended: x.Ended.String()})
}

// One reading of the thin slice: a poller, an exchange with a reactive twin, the
// interlocks, the row in the CSV with its chain, and the record of the exchange. The
// steady part of the overnight protocol, in virtual time, on a real disk.
func BenchmarkReading(b *testing.B) {
	p, r, s := example(b, "overnight.yaml")
	bench, err := twin.New(r, s, 1)
	if err != nil {
		b.Fatal(err)
	}
	w, err := logs.Create(logs.Disk{}, b.TempDir(), "slice", nil, logs.Identity{})
	if err != nil {
		b.Fatal(err)
	}
	w.Unsynced = true
	world, rec := clock.Virtual(0), folder{w}
	var before, after runtime.MemStats
	var readings int64
	err = world.Run(func() error {
		gate, err := safety.NewGate(p.Rules, r)
		if err != nil {
			return err
		}
		attach := func(d rig.Description) (wire.Device, error) { return bench.Device(d.Name), nil }
		open, err := rig.Open(world, r, gate, rig.Opening{Attach: attach, Tap: rec.exchange}, clock.Never)
		if err != nil {
			return err
		}
		run, err := sequence.New(p, open, gate, sequence.Options{Clock: world, Record: rec, Person: bench.Person(world, p.Specimen)})
		if err != nil {
			return err
		}
		world.Go("measure", func() error {
			const steady = 10 * clock.Minute
			if err := world.Sleep(steady); err != nil {
				return err
			}
			first := run.Status().Readings
			runtime.ReadMemStats(&before)
			b.ResetTimer()
			for run.Status().Readings-first < int64(b.N) {
				if err := world.Sleep(world.Now() + 10*clock.Second); err != nil {
					break // the night was too short for b.N
				}
			}
			b.StopTimer()
			runtime.ReadMemStats(&after)
			readings = run.Status().Readings - first
			run.Stop()
			return nil
		})
		if o := run.Execute(); readings == 0 {
			b.Fatalf("no steady reading: %+v", o)
		}
		return open.Close()
	})
	if err != nil {
		b.Fatal(err)
	}
	if readings > 0 {
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(readings), "ns/reading")
		b.ReportMetric(float64(after.Mallocs-before.Mallocs)/float64(readings), "allocs/reading")
	}
	if err := w.Close(); err != nil {
		b.Fatal(err)
	}
}
