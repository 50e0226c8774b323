package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"strings"

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
//   - A stream that nobody reads any more is not an error.
type speech struct {
	out, err io.Writer
	json     bool
	terminal bool // standard error is one that can be redrawn
	colour   bool
}

func newSpeech(out, err *os.File) *speech {
	dumb := os.Getenv("TERM") == "dumb"
	tty := term.IsTerminal(int(err.Fd())) && !dumb
	return &speech{out: out, err: err, terminal: tty, colour: tty && os.Getenv("NO_COLOR") == ""}
}

// settle is called once the flags are known.
func (s *speech) settle() {}

// clip shortens a line to the width of the terminal, so that it stays one line.
func (s *speech) clip(line string) string {
	f, ok := s.err.(*os.File)
	if !ok || !s.terminal {
		return line
	}
	width, _, err := term.GetSize(int(f.Fd()))
	if r := []rune(line); err == nil && width > 1 && len(r) >= width && !strings.Contains(line, "\x1b") {
		return string(r[:width-2]) + "…"
	}
	return line
}

// say talks to the person, beside the result.
func (s *speech) say(format string, args ...any) {
	fmt.Fprintf(s.err, format+"\n", args...)
}

// result prints what was asked for, unless an object was.
func (s *speech) result(text string) {
	if !s.json {
		fmt.Fprint(s.out, text)
	}
}

// object prints the JSON object of --json.
func (s *speech) object(v any) {
	if !s.json {
		return
	}
	b, err := json.Marshal(v)
	if err != nil {
		b = []byte(fmt.Sprintf("{\"error\":%q}", err))
	}
	fmt.Fprintf(s.out, "%s\n", b)
}

// mistakes prints what is wrong with files.
func (s *speech) mistakes(m *yamltext.Mistakes) error {
	m.Print(s.err)
	s.object(map[string]any{"mistakes": m.Len(), "exit": exitUsage})
	return said(exitUsage)
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

// table lays out rows of cells, the first column left, the others right.
func table(rows [][]string) string {
	var widths []int
	for _, row := range rows {
		for i, cell := range row {
			if i == len(widths) {
				widths = append(widths, 0)
			}
			widths[i] = max(widths[i], len([]rune(cell)))
		}
	}
	var b strings.Builder
	for _, row := range rows {
		line := ""
		for i, cell := range row {
			pad := strings.Repeat(" ", widths[i]-len([]rune(cell)))
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
