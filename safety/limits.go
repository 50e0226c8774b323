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
	When      string `json:"when"`
	LastingNs int64  `json:"lasting_ns,omitempty"`
	Then      string `json:"then"` // "trip" or "warn"
	From      string `json:"from"`
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

// Rules is everything the gate holds a run to.
type Rules struct {
	Limits     []Limit      `json:"limits"`
	Rates      []Rate       `json:"rates,omitempty"`
	Interlocks []Interlock  `json:"interlocks,omitempty"`
	Stale      []Stale      `json:"stale"`
	Compliance []Compliance `json:"compliance,omitempty"`
}
