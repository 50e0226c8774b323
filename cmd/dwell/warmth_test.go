package main

import (
	"bytes"
	"io"
	"math"
	"os"
	"strings"
	"testing"

	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/drivers/twin"
	"dwell/drivers/wire"
	"dwell/safety"
)

// A plate that is off and hot is watched until it has been measured to be one that can be
// touched, or until somebody has had enough of that.
func TestWatchedUntilItCanBeTouched(t *testing.T) {
	for _, patience := range []clock.Instant{clock.Never, 10 * clock.Second} {
		j, err := load(&speech{out: io.Discard, err: os.Stderr}, files{protocol: leafClip + "short.yaml"})
		if err != nil {
			t.Fatal(err)
		}
		bench, err := twin.New(j.rig, j.specimen, 1)
		if err != nil {
			t.Fatal(err)
		}
		const heated = 45 * clock.Second
		bench.World().SetPlateTarget(80)
		bench.World().SetHeater(true)
		bench.Advance(heated)
		bench.World().SetHeater(false)
		var said bytes.Buffer
		world, surface := clock.Virtual(heated), 0.0
		err = world.Run(func() error {
			open := func() (*rig.Bench, error) {
				return rig.Open(world, j.rig, nil, rig.Opening{Attach: func(d rig.Description) (wire.Device, error) { return bench.Device(d.Name), nil }}, clock.Never)
			}
			b, err := open()
			if err != nil {
				return err
			}
			warm := safety.LookAtWarmth(world, b)
			if err := b.Close(); err != nil {
				return err
			}
			untilTouchable(&speech{out: io.Discard, err: &said}, world, j.rig, warm, open, func() bool { return world.Now() > heated.After(patience) })
			surface = bench.World().PlateSurface()
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		took := (world.Now() - heated).Seconds()
		if text := said.String(); !strings.Contains(text, "plate is too hot to touch: plate.temperature is 7") || !strings.Contains(text, " degC, not below 43 degC; that takes about ") || !strings.Contains(text, "Ctrl-C ends that") {
			t.Errorf("it said %q", text)
		}
		touched := strings.Contains(said.String(), "plate can be touched: plate.temperature is 4")
		if patience != clock.Never {
			if touched || took > patience.Seconds()+5 {
				t.Errorf("it was watched for %g s: %q", took, &said)
			}
			continue
		}
		// From some 72 degC to 43 in a room of 18 with 80 s: 80 s ln(54/25) = 62 s, more for
		// the plate's dead time.
		if !touched || took < 55 || took > 75 || math.Abs(surface-safety.TouchDegC) > 2 {
			t.Errorf("%g degC after %g s: %q", surface, took, &said)
		}
	}
}
