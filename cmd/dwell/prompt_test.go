//go:build unix

package main

import (
	"bufio"
	"fmt"
	"os"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/drivers/wire"
	"dwell/drivers/yamltext"
	"dwell/logs"
	"dwell/safety"
	"dwell/sequence"
	"dwell/sequence/plan"
)

// A plate that answers at once and wants no pause, so that what is measured is dwell's
// own time and the system's.
const promptProfile = `format: 1
profile: prompt-plate
kind: hotplate
dialect: namur
line: {baud: 115200}
ends with: "\n"
answers: {to commands: none, to questions: value}
takes: {typical: 1 ms, at most: 200 ms}
identity: {ask: NAME, looks like: "PLATE"}
footing: {send: "\n", quiet: 10 ms}
prepare: [STOP]
sets:
  - {quantity: heat, states: {off: STOP, on: START}, default: off, energises: on}
  - {quantity: temperature, unit: degC, send: "SET {value}", written: 1 decimal, read back: {ask: TOLD, within: 0.1 K}, least: 0 degC, most: 300 degC, bounded by: temperature}
measures:
  - {name: plate, ask: PV, fields: [{quantity: temperature, unit: degC, display: 0.1 K, no probe outside: [-50 degC, 450 degC]}]}
safe:
  - {send: STOP, ask: STATE, expect: "OFF", evidence: direct}
`

const promptRig = `format: 1
rig: prompt bench
ambient: {temperature: 18 degC, cooling: none}
instruments:
  plate: {profile: prompt-plate.yaml, port: "serial:PORT"}
limits: {plate.temperature: {below: 80 degC}}
specimen place: {lies on: plate, moved by: person, temperature: [plate.temperature]}
`

const promptProtocol = `format: 1
title: until it is too hot
record: {plate.temperature: 10 ms}
ends: {at most: 10 min}
steps:
  - hold: 5 min
`

// promptPlate answers on the far end of a PTY. When it is told to, its next reading is
// over the limit; then it notes how long after the answer had left it had been told to stop.
type promptPlate struct {
	master *os.File
	mutex  sync.Mutex
	hot    bool
	took   chan time.Duration
}

// serve reads in a thread of its own, by a call that blocks: what takes the time must not
// wait for the scheduler of the process that it takes it of.
func (p *promptPlate) serve() {
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	r := bufio.NewReader(p.master)
	answers := map[string]string{"NAME": "PLATE", "PV": "20.0", "TOLD": "10.0", "STATE": "OFF"}
	for {
		line, err := r.ReadString('\n')
		if err != nil {
			return
		}
		word := strings.TrimSpace(line)
		p.mutex.Lock()
		hot := p.hot && word == "PV"
		p.hot = p.hot && !hot
		p.mutex.Unlock()
		switch answer, asked := answers[word]; {
		case hot:
			p.took <- untilStop(p.master, r)
		case asked:
			p.master.WriteString(answer + "\n")
		}
	}
}

// untilStop is how long it takes from a reading over the limit to the whole command to
// stop.
func untilStop(master *os.File, r *bufio.Reader) time.Duration {
	master.WriteString("99.0\n")
	left := time.Now()
	next, err := "", error(nil)
	for next == "" && err == nil { // an empty line ends whatever stood there
		next, err = r.ReadString('\n')
		next = strings.TrimSpace(next)
	}
	if took := time.Since(left); next == "STOP" {
		return took
	}
	return time.Hour // something else came first
}

// BenchmarkOverLimitToSafeByte is how long it takes from a reading over the limit to the
// command that switches the heat off, on a PTY, with a run that records to the disk. Run it
// on an idle machine, with -benchtime 500x.
//
// What is held to 0.5 ms is this program's own time: from when the last byte of the reading
// has been read to when the command has been written. Beside it stand the time that the
// instrument sees, with the system's part in it, from the byte it sends to the command as a
// whole; and what that is when nothing is done between the two, on another PTY, by a
// goroutine that reads a line and writes the command.
func BenchmarkOverLimitToSafeByte(b *testing.B) {
	var all, own, bare []time.Duration
	for k := range b.N {
		seen, took := overLimitOnce(b, k)
		all, own = append(all, seen), append(own, took)
		bare = append(bare, bareOnce(b))
	}
	p50, p99 := histogram(b, "from the last byte read to the command written", own)
	seen50, seen99 := histogram(b, "as the instrument sees it", all)
	bare50, bare99 := histogram(b, "as the instrument sees a goroutine that only answers", bare)
	for name, d := range map[string]time.Duration{"p50": p50, "p99": p99, "seen-p50": seen50, "seen-p99": seen99, "bare-p50": bare50, "bare-p99": bare99} {
		b.ReportMetric(float64(d.Microseconds()), name+"-µs")
	}
	if b.N >= 100 && p99 >= 500*time.Microsecond {
		b.Errorf("p99 %v, at most 0.5 ms is allowed on an idle machine", p99)
	}
}

// histogram prints one of many times, and returns what half of them, and all but one in a
// hundred, do not exceed.
func histogram(b *testing.B, of string, all []time.Duration) (p50, p99 time.Duration) {
	slices.Sort(all)
	if n := len(all); n >= 100 {
		b.Log(of)
		from := 0
		for _, edge := range []time.Duration{50, 100, 150, 200, 300, 400, 500, 750, 1000, 2000, 5000, 1e6} {
			to, _ := slices.BinarySearch(all, edge*time.Microsecond)
			b.Logf("below %7d µs: %4d %s", edge, to-from, strings.Repeat("#", (to-from)*60/n))
			from = to
		}
		b.Logf("longest %v", all[n-1])
	}
	return all[len(all)/2], all[len(all)*99/100]
}

// bareOnce is one round of the least that can be done, after a rest as long as between two
// readings.
func bareOnce(b *testing.B) time.Duration {
	master, slave := openBlockingPTY(b)
	defer master.Close()
	took := make(chan time.Duration, 1)
	go func() {
		defer slave.Close()
		if _, err := slave.Read(make([]byte, 64)); err == nil {
			slave.WriteString("STOP\n")
		}
	}()
	go func() {
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		time.Sleep(10 * time.Millisecond)
		took <- untilStop(master, bufio.NewReader(master))
	}()
	select {
	case t := <-took:
		return t
	case <-time.After(patience):
		b.Fatal("waited in vain for a round on a PTY")
		return 0
	}
}

// overLimitOnce is one run, up to where it is safe: how long the instrument waited, and how
// much of that this program took.
func overLimitOnce(b *testing.B, k int) (seen, own time.Duration) {
	master, slave := openBlockingPTY(b)
	defer master.Close()
	defer slave.Close()
	plate := &promptPlate{master: master, took: make(chan time.Duration, 1)}
	go plate.serve()

	m := &yamltext.Mistakes{}
	read := func(name, text string) *yamltext.Document { return yamltext.Parse(name, []byte(text), m) }
	r := rig.Load(read("rig.yaml", strings.Replace(promptRig, "PORT", slave.Name(), 1)), func(string) ([]byte, error) { return []byte(promptProfile), nil }, m)
	s := rig.LoadSpecimen(read("specimen.yaml", fileText(b, leafClip+"specimen.yaml")), m)
	p := plan.Compile(read("protocol.yaml", promptProtocol), r, s, plan.Options{}, m)
	if m.Len() > 0 {
		m.Print(os.Stderr)
		b.Fatal("the bench of this benchmark has mistakes")
	}
	wall := clock.Wall(0)
	err := wall.Run(func() error {
		gate, err := safety.NewGate(p.Rules, r)
		if err != nil {
			return err
		}
		var record *record
		var read clock.Instant // when the reading over the limit was there
		bench, err := rig.Open(wall, r, gate, rig.Opening{Owner: "{}", Tap: func(x *wire.Exchange) {
			switch {
			case string(x.Reply) == "99.0\n":
				read = x.Last
			case string(x.Request) == "STOP\n" && read > 0 && own == 0:
				own = time.Duration(wall.Now() - read)
			}
			if record != nil {
				record.exchange(x)
			}
		}}, clock.Never)
		if err != nil {
			return err
		}
		defer bench.Close()
		w, err := logs.Create(logs.Disk{}, b.TempDir(), fmt.Sprint("run", k), nil, logs.Identity{})
		if err != nil {
			return err
		}
		defer w.Close()
		record = newRecord(wall, w, r, nil)
		run, err := sequence.New(p, bench, gate, sequence.Options{Clock: wall, Record: record, Person: steady{}})
		if err != nil {
			return err
		}
		wall.Go("too hot", func() error {
			wall.Sleep(wall.Now() + clock.Second/10 + clock.Instant(k%10)*clock.Millisecond) // at any place in the group of a sync
			plate.mutex.Lock()
			plate.hot = true
			plate.mutex.Unlock()
			for len(plate.took) == 0 && wall.Sleep(wall.Now()+10*clock.Millisecond) == nil {
			}
			run.Stop() // nobody waits until it is seen to cool
			run.Stop()
			return nil
		})
		if o := run.Execute(); o.Word != "tripped" {
			return fmt.Errorf("it ended %s: %v", o.Word, o.Cause)
		}
		return nil
	})
	if err != nil {
		b.Fatal(err)
	}
	return <-plate.took, own
}

func fileText(b *testing.B, name string) string {
	text, err := os.ReadFile(name)
	if err != nil {
		b.Fatal(err)
	}
	return string(text)
}
