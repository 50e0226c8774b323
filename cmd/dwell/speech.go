package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"syscall"
	"unicode"

	"dwell/drivers/yamltext"

	"golang.org/x/term"
)

// speech is the only place that prints. Its rules:
//
//   - Standard output carries what was asked for: a summary, or with --json one
//     object as the last line. Everything else, progress too, goes to standard error.
//   - Sentences start small and end without a full stop. Errors begin with "error:",
//     what to do next with "hint:".
//   - Colour only on a terminal, never with NO_COLOR or TERM=dumb, and never as the
//     only carrier of a meaning.
//   - A stream that nobody reads any more is not an error; a disk that
//     did not take what was asked for is.
type speech struct {
	out, err io.Writer
	json     bool
	terminal bool // standard error is one that can be redrawn
	colour   bool
	lost     error // what kept a result from being written
}

func newSpeech(out, err *os.File) *speech {
	dumb := os.Getenv("TERM") == "dumb"
	tty := term.IsTerminal(int(err.Fd())) && !dumb && redrawable(err)
	return &speech{out: out, err: err, terminal: tty, colour: tty && os.Getenv("NO_COLOR") == ""}
}

// settle is called once the flags are known.
func (s *speech) settle() {}

// size is that of the terminal, in characters and lines.
func (s *speech) size() (columns, rows int) {
	if f, ok := s.err.(*os.File); ok && s.terminal {
		if columns, rows, err := term.GetSize(int(f.Fd())); err == nil && columns > 1 && rows > 1 {
			return columns, rows
		}
	}
	return usualColumns, usualRows
}

// page is how wide what is asked for may be: as the terminal that shows it, if one does, and
// no wider than a page.
func (s *speech) page() int {
	if f, ok := s.out.(*os.File); ok {
		if columns, _, err := term.GetSize(int(f.Fd())); err == nil && columns >= narrowest {
			return min(columns, pageWidth)
		}
	}
	return pageWidth
}

// narrowest is a page on which a table still has room for words.
const narrowest = 60

// usualColumns and usualRows are those of a terminal that does not say.
const usualColumns, usualRows = 80, 24

// clip shortens a line so that it takes less than a number of columns: one that fills
// them all is two lines to some terminals. What would move the cursor is shown as a dot.
func clip(line string, columns int) string {
	var b strings.Builder
	taken := 0
	for _, r := range line {
		if !unicode.IsPrint(r) {
			r = '·'
		}
		if taken += yamltext.Cells(r); taken >= columns {
			short := []rune(b.String())
			return string(short[:max(0, len(short)-1)]) + "…"
		}
		b.WriteRune(r)
	}
	return b.String()
}

// wrap breaks a text between words into lines that take less than a number of columns.
func wrap(text string, columns int) []string {
	var lines []string
	line := ""
	for _, word := range words(text) {
		if line != "" && width(line)+1+width(word) >= columns {
			lines, line = append(lines, line), ""
		}
		if line != "" {
			line += " "
		}
		line += word
	}
	return append(lines, line)
}

// width is how many columns a text takes.
func width(text string) (columns int) {
	for _, r := range text {
		columns += yamltext.Cells(r)
	}
	return columns
}

// say talks to the person, beside the result.
func (s *speech) say(format string, args ...any) {
	fmt.Fprintf(s.err, format+"\n", args...)
}

// result prints what was asked for, unless an object was.
func (s *speech) result(text string) {
	if !s.json {
		s.print(text)
	}
}

// windowsDiskFull is ERROR_DISK_FULL, from Microsoft's list of system error codes.
const windowsDiskFull = syscall.Errno(112)

// print writes a result, and remembers that a full or failing disk did not take it.
func (s *speech) print(text string) {
	_, err := io.WriteString(s.out, text)
	for _, e := range []error{syscall.ENOSPC, syscall.EIO, syscall.EDQUOT, windowsDiskFull} {
		if errors.Is(err, e) && s.lost == nil {
			s.lost = fmt.Errorf("the result was not written: %w", err)
		}
	}
}

// object prints the JSON object of --json.
func (s *speech) object(v any) {
	if !s.json {
		return
	}
	b, err := json.Marshal(v)
	if err != nil {
		if s.lost == nil {
			s.lost = fmt.Errorf("the result cannot be written as JSON: %w", err)
		}
		return
	}
	s.print(string(b) + "\n")
}

// mistakes prints what is wrong with files.
func (s *speech) mistakes(m *yamltext.Mistakes) error {
	m.Print(s.err)
	all := []map[string]any{}
	for _, x := range m.All() {
		o := at(x.File, x.Pos, x.Text)
		if x.Advice != "" {
			o["hint"] = x.Advice
		}
		var notes []map[string]any
		for _, n := range x.Notes {
			notes = append(notes, at(n.File, n.Pos, n.Text))
		}
		if notes != nil {
			o["notes"] = notes
		}
		all = append(all, o)
	}
	s.object(map[string]any{"mistakes": all, "exit": exitUsage})
	return said(exitUsage)
}

func at(file string, pos yamltext.Pos, text string) map[string]any {
	return map[string]any{"file": file, "line": pos.Line, "column": pos.Column, "text": text}
}

func (s *speech) failure(err error, code int) {
	s.say("%s %s", s.red("error:"), err)
	s.object(map[string]any{"error": err.Error(), "exit": code})
}

func (s *speech) paint(code, text string) string {
	if !s.colour {
		return text
	}
	return "\x1b[" + code + "m" + text + "\x1b[0m"
}

func (s *speech) red(text string) string  { return s.paint("31;1", text) }
func (s *speech) bold(text string) string { return s.paint("1", text) }

// alarmed is for what nobody may overlook.
func (s *speech) alarmed(text string) string { return s.paint("7;31;1", text) }

// table lays out rows of cells, the first column left, the others right.
func table(rows [][]string) string {
	var widths []int
	for _, row := range rows {
		for i, cell := range row {
			if i == len(widths) {
				widths = append(widths, 0)
			}
			widths[i] = max(widths[i], width(cell))
		}
	}
	var b strings.Builder
	for _, row := range rows {
		line := ""
		for i, cell := range row {
			pad := strings.Repeat(" ", widths[i]-width(cell))
			if i == 0 {
				line += "  " + cell + pad
			} else {
				line += "  " + pad + cell
			}
		}
		b.WriteString(strings.TrimRight(line, " ") + "\n")
	}
	return b.String()
}
