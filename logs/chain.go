package logs

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"slices"
	"strconv"
)

// link is one line of readings.chain: a file as it was acknowledged.
type link struct {
	stream     int
	end, lines int64
	hash       [sha256.Size]byte
}

// chainStart is the prefix of the first line.
const chainStart = "dwell chain 1 "

// longestBatch bounds the chain lines of one batch, in bytes: what a crash can tear
// off readings.chain.
const longestBatch = streams * (len(readingsName) + 1 + 20 + 1 + 20 + 1 + 2*sha256.Size + 1)

// appendClaim adds the hashed part of a link's line, without newline.
func appendClaim(dst []byte, l link) []byte {
	dst = append(append(dst, streamNames[l.stream]...), ' ')
	dst = append(strconv.AppendInt(dst, l.end, 10), ' ')
	return strconv.AppendInt(dst, l.lines, 10)
}

func appendLink(dst []byte, l link) []byte {
	dst = append(appendClaim(dst, l), ' ')
	return append(hex.AppendEncode(dst, l.hash[:]), '\n')
}

// parseLink reads a line of the chain with its newline. It takes exactly the lines
// that appendLink writes.
func parseLink(line []byte) (link, error) {
	bad := func() (link, error) {
		return link{}, fmt.Errorf("expected <file> <end> <lines> <sha256>, got %.60q", line)
	}
	var fields [4][]byte
	rest, ok := bytes.TrimSuffix(line, []byte("\n")), true
	for i := range fields[:3] {
		if fields[i], rest, ok = bytes.Cut(rest, []byte(" ")); !ok {
			return bad()
		}
	}
	fields[3] = rest
	if len(fields[3]) != 2*sha256.Size {
		return bad()
	}
	var err1, err2, err3 error
	var spelled [longestBatch]byte
	l := link{stream: slices.Index(streamNames[:], string(fields[0]))}
	l.end, err1 = strconv.ParseInt(string(fields[1]), 10, 64)
	l.lines, err2 = strconv.ParseInt(string(fields[2]), 10, 64)
	_, err3 = hex.Decode(l.hash[:], fields[3])
	if l.stream < 0 || err1 != nil || err2 != nil || err3 != nil || !bytes.Equal(appendLink(spelled[:0], l), line) {
		return bad()
	}
	return l, nil
}

// chain is where each file stands, and the way from one block to the next.
type chain struct {
	last   [streams]link
	hash   [sha256.Size]byte // of the last line
	sha    hash.Hash
	before []byte            // scratch
	sum    [sha256.Size]byte // scratch: a link that sha has seen would be allocated
	ahead  [streams]window   // of the files, when their blocks are hashed again
}

// newChain starts at the first line of readings.chain, given with its newline.
func newChain(firstLine []byte) *chain {
	c := &chain{hash: sha256.Sum256(firstLine), sha: sha256.New()}
	for i := range c.last {
		c.last[i].stream = i
	}
	return c
}

// begin hashes what stands before the block that l closes.
func (c *chain) begin(l link) {
	c.sha.Reset()
	c.before = append(c.before[:0], c.hash[:]...)
	c.before = append(appendClaim(c.before, l), '\n')
	c.sha.Write(c.before)
}

// close is the next link for a block with so many lines.
func (c *chain) close(stream int, block []byte, lines int64) link {
	l := link{stream: stream, end: c.last[stream].end + int64(len(block)), lines: c.last[stream].lines + lines}
	c.begin(l)
	c.sha.Write(block)
	c.sha.Sum(c.sum[:0])
	l.hash = c.sum
	c.move(l)
	return l
}

// move makes l the last link.
func (c *chain) move(l link) { c.last[l.stream], c.hash = l, l.hash }

// rehash computes the hash that l should have from the file itself.
func (c *chain) rehash(l link, f File) (sum [sha256.Size]byte, err error) {
	c.begin(l)
	for at := c.last[l.stream].end; at < l.end; {
		piece, err := c.ahead[l.stream].piece(f, at, l.end)
		if len(piece) == 0 {
			return sum, err
		}
		c.sha.Write(piece)
		at += int64(len(piece))
	}
	c.sha.Sum(sum[:0])
	return sum, nil
}

// window reads a file in large pieces, since the blocks of a chain are small.
type window struct {
	buf []byte
	at  int64 // of buf in the file
}

// windowBytes is a compromise between calls of the system and memory.
const windowBytes int64 = 256 << 10

// piece returns bytes of f beginning at from and ending before to: all of them, or as
// many as the window holds. It returns none with the reason.
func (w *window) piece(f File, from, to int64) ([]byte, error) {
	if from < w.at || from >= w.at+int64(len(w.buf)) {
		if w.buf == nil {
			size, err := f.Size()
			if err != nil {
				return nil, err
			}
			w.buf = make([]byte, min(windowBytes, max(1, size)))
		}
		n, err := f.ReadAt(w.buf[:cap(w.buf)], from)
		w.buf, w.at = w.buf[:n], from
		if n == 0 {
			return nil, err
		}
	}
	i := from - w.at
	return w.buf[i:min(int64(len(w.buf)), i+to-from)], nil
}

// follow takes l as the next link if it can be one.
func (c *chain) follow(l link) error {
	last := c.last[l.stream]
	if l.end <= last.end || l.lines < last.lines {
		return fmt.Errorf("%s goes from byte %d, line %d to byte %d, line %d", streamNames[l.stream], last.end, last.lines, l.end, l.lines)
	}
	return nil
}

// readChain reads readings.chain line by line and calls each for every link, before
// c moves on to it. It returns the chain at its last whole line, and what
// is torn after it.
func readChain(f File, each func(c *chain, line int64, l link) error) (*chain, Tail, error) {
	size, err := f.Size()
	if err != nil {
		return nil, Tail{}, err
	}
	lines := newLineReader(f, chainName, 0, 0, size)
	tail := Tail{File: chainName}
	first, err := lines.next()
	if err == nil && !bytes.HasPrefix(first, []byte(chainStart)) {
		err = fmt.Errorf("expected a line beginning with %q, got %.60q", chainStart, first)
	}
	if err == io.EOF {
		err = errors.New("the file is empty")
	}
	if err != nil {
		return nil, tail, lines.place(err)
	}
	c := newChain(first)
	for {
		line, err := lines.next()
		if err == io.EOF {
			return c, tail, nil
		}
		var l link
		if err == nil {
			l, err = parseLink(line)
		}
		if err == nil {
			err = c.follow(l)
		} else if torn := size - lines.before; torn <= int64(longestBatch) && !errors.Is(err, errRead) {
			tail.Line, tail.Offset, tail.Torn, tail.Why = lines.line, lines.before, torn, err.Error()
			return c, tail, nil
		}
		if err != nil {
			return c, tail, lines.place(err)
		}
		if err := each(c, lines.line, l); err != nil {
			return c, tail, err
		}
		c.move(l)
	}
}

// errRead marks what the file system said, as against what the file says.
var errRead = errors.New("cannot be read")

// lineReader goes through a file line by line with a buffer that grows only for
// long lines.
type lineReader struct {
	file   File
	name   string
	buf    []byte // buf[start:] is read and not yet given out
	start  int
	at     int64 // where buf ends in the file
	end    int64 // read no further
	line   int64 // number of the line that next gave last
	before int64 // bytes of the file before it
}

// newLineReader begins at a byte of the file, after so many lines.
func newLineReader(f File, name string, offset, line, end int64) *lineReader {
	return &lineReader{file: f, name: name, buf: make([]byte, 0, 32<<10), at: offset, line: line, end: end}
}

// next is the next line with its newline, good until the next call; io.EOF after
// the last one.
func (r *lineReader) next() ([]byte, error) {
	searched := 0
	for {
		if i := bytes.IndexByte(r.buf[r.start+searched:], '\n'); i >= 0 {
			return r.give(searched + i + 1), nil
		}
		searched = len(r.buf) - r.start
		if r.at >= r.end && searched == 0 {
			return nil, io.EOF
		}
		if r.at >= r.end {
			r.give(searched)
			return nil, errors.New("the last line has no end")
		}
		if searched > longestLine {
			r.give(searched)
			return nil, fmt.Errorf("line is longer than %d bytes", longestLine)
		}
		if err := r.fill(); err != nil {
			r.line, r.before = r.line+1, r.at-int64(searched)
			r.at = r.end
			r.start = len(r.buf)
			return nil, fmt.Errorf("%w: %w", errRead, err)
		}
	}
}

// place says where err is: damage, unless the file system is to blame.
func (r *lineReader) place(err error) error {
	if errors.Is(err, errRead) {
		return fmt.Errorf("%s:%d: %w", r.name, r.line, err)
	}
	return &Damage{ErrCorrupt, r.name, r.line, r.before, err.Error()}
}

func (r *lineReader) give(n int) []byte {
	r.before = r.at - int64(len(r.buf)-r.start)
	r.line++
	line := r.buf[r.start : r.start+n]
	r.start += n
	return line
}

// fill reads on behind what is left in the buffer.
func (r *lineReader) fill() error {
	left := copy(r.buf, r.buf[r.start:])
	r.buf, r.start = r.buf[:left], 0
	if left == cap(r.buf) {
		r.buf = slices.Grow(r.buf, cap(r.buf))
	}
	room := r.buf[left:min(int64(cap(r.buf)), int64(left)+r.end-r.at)]
	n, err := r.file.ReadAt(room, r.at)
	if n == 0 && err != nil {
		return err
	}
	r.buf = r.buf[:left+n]
	r.at += int64(n)
	return nil
}
