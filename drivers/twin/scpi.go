package twin

import (
	"bytes"
	"math"
	"strconv"
	"strings"

	"dwell/drivers/clock"
)

// This file is what all SCPI instruments share: how a message is cut into units
// and headers are recognised (SCPI-1999 volume 1, chapters 6 and 7), the error
// queue (21.8), and the status registers and common commands of IEEE 488.2. It is
// the instrument's side, written apart from drivers/dialect, so that a mistake
// there is not made here too.

// command is one header of an instrument in the notation of SCPI documents:
// capitals are the short form, what stands in brackets may be left out. set and
// ask are what it does without and with a question mark, nil when it has no such
// form.
type command[T any] struct {
	pattern  string
	set, ask func(T, *call)
	which    int // told apart by the function, when several headers share it
}

// call is one unit of a message being carried out.
type call struct {
	d     *device
	s     *scpi
	at    clock.Instant // when the instrument gets to it
	unit  []byte        // as it was heard
	args  []byte
	which int
}

// scpi is the state that every SCPI instrument has.
type scpi struct {
	errors    [queueLength]int16
	queued    int
	event     byte // standard event status register
	enable    byte // its enable register
	service   byte // service request enable register
	path      [2 * mostHeard]byte
	onPath    int           // bytes of path, up to and with its last colon
	answered  bool          // this message has been answered by a unit before
	busyUntil clock.Instant // when it is through with what it was told so far
	own       clock.Instant // time that the instrument needs for any unit
	now       call          // being carried out; kept here so that none is allocated
}

// queueLength is how many errors the queue holds: ten in a common family of
// source-meters, from memory.
const queueLength = 10

// Bits of the standard event status register (IEEE 488.2, 11.5.1).
const (
	eventComplete  = 1 << 0
	eventQuery     = 1 << 2
	eventDevice    = 1 << 3
	eventExecution = 1 << 4
	eventCommand   = 1 << 5
	eventPowerOn   = 1 << 7
)

// Error numbers of SCPI-1999 volume 2, chapter 21.8, and of one family of
// source-meters.
const (
	errSyntax     = -102
	errDataType   = -104
	errNotAllowed = -108
	errMissing    = -109
	errHeader     = -113
	errSettings   = -221
	errRange      = -222
	errIllegal    = -224
	errStale      = -230
	errOverflow   = -350
	errOverrun    = -363
	errDeadlocked = -430
	errASCIIOnly  = 701
	errOutputOff  = 803
)

var errorTexts = []struct {
	code int16
	text string
}{
	{0, "No error"}, {errSyntax, "Syntax error"}, {errDataType, "Data type error"}, {errNotAllowed, "Parameter not allowed"},
	{errMissing, "Missing parameter"}, {errHeader, "Undefined header"},
	{errSettings, "Settings conflict"}, {errRange, "Data out of range"}, {errIllegal, "Illegal parameter value"},
	{errStale, "Data corrupt or stale"}, {errOverflow, "Queue overflow"}, {errOverrun, "Input buffer overrun"},
	{errDeadlocked, "Query DEADLOCKED"}, {errASCIIOnly, "ASCII only with RS-232"}, {errOutputOff, "Not permitted with OUTPUT off"},
}

// fail puts an error into the queue and its class into the event register. In a
// full queue the last entry becomes "queue overflow" and later errors are lost.
func (s *scpi) fail(code int16) {
	switch {
	case code > 0 || code <= -300 && code > -400:
		s.event |= eventDevice
	case code <= -400:
		s.event |= eventQuery
	case code <= -200:
		s.event |= eventExecution
	default:
		s.event |= eventCommand
	}
	if s.queued == queueLength {
		s.errors[queueLength-1] = errOverflow
		return
	}
	s.errors[s.queued] = code
	s.queued++
}

// nextError takes the oldest error out.
func (s *scpi) nextError() int16 {
	if s.queued == 0 {
		return 0
	}
	code := s.errors[0]
	copy(s.errors[:], s.errors[1:s.queued])
	s.queued--
	return code
}

// powerOn is the state after switching on.
func (s *scpi) powerOn(own clock.Instant) { *s = scpi{event: eventPowerOn, own: own} }

// status is the status byte: errors waiting, answer waiting, events, and whether
// one of those asks for service.
func (s *scpi) status(answer bool) byte {
	var b byte
	if s.queued > 0 {
		b |= 1 << 2
	}
	if answer {
		b |= 1 << 4
	}
	if s.event&s.enable != 0 {
		b |= 1 << 5
	}
	if b&s.service != 0 {
		b |= 1 << 6
	}
	return b
}

// carryOut goes through the units of a message. An instrument that is busy gets to
// them later, in order.
func carryOut[T any](target T, commands []command[T], s *scpi, d *device, m message) {
	if m.tooLong {
		s.fail(errOverrun)
		return
	}
	s.onPath, s.answered = 0, false
	for rest := m.text; len(rest) > 0; {
		var unit []byte
		unit, rest = cutOutside(rest, ';')
		unit = trim(unit)
		if len(unit) == 0 {
			continue
		}
		s.now = call{d: d, s: s, at: max(s.busyUntil, m.at), unit: unit}
		s.busyUntil = s.now.at + s.own
		unitOf(target, commands, s, &s.now)
	}
	s.now = call{}
	if s.answered {
		d.out.lengthen('\n', d.line)
	}
}

// unitOf carries out one unit.
func unitOf[T any](target T, commands []command[T], s *scpi, c *call) {
	header, args := c.unit, []byte(nil)
	if i := bytes.IndexAny(c.unit, " \t"); i >= 0 {
		header, args = c.unit[:i], trim(c.unit[i:])
	}
	if i := bytes.IndexByte(header, '"'); i >= 0 {
		s.fail(errSyntax)
		return
	}
	query := header[len(header)-1] == '?'
	if query {
		header = header[:len(header)-1]
	}
	header, ok := s.absolute(header)
	if !ok {
		s.fail(errSyntax)
		return
	}
	for i := range commands {
		k := &commands[i]
		if !begins(k.pattern, header[0]) || !matches(k.pattern, header) {
			continue
		}
		do := k.set
		if query {
			do = k.ask
		}
		if do == nil {
			break
		}
		c.args, c.which = args, k.which
		do(target, c)
		return
	}
	s.fail(errHeader)
}

// absolute completes a header by the path that the unit before has left, and keeps
// its own path. Common commands neither have nor leave one.
func (s *scpi) absolute(header []byte) ([]byte, bool) {
	switch {
	case len(header) == 0:
		return nil, false
	case header[0] == '*':
		return header, len(header) > 1
	case header[0] == ':':
		header, s.onPath = header[1:], 0
	}
	if len(header) == 0 || s.onPath+len(header) > len(s.path) {
		return nil, false
	}
	n := s.onPath + copy(s.path[s.onPath:], header)
	header = s.path[:n]
	s.onPath = bytes.LastIndexByte(header, ':') + 1
	return header, true
}

// begins tells whether a header that begins with a letter can be meant by a pattern:
// most patterns are ruled out by it.
func begins(pattern string, letter byte) bool {
	letter = upper(letter)
	if pattern[0] != '[' {
		return pattern[0] == letter
	}
	behind := strings.IndexByte(pattern, ']') + len("]:")
	return pattern[len("[:")] == letter || pattern[behind] == letter
}

// matches tells whether a header is meant by a pattern.
func matches(pattern string, header []byte) bool {
	if pattern[0] == '*' || len(header) > 0 && header[0] == '*' {
		return sameWord(pattern, header)
	}
	for pattern != "" {
		var node string
		var optional bool
		node, optional, pattern = firstNode(pattern)
		word, rest := header, []byte(nil)
		if i := bytes.IndexByte(header, ':'); i >= 0 {
			word, rest = header[:i], header[i+1:]
			if len(rest) == 0 {
				return false
			}
		}
		switch {
		case len(word) > 0 && isNode(node, word):
			header = rest
		case !optional:
			return false
		}
	}
	return len(header) == 0
}

// firstNode cuts the first node off a pattern.
func firstNode(pattern string) (node string, optional bool, rest string) {
	if pattern[0] == '[' {
		optional, pattern = true, pattern[1:]
	}
	if pattern[0] == ':' {
		pattern = pattern[1:]
	}
	for i := range len(pattern) {
		switch pattern[i] {
		case ']':
			rest = pattern[i+1:]
			if rest != "" && rest[0] == ':' {
				rest = rest[1:]
			}
			return pattern[:i], optional, rest
		case ':':
			return pattern[:i], optional, pattern[i+1:]
		case '[':
			return pattern[:i], optional, pattern[i:]
		}
	}
	return pattern, optional, ""
}

// isNode tells whether a word is the short or the long form of a node, and nothing
// between. The numeric suffix 1 may be written.
func isNode(node string, word []byte) bool {
	if n := len(word) - 1; word[n] == '1' {
		word = word[:n]
	}
	short := 0
	for short < len(node) && !(node[short] >= 'a' && node[short] <= 'z') {
		short++
	}
	return len(word) == short && sameWord(node[:short], word) || len(word) == len(node) && sameWord(node, word)
}

// sameWord compares without regard to case.
func sameWord(a string, b []byte) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range len(a) {
		if upper(a[i]) != upper(b[i]) {
			return false
		}
	}
	return true
}

func upper(c byte) byte {
	if c >= 'a' && c <= 'z' {
		return c - 'a' + 'A'
	}
	return c
}

// trim takes blanks and other low bytes off both ends.
func trim(b []byte) []byte {
	for len(b) > 0 && b[0] <= ' ' {
		b = b[1:]
	}
	for len(b) > 0 && b[len(b)-1] <= ' ' {
		b = b[:len(b)-1]
	}
	return b
}

// cutOutside cuts at the first separator that stands outside quotation marks.
func cutOutside(b []byte, separator byte) (first, rest []byte) {
	var quote byte
	for i, c := range b {
		switch {
		case quote != 0:
			if c == quote {
				quote = 0
			}
		case c == '"' || c == '\'':
			quote = c
		case c == separator:
			return b[:i], b[i+1:]
		}
	}
	return b, nil
}

// none makes sure that no parameter is there.
func (c *call) none() bool {
	if len(c.args) > 0 {
		c.s.fail(errNotAllowed)
		return false
	}
	return true
}

// one is the only parameter.
func (c *call) one() ([]byte, bool) {
	arg, rest := cutOutside(c.args, ',')
	switch {
	case len(c.args) == 0:
		c.s.fail(errMissing)
	case rest != nil:
		c.s.fail(errNotAllowed)
	default:
		return trim(arg), true
	}
	return nil, false
}

// number is the only parameter as a number between two bounds. DEFault, MINimum
// and MAXimum are words for three of them. Units are not taken.
func (c *call) number(least, most, otherwise float64) (float64, bool) {
	arg, ok := c.one()
	if !ok {
		return 0, false
	}
	switch {
	case isWord("DEFault", arg):
		return otherwise, true
	case isWord("MINimum", arg):
		return least, true
	case isWord("MAXimum", arg):
		return most, true
	}
	v, ok := decimal(arg)
	switch {
	case !ok:
		c.s.fail(errDataType)
	case !(v >= least && v <= most):
		c.s.fail(errRange)
	default:
		return v, true
	}
	return 0, false
}

// decimal reads a number in the form NRf: sign, digits with or without a point,
// exponent.
func decimal(text []byte) (float64, bool) {
	for _, c := range text {
		if (c < '0' || c > '9') && c != '+' && c != '-' && c != '.' && c != 'e' && c != 'E' {
			return 0, false
		}
	}
	if len(text) == 0 || len(text) > 64 {
		return 0, false
	}
	v, err := strconv.ParseFloat(string(text), 64)
	return v, err == nil || math.IsInf(v, 0)
}

// flag is the only parameter as a state: ON, OFF, or a number that is 0 or not.
func (c *call) flag() (on, ok bool) {
	arg, ok := c.one()
	if !ok {
		return false, false
	}
	if sameWord("ON", arg) || sameWord("OFF", arg) {
		return len(arg) == 2, true
	}
	v, ok := decimal(arg)
	if !ok {
		c.s.fail(errDataType)
	}
	return math.Abs(v) >= 0.5, ok
}

// word is the only parameter as one of several words, by its place.
func (c *call) word(known ...string) (int, bool) {
	arg, ok := c.one()
	if !ok {
		return 0, false
	}
	for i, k := range known {
		if isWord(k, arg) {
			return i, true
		}
	}
	c.s.fail(errIllegal)
	return 0, false
}

// quotedWord reads one of several patterns in quotation marks, by its place.
func quotedWord(arg []byte, known ...string) (int, bool) {
	n := len(arg) - 1
	if n < 2 || arg[0] != arg[n] || arg[0] != '"' && arg[0] != '\'' {
		return 0, false
	}
	for i, pattern := range known {
		if matches(pattern, arg[1:n]) {
			return i, true
		}
	}
	return 0, false
}

// isWord is isNode for parameters.
func isWord(pattern string, arg []byte) bool { return len(arg) > 0 && isNode(pattern, arg) }

// answer says the answer of a query. Several in one message are separated by
// semicolons; the end of the last follows when the message is through.
func (c *call) answer(text []byte) (place int64, ok bool) {
	s, separators := c.s, 1
	if !s.answered {
		separators = 0
	}
	var buffer [mostAnswer]byte
	b := append(append(buffer[:0], ";"[:separators]...), text...)
	if place, ok = c.d.say(s.busyUntil, b); !ok {
		// Nobody reads what this instrument says (IEEE 488.2, 6.3.1.7).
		c.d.out.clear(c.at)
		s.fail(errDeadlocked)
		return 0, false
	}
	s.answered = true
	return place + int64(separators), true
}

// mostAnswer is longer than any answer of the instruments here.
const mostAnswer = 128

func (c *call) answerInt(v int) {
	var buffer [24]byte
	c.answer(strconv.AppendInt(buffer[:0], int64(v), 10))
}

func (c *call) answerFlag(on bool) {
	if on {
		c.answerInt(1)
		return
	}
	c.answerInt(0)
}

func (c *call) answerNumber(v float64) {
	var buffer [24]byte
	c.answer(appendNR3(buffer[:0], v, 6))
}

// appendNR3 writes a number as instruments do: sign, one digit, the decimals, a
// signed exponent of two digits.
func appendNR3(dst []byte, v float64, decimals int) []byte {
	v += 0 // never -0
	if v >= 0 {
		dst = append(dst, '+')
	}
	return strconv.AppendFloat(dst, v, 'E', decimals, 64)
}

// answerError takes the next error out of the queue.
func (c *call) answerError() {
	code := c.s.nextError()
	var buffer [64]byte
	b := append(strconv.AppendInt(buffer[:0], int64(code), 10), ',', '"')
	for _, e := range errorTexts {
		if e.code == code {
			b = append(b, e.text...)
		}
	}
	c.answer(append(b, '"'))
}

// Common commands (IEEE 488.2, 10), told apart by a number.
const (
	commonCLS = iota
	commonESE
	commonESR
	commonOPC
	commonSRE
	commonSTB
	commonTST
	commonWAI
)

// common carries out the common commands that no instrument has its own way with.
// Since every unit here is finished before the next, there is nothing to wait for.
func (c *call) common() {
	s := c.s
	switch c.which {
	case commonCLS:
		if c.none() {
			s.event, s.queued = 0, 0
		}
	case commonESE:
		if v, ok := c.number(0, 255, 0); ok {
			s.enable = byte(v)
		}
	case commonSRE:
		if v, ok := c.number(0, 255, 0); ok {
			s.service = byte(v) &^ (1 << 6)
		}
	case commonOPC:
		if c.none() {
			s.event |= eventComplete
		}
	case commonWAI:
		c.none()
	}
}

// commonAsked carries out the common queries.
func (c *call) commonAsked() {
	s := c.s
	if !c.none() {
		return
	}
	switch c.which {
	case commonESE:
		c.answerInt(int(s.enable))
	case commonESR:
		c.answerInt(int(s.event))
		s.event = 0
	case commonOPC:
		c.answerInt(1)
	case commonSRE:
		c.answerInt(int(s.service))
	case commonSTB:
		c.answerInt(int(s.status(c.d.out.waiting())))
	case commonTST:
		c.answerInt(0)
	}
}
