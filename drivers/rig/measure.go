package rig

import (
	"errors"
	"fmt"
	"math"

	"dwell/drivers"
	"dwell/drivers/clock"
	"dwell/drivers/dialect"
	"dwell/drivers/wire"
)

var (
	errNotTurned = errors.New("the level did not turn round")
	errWord      = errors.New("none of the words that its profile knows")
	errRange     = errors.New("outside of what the thermometer can be")
)

// Measure makes a query and appends one reading for each channel that it feeds.
// What came to nothing, or is not an answer, is a reading with a flag; Complaint
// then says what happened. The error is for a link that is lost, or the end of time.
// It does not allocate when all is well.
func (i *Instrument) Measure(query int, into []drivers.Reading, by clock.Instant) ([]drivers.Reading, error) {
	q := &i.p.Queries[query]
	i.complaint = nil
	if q.Needs != nil && !i.holds(q.Needs) {
		now := i.clock.Now()
		i.all(q, drivers.NotMeasured)
		return i.readings(query, into, now, 0), nil
	}
	if q.Reversal != nil && i.reversing() {
		return i.bothWays(query, q, into, by)
	}
	x, err := i.read(query, q, by)
	if err != nil {
		return into, err
	}
	i.compute(q)
	return i.readings(query, into, x.Midpoint(), x.Within()), nil
}

// Complaint is what was wrong with the last reading, nil if nothing was.
func (i *Instrument) Complaint() error { return i.complaint }

// question is what a query asks now.
func (i *Instrument) question(q *Query) []byte {
	if q.By >= 0 {
		return q.Asks[max(0, i.memory.Known[q.By].State)]
	}
	return q.Ask
}

// NotBefore is when a query can be made: of an instrument that answers as recorded, when it
// was; of any other, a moment in the past.
func (i *Instrument) NotBefore(query int) clock.Instant {
	q := &i.p.Queries[query]
	if q.Needs != nil && !i.holds(q.Needs) {
		return 0 // nothing is asked
	}
	return i.port.NotBefore(i.question(q))
}

// read makes one exchange and puts its answer into values and flags.
func (i *Instrument) read(query int, q *Query, by clock.Instant) (*wire.Exchange, error) {
	x, err := i.asked(i.question(q), framing(q.Style), i.worst[query]+margin, by)
	switch {
	case err == nil:
		i.parse(q, x)
		return x, nil
	case i.standing(err):
		i.complaint = err
		i.all(q, worthOf(err))
		return x, nil
	}
	return x, err
}

// worthOf is the flag of a reading that an error ended. The level is not turned round
// any more for one when the bench is being made safe.
func worthOf(err error) drivers.Flag {
	if isRefusal(err) || wire.WasCut(err) {
		return drivers.CutShort
	}
	return drivers.Lost
}

// standing tells whether the link stands in spite of an error: only this exchange
// came to nothing.
func (i *Instrument) standing(err error) bool {
	if err == nil {
		return true
	}
	var e *wire.Error
	return errors.As(err, &e) && i.port.Lost() == nil
}

// all gives every field of an answer the same flag.
func (i *Instrument) all(q *Query, flag drivers.Flag) {
	for f := range q.Fields {
		i.values[f], i.flags[f] = math.NaN(), flag
	}
}

// parse puts an answer into values, in canonical units, and flags.
func (i *Instrument) parse(q *Query, x *wire.Exchange) {
	if err := i.numbers(q, x.Reply); err != nil {
		i.complaint = i.bad(x, err)
		i.all(q, drivers.Garbled)
		return
	}
	whole := drivers.Good
	for f := range q.Fields[:q.Answered] {
		field := &q.Fields[f]
		if field.Quantity != "" {
			i.values[f], i.flags[f] = field.worth(i.values[f], i.p.Dialect)
		}
		if flag, ok := field.status(i.values[f]); !ok {
			i.complaint = i.bad(x, dialect.ErrNumber)
			i.all(q, drivers.Garbled)
			return
		} else if flag != drivers.Good {
			whole = flag
		}
	}
	if whole != drivers.Good {
		for f := range q.Fields[:q.Answered] {
			if i.flags[f] == drivers.Good {
				i.flags[f] = whole
			}
		}
	}
}

// numbers reads the numbers of an answer as they stand.
func (i *Instrument) numbers(q *Query, reply []byte) error {
	if q.Style == ListOfValues {
		return dialect.List(reply, i.values[:q.Answered])
	}
	if q.Style == StatusReport {
		return i.reported(q, reply)
	}
	text, err := q.content(reply)
	if err != nil {
		return err
	}
	if words := q.Fields[0].Words; len(words) > 0 {
		i.values[0], err = stateOf(words, text)
		return err
	}
	var ok bool
	if i.values[0], ok = dialect.Number(text); !ok {
		return dialect.ErrNumber
	}
	return nil
}

// stateOf is the place of the state whose words an answer is.
func stateOf(states [][]string, text []byte) (float64, error) {
	for k, words := range states {
		for _, word := range words {
			if same(text, word, 0) {
				return float64(k), nil
			}
		}
	}
	return 0, errWord
}

// reported reads the state and the values of a status report.
func (i *Instrument) reported(q *Query, reply []byte) error {
	report, ok := dialect.ParseReport(reply)
	if !ok {
		return dialect.ErrFields
	}
	for f := range q.Fields[:q.Answered] {
		field := &q.Fields[f]
		if field.Key == "" {
			var err error
			if i.values[f], err = stateOf(field.Words, report.State); err != nil {
				return err
			}
			continue
		}
		if i.values[f], ok = report.Value(field.Key, field.Place); !ok {
			return dialect.ErrFields
		}
	}
	return nil
}

// worth is a number of an answer in canonical units, and what it is worth.
func (f *Field) worth(v float64, spoken string) (float64, drivers.Flag) {
	if spoken == "scpi" {
		if flag := dialect.Classify(v); flag != drivers.Good {
			return math.NaN(), flag
		}
	}
	if f.NoProbe != nil && math.Abs(v-*f.NoProbe)*f.Unit.Factor < f.Display/2 {
		return math.NaN(), drivers.NoProbe
	}
	if whole := math.Round(1 / f.Unit.Factor); f.Unit.Factor < 1 && math.Abs(whole*f.Unit.Factor-1) < 1e-12 {
		v /= whole // 3.25 mm is 0.00325 m, to the last digit
	} else {
		v *= f.Unit.Factor
	}
	if v < f.Lowest || v > f.Highest {
		return math.NaN(), drivers.NoProbe
	}
	return v, drivers.Good
}

// status reads the bits of a status word; a word that is none is no good answer.
func (f *Field) status(v float64) (flag drivers.Flag, ok bool) {
	if len(f.Bits) == 0 {
		return drivers.Good, true
	}
	if v != math.Trunc(v) || v < 0 || v > math.MaxUint32 {
		return drivers.Good, false
	}
	for _, b := range f.Bits {
		if uint32(v)>>b.Bit&1 == 1 {
			return b.Flag, true
		}
	}
	return drivers.Good, true
}

// compute works out the fields that are products and quotients of others. They are
// worth what the worse of the two is worth.
func (i *Instrument) compute(q *Query) {
	for f := q.Answered; f < len(q.Fields); f++ {
		field := &q.Fields[f]
		a, b := i.values[field.A], i.values[field.B]
		v, flag := a*b, worse(i.flags[field.A], i.flags[field.B])
		if field.Op == '/' {
			v = a / b
		}
		if (math.IsInf(v, 0) || v != v) && flag == drivers.Good {
			flag = drivers.NotMeasured // nothing over nothing
		}
		i.values[f], i.flags[f] = v, flag
	}
}

// worse is the flag that says less for a value. One that was read in compliance is
// still a value; the others are none.
func worse(a, b drivers.Flag) drivers.Flag {
	if a == drivers.Good || a == drivers.InCompliance && b != drivers.Good {
		return b
	}
	return a
}

// readings makes readings of the values, one a channel.
func (i *Instrument) readings(query int, into []drivers.Reading, at, within clock.Instant) []drivers.Reading {
	for _, o := range i.outputs[query] {
		r := drivers.Reading{Channel: o.channel, At: at, Within: within, Value: i.values[o.field], Flag: i.flags[o.field]}
		if o.conversion != nil && r.Flag == drivers.Good {
			v, err := o.conversion.Apply(r.Value)
			if err != nil {
				r.Flag, i.complaint = drivers.NoProbe, fmt.Errorf("%s: %w: %w", i.about.Name, errRange, err)
			}
			r.Value = v
		}
		if r.Flag != drivers.Good && r.Flag != drivers.InCompliance {
			r.Value = math.NaN()
		}
		into = append(into, r)
	}
	return into
}

// reversing tells whether readings are made with the level both ways round.
func (i *Instrument) reversing() bool {
	k := i.p.Set("reverse")
	return k >= 0 && i.memory.Known[k].Is && i.p.Sets[k].States[i.memory.Known[k].State] == "on"
}

// level is the place of the known level that can be turned round, or -1.
func (i *Instrument) level() int {
	for k := range i.p.Sets {
		c := &i.p.Sets[k]
		if c.Reversible && i.memory.Known[k].Is && (c.While == nil || i.holds(c.While)) {
			return k
		}
	}
	return -1
}

// bothWays reads with the level as it is and turned round, and turns it back. Half
// the difference of the two is free of what does not turn with the level, such as
// thermal voltages: R = (V+ - V-) / (I+ - I-).
func (i *Instrument) bothWays(query int, q *Query, into []drivers.Reading, by clock.Instant) ([]drivers.Reading, error) {
	k := i.level()
	if k < 0 || i.memory.Known[k].Value == 0 {
		i.all(q, drivers.NotMeasured)
		i.complaint = fmt.Errorf("%s: there is no level to turn round", i.about.Name)
		return i.readings(query, into, i.clock.Now(), 0), nil
	}
	if i.memory.Settled > i.clock.Now() {
		if err := i.clock.Sleep(min(by, i.memory.Settled)); err != nil {
			return into, err
		}
	}
	x, err := i.read(query, q, by)
	if err != nil {
		return into, err
	}
	from, to := x.Sent, x.Last
	if i.complaint == nil {
		i.followed(q, k, 1, x)
	}
	if i.complaint == nil {
		i.keep(q)
		last, err := i.turned(query, q, k, by)
		if err != nil {
			return into, err
		}
		to = max(to, last)
		i.halve(q)
	}
	i.compute(q)
	return i.readings(query, into, from+(to-from)/2, (to-from+1)/2), nil
}

// keep puts the values of the first answer aside.
func (i *Instrument) keep(q *Query) {
	copy(i.first, i.values[:q.Answered])
	copy(i.firstFlags, i.flags[:q.Answered])
}

// halve takes half the difference of the first values and these.
func (i *Instrument) halve(q *Query) {
	for f := range q.Fields[:q.Answered] {
		i.values[f] = (i.first[f] - i.values[f]) / 2
		i.flags[f] = worse(i.flags[f], i.firstFlags[f])
	}
}

// turned reads with the level turned round, and turns it back whatever came of it.
// It returns when the answer was there.
func (i *Instrument) turned(query int, q *Query, k int, by clock.Instant) (clock.Instant, error) {
	last, err := i.turnAndRead(query, q, k, by)
	back := i.turn(k, 1, by)
	i.memory.Settled = i.clock.Now().After(q.Reversal.Settle)
	if err == nil {
		err = back
	}
	if err != nil && (i.standing(err) || isRefusal(err)) {
		i.complaint = err
		i.all(q, worthOf(err))
		err = nil
	}
	return last, err
}

func (i *Instrument) turnAndRead(query int, q *Query, k int, by clock.Instant) (clock.Instant, error) {
	if err := i.turn(k, -1, by); err != nil {
		return 0, err
	}
	if err := i.clock.Sleep(min(by, i.clock.Now().After(q.Reversal.Settle))); err != nil {
		return 0, err
	}
	x, err := i.read(query, q, by)
	if err == nil && i.complaint == nil {
		i.followed(q, k, -1, x)
	}
	return x.Last, err
}

// turn sets a level, or its opposite. That it was followed shows in the answer,
// which has the level in it.
func (i *Instrument) turn(k int, sign float64, by clock.Instant) error {
	c := &i.p.Sets[k]
	v := sign * i.memory.Known[k].Value
	if err := i.allowed(k, -1, v); err != nil {
		return err
	}
	return i.change(i.words(c, -1, v), 0, by)
}

// overAnOpen is how much of a level, either way, may be noise and offset when next to
// nothing flows: over a film that has broken. A rule of thumb, no source.
const overAnOpen = 0.05

// followed checks that the level in an answer is the one that was set, at least by
// half and the same way round; in compliance the way round must do, as far as it can
// be told.
func (i *Instrument) followed(q *Query, k int, sign float64, x *wire.Exchange) {
	for f := range q.Fields[:q.Answered] {
		if q.Fields[f].Quantity != i.p.Sets[k].Bounds || i.flags[f] != drivers.Good && i.flags[f] != drivers.InCompliance {
			continue
		}
		share := sign * i.values[f] / i.memory.Known[k].Value
		if !(share >= 0.5 || share > -overAnOpen && i.flags[f] == drivers.InCompliance) {
			i.complaint = i.bad(x, errNotTurned)
			i.all(q, drivers.Garbled)
		}
	}
}
