package logs

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strconv"
	"unicode/utf8"

	"dwell/drivers/quantity"
)

// Row is one line of readings.csv.
type Row struct {
	AtNs     int64 // midpoint of the exchange, on the run's time base
	WithinNs int64 // half the exchange
	Channel  string
	Value    float64 // in Unit
	Unit     string
	Flag     string // empty is good
	Step     string
}

// Good tells whether the value may be used: not flagged, and finite.
func (r Row) Good() bool {
	return r.Flag == "" && !math.IsNaN(r.Value) && !math.IsInf(r.Value, 0)
}

// Exchange is one line of wire.jsonl. See the package comment.
type Exchange struct {
	Port    string
	Action  string // what the bytes were for, in the instrument profile's word
	SentNs  int64
	FirstNs int64
	LastNs  int64
	Request []byte
	Reply   []byte
	Ended   string
}

// latestNs keeps t_s below 1e9 s, 31 years, so that reading it back cannot overflow.
const latestNs = 1e18

// AppendRow adds r as a line to dst, or says what cannot be written and adds
// nothing.
func AppendRow(dst []byte, r Row) ([]byte, error) {
	if r.Channel == "" {
		return dst, errors.New("a reading needs a channel")
	}
	if r.WithinNs < 0 || max(r.AtNs, -r.AtNs, r.WithinNs) >= latestNs || r.AtNs == math.MinInt64 {
		return dst, fmt.Errorf("reading of %q at %d ns within %d ns: no time of a run", r.Channel, r.AtNs, r.WithinNs)
	}
	start := len(dst)
	dst = append(quantity.AppendSeconds(dst, r.AtNs), ',')
	dst = append(quantity.AppendSeconds(dst, r.WithinNs), ',')
	dst, ok := appendField(dst, r.Channel)
	dst = append(quantity.AppendNumber(append(dst, ','), r.Value), ',')
	for i, field := range [...]string{r.Unit, r.Flag, r.Step} {
		if i > 0 {
			dst = append(dst, ',')
		}
		var fine bool
		dst, fine = appendField(dst, field)
		ok = ok && fine
	}
	if !ok {
		return dst[:start], fmt.Errorf("reading of %q: control characters or invalid UTF-8 in unit %q, flag %q or step %q",
			r.Channel, r.Unit, r.Flag, r.Step)
	}
	if size := len(dst) - start; size > longestLine-2 {
		return dst[:start], fmt.Errorf("reading of %.40q: line of %d bytes is longer than %d", r.Channel, size, longestLine)
	}
	return append(dst, '\r', '\n'), nil
}

// appendField adds one text, quoted when RFC 4180 asks for it, and tells whether
// it may stand in the file.
func appendField(dst []byte, s string) ([]byte, bool) {
	quote, wide := false, false
	for i := 0; i < len(s); i++ {
		switch c := s[i]; {
		case c < 0x20 || c == 0x7f:
			return dst, false
		case c == ',' || c == '"':
			quote = true
		case c >= utf8.RuneSelf:
			wide = true
		}
	}
	if wide && !utf8.ValidString(s) {
		return dst, false
	}
	if !quote {
		return append(dst, s...), true
	}
	dst = append(dst, '"')
	for i := 0; i < len(s); i++ {
		if s[i] == '"' {
			dst = append(dst, '"')
		}
		dst = append(dst, s[i])
	}
	return append(dst, '"'), true
}

// words keeps one copy of each text that comes again and again, so that reading a
// file does not allocate. It stays small: rare texts are not kept.
type words map[string]string

const mostWords = 4096

func (w words) of(b []byte) string {
	if s, ok := w[string(b)]; ok {
		return s
	}
	s := string(b)
	if w != nil && len(w) < mostWords {
		w[s] = s
	}
	return s
}

// ParseRow reads a line of readings.csv with its CRLF.
func ParseRow(line []byte) (Row, error) { return parseRow(line, nil) }

func parseRow(line []byte, known words) (Row, error) {
	rest, ok := bytes.CutSuffix(line, []byte("\r\n"))
	if !ok {
		return Row{}, errors.New("does not end in CRLF")
	}
	for _, c := range rest {
		if c < 0x20 || c == 0x7f {
			return Row{}, fmt.Errorf("control character in %.80q", rest)
		}
	}
	if !utf8.Valid(rest) {
		return Row{}, fmt.Errorf("invalid UTF-8 in %.80q", rest)
	}
	var fields [7][]byte
	n := 0
	for more := true; more; n++ {
		if n == len(fields) {
			return Row{}, errors.New("expected 7 fields, got more")
		}
		var err error
		if fields[n], rest, more, err = cutField(rest); err != nil {
			return Row{}, fmt.Errorf("field %d: %w", n+1, err)
		}
	}
	if n < len(fields) {
		return Row{}, fmt.Errorf("expected 7 fields, got %d", n)
	}
	var r Row
	var err1, err2, err3 error
	r.AtNs, err1 = parseSeconds(fields[0])
	r.WithinNs, err2 = parseSeconds(fields[1])
	r.Value, err3 = parseNumber(fields[3])
	if err := cmp.Or(err1, err2, err3); err != nil {
		return Row{}, err
	}
	if r.WithinNs < 0 || len(fields[2]) == 0 {
		return Row{}, errors.New("a negative time bound or no channel")
	}
	r.Channel, r.Unit, r.Flag, r.Step = known.of(fields[2]), known.of(fields[4]), known.of(fields[5]), known.of(fields[6])
	return r, nil
}

// cutField takes the first field off a line; more tells whether a comma followed.
func cutField(line []byte) (field, rest []byte, more bool, err error) {
	if len(line) > 0 && line[0] == '"' {
		if field, rest, err = cutQuoted(line[1:]); err != nil {
			return nil, nil, false, err
		}
		if more = len(rest) > 0; more && rest[0] != ',' {
			return nil, nil, false, fmt.Errorf("expected a comma after the closing quote, got %q", rest[0])
		} else if more {
			rest = rest[1:]
		}
	} else {
		field, rest, more = bytes.Cut(line, []byte(","))
		if bytes.IndexByte(field, '"') >= 0 {
			return nil, nil, false, fmt.Errorf("a quote inside %q", field)
		}
	}
	return field, rest, more, nil
}

// cutQuoted reads up to the closing quote. Only doubled quotes make it copy.
func cutQuoted(line []byte) (field, rest []byte, err error) {
	for i := 0; ; i += 2 {
		next := bytes.IndexByte(line[i:], '"')
		if next < 0 {
			return nil, nil, errors.New("the closing quote is missing")
		}
		doubled := i > 0
		i += next
		switch {
		case i+1 < len(line) && line[i+1] == '"':
		case doubled:
			return bytes.ReplaceAll(line[:i], []byte(`""`), []byte(`"`)), line[i+1:], nil
		default:
			return line[:i], line[i+1:], nil
		}
	}
}

// parseSeconds reads decimal seconds into exact nanoseconds.
func parseSeconds(field []byte) (int64, error) {
	digits, negative := bytes.CutPrefix(field, []byte("-"))
	whole, fraction, point := bytes.Cut(digits, []byte("."))
	var size uint64
	ok := len(whole) >= 1 && len(whole) <= 9 && len(fraction) <= 9 && point == (len(fraction) > 0)
	for _, part := range [...][]byte{whole, fraction} {
		for _, c := range part {
			ok = ok && c >= '0' && c <= '9'
			size = size*10 + uint64(c-'0')
		}
	}
	for range 9 - min(9, len(fraction)) {
		size *= 10
	}
	if !ok {
		return 0, fmt.Errorf("expected seconds, got %q", field)
	}
	if negative {
		return -int64(size), nil
	}
	return int64(size), nil
}

// parseNumber reads what quantity.AppendNumber writes.
func parseNumber(field []byte) (float64, error) {
	switch string(field) {
	case "NaN":
		return math.NaN(), nil
	case "INF":
		return math.Inf(1), nil
	case "-INF":
		return math.Inf(-1), nil
	}
	ok := len(field) > 0
	for _, c := range field {
		ok = ok && (c >= '0' && c <= '9' || c == '.' || c == '-' || c == '+' || c == 'E' || c == 'e')
	}
	v, err := strconv.ParseFloat(string(field), 64)
	if !ok || err != nil {
		return 0, fmt.Errorf("expected a number, got %q", field)
	}
	return v, nil
}

// AppendExchange adds x as a line to dst, or says what cannot be written and adds
// nothing.
func AppendExchange(dst []byte, x Exchange) ([]byte, error) {
	start := len(dst)
	dst, ok1 := appendText(append(dst, `{"port":`...), x.Port)
	dst, ok2 := appendText(append(dst, `,"action":`...), x.Action)
	dst = strconv.AppendInt(append(dst, `,"sent_ns":`...), x.SentNs, 10)
	dst = strconv.AppendInt(append(dst, `,"first_ns":`...), x.FirstNs, 10)
	dst = strconv.AppendInt(append(dst, `,"last_ns":`...), x.LastNs, 10)
	dst = appendBytes(append(dst, `,"request":`...), x.Request)
	dst = appendBytes(append(dst, `,"reply":`...), x.Reply)
	dst, ok3 := appendText(append(dst, `,"ended":`...), x.Ended)
	if !ok1 || !ok2 || !ok3 {
		return dst[:start], fmt.Errorf("exchange: control characters or invalid UTF-8 in port %q, action %q or ending %q", x.Port, x.Action, x.Ended)
	}
	if size := len(dst) - start; size > longestLine-2 {
		return dst[:start], fmt.Errorf("exchange on %q: line of %d bytes is longer than %d", x.Port, size, longestLine)
	}
	return append(dst, '}', '\n'), nil
}

// appendText adds s as a JSON string and tells whether it may stand in the file.
func appendText(dst []byte, s string) ([]byte, bool) {
	dst = append(dst, '"')
	for i := 0; i < len(s); i++ {
		c := s[i]
		if c < 0x20 || c == 0x7f {
			return dst, false
		}
		if c == '"' || c == '\\' {
			dst = append(dst, '\\')
		}
		dst = append(dst, c)
	}
	return append(dst, '"'), utf8.ValidString(s)
}

const hexDigits = "0123456789abcdef"

// appendBytes adds b as a JSON string in which each byte is one code point.
func appendBytes(dst, b []byte) []byte {
	dst = append(dst, '"')
	for _, c := range b {
		switch {
		case c == '"' || c == '\\':
			dst = append(dst, '\\', c)
		case c >= 0x20 && c < 0x7f:
			dst = append(dst, c)
		case c == '\n':
			dst = append(dst, '\\', 'n')
		case c == '\r':
			dst = append(dst, '\\', 'r')
		case c == '\t':
			dst = append(dst, '\\', 't')
		default:
			dst = append(dst, '\\', 'u', '0', '0', hexDigits[c>>4], hexDigits[c&15])
		}
	}
	return append(dst, '"')
}

// ParseExchange reads a line of wire.jsonl with its newline. It takes exactly the
// lines that AppendExchange writes.
func ParseExchange(line []byte) (Exchange, error) { return parseExchange(line, nil) }

func parseExchange(line []byte, known words) (Exchange, error) {
	var x Exchange
	s := scanner{rest: line, size: len(line)}
	s.skip(`{"port":`)
	x.Port = s.text(known)
	s.skip(`,"action":`)
	x.Action = s.text(known)
	s.skip(`,"sent_ns":`)
	x.SentNs = s.integer()
	s.skip(`,"first_ns":`)
	x.FirstNs = s.integer()
	s.skip(`,"last_ns":`)
	x.LastNs = s.integer()
	s.skip(`,"request":`)
	both := s.bytes(nil)
	n := len(both)
	s.skip(`,"reply":`)
	both = s.bytes(both)
	s.skip(`,"ended":`)
	x.Ended = s.text(known)
	s.skip("}\n")
	if s.err == nil && len(s.rest) > 0 {
		s.fail("the end of the line")
	}
	if s.err != nil {
		return Exchange{}, s.err
	}
	x.Request, x.Reply = both[:n:n], both[n:]
	return x, nil
}

// scanner reads one canonical JSON line; after the first error it does nothing.
type scanner struct {
	rest []byte
	size int
	err  error
}

func (s *scanner) fail(expected string) {
	if s.err == nil {
		s.err = fmt.Errorf("expected %s at byte %d of the line, got %.20q", expected, s.size-len(s.rest), s.rest)
	}
	s.rest = nil
}

func (s *scanner) skip(literal string) {
	if len(s.rest) < len(literal) || string(s.rest[:len(literal)]) != literal {
		s.fail(literal)
		return
	}
	s.rest = s.rest[len(literal):]
}

func (s *scanner) integer() int64 {
	n := 0
	for n < len(s.rest) && (s.rest[n] >= '0' && s.rest[n] <= '9' || n == 0 && s.rest[n] == '-') {
		n++
	}
	v, err := strconv.ParseInt(string(s.rest[:n]), 10, 64)
	canonical := n == 1 || n > 1 && s.rest[0] != '0' && (s.rest[0] != '-' || s.rest[1] != '0')
	if err != nil || !canonical {
		s.fail("a whole number")
		return 0
	}
	s.rest = s.rest[n:]
	return v
}

// text reads a string that appendText wrote.
func (s *scanner) text(known words) string {
	s.skip(`"`)
	for i := 0; i < len(s.rest); i++ {
		switch c := s.rest[i]; {
		case c < 0x20 || c == 0x7f:
			s.fail("a text")
			return ""
		case c == '"':
			word := s.rest[:i]
			s.rest = s.rest[i+1:]
			if !utf8.Valid(word) {
				s.fail("UTF-8")
			}
			if bytes.IndexByte(word, '\\') < 0 {
				return known.of(word)
			}
			return known.of(unescape(word))
		case c == '\\':
			if i++; i == len(s.rest) || s.rest[i] != '"' && s.rest[i] != '\\' {
				s.fail(`\" or \\`)
				return ""
			}
		}
	}
	s.fail("a closing quote")
	return ""
}

// unescape drops the backslash before quotes and backslashes.
func unescape(word []byte) []byte {
	out := make([]byte, 0, len(word))
	for i := 0; i < len(word); i++ {
		if word[i] == '\\' {
			i++
		}
		out = append(out, word[i])
	}
	return out
}

// bytes appends to dst the bytes of a string that appendBytes wrote.
func (s *scanner) bytes(dst []byte) []byte {
	s.skip(`"`)
	for i := 0; i < len(s.rest); i++ {
		switch c := s.rest[i]; {
		case c == '"':
			s.rest = s.rest[i+1:]
			return dst
		case c < 0x20 || c >= 0x7f:
			s.fail("printable ASCII")
			return nil
		case c != '\\':
			dst = append(dst, c)
		default:
			b, n := escaped(s.rest[i:])
			if n == 0 {
				s.rest = s.rest[i:]
				s.fail("an escaped byte")
				return nil
			}
			dst = append(dst, b)
			i += n - 1
		}
	}
	s.fail("a closing quote")
	return nil
}

// escaped reads one escape sequence and tells its length, 0 if it is not the one
// spelling of its byte.
func escaped(b []byte) (byte, int) {
	if len(b) < 2 {
		return 0, 0
	}
	switch b[1] {
	case '"', '\\':
		return b[1], 2
	case 'n':
		return '\n', 2
	case 'r':
		return '\r', 2
	case 't':
		return '\t', 2
	}
	if len(b) < 6 || b[1] != 'u' || b[2] != '0' || b[3] != '0' {
		return 0, 0
	}
	high, low := bytes.IndexByte([]byte(hexDigits), b[4]), bytes.IndexByte([]byte(hexDigits), b[5])
	if high < 0 || low < 0 {
		return 0, 0
	}
	c := byte(high<<4 | low)
	if c >= 0x20 && c < 0x7f || c == '\n' || c == '\r' || c == '\t' {
		return 0, 0 // it has a shorter spelling
	}
	return c, 6
}

// checkEvent tells whether a line of events.jsonl is whole: one JSON object and a
// newline.
func checkEvent(line []byte) error {
	object, ok := bytes.CutSuffix(line, []byte("\n"))
	if !ok {
		return errors.New("does not end in a newline")
	}
	broken := bytes.IndexByte(object, '\n') >= 0
	if broken || len(object) < 2 || object[0] != '{' || object[len(object)-1] != '}' || !json.Valid(object) {
		return fmt.Errorf("expected one JSON object on one line, got %.40q", object)
	}
	return nil
}
