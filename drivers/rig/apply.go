package rig

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/dialect"
	"dwell/drivers/quantity"
	"dwell/drivers/wire"
	"dwell/drivers/yamltext"
)

// change is the one place that sends what changes the world, and it never sends
// anything twice. A command whose answer did not come may have been carried out.
func (i *Instrument) change(send [][]byte, takes, by clock.Instant) error {
	for _, words := range send {
		if err := i.tell(words, i.p.Answer, "", min(by, i.clock.Now().After(takes+i.patience(words)))); err != nil {
			return err
		}
	}
	return nil
}

// tell sends one command and checks its answer, if one is due.
func (i *Instrument) tell(words []byte, style Style, expect string, by clock.Instant) error {
	if i.atOnce(words) {
		style = Silence
	}
	end := framing(style)
	x, err := i.port.Exchange(words, end, by)
	if err != nil {
		return err
	}
	switch style {
	case Echo:
		err = dialect.Echo(x.Reply, words)
	case Okay:
		err = dialect.OK(x.Reply)
	case Acknowledge:
		err = i.explained(dialect.Queued(x.Reply, bytes.Count(words, newLine)))
	case OneValue:
		if text, bad := dialect.OneValue(x.Reply); bad != nil || !same(text, expect, 0) {
			err = fmt.Errorf("expected %q", expect)
		}
	}
	if err != nil {
		return i.bad(x, err)
	}
	return nil
}

// atOnce tells whether this is a byte that is obeyed ahead of everything, and not acknowledged.
func (i *Instrument) atOnce(words []byte) bool {
	return len(words) == 1 && strings.IndexByte(i.p.AtOnce, words[0]) >= 0
}

var newLine = []byte{'\n'}

// framing is how the end of an answer is known; nil when none is due.
func framing(s Style) wire.Framing {
	switch s {
	case Silence:
		return nil
	case Acknowledge:
		return acknowledged
	case StatusReport:
		return dialect.ReportLine
	}
	return dialect.Line
}

var acknowledged = dialect.Acknowledged(1)

// explained says what the codes of a stage mean, as its profile has it.
func (i *Instrument) explained(err error) error {
	var not *dialect.NotQueued
	if !errors.As(err, &not) {
		return err
	}
	meaning := i.p.Refusals[not.Code]
	if not.Alarm {
		meaning = i.p.Alarms[not.Code]
	}
	if meaning == "" {
		return fmt.Errorf("%w: code %d", err, not.Code)
	}
	return fmt.Errorf("%w: code %d, %s", err, not.Code, meaning)
}

// onlyUnanswered tells whether a command was sent and only its answer did not come.
func onlyUnanswered(err error, words []byte) bool {
	var e *wire.Error
	return errors.As(err, &e) && e.Ended == wire.NoAnswer && bytes.Equal(e.Request, words)
}

// Refusal is a setpoint that was not sent.
type Refusal struct {
	Setpoint drivers.Setpoint
	Why      error
}

func (e *Refusal) Error() string { return fmt.Sprintf("%s: not sent: %v", e.Setpoint, e.Why) }

func (e *Refusal) Unwrap() error { return e.Why }

func isRefusal(err error) bool {
	var r *Refusal
	return errors.As(err, &r)
}

// setpoint is a set quantity with a state or a value, as the judge knows it.
func (i *Instrument) setpoint(k, state int, value float64) drivers.Setpoint {
	c := &i.p.Sets[k]
	s := drivers.Setpoint{Instrument: i.about.Name, Quantity: c.Quantity}
	if state >= 0 {
		s.State = c.States[state]
	} else {
		s.Value = quantity.Quantity{Value: value, Unit: c.Unit}
	}
	return s
}

// allowed asks the judge.
func (i *Instrument) allowed(k, state int, value float64) error {
	s := i.setpoint(k, state, value)
	if i.judge == nil {
		return &Refusal{s, errors.New("nobody judges what this bench may do")}
	}
	if err := i.judge.Allow(s); err != nil {
		return &Refusal{s, err}
	}
	return nil
}

// Apply sets one quantity: it asks the judge, sends, and makes sure of the effect by
// the error queue and by reading back. After an error the quantity is not known.
func (i *Instrument) Apply(s drivers.Setpoint, by clock.Instant) error {
	k, state, err := i.find(s)
	if err != nil {
		return &Refusal{s, err}
	}
	c, value := &i.p.Sets[k], s.Value.Value
	if err := i.fits(c, state, value); err != nil {
		return &Refusal{s, err}
	}
	if err := i.permitted(k, state, value); err != nil {
		return err
	}
	if c.ChangesOnly != nil && i.memory.Known[k] == (Known{true, state, value}) {
		return nil // it is so already, and may not be told again now
	}
	if c.ChangesOnly != nil && !i.holds(c.ChangesOnly) {
		return &Refusal{s, fmt.Errorf("it can only be changed while %s", i.conditionText(c.ChangesOnly))}
	}
	if i.energises(k, state) {
		if err := i.arm(by); err != nil {
			return err
		}
	}
	i.memory.Known[k].Is = false
	for _, u := range c.Upsets {
		i.memory.Known[u].Is = false
	}
	if !c.Kept {
		words := i.words(c, state, value)
		err = i.change(words, c.Takes, by)
		if err != nil && !(c.Back != nil && onlyUnanswered(err, words[len(words)-1])) {
			return fmt.Errorf("%s: %w", s, err)
		}
		if err := i.verify(k, state, value, by); err != nil {
			return fmt.Errorf("%s: %w", s, err)
		}
	}
	i.memory.Known[k] = Known{true, state, value}
	i.retime()
	return nil
}

// find is the set quantity that a setpoint means, and its state or -1.
func (i *Instrument) find(s drivers.Setpoint) (k, state int, err error) {
	if s.Instrument != i.about.Name {
		return 0, 0, fmt.Errorf("this is %s", i.about.Name)
	}
	if s.State == "" {
		if k = i.p.Find(s.Quantity, s.Value.Unit.Dim); k >= 0 && len(i.p.Sets[k].States) == 0 {
			return k, -1, nil
		}
	} else if k = i.p.Set(s.Quantity); k >= 0 {
		if state = i.p.Sets[k].State(s.State); state >= 0 {
			return k, state, nil
		}
		return 0, 0, fmt.Errorf("%s can be %s", s.Quantity, strings.Join(i.p.Sets[k].States, " or "))
	}
	if near := yamltext.Nearest(s.Quantity, i.p.setNames()); near != "" && near != s.Quantity {
		return 0, 0, fmt.Errorf("no such quantity can be set, did you mean %s?", near)
	}
	return 0, 0, fmt.Errorf("what can be set is %s, in their units", strings.Join(i.p.setNames(), ", "))
}

// fits tells whether the instrument can do it, in its present state.
func (i *Instrument) fits(c *Commanded, state int, value float64) error {
	if state < 0 && !(value >= c.Least && value <= c.Most) {
		return fmt.Errorf("the instrument itself can do %s to %s", quantity.Quantity{Value: c.Least, Unit: c.Unit}, quantity.Quantity{Value: c.Most, Unit: c.Unit})
	}
	if c.While != nil && !i.holds(c.While) {
		return fmt.Errorf("it can only be set while %s", i.conditionText(c.While))
	}
	return nil
}

func (i *Instrument) conditionText(c *Condition) string {
	set := &i.p.Sets[c.Set]
	return set.Quantity + " is " + set.States[c.State]
}

// permitted asks the judge, for both ways round where the level is turned.
func (i *Instrument) permitted(k, state int, value float64) error {
	if err := i.allowed(k, state, value); err != nil {
		return err
	}
	c := &i.p.Sets[k]
	if c.Reversible && i.reversing() {
		return i.allowed(k, -1, -value)
	}
	if level := i.level(); c.Quantity == "reverse" && state >= 0 && c.States[state] == "on" && level >= 0 {
		return i.allowed(level, -1, -i.memory.Known[level].Value)
	}
	return nil
}

// Energises tells whether a setpoint puts energy into the world.
func (i *Instrument) Energises(s drivers.Setpoint) bool {
	k, state, err := i.find(s)
	return err == nil && i.energises(k, state)
}

func (i *Instrument) energises(k, state int) bool {
	c := &i.p.Sets[k]
	return state < 0 && c.Moves || state >= 0 && slices.Contains(c.Energises, c.States[state])
}

// words are the commands for a state or a value; good until the next call.
func (i *Instrument) words(c *Commanded, state int, value float64) [][]byte {
	if state >= 0 {
		return c.Send[state]
	}
	before, after, _ := bytes.Cut(c.Send[0][0], gapBytes)
	b := append(i.filled[0][:0], before...)
	if v := value / c.Unit.Factor; c.Format.Scientific {
		b = dialect.AppendE(b, v)
	} else {
		b = dialect.AppendFixed(b, v, c.Format.Decimals)
	}
	i.filled[0] = append(b, after...)
	return i.filled
}

var gapBytes = []byte(gap)

// verify makes sure that a command had its effect.
func (i *Instrument) verify(k, state int, value float64, by clock.Instant) error {
	if after := i.p.Sets[k].After; after > 0 {
		if err := i.clock.Sleep(min(by, i.clock.Now().After(after))); err != nil {
			return err
		}
	}
	if i.p.Sets[k].Takes > 0 { // meanwhile it may answer nothing; the question that follows waits for that
		if err := i.readBack(k, state, value, by); err != nil {
			return err
		}
		return i.drain(by)
	}
	if err := i.drain(by); err != nil {
		return err
	}
	return i.readBack(k, state, value, by)
}

// readBack asks for a quantity and compares, if it can be asked for.
func (i *Instrument) readBack(k, state int, value float64, by clock.Instant) error {
	c := &i.p.Sets[k]
	if c.Back == nil {
		return nil
	}
	text, x, err := i.value(&c.Back.Question, c.Takes, by)
	if err != nil {
		return err
	}
	if state >= 0 {
		reads := func(words []string) bool {
			return slices.ContainsFunc(words, func(accepted string) bool { return same(text, accepted, 0) })
		}
		expected := fmt.Sprintf("%s, for %s %s", strings.Join(c.Reads[state], " or "), c.Quantity, c.States[state])
		switch {
		case reads(c.Reads[state]):
			return nil
		case slices.ContainsFunc(c.Reads, reads):
			return i.bad(x, &otherwise{expected})
		}
		return i.bad(x, fmt.Errorf("expected %s", expected))
	}
	number, ok := dialect.Number(text)
	if !ok {
		return i.bad(x, dialect.ErrNumber)
	}
	number *= c.Unit.Factor
	if within := c.Back.Absolute + c.Back.Relative*math.Abs(value); !(math.Abs(number-value) <= within+rounding(value)) {
		return i.bad(x, &otherwise{quantity.Quantity{Value: value, Unit: c.Unit}.String()})
	}
	return nil
}

// otherwise is an answer, whole and to the right question, that is not the one that
// was expected.
type otherwise struct{ expected string }

func (e *otherwise) Error() string { return "expected " + e.expected }

// rounding is what turning a decimal number into a float can cost.
func rounding(v float64) float64 { return math.Abs(v) * 1e-12 }

// same compares what was answered with what is accepted, as text or as numbers.
func same(text []byte, accepted string, within float64) bool {
	if strings.EqualFold(string(text), accepted) {
		return true
	}
	a, ok := dialect.Number(text)
	b, known := dialect.Number([]byte(accepted))
	return ok && known && math.Abs(a-b) <= within+rounding(b)
}

// drain reads the error queue until it is empty, and returns what was in it. Errors
// of questions (-400 to -499) are left out: they come of answers that were lost, and
// nothing was changed by them.
func (i *Instrument) drain(by clock.Instant) error {
	if i.p.Errors == nil {
		return nil
	}
	var found []error
	ask := i.p.Errors.Ask
	for n := 0; ; n++ {
		x, err := i.ask(ask, i.patience(ask), by)
		if err != nil {
			return errors.Join(append(found, err)...)
		}
		code, text, ok := dialect.QueueEntry(x.Reply)
		switch {
		case !ok:
			return errors.Join(append(found, i.bad(x, errNoEntry))...)
		case code == 0:
			return errors.Join(found...)
		case code > -400 || code <= -500:
			found = append(found, &Finding{i.about.Name, FoundErrors, fmt.Errorf("%s reports error %d %q", i.port, code, text)})
		}
		if n == i.p.Errors.Most {
			return errors.Join(append(found, fmt.Errorf("%s: still errors after %d of them", i.port, n))...)
		}
	}
}

var errNoEntry = errors.New("expected a number and a text of the error queue")

// Prepare brings the instrument into its known state, with nothing switched on. It
// makes sure of every quantity that can be read back and forgets all others.
func (i *Instrument) Prepare(by clock.Instant) error {
	i.forget()
	failed := func(err error) error { return fmt.Errorf("preparing %s: %w", i.about.Name, err) }
	if err := i.change(i.p.Prepare, 0, by); err != nil {
		return failed(err)
	}
	if err := i.settle(i.p.Prepared, by); err != nil {
		return failed(err)
	}
	if err := i.drain(by); err != nil {
		return failed(err)
	}
	for k := range i.p.Sets {
		c := &i.p.Sets[k]
		if !c.HasDefault {
			continue
		}
		now := c.prepared()
		if !c.Kept {
			if err := i.verify(k, now.State, now.Value, by); err != nil {
				return failed(err)
			}
		}
		i.memory.Known[k] = now
	}
	for n := range i.p.Watch.Checks { // clears what happened before
		if _, _, err := i.value(&i.p.Watch.Checks[n].Question, 0, by); err != nil {
			return failed(err)
		}
	}
	i.retime()
	return nil
}

// Finding is what a look at an instrument's health found: not a failure of the link,
// but something that the instrument itself says.
type Finding struct {
	Instrument string
	What       string // one of the following
	Err        error
}

// What can be found.
const (
	FoundReset  = "reset or changed behind our back"
	FoundFault  = "instrument reports a fault"
	FoundErrors = "error queue not empty"
)

func (f *Finding) Error() string { return f.Err.Error() }

func (f *Finding) Unwrap() error { return f.Err }

// Watch looks for changes behind dwell's back: an instrument that was reset, a
// setting that somebody changed, errors that nobody asked about. What it finds is a
// Finding, with everything that was found at once.
func (i *Instrument) Watch(by clock.Instant) error {
	provoked := i.provoked
	i.provoked = ""
	if provoked == FoundErrors { // what else it would say is about the same error
		return i.drain(by)
	}
	var found []error
	what := FoundFault
	for n := range i.p.Watch.Checks {
		c := &i.p.Watch.Checks[n]
		if c.While != nil && !i.holds(c.While) {
			continue
		}
		text, x, err := i.value(&c.Question, 0, by)
		if err != nil {
			return errors.Join(append(found, err)...)
		}
		wrong, reset, err := c.wrong(text)
		if err != nil {
			return errors.Join(append(found, i.bad(x, err))...)
		}
		if wrong == "" && provoked == FoundFault {
			wrong = "taken for a fault"
		}
		if wrong != "" {
			found = append(found, i.bad(x, errors.New(wrong)))
		}
		if reset {
			what = FoundReset
		}
	}
	if len(found) > 0 {
		found = append(found, i.drain(by))
		i.forget()
		return &Finding{i.about.Name, what, errors.Join(found...)}
	}
	for _, k := range i.p.Watch.Settings {
		known := i.memory.Known[k]
		if !known.Is {
			continue
		}
		if err := i.readBack(k, known.State, known.Value, by); err != nil {
			if other := (*otherwise)(nil); !errors.As(err, &other) {
				return fmt.Errorf("%s cannot be read back: %w", i.p.Sets[k].Quantity, err)
			}
			i.memory.Known[k].Is = false
			return &Finding{i.about.Name, FoundReset, fmt.Errorf("%s is not as it was set: %w", i.p.Sets[k].Quantity, err)}
		}
	}
	return i.drain(by)
}

// WatchDue tells whether a look at the health that is due from a moment on is made.
func (i *Instrument) WatchDue(now, at clock.Instant) bool { return i.port.Due(now, at, i.firstLook()) }

// firstLook is what Watch asks first, nil for nothing.
func (i *Instrument) firstLook() []byte {
	for n := range i.p.Watch.Checks {
		if c := &i.p.Watch.Checks[n]; c.While == nil || i.holds(c.While) {
			return c.Question.Ask
		}
	}
	for _, k := range i.p.Watch.Settings {
		if i.memory.Known[k].Is {
			return i.p.Sets[k].Back.Ask
		}
	}
	if i.p.Errors == nil {
		return nil
	}
	return i.p.Errors.Ask
}

// Provokes tells whether Provoke can bring about what Watch looks for; why not, if it cannot.
func (p *Profile) Provokes(what string) (why string) {
	switch {
	case what == FoundErrors && p.Errors != nil && p.Errors.Refused != nil:
		return ""
	case what == FoundErrors:
		return "its profile names no command that it refuses"
	case what != FoundFault:
		return "only the instrument itself can bring this about"
	case !slices.ContainsFunc(p.Watch.Checks, func(c Check) bool { return c.While == nil }):
		return "it is not asked after this in a proof test, which moves nothing"
	}
	return ""
}

// Provoke has Watch find something the next time, for a proof test: an error in the queue, by
// a command that the instrument refuses and that changes nothing; a fault, by taking what it
// answers for one.
func (i *Instrument) Provoke(what string, by clock.Instant) (how string, err error) {
	if why := i.p.Provokes(what); why != "" {
		return "", fmt.Errorf("%s: %s", i.about.Name, why)
	}
	i.provoked = what
	if what == FoundFault {
		return "the next answer about its health was taken for a fault", nil
	}
	return fmt.Sprintf("it was sent %q, which it does not know", bytes.TrimSpace(i.p.Errors.Refused)), i.change([][]byte{i.p.Errors.Refused}, 0, by)
}

// wrong says what is wrong with an answer, "" if nothing is, and whether that is a
// reset; the error is for an answer that is none.
func (c *Check) wrong(text []byte) (what string, reset bool, err error) {
	if len(c.Words) > 0 {
		for _, w := range c.Words {
			if same(text, w.Word, 0) {
				return w.Text, false, nil
			}
		}
		return "", false, nil
	}
	v, ok := dialect.Whole(text)
	if !ok {
		return "", false, dialect.ErrNumber
	}
	var found []string
	take := func(w Wrong) {
		found = append(found, w.Text)
		reset = reset || slices.Contains(c.Resets, w.Number)
	}
	for _, w := range c.Bits {
		if v>>w.Number&1 == 1 {
			take(w)
		}
	}
	for _, w := range c.Values {
		if v == w.Number {
			take(w)
		}
	}
	return strings.Join(found, "; "), reset, nil
}

// arm starts the instrument's own watchdog, before energy is put in.
func (i *Instrument) arm(by clock.Instant) error {
	w := i.p.Watchdog
	if w == nil || i.memory.Armed {
		return nil
	}
	if err := i.order(w.Arm, by); err != nil {
		return fmt.Errorf("arming the watchdog: %w", err)
	}
	i.memory.Armed, i.memory.FedAt = true, i.clock.Now()
	return nil
}

func (i *Instrument) order(o Order, by clock.Instant) error {
	return i.tell(o.Send, o.Style, o.Expect, min(by, i.clock.Now().After(i.patience(o.Send))))
}

// FeedDue tells whether the watchdog wants to be fed.
func (i *Instrument) FeedDue(now clock.Instant) bool {
	return i.memory.Armed && i.port.Due(now, i.memory.FedAt+i.p.Watchdog.FeedEvery, i.p.Watchdog.Feed.Send)
}

// FeedOverdue tells whether it has wanted that for as long as it goes without.
func (i *Instrument) FeedOverdue(now clock.Instant) bool {
	return i.memory.Armed && now-i.memory.FedAt >= 2*i.p.Watchdog.FeedEvery
}

// Feed repeats the watchdog's command, if it is armed. That one may be repeated by
// its nature, so a lost answer is asked for once more.
func (i *Instrument) Feed(by clock.Instant) error {
	if !i.memory.Armed {
		return nil
	}
	err := i.order(i.p.Watchdog.Feed, by)
	if unanswered(err) {
		err = i.order(i.p.Watchdog.Feed, by)
	}
	if err != nil {
		return fmt.Errorf("feeding the watchdog: %w", err)
	}
	i.memory.FedAt = i.clock.Now()
	return nil
}
