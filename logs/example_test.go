package logs_test

import (
	"fmt"
	"strings"

	"dwell/logs"
)

// A run: readings are appended in memory, batches go to the disk.
func ExampleWriter() {
	disk := logs.NewMemory()
	w, err := logs.Create(disk, "runs", logs.FolderName("20260102T030405Z", "staircase", "foil-07"),
		[]logs.Input{{Name: "protocol.yaml", Bytes: []byte("format: 1\n")}}, logs.Identity{Kind: "run"})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(w.Reading(logs.Row{AtNs: 1_500_000, WithinNs: 500_000, Channel: "plate.temperature", Value: 20.04, Unit: "degC"}))

	// The intent must be on disk before the command goes out.
	w.Event([]byte(`{"t_ns":2000000,"event":"heat on"}`))
	for want := w.Written(); !w.Acknowledged().Covers(want); {
		b := w.Begin()
		b.Commit() // where it may block, in a process of its own
		if err := b.Done(); err != nil {
			fmt.Println(err) // the writer is dead: trip
			return
		}
	}
	fmt.Println(w.Acknowledged().Readings, w.Acknowledged().Events)
	fmt.Println(w.Close())
	// Output:
	// <nil>
	// 1 1
	// <nil>
}

// After a crash: look, repair, read, go on.
func ExampleRepair() {
	disk := logs.NewMemory()
	w, _ := logs.Create(disk, "runs", "example", nil, logs.Identity{Kind: "run"})
	w.Reading(logs.Row{Channel: "plate.temperature", Value: 20.04, Unit: "degC"})
	w.Close()
	f, _ := disk.Append("runs/example/readings.csv")
	f.Write([]byte("0.5,0.001,plate.tem"))

	_, tails, err := logs.Open(disk, "runs/example")
	fmt.Println(tails, err)
	_, err = logs.Repair(disk, "runs/example")
	fmt.Println(err)
	run, tails, err := logs.Open(disk, "runs/example")
	fmt.Println(tails, err)
	for row, err := range run.Rows() {
		fmt.Println(row.Channel, row.Value, row.Unit, err)
	}
	_, err = logs.Append(disk, "runs/example")
	fmt.Println(err)
	// Output:
	// [readings.csv: 0 lines after the last acknowledged one; torn at line 3 (19 bytes from byte 76): the last line has no end] <nil>
	// <nil>
	// [] <nil>
	// plate.temperature 20.04 degC <nil>
	// <nil>
}

// A digit is changed, and found.
func ExampleRun_Verify() {
	disk := logs.NewMemory()
	w, _ := logs.Create(disk, "runs", "example", nil, logs.Identity{Kind: "run"})
	w.Reading(logs.Row{Channel: "plate.temperature", Value: 20.04, Unit: "degC"})
	w.Identify(logs.Identity{Kind: "run", Outcome: "completed"})
	w.Close()
	fmt.Println(logs.Seal(disk, "runs/example", "2026-01-02T04:00:00Z", "1.0"))

	f, _ := disk.Append("runs/example/readings.csv")
	f.Truncate(40 + int64(len("0,0,plate.temperature,20.0")))
	f.Write([]byte("5,degC,,\r\n"))
	run, _, _ := logs.Open(disk, "runs/example")
	for finding := range run.Verify() {
		fmt.Println(finding.Kind, finding.File, finding.Line)
	}
	// Output:
	// <nil>
	// broken readings.csv 2
	// changed readings.csv 0
}

// Channels read at different moments are brought to one time base.
func ExampleAlign() {
	disk := logs.NewMemory()
	w, _ := logs.Create(disk, "runs", "example", nil, logs.Identity{Kind: "run"})
	for i := range int64(4) {
		w.Reading(logs.Row{AtNs: i * 1e9, Channel: "plate.temperature", Value: 20 + float64(i), Unit: "degC"})
		w.Reading(logs.Row{AtNs: i*1e9 + 5e8, Channel: "element.resistance", Value: 9800 - 100*float64(i), Unit: "Ohm"})
	}
	w.Close()
	run, _, _ := logs.Open(disk, "runs/example")
	done, err := logs.Align(run, 1e9, []logs.Column{{Channel: "plate.temperature", StaleNs: 2e9}, {Channel: "element.resistance", StaleNs: 2e9}})
	fmt.Println(done.Ticks, done.Units, err)
	text, err := run.File("aligned.csv")
	fmt.Print(strings.ReplaceAll(string(text), "\r\n", "\n"), err)
	// Output:
	// 4 [degC Ohm] <nil>
	// t_s,plate.temperature,element.resistance
	// 0,20,
	// 1,21,9750
	// 2,22,9650
	// 3,23,9550
	// <nil>
}
