package dialect

import "bytes"

// This file reads what a stage answers whose firmware takes lines in the words of
// ISO 6983 (G-code). A line is answered by `ok` or `error:n`: it has been understood
// and queued, which says nothing of motion. Between any two lines, also between a
// command and its answer, can stand what nobody asked for on that line: a report in
// angle brackets, a message in square ones, `ALARM:n`, the banner after a reset.

// Acknowledged returns a framing that finds the end of the answers to so many lines:
// the `ok` or `error:n` of the last one, or the first alarm, after which none of the
// others is answered.
func Acknowledged(lines int) func(got []byte) int {
	return func(got []byte) int {
		left := lines
		for from := 0; ; {
			end := Line(got[from:])
			if end == 0 {
				return 0
			}
			switch kind, _ := verdict(got[from : from+end]); kind {
			case isOK, isError:
				left--
			case isAlarm:
				left = 0
			}
			if from += end; left == 0 {
				return from
			}
		}
	}
}

// Queued checks the answers to so many lines: every one must be `ok`. What stands
// between them is passed over. The error is *NotQueued for a line that was refused and
// for an alarm.
func Queued(reply []byte, lines int) error {
	for len(reply) > 0 {
		end := Line(reply)
		if end == 0 {
			end = len(reply)
		}
		switch kind, code := verdict(reply[:end]); kind {
		case isOK:
			lines--
		case isError:
			return &NotQueued{Code: code}
		case isAlarm:
			return &NotQueued{Code: code, Alarm: true}
		}
		reply = reply[end:]
	}
	if lines != 0 {
		return ErrEcho
	}
	return nil
}

// NotQueued is a line that a stage did not take. Its codes are explained by the
// instrument profile.
type NotQueued struct {
	Code  int
	Alarm bool // the stage has locked itself
}

func (e *NotQueued) Error() string {
	if e.Alarm {
		return "stage alarm"
	}
	return "refused"
}

const (
	isOther = iota
	isOK
	isError
	isAlarm
)

// verdict is what a line says of a command.
func verdict(line []byte) (kind, code int) {
	line = Trim(line)
	if string(line) == "ok" {
		return isOK, 0
	}
	for _, k := range []struct {
		word string
		kind int
	}{{"error:", isError}, {"ALARM:", isAlarm}} {
		if rest, found := bytes.CutPrefix(line, []byte(k.word)); found {
			if n, ok := Whole(rest); ok {
				return k.kind, n
			}
		}
	}
	return isOther, 0
}

// ReportLine finds the end of a status report: of the first line in angle brackets.
// Other lines before it belong to something else.
func ReportLine(got []byte) int {
	for from := 0; ; {
		end := Line(got[from:])
		if end == 0 {
			return 0
		}
		if _, ok := ParseReport(got[from : from+end]); ok {
			return from + end
		}
		from += end
	}
}

// Report is a status report: <Run|MPos:1.000,0.000|FS:500,0>. The first word is the
// state; each of the others has a key and values.
type Report struct{ State, fields []byte }

// ParseReport reads one; lines before it are passed over.
func ParseReport(reply []byte) (Report, bool) {
	text := Trim(reply)
	if i := bytes.LastIndexByte(text, '\n'); i >= 0 {
		text = Trim(text[i:])
	}
	n := len(text)
	if n < 3 || text[0] != '<' || text[n-1] != '>' || bytes.ContainsAny(text[1:n-1], "<>") {
		return Report{}, false
	}
	state, fields, _ := bytes.Cut(text[1:n-1], []byte{'|'})
	for _, c := range state {
		if letter := c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z'; !letter && c != ':' && (c < '0' || c > '9') {
			return Report{}, false
		}
	}
	return Report{state, fields}, len(state) > 0
}

// Value is one number of a field, counted from 1. A key that stands there twice, as
// after a line that lost some bytes, has no value.
func (r Report) Value(key string, place int) (float64, bool) {
	var found []byte
	for rest := r.fields; len(rest) > 0; {
		var field []byte
		field, rest, _ = bytes.Cut(rest, []byte{'|'})
		name, values, ok := bytes.Cut(field, []byte{':'})
		if !ok || string(name) != key {
			continue
		}
		if found != nil {
			return 0, false
		}
		found = values
	}
	for ; place > 1; place-- {
		_, after, ok := bytes.Cut(found, comma)
		if !ok {
			return 0, false
		}
		found = after
	}
	value, _, _ := bytes.Cut(found, comma)
	return Number(value)
}
