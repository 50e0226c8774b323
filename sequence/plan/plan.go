// Package plan turns the text of a protocol into a checked, immutable plan: a small
// program with absolute numbers, and what is known of it before anything is sent.
// It reads no file, touches no instrument and executes nothing; whatever it cannot
// prove harmless it refuses, all mistakes in one pass.
package plan

import "dwell/safety"

// Version is the version of the plan's format. A plan of another version is
// executed by the rules of its own version or refused, never guessed at.
const Version = 2

// Plan is a checked protocol as a small program: absolute numbers in canonical
// units (SI; degC for temperatures; nanoseconds for times), counted loops, bounded
// waits. It is complete in itself: with the instrument profiles, which stand beside
// it in the run folder, it says everything that will be sent.
type Plan struct {
	Version    int          `json:"version"`
	Title      string       `json:"title"`
	Rig        string       `json:"rig"`
	Specimen   string       `json:"specimen"` // its id
	Seed       uint64       `json:"seed"`     // of shuffled orders
	Unattended bool         `json:"unattended"`
	Polled     []Polled     `json:"polled"`
	Rules      safety.Rules `json:"rules"`
	AtMostNs   int64        `json:"at_most_ns"`                // ceiling of the whole run
	OffBy      string       `json:"off_and_cool_by,omitempty"` // time of day, HH:MM local
	CoolDegC   float64      `json:"cool_degC"`                 // what counts as cool: safe to touch
	FlatSeen   *Seen        `json:"flat_seen_by,omitempty"`
	FlatRead   *FlatRead    `json:"flat_read,omitempty"`
	Actions    []Action     `json:"actions"`
	Summary    Summary      `json:"summary"`
}

// Polled is a channel that is read while the protocol runs. With EveryNs 0, in an
// action, it is not read from there on.
type Polled struct {
	Channel string `json:"channel"`
	EveryNs int64  `json:"every_ns"`
	StaleNs int64  `json:"stale_ns"`
}

// Summary is what is known before anything is sent.
type Summary struct {
	DurationNs   int64   `json:"duration_ns"` // without the cooling after the last step
	CoolingNs    int64   `json:"cooling_ns"`  // from the highest temperature until cool, whenever it is stopped
	HighestDegC  float64 `json:"highest_degC"`
	HighestAmps  float64 `json:"highest_A"`
	HighestVolts float64 `json:"highest_V"`
	HighestWatts float64 `json:"highest_W"` // in the specimen
	Readings     int64   `json:"readings"`
	Bytes        int64   `json:"bytes"` // of the run folder
	Heats        bool    `json:"heats"`
	NeedsPerson  bool    `json:"needs_person"`
	Gaps         []Gap   `json:"gaps,omitempty"`

	// Warnings are what is no mistake and will probably not go well, in words.
	Warnings []string `json:"warnings,omitempty"`

	Steps []Step `json:"steps"`

	Reactions []Reaction `json:"reactions"`
	// ActWithinNs is what the rig asks of each of them that stops or pauses; 0 if it asks nothing.
	ActWithinNs int64      `json:"act_within_ns,omitempty"`
	Measured    []Measured `json:"measured,omitempty"`
	StaysOn     []StaysOn  `json:"stays_on,omitempty"`
	Bends       []Bend     `json:"bends,omitempty"`
	Cover       *Cover     `json:"cover,omitempty"`
	Open        *Bend      `json:"open,omitempty"` // the shape between plates that stand open: what others are compared with is not flat there
}

// Seen is what reads a number when a strip lies flat, and the word for that.
type Seen struct {
	Channel string  `json:"channel"`
	Reads   float64 `json:"reads"`
	Word    string  `json:"word"`
}

// FlatRead is how the film is read where a stage holds it flat: what was last read there is
// kept, for a run that is taken up again.
type FlatRead struct {
	Channel     string  `json:"channel"`
	Thermometer string  `json:"thermometer,omitempty"` // beside it; "" for none
	PartPerK    float64 `json:"part_per_K,omitempty"`  // by which a kelvin changes it
	ForNs       int64   `json:"for_ns"`                // until it has been read again
}

// Reaction is how long a rule takes at worst from the moment at which what it forbids
// is so to the moment at which the bench is safe. What it must hold for is stated by
// the rule and stands apart.
type Reaction struct {
	Rule       string     `json:"rule"`
	From       string     `json:"from"`
	Of         safety.Ref `json:"of"`                    // the rule itself
	While      string     `json:"while,omitempty"`       // when it is armed; always, if empty
	Never      bool       `json:"never_armed,omitempty"` // no step brings that about
	Then       string     `json:"then"`
	HoldsNs    int64      `json:"holds_ns,omitempty"` // how long it must hold, or how far it looks back
	SamplingNs int64      `json:"sampling_ns"`        // from one reading to the next, twice for what must last
	InFlightNs int64      `json:"in_flight_ns"`       // another exchange on the same line, that comes to nothing
	LinkNs     int64      `json:"link_ns"`            // the exchange that brings the reading
	DecisionNs int64      `json:"decision_ns"`
	ActionNs   int64      `json:"action_ns"`             // until the last command has been obeyed
	TotalNs    int64      `json:"total_ns"`              // without HoldsNs
	PeakDegC   *float64   `json:"peak_degC,omitempty"`   // of a heater stuck at full power, HoldsNs and its dead time included
	LooserDegC *float64   `json:"looser_degC,omitempty"` // the next limit above this one
	LeewayNs   *int64     `json:"leeway_ns,omitempty"`   // by which full power must be off to stay below that
}

// Measured is what the reactions are worked out from for one instrument: what was
// measured on this rig, and when; 0 and "" for what was not, and is taken from the
// profile.
type Measured struct {
	Instrument   string `json:"instrument"`
	LongestNs    int64  `json:"longest_exchange_ns,omitempty"`
	LongestOn    string `json:"longest_exchange_on,omitempty"`
	Heats        bool   `json:"heats,omitempty"`
	IdentifiedOn string `json:"identified_on,omitempty"`
}

// StaysOn is an instrument that this plan switches on, and how long it stays on by
// itself when the computer loses its power: 0 for until somebody comes.
type StaysOn struct {
	Instrument string `json:"instrument"`
	What       string `json:"what"` // "heat" or "output"
	ForNs      int64  `json:"for_ns,omitempty"`
	By         string `json:"by,omitempty"` // the switch in its mains, if it has one
	// FullDegC is where a heater would end at full power, by what was measured on this rig;
	// 0 where it was not.
	FullDegC float64 `json:"full_degC,omitempty"`
}

// Gap is a planned pause in the readings of an instrument: a step uses it for
// something else. It is no silence.
type Gap struct {
	Line       int      `json:"line"`
	Channels   []string `json:"channels"`
	DurationNs int64    `json:"duration_ns"` // each time
}

// Op is what an action does.
type Op string

// The operations. Begin opens a step of the protocol; between two of them stands
// what the step does.
const (
	Begin   Op = "begin"   // Step, Role; a boundary at which a run can be resumed
	Set     Op = "set"     // Setpoints, in order
	Arrive  Op = "arrive"  // Channel within Within of Target, for DurationNs, at most AtMostNs
	Wait    Op = "wait"    // DurationNs
	Until   Op = "until"   // When, at most AtMostNs
	Ramp    Op = "ramp"    // Setpoints[0] from From to its value at RatePerS, renewed every EveryNs
	Sweep   Op = "sweep"   // Setpoints[0] through Values, DurationNs at each, then reading Channels
	Record  Op = "record"  // Polled: from here on these rates
	Mark    Op = "mark"    // Text
	Note    Op = "note"    // Text
	Person  Op = "person"  // Text: ask, and wait for an answer
	Place   Op = "place"   // the specimen onto the plate; By, T0
	Lift    Op = "lift"    // the specimen off the plate; To, By, T0
	Confirm Op = "confirm" // the specimen, before any heat
	Loop    Op = "loop"    // Count times what stands up to Again
	Again   Op = "again"   // back to the action at Jump

	Wrap  Op = "wrap"  // Text: a person lays the strip round the rod of diameter Target, or flat
	Life  Op = "life"  // from here to Over the specimen may fail: Channel in compliance, if Open, or When holds; then on at Jump
	Over  Op = "over"  // the end of what Life began
	Home  Op = "home"  // Setpoints, by which a stage finds its switch, within AtMostNs; Text to ask a person before, for DurationNs
	Move  Op = "move"  // Setpoints; Channel within Within of Target and Channels[0] still: after DurationNs, at most AtMostNs; ends Count cycles
	Cycle Op = "cycle" // Count times Setpoints[0], Setpoints[1], each time in DurationNs; from then on as Move. Text: the shapes of one. When it holds: on at Jump
)

// Action is one operation with its operands; which of them mean something stands
// beside each Op.
type Action struct {
	Op        Op         `json:"op"`
	Step      string     `json:"step"`           // path and name of the step: "5.2 bring"
	Line      int        `json:"line"`           // in protocol.yaml
	Role      string     `json:"role,omitempty"` // "conditioning" or "warm-up": kept out of hysteresis and repeatability; "check standard": none of the film
	Setpoints []Setpoint `json:"setpoints,omitempty"`

	Channel    string    `json:"channel,omitempty"`
	Target     float64   `json:"target,omitempty"`
	Within     float64   `json:"within,omitempty"`
	When       string    `json:"when,omitempty"` // an expression, in the words of the protocol with names resolved
	DurationNs int64     `json:"duration_ns,omitempty"`
	AtMostNs   int64     `json:"at_most_ns,omitempty"`
	GoOn       bool      `json:"go_on,omitempty"` // when AtMostNs is reached; otherwise that is a failure
	From       float64   `json:"from,omitempty"`
	RatePerS   float64   `json:"rate_per_s,omitempty"`
	EveryNs    int64     `json:"every_ns,omitempty"`
	Values     []float64 `json:"values,omitempty"`
	Channels   []string  `json:"channels,omitempty"`
	Polled     []Polled  `json:"polled,omitempty"`
	Text       string    `json:"text,omitempty"`
	By         string    `json:"by,omitempty"` // "person", or the instrument that moves the specimen
	To         string    `json:"to,omitempty"` // "air", "moving air" or "cold block"
	T0         string    `json:"t0,omitempty"` // "key", "contact" (When) or "onset" (Channel)
	Count      int64     `json:"count,omitempty"`
	Jump       int       `json:"jump,omitempty"`
	Open       bool      `json:"open,omitempty"`
	Confirm    *Check    `json:"confirm,omitempty"`
}

// Setpoint is one commanded quantity with its absolute value or state.
type Setpoint struct {
	Instrument string  `json:"instrument"`
	Quantity   string  `json:"quantity"`
	State      string  `json:"state,omitempty"`
	Value      float64 `json:"value"`
	Unit       string  `json:"unit,omitempty"` // canonical
}

// Check is what is made sure of the specimen before any heat: its id, and its
// resistance at a harmless current, the same in both directions.
type Check struct {
	Specimen   string  `json:"specimen"`
	Channel    string  `json:"channel"`    // the resistance
	LowOhm     float64 `json:"low_Ohm"`    //
	HighOhm    float64 `json:"high_Ohm"`   //
	Asymmetry  float64 `json:"asymmetry"`  // largest 2|R+ - R-|/(R+ + R-)
	Instrument string  `json:"instrument"` // the source-meter
	CurrentA   float64 `json:"current_A"`  // the harmless current
	LimitV     float64 `json:"compliance_V"`
}
