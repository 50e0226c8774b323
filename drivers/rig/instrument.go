package rig

import (
	"errors"
	"fmt"
	"strings"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/convert"
	"dwell/drivers/dialect"
	"dwell/drivers/wire"
)

// Bench is a rig whose instruments are open.
type Bench struct {
	Rig         *Rig
	Instruments []*Instrument // as in Rig.Instruments
	locks       []*wire.Lock
	contested   bool // a port is in somebody else's hands
}

// Opening is what opening a bench needs beside the rig.
type Opening struct {
	Attach  func(d Description) (wire.Device, error) // the device of a virtual instrument
	Records map[string]*wire.Recorded                // by instrument: what is carried once more instead, in virtual time
	Tap     func(*wire.Exchange)                     // is shown every exchange; may be nil
	Owner   string                                   // left in the locks of the ports: how to reach who has them
	Held    *Held                                    // those locks, if the caller has them already, and keeps them
}

// Held is the locks of all ports of a rig, in the hands of somebody who has something to
// settle before a bench is opened, or opens several.
type Held struct{ locks map[string]*wire.Lock }

// Hold locks all real ports of a rig, or none.
func Hold(r *Rig, owner string) (*Held, error) {
	h := &Held{locks: map[string]*wire.Lock{}}
	for _, d := range r.Instruments {
		if d.Address.Kind == wire.Twin {
			continue
		}
		lock, err := wire.Take(d.Address.Key(), owner)
		if err != nil {
			return nil, errors.Join(fmt.Errorf("%s: %w", d.Name, err), h.Give())
		}
		h.locks[d.Address.Key()] = lock
	}
	return h, nil
}

// Own leaves another word of who has the locks, and how to reach them.
func (h *Held) Own(owner string) error {
	var all error
	for _, lock := range h.locks {
		all = errors.Join(all, lock.Own(owner))
	}
	return all
}

// Own does so with the locks of an opened bench.
func (b *Bench) Own(owner string) error {
	var all error
	for _, lock := range b.locks {
		all = errors.Join(all, lock.Own(owner))
	}
	return all
}

// Give gives the locks up.
func (h *Held) Give() error {
	var all error
	for _, lock := range h.locks {
		all = errors.Join(all, lock.Give())
	}
	return all
}

// Instrument is one opened instrument. Between Begin (or Seize) and End its port is
// the caller's, and only then may anything else be called.
type Instrument struct {
	about Description
	p     *Profile
	clock clock.Clock
	port  *wire.Port
	open  func(by clock.Instant) (*wire.Port, error)
	judge drivers.Judge
	letGo func() // of one that was opened to be made safe
	done  bool   // nothing more is wanted of it
	// provoked is what the next look at its health must find, for a proof test; "" for nothing.
	provoked string
	// doubted: its link was opened again, and who is there has not been asked since.
	doubted bool

	memory    Memory
	outputs   [][]output // by query: where its values go
	worst     []clock.Instant
	values    []float64 // of the last answer
	flags     []drivers.Flag
	complaint error

	first      []float64 // of a reversal: the values before the level was turned
	firstFlags []drivers.Flag
	filled     [][]byte // one command with its value
}

// output is one channel that a query feeds.
type output struct {
	channel, field int
	conversion     *convert.Conversion
}

// Memory is what a driver knows of the instrument from what it has set: plain data,
// so that a run can be put down and taken up again.
type Memory struct {
	Known   []Known       // by set quantity
	Who     string        // what it said of itself when it was last identified, "" before
	Armed   bool          // the watchdog runs
	FedAt   clock.Instant // when it was last fed
	Settled clock.Instant // when the level will have settled after it was turned round
	Free    clock.Instant // when the last exchange ended
}

// Known is the state or value that a quantity has, if it is known.
type Known struct {
	Is    bool
	State int
	Value float64
}

// Open opens all ports, after it has locked them all. Instruments on the port twin,
// and in virtual time every instrument, are attached to virtual devices instead:
// nothing real is touched in virtual time. Without a judge nothing can be applied.
func Open(c clock.Clock, r *Rig, judge drivers.Judge, o Opening, by clock.Instant) (*Bench, error) {
	b := &Bench{Rig: r}
	_, virtual := c.(*clock.World)
	for _, d := range r.Instruments {
		if virtual || d.Address.Kind == wire.Twin {
			continue
		}
		if o.Held != nil {
			if err := o.Held.locks[d.Address.Key()].Own(o.Owner); err != nil {
				return nil, fmt.Errorf("%s: %w", d.Name, err)
			}
			continue
		}
		lock, err := wire.Take(d.Address.Key(), o.Owner)
		if err != nil {
			return nil, errors.Join(fmt.Errorf("%s: %w", d.Name, err), b.Close())
		}
		b.locks = append(b.locks, lock)
	}
	for k, d := range r.Instruments {
		i := newInstrument(c, r, k, judge)
		i.open = func(by clock.Instant) (*wire.Port, error) { return wire.Open(c, d.Name, d.Address, d.Profile.Line, by) }
		if record := o.Records[d.Name]; record != nil && virtual {
			i.open = func(clock.Instant) (*wire.Port, error) { return record.Port(c, d.Name, d.Profile.Line), nil }
		} else if virtual || d.Address.Kind == wire.Twin {
			device, err := attached(d, o)
			if err != nil {
				return nil, errors.Join(err, b.Close())
			}
			i.open = func(clock.Instant) (*wire.Port, error) { return wire.Attach(c, d.Name, device, d.Profile.Line), nil }
		}
		if o.Tap != nil {
			i.open = tapped(i.open, o.Tap)
		}
		var err error
		if i.port, err = i.open(by); err != nil {
			return nil, errors.Join(err, b.Close())
		}
		i.port.SetFooting(i.footing())
		b.Instruments = append(b.Instruments, i)
	}
	return b, nil
}

func attached(d Description, o Opening) (wire.Device, error) {
	if o.Attach == nil {
		return nil, fmt.Errorf("%s: there is no virtual bench to attach it to", d.Name)
	}
	device, err := o.Attach(d)
	if err == nil && device == nil {
		err = errors.New("the virtual bench has no such instrument")
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", d.Name, err)
	}
	return device, nil
}

func tapped(open func(clock.Instant) (*wire.Port, error), tap func(*wire.Exchange)) func(clock.Instant) (*wire.Port, error) {
	return func(by clock.Instant) (*wire.Port, error) {
		p, err := open(by)
		if err == nil {
			p.Tap(tap)
		}
		return p, err
	}
}

func newInstrument(c clock.Clock, r *Rig, k int, judge drivers.Judge) *Instrument {
	d := r.Instruments[k]
	i := &Instrument{about: d, p: d.Profile, clock: c, judge: judge, outputs: make([][]output, len(d.Profile.Queries)),
		worst: make([]clock.Instant, len(d.Profile.Queries))}
	most := 0
	for _, q := range i.p.Queries {
		most = max(most, len(q.Fields))
	}
	i.values, i.flags, i.filled = make([]float64, most), make([]drivers.Flag, most), make([][]byte, 1)
	i.first, i.firstFlags = make([]float64, most), make([]drivers.Flag, most)
	for n, ch := range r.Channels {
		if ch.Instrument == k {
			i.outputs[ch.Query] = append(i.outputs[ch.Query], output{n, ch.Field, ch.conversion})
		}
	}
	i.forget()
	return i
}

// The set quantities by which an instrument heats, sources and moves.
const (
	heat    = "heat"
	sources = "output"
	travels = "position"
)

// Heats tells whether the instrument can heat, told to or not: nothing but its
// temperature shows that it does not.
func (i *Instrument) Heats() bool {
	k := i.p.Set(heat)
	return k >= 0 && len(i.p.Sets[k].Energises) > 0
}

// Profile is how the instrument is talked to.
func (i *Instrument) Profile() *Profile { return i.p }

// Close closes all ports and gives up their locks.
func (b *Bench) Close() error {
	var all []error
	for _, i := range b.Instruments {
		all = append(all, i.Close())
	}
	for _, l := range b.locks {
		all = append(all, l.Give())
	}
	b.locks = nil
	return errors.Join(all...)
}

// Close closes the port.
func (i *Instrument) Close() error { return i.port.Close() }

// Name is the instrument's name in the rig.
func (i *Instrument) Name() string { return i.about.Name }

// Begin waits for the port and keeps it until End.
func (i *Instrument) Begin(by clock.Instant) error {
	return i.take(func(p *wire.Port) error { return p.Begin(by) })
}

// Seize takes the port ahead of everybody, for Safe.
func (i *Instrument) Seize(by clock.Instant) error {
	return i.take(func(p *wire.Port) error { return p.Seize(by) })
}

// take waits for the port, and again if it was replaced by a new one meanwhile.
func (i *Instrument) take(wait func(*wire.Port) error) error {
	for {
		p := i.port
		if err := wait(p); err != nil {
			return err
		}
		if p == i.port {
			return nil
		}
		p.End()
	}
}

// End gives the port to the next.
func (i *Instrument) End() { i.port.End() }

// Lost is the error that ended the link, nil while it stands.
func (i *Instrument) Lost() error { return i.port.Lost() }

// Save is what the driver knows, for going on later.
func (i *Instrument) Save() Memory {
	m := i.memory
	m.Known = append([]Known(nil), m.Known...)
	m.Free = i.port.Free()
	return m
}

// Restore goes on from what was saved.
func (i *Instrument) Restore(m Memory) {
	i.port.Rest(m.Free)
	i.memory = m
	i.memory = i.Save()
	i.retime()
}

// forget is knowing nothing of the instrument any more but who it is.
func (i *Instrument) forget() {
	i.memory = Memory{Who: i.memory.Who, Known: make([]Known, len(i.p.Sets))}
	i.retime()
}

// settings are what is known of what the time of a reading depends on; what is not
// known is taken as after Prepare.
func (i *Instrument) settings() Settings {
	s := i.p.Defaults()
	if k := i.p.Set("integration"); k >= 0 && i.memory.Known[k].Is {
		s.LineCycles = i.memory.Known[k].Value
	}
	s.Reverse = i.reversing()
	return s
}

// retime works out how long each query takes with the present settings.
func (i *Instrument) retime() {
	s := i.settings()
	for q := range i.worst {
		_, i.worst[q] = i.p.QueryTime(q, s)
	}
}

// Worst is how long a query can take with the present settings.
func (i *Instrument) Worst(query int) clock.Instant { return i.worst[query] }

// holds tells whether a quantity is known to have a state.
func (i *Instrument) holds(c *Condition) bool {
	k := i.memory.Known[c.Set]
	return k.Is && k.State == c.State
}

// footing is how the port makes sure that the next answer belongs to the next
// question.
func (i *Instrument) footing() wire.Footing {
	f := i.p.Footing
	return wire.Footing{Clear: f.Clear, Question: f.Ask.Ask, End: framing(f.Ask.Style), Quiet: f.Quiet, Latest: f.Latest,
		Answer: func(reply []byte) bool { return f.Ask.recognises(reply) }}
}

// margin is what is added to the longest time of the instrument and the line: what
// a busy PC and a USB adapter can take. A rule of thumb, no source.
const margin = 100 * clock.Millisecond

// patience is how long to wait for the answer to a question that is not a reading.
func (i *Instrument) patience(request []byte) clock.Instant {
	return i.p.Worst + i.p.Line.Pause + i.p.characters(len(request)+longestAnswer) + margin
}

// longestAnswer is the length of an error with its text, the longest answer to any
// question here, in characters.
const longestAnswer = 80

// ask asks a question that changes nothing. When no answer came it asks once more,
// as long as there is time; the port makes sure that an answer to the first is not
// taken for one to the second.
func (i *Instrument) ask(request []byte, patience, by clock.Instant) (*wire.Exchange, error) {
	return i.asked(request, dialect.Line, patience, by)
}

func (i *Instrument) asked(request []byte, end wire.Framing, patience, by clock.Instant) (*wire.Exchange, error) {
	x, err := i.port.Exchange(request, end, min(by, i.clock.Now().After(patience)))
	if unanswered(err) && i.clock.Now().After(patience) <= by {
		x, err = i.port.Exchange(request, end, by)
	}
	return x, err
}

// unanswered tells whether an exchange failed for want of an answer, over a link
// that stands.
func unanswered(err error) bool {
	if err == nil {
		return false
	}
	var e *wire.Error
	return errors.As(err, &e) && e.Ended == wire.NoAnswer
}

// value asks a question and returns the text of the value in its answer, which is
// good until the next exchange.
func (i *Instrument) value(q *Question, takes, by clock.Instant) ([]byte, *wire.Exchange, error) {
	x, err := i.asked(q.Ask, framing(q.Style), takes+i.patience(q.Ask), by)
	if err != nil {
		return nil, x, err
	}
	text, err := q.content(x.Reply)
	if err != nil {
		return nil, x, i.bad(x, err)
	}
	return text, x, nil
}

// content is the text of the value in a reply, whatever stands round it.
func (q *Question) content(reply []byte) ([]byte, error) {
	switch q.Style {
	case ValueAndChannel:
		return dialect.ValueAndChannel(reply, q.Channel)
	case EchoAndValue:
		return dialect.EchoAndValue(reply, q.Ask)
	case OneValue:
		return dialect.OneValue(reply)
	case StatusReport:
		report, ok := dialect.ParseReport(reply)
		if !ok {
			return nil, dialect.ErrFields
		}
		return report.State, nil
	}
	return dialect.Trim(reply), nil
}

// bad is an answer that is none.
func (i *Instrument) bad(x *wire.Exchange, why error) error {
	return fmt.Errorf("%s: asked %q, answered %q: %w", i.port, x.Request, x.Reply, why)
}

// Identify asks who is there, and compares with the profile.
func (i *Instrument) Identify(by clock.Instant) (string, error) {
	who, err := i.identity(by)
	if err == nil {
		i.memory.Who = who
	}
	return who, err
}

// identity asks who is there. What is left over from somebody else's conversation is
// asked about once more.
func (i *Instrument) identity(by clock.Instant) (string, error) {
	who := &i.p.Identity
	for try := 0; ; try++ {
		x, err := i.asked(who.Ask, framing(who.Style), i.patience(who.Ask), by)
		if err != nil {
			return "", err
		}
		if _, four := dialect.ParseIDN(x.Reply); who.recognises(x.Reply) && (four || i.p.Dialect != "scpi") {
			if who.Style == Acknowledge { // it says so in several lines
				return strings.Join(strings.Fields(string(x.Reply)), " "), nil
			}
			return string(dialect.Trim(x.Reply)), nil
		}
		if try > 0 {
			return "", i.bad(x, fmt.Errorf("that is no instrument of the profile %s, which answers like %q", i.p.Name, who.Pattern))
		}
		if err := i.clock.Sleep(min(by, i.clock.Now().After(i.p.Footing.Quiet))); err != nil {
			return "", err
		}
	}
}

// recognises tells whether a reply is what the instrument says of itself. A number
// never is, nor a word that answers a command.
func (who *Identity) recognises(reply []byte) bool {
	text := string(dialect.Trim(reply))
	if text == "" || !like(who.Pattern, text) {
		return false
	}
	var refused *dialect.Refused
	if err := dialect.OK(reply); err == nil || errors.As(err, &refused) {
		return false
	}
	first, _, _ := strings.Cut(text, ",")
	first, _, _ = strings.Cut(first, " ")
	_, number := dialect.Number([]byte(first))
	return !number
}

// like compares a text with a pattern in which * stands for any text. Letter case
// does not matter.
func like(pattern, text string) bool {
	parts := strings.Split(strings.ToLower(pattern), "*")
	text = strings.ToLower(text)
	last := len(parts) - 1
	if last == 0 {
		return text == parts[0]
	}
	if !strings.HasPrefix(text, parts[0]) {
		return false
	}
	text = text[len(parts[0]):]
	for _, part := range parts[1:last] {
		i := strings.Index(text, part)
		if i < 0 {
			return false
		}
		text = text[i+len(part):]
	}
	return strings.HasSuffix(text, parts[last])
}
