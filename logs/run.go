package logs

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"path/filepath"
	"slices"
	"strings"
)

// Run is a run folder to read from, as it was when it was opened: it may still be
// growing.
type Run struct {
	fs    FS
	dir   string
	chain *chain
	ends  [streams]int64 // whole records reach so far
	tails []Tail
}

// Open reads where a folder's records end. It changes nothing. The tails are what a
// crash, or a writer still at work, left above the last acknowledged record. An
// error that is ErrCorrupt comes with a Run all the same: what is whole can be
// read.
func Open(disk FS, dir string) (*Run, []Tail, error) {
	r := &Run{fs: disk, dir: dir, chain: newChain(nil)}
	if _, err := disk.List(dir); err != nil {
		return nil, nil, err
	}
	var damage []error
	chainTail, err := r.readChain(func(*chain, int64, link) error { return nil })
	if err != nil {
		damage = append(damage, err)
	}
	for i, name := range streamNames {
		tail, err := r.measure(i)
		if errors.Is(err, fs.ErrNotExist) {
			err = &Damage{ErrCorrupt, name, 0, 0, "the file is missing"}
		}
		if err != nil {
			damage = append(damage, err)
		}
		if tail.Whole > 0 || tail.Torn > 0 {
			r.tails = append(r.tails, tail)
		}
	}
	if chainTail.Torn > 0 {
		r.tails = append(r.tails, chainTail)
	}
	return r, r.tails, errors.Join(damage...)
}

// readChain goes through the chain, which is read before the files below it: they
// may grow meanwhile, and are always ahead of it.
func (r *Run) readChain(each func(c *chain, line int64, l link) error) (Tail, error) {
	f, err := r.fs.Open(filepath.Join(r.dir, chainName))
	if errors.Is(err, fs.ErrNotExist) {
		return Tail{}, &Damage{ErrCorrupt, chainName, 0, 0, "the file is missing"}
	}
	if err != nil {
		return Tail{}, err
	}
	defer f.Close()
	c, tail, err := readChain(f, each)
	if c != nil {
		r.chain = c
	}
	return tail, err
}

// measure finds where the whole records of a file end, going through those that
// the chain does not cover.
func (r *Run) measure(stream int) (Tail, error) {
	name, last := streamNames[stream], r.chain.last[stream]
	tail := Tail{File: name}
	f, err := r.fs.Open(filepath.Join(r.dir, name))
	if err != nil {
		return tail, err
	}
	defer f.Close()
	size, err := f.Size()
	if err != nil {
		return tail, err
	}
	r.ends[stream] = size
	if size < last.end {
		return tail, r.measureCut(stream, f, size)
	}
	lines := newLineReader(f, name, last.end, last.lines, size)
	for {
		line, err := lines.next()
		if err == io.EOF {
			break
		}
		if err == nil {
			err = checkLine(stream, lines.line, line)
		}
		if errors.Is(err, errRead) {
			return tail, lines.place(err)
		}
		if err != nil {
			tail.Line, tail.Offset, tail.Torn, tail.Why = lines.line, lines.before, size-lines.before, err.Error()
			r.ends[stream] = lines.before
			break
		}
		tail.Whole++
	}
	return tail, checkHeader(stream, f, size)
}

// measureCut finds the last whole line of a file that is shorter than what was acknowledged:
// it is read up to there.
func (r *Run) measureCut(stream int, f File, size int64) error {
	name, last := streamNames[stream], r.chain.last[stream]
	lines, whole := newLineReader(f, name, 0, 0, size), int64(0)
	for {
		_, err := lines.next()
		if errors.Is(err, errRead) {
			return lines.place(err)
		}
		if err != nil && err != io.EOF {
			r.ends[stream] = lines.before
		}
		if err != nil {
			break
		}
		whole++
	}
	return &Damage{ErrCorrupt, name, 0, 0, fmt.Sprintf("%d bytes long, but %d were acknowledged: %d of %d lines are missing or have no end",
		size, last.end, last.lines-whole, last.lines)}
}

// checkLine tells whether a line is a whole record of its file.
func checkLine(stream int, number int64, line []byte) error {
	var err error
	switch {
	case stream == eventStream:
		err = checkEvent(line)
	case stream == wireStream:
		_, err = ParseExchange(line)
	case number == 1:
		if string(line) != readingsHeader {
			err = errHeader
		}
	default:
		_, err = ParseRow(line)
	}
	return err
}

var errHeader = fmt.Errorf("expected the header %q", readingsHeader)

// checkHeader looks at the first line of readings.csv, which Rows passes over.
func checkHeader(stream int, f File, size int64) error {
	if stream != readingStream || size < int64(len(readingsHeader)) {
		return nil
	}
	b := make([]byte, len(readingsHeader))
	if _, err := f.ReadAt(b, 0); err != nil && err != io.EOF {
		return err
	}
	if string(b) != readingsHeader {
		return &Damage{ErrCorrupt, readingsName, 1, 0, errHeader.Error()}
	}
	return nil
}

// Dir is the run folder's path.
func (r *Run) Dir() string { return r.dir }

// Acknowledged is how far records stand under the chain. It does not know AtNs.
func (r *Run) Acknowledged() Mark {
	last := &r.chain.last
	return Mark{
		Readings:  max(0, last[readingStream].lines-1),
		Events:    last[eventStream].lines,
		Exchanges: last[wireStream].lines,
	}
}

// File reads a small file of the folder by its slash-separated name, at most 64
// MiB.
func (r *Run) File(name string) ([]byte, error) {
	return readFile(r.fs, filepath.Join(r.dir, filepath.FromSlash(name)), 64<<20)
}

// Rows goes through readings.csv in its own order. An error is one line's, and says
// which; the next line may be sound.
func (r *Run) Rows() iter.Seq2[Row, error] {
	known := words{}
	return records(r, readingStream, func(line []byte) (Row, error) { return parseRow(line, known) })
}

// Exchanges goes through wire.jsonl in order of completion.
func (r *Run) Exchanges() iter.Seq2[Exchange, error] {
	known := words{}
	return records(r, wireStream, func(line []byte) (Exchange, error) { return parseExchange(line, known) })
}

// Events goes through events.jsonl: JSON objects without newline, each good until
// the next.
func (r *Run) Events() iter.Seq2[[]byte, error] {
	return records(r, eventStream, func(line []byte) ([]byte, error) {
		return bytes.TrimSuffix(line, []byte("\n")), checkEvent(line)
	})
}

// records streams a file through a buffer of one line.
func records[T any](r *Run, stream int, parse func(line []byte) (T, error)) iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		var none T
		name := streamNames[stream]
		f, err := r.fs.Open(filepath.Join(r.dir, name))
		if err != nil {
			yield(none, err)
			return
		}
		defer f.Close()
		lines := newLineReader(f, name, 0, 0, r.ends[stream])
		if stream == readingStream {
			lines = newLineReader(f, name, int64(len(readingsHeader)), 1, r.ends[stream])
		}
		for {
			line, err := lines.next()
			if err == io.EOF {
				return
			}
			v := none
			if err == nil {
				v, err = parse(line)
			}
			if err != nil {
				v, err = none, lines.place(err)
			}
			if !yield(v, err) {
				return
			}
		}
	}
}

// Repair puts the end of a folder in order after a crash: what is torn is kept in
// files of its own and cut off, whole records are closed with a chain line. It
// refuses a folder that is corrupt. Afterwards Open finds no tails and Append can
// go on. A crash during a repair is repaired by the next.
func Repair(disk FS, dir string) ([]Tail, error) {
	r, tails, err := Open(disk, dir)
	if err != nil {
		return tails, err
	}
	for f := range r.brokenBlocks() {
		return tails, f.asError()
	}
	for _, t := range tails {
		if t.Torn > 0 {
			if err := cutOff(disk, dir, t); err != nil {
				return tails, fmt.Errorf("repair of %s: %w", filepath.Join(dir, t.File), err)
			}
		}
	}
	return tails, r.closeWhole()
}

// cutOff moves a torn tail to a file of its own: copied and synced before it is cut.
func cutOff(disk FS, dir string, t Tail) error {
	name := filepath.Join(dir, t.File)
	f, err := disk.Append(name)
	if err != nil {
		return err
	}
	defer f.Close()
	aside, err := createAside(disk, name)
	if err != nil {
		return err
	}
	defer aside.Close()
	torn := io.NewSectionReader(f, t.Offset, t.Torn)
	if n, err := io.Copy(aside, torn); err != nil {
		return err
	} else if n != t.Torn {
		return fmt.Errorf("%d of %d torn bytes could be read", n, t.Torn)
	}
	if err := aside.Sync(); err != nil {
		return err
	}
	if err := disk.SyncDir(dir); err != nil {
		return err
	}
	if err := f.Truncate(t.Offset); err != nil {
		return err
	}
	return f.Sync()
}

// createAside makes the first of name.torn-1, -2, … that is not there.
func createAside(disk FS, name string) (File, error) {
	for n := 1; ; n++ {
		f, err := disk.Create(fmt.Sprintf("%s%s%d", name, tornSuffix, n))
		if !errors.Is(err, fs.ErrExist) {
			return f, err
		}
	}
}

// closeWhole adds chain lines for whole records above the chain.
func (r *Run) closeWhole() error {
	var claims []byte
	for i, name := range streamNames {
		l := r.chain.last[i]
		if r.ends[i] == l.end {
			continue
		}
		f, err := r.fs.Append(filepath.Join(r.dir, name))
		if err != nil {
			return err
		}
		l.end = r.ends[i]
		for _, t := range r.tails {
			if t.File == name {
				l.lines += t.Whole
			}
		}
		if l.hash, err = r.chain.rehash(l, f); err == nil {
			err = f.Sync()
		}
		if err2 := f.Close(); err == nil {
			err = err2
		}
		if err != nil {
			return fmt.Errorf("repair of %s: %w", name, err)
		}
		r.chain.move(l)
		claims = appendLink(claims, l)
	}
	if claims == nil {
		return nil
	}
	f, err := r.fs.Append(filepath.Join(r.dir, chainName))
	if err != nil {
		return err
	}
	if err = writeAll(f, claims); err == nil {
		err = f.Sync()
	}
	if err2 := f.Close(); err == nil {
		err = err2
	}
	return err
}

// fileNames lists all files of the folder, slash-separated, in order, without those
// that a crash left unfinished.
func (r *Run) fileNames() ([]string, error) {
	var names []string
	var walk func(below string) error
	walk = func(below string) error {
		entries, err := r.fs.List(filepath.Join(r.dir, filepath.FromSlash(below)))
		for _, e := range entries {
			name := strings.TrimPrefix(below+"/"+e.Name, "/")
			if strings.HasSuffix(name, temporary) {
				continue
			}
			if !e.Dir {
				names = append(names, name)
			} else if err := walk(name); err != nil {
				return err
			}
		}
		return err
	}
	err := walk("")
	slices.Sort(names)
	return names, err
}
