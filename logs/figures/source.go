package figures

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"unicode/utf16"
	"unicode/utf8"
)

// source is a file of text, read from its beginning as often as is needed: as UTF-8, every
// line ended by one sign.
type source struct {
	file   io.ReadSeeker
	coding coding
	mark   int64 // bytes of a byte-order mark
	blank  bool  // it holds nothing but blanks
}

// coding is how a file writes characters.
type coding uint8

const (
	utf8Text coding = iota
	utf16Little
	utf16Big
	latin1 // the one-byte coding that old spreadsheets write
)

const pieceOfFile = 1 << 16 // bytes

// examine reads all of it once.
func (s *source) examine() error {
	begin := make([]byte, 3)
	n, err := s.readAt0(begin)
	if err != nil {
		return err
	}
	switch begin = begin[:n]; {
	case bytes.HasPrefix(begin, []byte("\xef\xbb\xbf")):
		s.mark = 3
	case bytes.HasPrefix(begin, []byte("\xff\xfe")):
		s.mark, s.coding = 2, utf16Little
	case bytes.HasPrefix(begin, []byte("\xfe\xff")):
		s.mark, s.coding = 2, utf16Big
	}
	length, valid, zeros, err := s.walk()
	switch {
	case err != nil:
		return err
	case s.coding != utf8Text && length%2 != 0:
		return errors.New("the file begins like UTF-16 and ends in half a character")
	case zeros:
		return errors.New("the file holds zero bytes: it is no text")
	case !valid:
		s.coding = latin1
	}
	return nil
}

// readAt0 is the beginning of the file, as far as there is one.
func (s *source) readAt0(into []byte) (int, error) {
	if _, err := s.file.Seek(0, io.SeekStart); err != nil {
		return 0, err
	}
	n, err := io.ReadFull(s.file, into)
	if err == io.EOF || err == io.ErrUnexpectedEOF {
		err = nil
	}
	return n, err
}

// walk goes through the text as it is coded, and says whether it is UTF-8 then, and whether
// it holds zeros.
func (s *source) walk() (length int64, valid, zeros bool, err error) {
	r, err := s.open()
	if err != nil {
		return 0, false, false, err
	}
	s.blank, valid = true, true
	piece, kept := make([]byte, pieceOfFile), 0
	for {
		n, err := r.Read(piece[kept:])
		text := piece[:kept+n]
		zeros = zeros || bytes.IndexByte(text, 0) >= 0
		s.blank = s.blank && len(bytes.TrimSpace(text)) == 0
		whole := len(text)
		if err == nil { // a character may go on in the next piece
			for whole > 0 && len(text)-whole < utf8.UTFMax && !utf8.RuneStart(text[whole-1]) {
				whole--
			}
			whole = max(0, whole-1)
		}
		valid = valid && utf8.Valid(text[:whole])
		kept = copy(piece, text[whole:])
		switch {
		case err == io.EOF:
			if s.coding != utf8Text { // in bytes of the file
				length, err = s.file.Seek(0, io.SeekCurrent)
				return length, valid, zeros, err
			}
			return length, valid, zeros, nil
		case err != nil:
			return 0, false, false, err
		}
		if length += int64(n); length > longestTable {
			return 0, false, false, fmt.Errorf("the table is longer than %d bytes", int64(longestTable))
		}
	}
}

// open begins at the beginning.
func (s *source) open() (io.Reader, error) {
	if _, err := s.file.Seek(s.mark, io.SeekStart); err != nil {
		return nil, err
	}
	var r io.Reader = s.file
	switch s.coding {
	case latin1:
		r = &recoder{next: func(in *bufio.Reader) (rune, error) {
			b, err := in.ReadByte()
			return rune(b), err
		}, in: bufio.NewReaderSize(r, pieceOfFile)}
	case utf16Little:
		r = &recoder{next: unitsIn(binary.LittleEndian), in: bufio.NewReaderSize(r, pieceOfFile)}
	case utf16Big:
		r = &recoder{next: unitsIn(binary.BigEndian), in: bufio.NewReaderSize(r, pieceOfFile)}
	}
	return &lineEnds{in: r}, nil
}

// recoder makes UTF-8 of another coding.
type recoder struct {
	in   *bufio.Reader
	next func(*bufio.Reader) (rune, error)
}

func (r *recoder) Read(into []byte) (int, error) {
	done := into[:0]
	for len(done)+utf8.UTFMax <= len(into) {
		c, err := r.next(r.in)
		if err != nil {
			return len(done), err
		}
		done = utf8.AppendRune(done, c)
	}
	return len(done), nil
}

// unitsIn reads characters of one or two units of 16 bits. Half of one at the end is told
// by its length.
func unitsIn(order binary.ByteOrder) func(*bufio.Reader) (rune, error) {
	unit := func(in *bufio.Reader) (rune, error) {
		var b [2]byte
		_, err := io.ReadFull(in, b[:])
		if err == io.ErrUnexpectedEOF {
			err = io.EOF
		}
		return rune(order.Uint16(b[:])), err
	}
	return func(in *bufio.Reader) (rune, error) {
		first, err := unit(in)
		if err != nil || !utf16.IsSurrogate(first) {
			return first, err
		}
		if ahead, err := in.Peek(2); err == nil {
			if c := utf16.DecodeRune(first, rune(order.Uint16(ahead))); c != utf8.RuneError {
				_, err = in.Discard(2)
				return c, err
			}
		}
		return utf8.RuneError, nil
	}
}

// lineEnds makes one sign of each end of a line: CR LF, CR, LF.
type lineEnds struct {
	in    io.Reader
	after bool // a CR
}

func (l *lineEnds) Read(into []byte) (int, error) {
	n, err := l.in.Read(into)
	if !l.after && bytes.IndexByte(into[:n], '\r') < 0 {
		return n, err
	}
	done := into[:0]
	for _, c := range into[:n] {
		switch {
		case c == '\r':
			done = append(done, '\n')
		case c != '\n' || !l.after:
			done = append(done, c)
		}
		l.after = c == '\r'
	}
	return len(done), err
}
