package safety

// The conditions that must never hold, as plain data: they stand in plan.json with
// absolute numbers in canonical units (SI; degC for temperatures), each with the
// place it was written at. What is merged from instrument profile, rig, specimen and
// protocol keeps the tightest of each.

// Limit is a level that a channel must not pass, and that no setpoint may ask for.
type Limit struct {
	Channel   string   `json:"channel"`
	Below     *float64 `json:"below,omitempty"` // the value must stay below this
	Above     *float64 `json:"above,omitempty"` // the value must stay above this
	LastingNs int64    `json:"lasting_ns,omitempty"`
	From      string   `json:"from"` // file:line:col, or the built-in's name
}

// Rate bounds how fast a channel may change, in its unit per second, either way.
type Rate struct {
	Channel  string  `json:"channel"`
	Below    float64 `json:"below_per_s"`
	WindowNs int64   `json:"window_ns"`
	From     string  `json:"from"`
}

// Interlock is an expression over channels that must not hold. Unknown counts as
// holding.
type Interlock struct {
	Name      string `json:"name,omitempty"` // of a built-in one: what it is that holds
	When      string `json:"when"`
	While     string `json:"while,omitempty"` // when it is armed; always, if empty
	LastingNs int64  `json:"lasting_ns,omitempty"`
	Then      string `json:"then"`            // "trip", "pause" or "warn"
	Pause     *Pause `json:"pause,omitempty"` // how to pause
	From      string `json:"from"`
	Source    string `json:"source,omitempty"` // of a built-in one's numbers
}

// What an interlock can be armed by.
const (
	OnPlate  = "specimen on plate" // as the steps have it
	Heating  = "heating"           // something was told to heat
	Sourcing = "sourcing"          // an output was switched on
	Homed    = "stage homed"       // a stage has found its switch: it knows where it is
)

// Arming are those words.
var Arming = []string{OnPlate, Heating, Sourcing, Homed}

// Pause is what is done while an interlock holds that pauses: the outputs are off,
// and a heater is held at a temperature, if one is named. The run goes on when the
// condition has not held for ClearNs, and trips when that has not come in AtMostNs.
type Pause struct {
	ClearNs  int64   `json:"clear_ns"`
	AtMostNs int64   `json:"at_most_ns"`
	Heater   string  `json:"heater,omitempty"`
	DegC     float64 `json:"degC,omitempty"`
}

// Stale is how long a polled channel may go without a good reading.
type Stale struct {
	Channel string `json:"channel"`
	EveryNs int64  `json:"every_ns"`
	AfterNs int64  `json:"after_ns"`
}

// Compliance is how long a source-meter may be in compliance.
type Compliance struct {
	Instrument string `json:"instrument"`
	LastingNs  int64  `json:"lasting_ns"`
	From       string `json:"from"`
}

// HeatsNot is a heater that was told to heat and does not warm: while the set
// temperature is more than AboveK above the reading, the reading must gain ByK on its
// lowest value within WithinNs, again and again.
type HeatsNot struct {
	Instrument string  `json:"instrument"`
	Channel    string  `json:"channel"`
	AboveK     float64 `json:"above_K"`
	ByK        float64 `json:"by_K"`
	WithinNs   int64   `json:"within_ns"`
	From       string  `json:"from"`
	Source     string  `json:"source"`
}

// KeepsWarming is a heater that warms though it was told to stop, or to hold a lower
// temperature: the reading must not rise more than OvershootK above the set
// temperature or above the lowest reading since, whichever is higher. The lowest
// reading is let rise by DriftKPerS, as a room warms in the morning.
type KeepsWarming struct {
	Instrument string  `json:"instrument"`
	Channel    string  `json:"channel"`
	OvershootK float64 `json:"overshoot_K"`
	DriftKPerS float64 `json:"drift_K_per_s"`
	From       string  `json:"from"`
	Source     string  `json:"source"`
}

// Frozen is a reading that stays exactly the same though a change is due: by its own
// noise (Readings); because what it Follows has moved by more than MovedBy; because the
// Heater it shows was told to be warmer by more than BehindBy or colder by more than
// MovedBy, or by more than SeenBy where it was that cold before; or because what lies on the heater (Below) is warmer than it by more than
// MovedBy. A reading that rests where nothing moves is not frozen.
type Frozen struct {
	Channel  string  `json:"channel"`
	Readings int64   `json:"readings,omitempty"`
	Follows  string  `json:"follows,omitempty"`
	Below    string  `json:"below,omitempty"`
	Heater   string  `json:"heater,omitempty"`
	Lowest   float64 `json:"lowest_degC,omitempty"` // that Heater ever cools to
	BehindBy float64 `json:"behind_by,omitempty"`
	MovedBy  float64 `json:"moved_by,omitempty"`
	SeenBy   float64 `json:"seen_by,omitempty"`
	AfterNs  int64   `json:"after_ns"`
	While    string  `json:"while,omitempty"`
	From     string  `json:"from"`
	Source   string  `json:"source"`
}

// Energy is the most that may be put into the specimen over the whole run. It is
// added up from readings of Power, or of Voltage and Current.
type Energy struct {
	Power   string  `json:"power,omitempty"`
	Voltage string  `json:"voltage,omitempty"`
	Current string  `json:"current,omitempty"`
	BelowJ  float64 `json:"below_J"`
	From    string  `json:"from"`
}

// Drives is a source that puts out the level it was told: while its output is on and it
// is not in compliance, the reading of what it drives must be as near to the level as it
// can be (Within).
type Drives struct {
	Instrument string     `json:"instrument"`
	Quantity   string     `json:"quantity"` // what is commanded: "current" or "voltage"
	Channel    string     `json:"channel"`  // what reads that
	Within     []Nearness `json:"within"`   // the narrowest range first
	LastingNs  int64      `json:"lasting_ns"`
	From       string     `json:"from"`
	Source     string     `json:"source"`
}

// Nearness is how far a reading may be from a level up to UpTo, either way round: by a
// part of the level and by so much. With UpTo 0 it is for any level.
type Nearness struct {
	UpTo float64 `json:"up_to,omitempty"`
	Of   float64 `json:"of"`
	By   float64 `json:"by"`
}

// Watched is an instrument that is asked after its health, and what must not be
// found then (see rig.Finding).
type Watched struct {
	Instrument string `json:"instrument"`
	For        string `json:"for"`
	EveryNs    int64  `json:"every_ns"`
	From       string `json:"from"`
}

// Rules is everything the gate holds a run to.
type Rules struct {
	Limits       []Limit        `json:"limits"`
	Rates        []Rate         `json:"rates,omitempty"`
	Interlocks   []Interlock    `json:"interlocks,omitempty"`
	Stale        []Stale        `json:"stale"`
	Compliance   []Compliance   `json:"compliance,omitempty"`
	HeatsNot     []HeatsNot     `json:"heats_not,omitempty"`
	KeepsWarming []KeepsWarming `json:"keeps_warming,omitempty"`
	Frozen       []Frozen       `json:"frozen,omitempty"`
	Energy       []Energy       `json:"energy,omitempty"`
	Drives       []Drives       `json:"drives,omitempty"`
	Watched      []Watched      `json:"watched,omitempty"`
}
