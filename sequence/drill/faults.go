package drill

import (
	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/drivers/twin"
)

// Fault is one thing that goes wrong. To add one, add a line to Faults: what it
// breaks, on the bench (World, Hand), on a line (Line), on the computer (Disk, Stops,
// Sleeps), and for how long if not for good.
type Fault struct {
	Name string
	On   Part // what the rig must have

	World  func(*twin.Faults)              // what is broken from then on
	Hand   func(*twin.Bench, string) error // what is done once, to the instrument
	Line   *Line                           // what the cable does
	Disk   Disk
	Stops  clock.Instant // the program stands still, the bench does not
	Sleeps clock.Instant // so does the computer, and its clocks with it
	For    clock.Instant // 0 for good

	// Hardware is what makes the bench safe where software cannot. Without it, there
	// is no excuse.
	Hardware string
}

// Part is what a fault happens to.
type Part uint8

// The parts.
const (
	Program Part = iota
	Film
	Foil // the thermometer on it
	Plate
	Meter
	Stage
	Switch // in the plate's mains
	Port   // of each instrument
)

// Disk is what becomes of the disk.
type Disk uint8

// The states of a disk.
const (
	Sound Disk = iota
	Full
	Slow
)

// What would make a bench safe where software cannot.
const (
	cutsMains  = "a mains switch in the plate's supply, besides its over-temperature circuit"
	cutsSource = "a switch in the source-meter's leads, or its interlock input"
	cutsMotor  = "an emergency stop in the supply of the stage's motor"
	cutsEither = "a mains switch for whatever hangs on this port, or a watchdog of its own"
	keepsAwake = "a computer that cannot sleep"
)

// How strong the faults are. Demo data, chosen so that each matters on a bench like
// that of the examples, and is not seen at once by a limit on levels.
const (
	driftKPerS = 0.02                   // of a thermometer: 1.2 K/min
	tooMuch    = 14                     // times the current that was told
	another    = 1.7                    // the same, without passing a limit
	tolerable  = 60 * clock.Millisecond // by which answers are late on a slow line
	beyond     = 3 * clock.Second       // and on one that is too slow
	slipM      = 0.5e-3                 // of a strip in its clamp: 1 % of 50 mm
	unplugged  = 20 * clock.Second
	stopped    = 30 * clock.Second
	asleep     = 90 * clock.Second
)

// Faults is all of them.
var Faults = []Fault{
	{Name: "film open", On: Film, World: func(f *twin.Faults) { f.FilmOpen = true }},
	{Name: "film bridged", On: Film, World: func(f *twin.Faults) { f.FilmShort = true }},
	{Name: "foil thermometer open", On: Foil, World: func(f *twin.Faults) { f.FoilOpen = true }},
	{Name: "foil thermometer shorted", On: Foil, World: func(f *twin.Faults) { f.FoilShort = true }},
	{Name: "foil thermometer fallen off", On: Foil, World: func(f *twin.Faults) { f.FoilOff = true }},
	{Name: "foil thermometer drifting", On: Foil, World: func(f *twin.Faults) { f.FoilDriftKPerS = -driftKPerS }},
	{Name: "foil thermometer frozen", On: Foil, World: func(f *twin.Faults) { f.FoilFrozen = true }},
	{Name: "specimen fallen off", On: Plate, Hand: fallsOff},

	{Name: "plate thermometer drifting", On: Plate, World: func(f *twin.Faults) { f.PlateDriftKPerS = -driftKPerS }},
	{Name: "plate thermometer frozen", On: Plate, World: func(f *twin.Faults) { f.PlateFrozen = true }},
	{Name: "heater relay welded", On: Plate, World: func(f *twin.Faults) { f.RelayWelded = true }, Hardware: cutsMains},
	{Name: "heater broken", On: Plate, World: func(f *twin.Faults) { f.HeaterBroken = true }},
	{Name: "setpoint ignored", On: Plate, World: func(f *twin.Faults) { f.SetpointIgnored = true }},
	{Name: "plate turned up at its knob", On: Plate, Hand: (*twin.Bench).Meddle},
	{Name: "plate switched off and on", On: Plate, Hand: (*twin.Bench).Reboot},
	{Name: "plate hangs", On: Plate, World: func(f *twin.Faults) { f.PlateHung = true }, Hardware: cutsMains},

	{Name: "mains switch opens", On: Switch, Hand: (*twin.Bench).Reboot},
	{Name: "mains switch welded", On: Switch, World: func(f *twin.Faults) { f.SwitchWelded = true }},

	{Name: "compliance turned down", On: Meter, Hand: (*twin.Bench).Meddle},
	{Name: "source-meter switched off and on", On: Meter, Hand: (*twin.Bench).Reboot},
	{Name: "source drives too much", On: Meter, World: func(f *twin.Faults) { f.SourceGain = tooMuch }},
	{Name: "source drives another level", On: Meter, World: func(f *twin.Faults) { f.SourceGain = another }},
	{Name: "output stuck on", On: Meter, World: func(f *twin.Faults) { f.OutputStuck = true }, Hardware: cutsSource},

	{Name: "stage hangs", On: Stage, World: func(f *twin.Faults) { f.StageHung = true }, Hardware: cutsMotor},
	{Name: "carriage stuck", On: Stage, World: func(f *twin.Faults) { f.StageStuck = true }},
	{Name: "strip slips in a clamp", On: Stage, World: func(f *twin.Faults) { f.ClampSlipM = slipM }},
	{Name: "stage held at its panel", On: Stage, Hand: (*twin.Bench).Meddle},
	{Name: "stage switched off and on", On: Stage, Hand: (*twin.Bench).Reboot},

	{Name: "no answers", On: Port, Line: &Line{Loses: all}},
	{Name: "dead cable", On: Port, Line: &Line{Deaf: true, Loses: all}, Hardware: cutsEither},
	{Name: "every tenth answer lost", On: Port, Line: &Line{Loses: everyTenth}},
	{Name: "slow answers", On: Port, Line: &Line{Late: tolerable}},
	{Name: "answers too late", On: Port, Line: &Line{Late: beyond}},
	{Name: "garbage", On: Port, Line: &Line{Turns: scrambled}},
	{Name: "half lines", On: Port, Line: &Line{Turns: halved}},
	{Name: "echo", On: Port, Line: &Line{Echoes: true}},
	{Name: "answers shifted by one", On: Port, Line: &Line{Holds: true}},
	{Name: "answers twice", On: Port, Line: &Line{Turns: doubled}},
	{Name: "another channel's answers", On: Port, Line: &Line{Confuses: true}},
	{Name: "port gone and back", On: Port, Line: &Line{Gone: true, Deaf: true}, For: unplugged},
	{Name: "port gone", On: Port, Line: &Line{Gone: true, Deaf: true}, Hardware: cutsEither},

	{Name: "disk full", Disk: Full},
	{Name: "disk slow", Disk: Slow},
	{Name: "process stopped", Stops: stopped},
	{Name: "computer asleep", Sleeps: asleep, Hardware: keepsAwake},
	// Nothing to break: a run asks for the date before it begins, and never again.
	{Name: "clock stepped"},
}

func all(int64) bool          { return true }
func everyTenth(n int64) bool { return n%10 == 9 }

// scrambled leaves the ends of lines as they are, and turns all else into nonsense.
func scrambled(answer []byte) []byte {
	text := append([]byte(nil), answer...)
	for i, c := range text {
		if c >= ' ' {
			text[i] = byte('!' + (int(c)*7+i*13)%('~'-'!'))
		}
	}
	return text
}

func halved(answer []byte) []byte { return answer[:(len(answer)+1)/2] }

func doubled(answer []byte) []byte { return append(answer[:len(answer):len(answer)], answer...) }

// fallsOff has the specimen slide off the plate by itself.
func fallsOff(b *twin.Bench, _ string) error { return b.Move(b.World().Now(), "lift air") }

// places are the instruments of a rig at which a fault can happen: none for one that
// cannot, one without a name for one that happens elsewhere.
func (f *Fault) places(r *rig.Rig) (names []string) {
	for _, d := range r.Instruments {
		if f.On == Port || f.On == Plate && d.Profile.Kind == "hotplate" ||
			f.On == Switch && d.Switches != "" || (f.On == Meter || f.On == Film) && d.Profile.Kind == "source-meter" || f.On == Stage && d.Profile.Kind == "stage" {
			names = append(names, d.Name)
		}
	}
	if f.On == Program || f.On == Foil && hasFoil(r) {
		names = append(names, "")
	}
	return names
}

// hasFoil tells whether a channel comes from the thermometer on the foil.
func hasFoil(r *rig.Rig) bool {
	for i := range r.Channels {
		if isFoil(r, &r.Channels[i]) {
			return true
		}
	}
	return false
}

func isFoil(r *rig.Rig, c *rig.Channel) bool {
	return c.Quantity == "probe" || r.Instruments[c.Instrument].Profile.Kind == "thermometer" && c.Unit.Dim == inDegC
}
