// Package rig turns files into a bench: instrument profiles, which say how to talk
// to a kind of instrument, and rig.yaml, which says which instruments stand on this
// bench, how they are wired and what must never be exceeded. It opens the
// instruments on their ports and drives them by their profiles.
//
// Every word that is sent to an instrument is data, in a profile; this room knows
// what a word is for and how to make sure of its effect. One function (change, in
// apply.go) sends what changes the world, and asks the judge first; making safe
// alone asks nobody. After each change the instrument's error queue is read, or the
// value read back.
//
// It must never send a changing command twice because its answer was lost, never
// take the answer to another question for a value, and never report a safe state
// without evidence that came back from the instrument.
package rig

import (
	"embed"
	"math"
	"slices"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/quantity"
	"dwell/drivers/wire"
	"dwell/drivers/yamltext"
)

// Profile is how to talk to one kind of instrument. What it holds of bytes is ready
// to be sent, with its terminator.
type Profile struct {
	Name    string
	Kind    string // of the instrument, one of kinds
	Dialect string // "scpi", "namur" or "gcode"
	Twin    string // which firmware of the twin answers; "" for none
	Line    wire.Line
	LineHz  float64 // frequency of the mains, of which integration times are multiples

	Identity   Identity
	Footing    Footing
	Prepare    [][]byte
	Prepared   clock.Instant  // until it can be talked to after that
	AtOnce     string         // bytes that are a command each, obeyed ahead of everything and not acknowledged
	FullSpeed  clock.Instant  // until a stage moves at the highest speed that can be set
	Ahead      int            // commands that it takes before the first of them is carried out
	Refusals   map[int]string // what the codes mean with which it refuses a command
	Alarms     map[int]string // and those with which it locks itself
	Answer     Style          // to a command
	Typical    clock.Instant
	Worst      clock.Instant // the instrument's own time for an answer, without the line
	Errors     *ErrorQueue
	Sets       []Commanded // in the order in which they are sent
	Queries    []Query
	Watch      Watch
	Safe       []SafeAction
	Watchdog   *Watchdog
	Heating    *Heating
	Accuracies []Accuracy
	Limits     []Limit // on measured quantities: Channel holds the quantity

	Text []byte // the file
	Doc  *yamltext.Document
}

// kinds are the kinds of instrument, with the quantities that others rely on.
var kinds = []struct {
	name           string
	measures, sets []string
}{
	{"hotplate", []string{"temperature"}, []string{"heat", "temperature"}},
	{"bath", []string{"temperature"}, []string{"heat", "temperature"}},
	{"source-meter", []string{"voltage", "current", "resistance", "power"}, []string{"function", "compliance", "current", "output"}},
	{"thermometer", nil, nil},
	{"lift", nil, []string{"place"}},
	{mainsSwitch, []string{"mains"}, []string{"mains"}},
	{"stage", []string{"position", "motion"}, []string{"reference", "speed", "position"}},
}

// mainsSwitch is the kind that cuts another instrument's mains.
const mainsSwitch = "mains-switch"

// Style is how an instrument answers.
type Style uint8

// The styles of answers, in the words of a profile.
const (
	Silence         Style = iota // nothing comes
	OneValue                     // 25.3
	ListOfValues                 // +1.0E-01,+1.0E-05,+8.0E+00
	ValueAndChannel              // 25.3 2
	EchoAndValue                 // IN_PV_1 25.3
	Echo                         // START_1
	Okay                         // OK, or ERR_n
	AnyText                      // whatever it calls itself
	Acknowledge                  // ok, or error:n: it is queued
	StatusReport                 // <Idle|MPos:1.000>
)

var styleWords = []string{"none", "value", "list", "value and channel", "echo and value", "echo", "ok", "text", "acknowledged", "report"}

func (s Style) String() string { return styleWords[s] }

// Question is something asked that changes nothing.
type Question struct {
	Ask     []byte
	Style   Style
	Channel int // that the answer must repeat
}

// Identity is how to find out which instrument answers.
type Identity struct {
	Question
	Pattern string // * stands for any text
}

// Footing is how to make sure that the next answer belongs to the next question.
type Footing struct {
	Clear  []byte // ends a half line
	Ask    Identity
	Quiet  clock.Instant
	Latest clock.Instant // after it was asked, its answer does not come any more; 0 for what is usual
}

// ErrorQueue is where the instrument keeps what it could not do.
type ErrorQueue struct {
	Ask     []byte
	Most    int    // entries, at least as many as the queue can hold
	Refused []byte // a command that it does not know, and that changes nothing; nil for none
}

// Condition is that a commanded quantity has a state.
type Condition struct{ Set, State int }

// Commanded is one quantity that can be commanded: a value with a unit, or states.
type Commanded struct {
	Quantity string
	Unit     quantity.Unit // of a value, as the instrument takes it
	States   []string      // otherwise
	Send     [][][]byte    // by state; one command with a gap for a value
	Format   NumberFormat
	Reads    [][]string // by state: what the question back answers
	Kept     bool       // by dwell itself: nothing is sent

	Back  *ReadBack
	After clock.Instant // from the command to the question back
	Takes clock.Instant // the command itself, before it is answered, beside the instrument's usual time

	Least, Most  float64 // of the instrument itself
	HasDefault   bool
	DefaultValue float64 // after Prepare
	DefaultState int
	Bounds       string   // the measured quantity whose limits bound it
	Energises    []string // states that put energy into the world
	Moves        bool     // any value does

	While       *Condition // it can only be set then
	ChangesOnly *Condition // it can only be changed then
	Upsets      []int      // settings that are not known any more after it
	Reversible  bool       // the level that is turned round for a reversal
}

// NumberFormat is how a number is written: with so many decimals, or in E-notation.
type NumberFormat struct {
	Scientific bool
	Decimals   int
}

// ReadBack is the question that shows whether a command arrived.
type ReadBack struct {
	Question
	Absolute float64 // what the answer may differ
	Relative float64 // and in parts of the value
}

// Query is one exchange that brings one or more quantities.
type Query struct {
	Name string
	Question
	By       int      // index of the set quantity whose state chooses the question, or -1
	Asks     [][]byte // then, by state
	Needs    *Condition
	Fields   []Field // in the order of the answer, then those that are computed
	Answered int     // how many stand in the answer
	BaseNs   int64   // the instrument's own time, typically
	WorstNs  int64
	Periods  int // integrations in one answer
	Reversal *Reversal
}

// Reversal says that a query can be made with the level both ways round.
type Reversal struct{ Settle clock.Instant }

// Field is one value of an answer, or one computed from two of them.
type Field struct {
	Quantity string        // "" for a status word
	Unit     quantity.Unit // as the instrument answers
	Display  float64       // the smallest step that can be seen
	NoProbe  *float64      // what it answers when the probe is missing
	Lowest   float64       // outside these the probe is missing
	Highest  float64
	Bits     []FlagBit
	States   []string   // what its numbers 0, 1, … mean, where it is answered in words
	Words    [][]string // those words, in the instrument's own language
	Key      string     // in a report: which field of it
	Place    int        // and which of its values, from 1
	Restless bool       // its noise is above Display: at work it never stands still for long
	Age      Age
	Op       byte // '/' or '*' between fields A and B; 0 for a value of the answer
	A, B     int
}

// Age is why a value is older than the exchange that brings it, where the instrument
// measures on its own and hands out what it has.
type Age struct {
	Updates  clock.Instant // between new values: one that is asked for may be as old as that
	Averages clock.Instant // over which a value is a mean, up to its moment
	Filter   clock.Instant // time constant of a first-order filter
}

// FlagBit is a bit of a status word that says what the whole answer is worth.
type FlagBit struct {
	Bit  int
	Flag drivers.Flag
}

// Watch is how to see that somebody else changed the instrument.
type Watch struct {
	Checks   []Check
	Settings []int // sets that are read back
}

// Check is a question and the answers that are wrong.
type Check struct {
	Question
	Bits   []Wrong // by number of the bit
	Values []Wrong
	Words  []WrongWord
	While  *Condition // otherwise nothing is wrong; nil for always
	Resets []int      // of these numbers, which ones say that the instrument was reset
}

// WrongWord is an answer in words that must not come, and what it means.
type WrongWord struct{ Word, Text string }

// Wrong is a bit or a value that must not be answered, and what it means.
type Wrong struct {
	Number int
	Text   string
}

// SafeAction is one thing done to make the instrument safe, and how that shows.
type SafeAction struct {
	Send   [][]byte
	After  clock.Instant // until it can be seen, or the next thing done
	Back   *Question     // nil when nothing can be asked
	Expect []string
	Within float64
	Grade  drivers.Grade
}

// Watchdog switches the instrument off by itself when it is not fed.
type Watchdog struct {
	Arm, Feed, Disarm Order
	TripsAfter        clock.Instant
	FeedEvery         clock.Instant
}

// Order is a command with its answer.
type Order struct {
	Send   []byte
	Style  Style
	Expect string
}

// Heating is how fast the instrument heats and how slowly it cools: what the
// duration of a protocol is worked out from.
type Heating struct {
	RateKPerS float64
	DeadS     float64
	ApproachS float64 // time constant of the last few kelvin, as its controller has it; 0 if not known
	CoolingS  float64 // time constant towards ambient, without active cooling
}

// Accuracy is what the maker promises of a measured quantity, up to a range.
type Accuracy struct {
	Quantity   string
	UpTo       float64 // of the range; +Inf when it has but one
	OfReading  float64
	OfRange    float64
	Plus       float64 // in the unit of the quantity
	Resolution float64
}

// Settings are what the time of a measurement depends on.
type Settings struct {
	LineCycles float64 // of integration
	Reverse    bool
}

// Defaults are the settings after Prepare.
func (p *Profile) Defaults() Settings {
	var s Settings
	if i := p.Find("integration", quantity.Dimension{}); i >= 0 {
		s.LineCycles = p.Sets[i].DefaultValue
	}
	return s
}

// Find is the place in Sets of a quantity, or -1. A quantity that exists in two
// dimensions, such as a compliance in V and in A, is found by its dimension; states
// have none.
func (p *Profile) Find(name string, dim quantity.Dimension) int {
	return slices.IndexFunc(p.Sets, func(c Commanded) bool {
		return c.Unit.Dim == dim && (c.Quantity == name || c.Quantity == wordOf(dim)+" "+name)
	})
}

// wordOf is the word before the name of a quantity's second dimension.
func wordOf(dim quantity.Dimension) string {
	if dim == inAmpere {
		return "current"
	}
	return dim.String()
}

// Set is the place in Sets of a quantity by its exact name, or -1.
func (p *Profile) Set(name string) int {
	return slices.IndexFunc(p.Sets, func(c Commanded) bool { return c.Quantity == name })
}

// Measured finds a measured quantity: its query and its field.
func (p *Profile) Measured(name string) (query, field int, ok bool) {
	for q := range p.Queries {
		for f := range p.Queries[q].Fields {
			if p.Queries[q].Fields[f].Quantity == name {
				return q, f, true
			}
		}
	}
	return 0, 0, false
}

// BoundedBy is the measured quantity whose limits bound a commanded one.
func (p *Profile) BoundedBy(name string) string {
	if i := p.Set(name); i >= 0 {
		return p.Sets[i].Bounds
	}
	return ""
}

// State is the place of a state's name, or -1.
func (c *Commanded) State(name string) int { return slices.Index(c.States, name) }

// QueryTime is how long a query takes with these settings: the instrument, and the
// line at its baud.
func (p *Profile) QueryTime(query int, s Settings) (typical, worst clock.Instant) {
	q := &p.Queries[query]
	own := clock.Instant(0)
	if q.Periods > 0 && s.LineCycles > 0 {
		own = clock.Instant(math.Ceil(float64(q.Periods) * s.LineCycles / p.LineHz * 1e9))
	}
	longest := q.Ask
	for _, ask := range q.Asks {
		if len(ask) > len(longest) {
			longest = ask
		}
	}
	line := p.characters(len(longest)+q.answerLength()) + p.Line.Pause
	typical, worst = clock.Instant(q.BaseNs)+own+line, clock.Instant(q.WorstNs)+own+line
	if s.Reverse && q.Reversal != nil {
		// A second reading, and the level turned round and back.
		turn := p.characters(mostCommand) + p.Line.Pause
		typical += typical + 2*turn + q.Reversal.Settle
		worst += worst + 2*turn + 2*q.Reversal.Settle
	}
	return typical, worst
}

// mostCommand is the length of a command that sets a level, and perNumber of one
// number in an answer (+1.000012E-01, and what separates it), in characters.
const (
	mostCommand = 32
	perNumber   = 14

	longestReport = 100 // with all fields that stages send now and then
)

func (q *Query) answerLength() int {
	if q.Style == StatusReport {
		return longestReport
	}
	n := q.Answered*perNumber + 2
	if q.Style == EchoAndValue {
		n += len(q.Ask)
	}
	return n
}

// characters is how long so many take on the line: start, data, parity, stop bits.
func (p *Profile) characters(n int) clock.Instant {
	if p.Line.Baud == 0 {
		return 0
	}
	bits := 1 + p.Line.DataBits + p.Line.StopBits
	if p.Line.Parity != wire.NoParity {
		bits++
	}
	return clock.Instant(n*bits) * clock.Second / clock.Instant(p.Line.Baud)
}

//go:embed profiles/*.yaml
var embedded embed.FS

// Embedded lists the profiles that come with dwell.
func Embedded() []string {
	entries, _ := embedded.ReadDir("profiles")
	var names []string
	for _, e := range entries {
		names = append(names, e.Name()[:len(e.Name())-len(".yaml")])
	}
	return names
}

// EmbeddedProfile is the text of one of them.
func EmbeddedProfile(name string) ([]byte, bool) {
	text, err := embedded.ReadFile("profiles/" + name + ".yaml")
	return text, err == nil
}
