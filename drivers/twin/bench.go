package twin

import (
	"fmt"
	"math"
	"strings"

	"dwell/drivers/clock"
	"dwell/drivers/wire"
)

// Bench is the virtual instruments over one world. All of it is plain data: a
// clone goes on in the same way, even from the middle of an exchange.
type Bench struct {
	world   *World
	devices []*device
	heater  string // name of the instrument that heats the plate
	hot     bool   // as the journal said last
	seed    uint64
	hands   int64 // what a person has done here
	journal func(at clock.Instant, line []byte)
	line    []byte // of the journal, used again and again
}

// fitted is one instrument of a bench.
type fitted struct {
	name, firmware string
	line           wire.Line
	lineHz         float64
	seed           uint64
	accuracies     []accuracy
	rearOhm        float64 // of a resistor at a source-meter's rear terminals, 0 for the film there too
	driftPerHour   float64 // of what it takes for a volt, a share
}

// firmwares are the kinds of virtual instrument, by the word that a profile's key
// twin has. What one has hold of there is once in the world.
var firmwares = []struct {
	name string
	has  part
	new  func(f fitted) (firmware, device)
}{
	{"hotplate", thePlate, newHotplateA},
	{"hotplate-echo", thePlate, newHotplateB},
	{"source-meter", theFilm, newSourceMeter},
	{"thermometer", nothing, newThermometer},
	{"lift", nothing, newLift},
	{"mains-switch", theMains, newMainsSwitch},
	{"gcode-stage", theSpecimen, newGcodeStage},
}

// part of the world that one instrument alone can have hold of.
type part string

const (
	nothing  part = ""
	thePlate part = "plate to heat"
	theFilm  part = "film to source into"
	theMains part = "supply of the plate to switch"

	theSpecimen part = "specimen to bend"
)

// assemble puts instruments round a world and switches them on.
func assemble(w *World, instruments []fitted, seed uint64) (*Bench, error) {
	b := &Bench{world: w, seed: seed}
	owners := map[part]string{}
	for _, f := range instruments {
		f.seed = seed
		d, has, err := b.build(f)
		if err != nil {
			return nil, err
		}
		if owner := owners[has]; owner != "" && has != nothing {
			return nil, fmt.Errorf("%s and %s: the virtual bench has but one %s", owner, f.name, has)
		}
		owners[has] = f.name
		b.devices = append(b.devices, d)
	}
	b.heater = owners[thePlate]
	for _, d := range b.devices {
		d.firmware.start(d)
	}
	return b, nil
}

func (b *Bench) build(f fitted) (*device, part, error) {
	var words []string
	for _, k := range firmwares {
		if k.name == f.firmware {
			firmware, d := k.new(f)
			d.bench, d.name, d.firmware = b, f.name, firmware
			d.line, d.dueAt = f.line, clock.Never
			if d.mask = 0xff; f.line.DataBits == 7 {
				d.mask = 0x7f
			}
			return &d, k.has, nil
		}
		words = append(words, k.name)
	}
	return nil, nothing, fmt.Errorf("%s: there is no virtual instrument %q; there are %q", f.name, f.firmware, words)
}

// World is what the instruments measure and change.
func (b *Bench) World() *World { return b.world }

// Device is the instrument of a name in the rig, nil when there is none.
func (b *Bench) Device(name string) wire.Device {
	if d := b.find(name); d != nil {
		return d
	}
	return nil
}

func (b *Bench) find(name string) *device {
	for _, d := range b.devices {
		if d.name == name {
			return d
		}
	}
	return nil
}

// Clone returns a bench that goes on as this one would. Nobody listens to its
// journal yet.
func (b *Bench) Clone() *Bench {
	c := *b
	c.world, c.devices, c.journal, c.line = b.world.Clone(), nil, nil, nil
	for _, d := range b.devices {
		c.devices = append(c.devices, d.clone(&c))
	}
	return &c
}

// Advance lets the bench go on to an instant: the world, and what instruments do
// by themselves, in the order of time and then of the rig file.
func (b *Bench) Advance(to clock.Instant) {
	for {
		var next *device
		due := clock.Never
		for _, d := range b.devices {
			if d.dueAt < due {
				next, due = d, d.dueAt
			}
		}
		if next == nil || due > to {
			break
		}
		b.world.Advance(due)
		next.firmware.act(next)
	}
	b.world.Advance(to)
	b.look()
}

// look notes when heat can reach the plate, or can no longer: the heating function
// or a welded relay, and the over-temperature circuit closed.
func (b *Bench) look() {
	w := b.world
	hot, _ := b.Energised()
	if hot == b.hot {
		return
	}
	b.hot = hot
	text, value := "on", 1.0
	switch {
	case !w.MainsOn():
		text, value = "off: its mains is open", 0
	case w.CutOut():
		text, value = "off: the over-temperature circuit has opened", 0
	case w.Faults().HeaterBroken:
		text, value = "off: the heater is broken", 0
	case !hot:
		text, value = "off", 0
	case !w.HeaterOn():
		text = "on: the relay does not open"
	}
	b.note(b.heater, noteHeat, value, text)
}

// Reboot interrupts the mains of an instrument for a moment, now.
func (b *Bench) Reboot(name string) error {
	d := b.find(name)
	if d == nil {
		return fmt.Errorf("there is no instrument %q to switch off and on", name)
	}
	b.note(name, noteCommand, math.NaN(), "mains off and on")
	d.hangUp()
	d.firmware.start(d)
	b.look()
	return nil
}

// lay has the specimen at a place from now on, by the hand of whoever is named.
func (b *Bench) lay(to Place, by string) {
	b.world.Move(to)
	b.note(by, notePlace, math.NaN(), to.String())
}

// wrap has the strip laid round a rod, or flat, by the words for it: "round the rod of 12
// mm", or "flat".
func (b *Bench) wrap(words string) bool {
	var mm float64
	if _, err := fmt.Sscanf(words, "round the rod of %g mm", &mm); !b.world.strip.Rods || words != "flat" && (err != nil || !(mm > 0)) {
		return false
	}
	b.world.Wrap(mm * 1e-3)
	b.note("person", notePlace, math.NaN(), words)
	return true
}

// Move has a person do as told: "place", or "lift" with where to, such as "lift
// cold block"; or where a strip is laid round rods, "round the rod of 12 mm" and "flat".
func (b *Bench) Move(at clock.Instant, words string) error {
	if b.Advance(at); b.wrap(words) {
		return nil
	}
	to, known := OnPlate, words == "place"
	if where, lifts := strings.CutPrefix(words, "lift "); lifts {
		to, known = placeOf(where)
		known = known && to != OnPlate
	}
	if !known {
		return fmt.Errorf("%q moves nothing here: expected place, lift air, lift moving air or lift cold block", words)
	}
	b.lay(to, "person")
	return nil
}

// placeOf knows places by the words of a protocol.
func placeOf(word string) (Place, bool) {
	switch word {
	case "plate":
		return OnPlate, true
	case "air", "still air":
		return StillAir, true
	case "moving air":
		return MovingAir, true
	case "cold block":
		return ColdBlock, true
	}
	return 0, false
}

// tick is how often Live lets a bench go on that nobody talks to.
const tick = 100 * clock.Millisecond

// Live keeps a bench going on in the time of c, so that what happens by itself is
// in the journal soon after. In virtual time nothing needs it.
func (b *Bench) Live(c clock.Clock) error {
	for {
		b.Advance(c.Now())
		if err := c.Sleep(c.Now() + tick); err != nil {
			return nil
		}
	}
}
