package logs

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
)

// Input is one file that a run starts from, by its slash-separated name in the
// folder: protocol.yaml, profiles/plate.yaml.
type Input struct {
	Name  string
	Bytes []byte
}

// Digest tells one content from another.
type Digest struct {
	Name   string `json:"name"`
	Bytes  int64  `json:"bytes"`
	SHA256 string `json:"sha256"`
}

// mostPending bounds the records that wait in memory while the disk is slow.
const mostPending = 64 << 20

var (
	errGivenUp  = errors.New("a batch was given back before it was written")
	errClosed   = errors.New("the run folder has been closed")
	errUnderWay = errors.New("a batch is still under way")
	// ErrBehind: the disk has not kept up; the record was not taken.
	ErrBehind = fmt.Errorf("over %d MiB wait for the disk", mostPending>>20)
)

// Writer appends to a run folder. Reading, Event and Exchange only add to memory;
// a Batch takes it to the disk. All but Batch.Commit belongs to one process at a
// time; Commit may run in another, while more is appended.
//
// The first failure of the disk is the last: the writer is dead, and every later
// call returns that error.
type Writer struct {
	fs  FS
	dir string
	// Unsynced leaves out every sync until Close and writes in large pieces, for a
	// rehearsal. What is then called acknowledged survives nothing before Close.
	Unsynced bool

	inputs       []Digest
	buf, spare   [streams][]byte
	lines        [streams]int64 // in buf
	written      Mark
	acknowledged Mark
	err          error
	busy         bool
	batch        Batch

	// what follows belongs to Commit
	files     [streams]File
	chainFile File
	chain     *chain
	claims    []byte
	gathered  [streams][]byte // of an unsynced writer, not yet written
}

// Create makes the folder root/name, or root/name-2, -3, … when there is one, with the inputs
// and a run.json in it, which says what is known already.
func Create(disk FS, root, name string, inputs []Input, id Identity) (*Writer, error) {
	id.Format, id.Inputs = identityFormat, digests(inputs)
	if name == "" || name[0] == '.' || name != filepath.Base(name) || strings.ContainsFunc(name, isControl) {
		return nil, fmt.Errorf("%q cannot be the name of a run folder", name)
	}
	if err := checkInputs(inputs); err != nil {
		return nil, err
	}
	if err := makeRoot(disk, root); err != nil {
		return nil, err
	}
	const most = 1000
	for n := 1; n <= most; n++ {
		dir := filepath.Join(root, name)
		if n > 1 {
			dir = filepath.Join(root, fmt.Sprintf("%s-%d", name, n))
		}
		taken, err := exists(disk, dir)
		var first []byte
		if err == nil && !taken {
			first, err = firstLine(dir, id)
		}
		if err == nil && !taken {
			taken, err = makeFolder(disk, dir, first, inputs, id)
		}
		if err != nil {
			return nil, fmt.Errorf("new run folder %s: %w", dir, err)
		}
		if !taken {
			c, _ := bornChain(first)
			return openWriter(disk, dir, c, id.Inputs)
		}
	}
	return nil, fmt.Errorf("%s holds %d runs named %s", root, most, name)
}

func isControl(r rune) bool { return r < 0x20 || r == 0x7f }

// checkInputs refuses names that lead out of the folder or to a file of ours.
func checkInputs(inputs []Input) error {
	ours := append([]string{readingsName + metadataSuffix, alignedName, alignedName + metadataSuffix, chainName, identityName, sealName, signaturesName}, streamNames[:]...)
	for i, in := range inputs {
		for j, part := range strings.Split(in.Name, "/") {
			if part == "" || part[0] == '.' || strings.ContainsAny(part, `\:`) || strings.ContainsFunc(part, isControl) ||
				strings.HasSuffix(part, temporary) || j == 0 && slices.Contains(ours, in.Name) {
				return fmt.Errorf("%q cannot be the name of an input file", in.Name)
			}
		}
		if slices.ContainsFunc(inputs[:i], func(o Input) bool { return o.Name == in.Name }) {
			return fmt.Errorf("two input files are named %q", in.Name)
		}
	}
	return nil
}

func digests(inputs []Input) []Digest {
	d := make([]Digest, len(inputs))
	for i, in := range inputs {
		sum := sha256.Sum256(in.Bytes)
		d[i] = Digest{in.Name, int64(len(in.Bytes)), hex.EncodeToString(sum[:])}
	}
	return d
}

// bornChain is the chain of a new folder: one link, over the header.
func bornChain(firstLine []byte) (*chain, link) {
	c := newChain(firstLine)
	return c, c.close(readingStream, []byte(readingsHeader), 1)
}

// makeFolder fills a folder under a temporary name and renames it. taken tells that
// the name is somebody else's by now.
func makeFolder(disk FS, dir string, first []byte, inputs []Input, id Identity) (taken bool, err error) {
	root := filepath.Dir(dir)
	unborn := filepath.Join(root, "."+filepath.Base(dir)+temporary)
	if err := disk.Mkdir(unborn); errors.Is(err, fs.ErrExist) {
		return true, nil // left by a crash, or being filled
	} else if err != nil {
		return false, err
	}
	if err = fillFolder(disk, unborn, first, inputs, id); err == nil {
		err = disk.Rename(unborn, dir)
	}
	if err == nil {
		return false, disk.SyncDir(root)
	}
	removeFolder(disk, unborn)
	if now, err2 := exists(disk, dir); err2 == nil && now {
		return true, nil
	}
	return false, err
}

// fillFolder writes every file that a folder is born with.
func fillFolder(disk FS, unborn string, chainLine []byte, inputs []Input, id Identity) error {
	_, header := bornChain(chainLine)
	identity, err := encodeJSON(id)
	if err != nil {
		return err
	}
	files := append(slices.Clone(inputs),
		Input{identityName, identity},
		Input{readingsName, []byte(readingsHeader)},
		Input{readingsName + metadataSuffix, readingsMetadata()},
		Input{eventsName, nil},
		Input{wireName, nil},
		Input{chainName, appendLink(slices.Clone(chainLine), header)})
	folders := []string{unborn}
	for _, in := range files {
		parts := strings.Split(in.Name, "/")
		folder := unborn
		for _, part := range parts[:len(parts)-1] {
			folder = filepath.Join(folder, part)
			if !slices.Contains(folders, folder) {
				if err := disk.Mkdir(folder); err != nil {
					return err
				}
				folders = append(folders, folder)
			}
		}
		if err := createFile(disk, filepath.Join(folder, parts[len(parts)-1]), func(f File) error { return writeAll(f, in.Bytes) }); err != nil {
			return err
		}
	}
	for _, folder := range folders {
		if err := disk.SyncDir(folder); err != nil {
			return err
		}
	}
	return nil
}

// removeFolder takes away what could not be finished, as far as the disk lets it.
func removeFolder(disk FS, folder string) {
	entries, _ := disk.List(folder)
	for _, e := range entries {
		if name := filepath.Join(folder, e.Name); e.Dir {
			removeFolder(disk, name)
		} else {
			disk.Remove(name)
		}
	}
	disk.Remove(folder)
}

// Append opens an existing folder to write on, as a resumed run does. A folder that
// is torn must be repaired first.
func Append(disk FS, dir string) (*Writer, error) {
	run, tails, err := Open(disk, dir)
	if err != nil {
		return nil, err
	}
	if len(tails) > 0 {
		t := tails[0]
		return nil, &Damage{ErrTorn, t.File, t.Line, t.Offset, t.String()}
	}
	id, err := run.Identity()
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	w, err := openWriter(disk, dir, run.chain, id.Inputs)
	if err == nil {
		w.written, w.acknowledged = run.Acknowledged(), run.Acknowledged()
	}
	return w, err
}

// openWriter opens the growing files of a folder that is in order up to c.
func openWriter(disk FS, dir string, c *chain, inputs []Digest) (*Writer, error) {
	w := &Writer{fs: disk, dir: dir, chain: c, inputs: inputs}
	w.batch.w = w
	for i := range w.buf {
		w.buf[i], w.spare[i] = make([]byte, 0, 16<<10), make([]byte, 0, 16<<10)
	}
	for i, name := range append(streamNames[:], chainName) {
		f, err := disk.Append(filepath.Join(dir, name))
		if err != nil {
			w.closeFiles()
			return nil, err
		}
		if i < streams {
			w.files[i] = f
		} else {
			w.chainFile = f
		}
	}
	return w, nil
}

// Dir is the run folder's path.
func (w *Writer) Dir() string { return w.dir }

// Reading appends a row to readings.csv.
func (w *Writer) Reading(r Row) error {
	b, err := AppendRow(w.buf[readingStream], r)
	if err = w.take(readingStream, b, err); err == nil {
		w.written.Readings++
		w.written.AtNs = r.AtNs
	}
	return err
}

// Exchange appends a line to wire.jsonl.
func (w *Writer) Exchange(x Exchange) error {
	b, err := AppendExchange(w.buf[wireStream], x)
	if err = w.take(wireStream, b, err); err == nil {
		w.written.Exchanges++
	}
	return err
}

// Event appends an encoded JSON object to events.jsonl, with or without its
// newline.
func (w *Writer) Event(line []byte) error {
	start := len(w.buf[eventStream])
	b := append(w.buf[eventStream], line...)
	if len(line) > 0 && line[len(line)-1] != '\n' {
		b = append(b, '\n')
	}
	err := checkEvent(b[start:])
	if err == nil && len(b)-start > longestLine {
		err = fmt.Errorf("line of %d bytes is longer than %d", len(b)-start, longestLine)
	}
	if err != nil {
		err = fmt.Errorf("event: %w", err)
	}
	if err = w.take(eventStream, b, err); err == nil {
		w.written.Events++
	}
	return err
}

// take makes b, the buffer with one more line, the buffer, if nothing is wrong.
func (w *Writer) take(stream int, b []byte, err error) error {
	switch {
	case w.err != nil:
		return w.err
	case err != nil:
		return err
	case w.Pending()+len(b)-len(w.buf[stream]) > mostPending:
		return ErrBehind
	}
	w.buf[stream] = b
	w.lines[stream]++
	return nil
}

// Pending is how many bytes no batch has taken yet.
func (w *Writer) Pending() int {
	n := 0
	for _, b := range w.buf {
		n += len(b)
	}
	return n
}

// Written is how far records have been appended in memory.
func (w *Writer) Written() Mark { return w.written }

// Acknowledged is how far they are safe on disk.
func (w *Writer) Acknowledged() Mark { return w.acknowledged }

// Err is why the writer is dead, or nil.
func (w *Writer) Err() error { return w.err }

// Batch is what was pending when it began. Call Commit, in a process of its own
// where the disk may block, then Done in the writer's.
type Batch struct {
	w      *Writer
	blocks [streams][]byte
	lines  [streams]int64
	mark   Mark
	over   bool
	err    error
}

// Begin takes all that is pending, without touching the disk. It is nil when
// nothing is, when another batch is not Done yet, or when the writer is dead. Who
// needs a record on disk before going on notes Written, and begins batches until
// Acknowledged covers it.
func (w *Writer) Begin() *Batch {
	if w.err != nil || w.busy || w.Pending() == 0 {
		return nil
	}
	b := &w.batch
	b.blocks, w.buf, w.spare = w.buf, w.spare, [streams][]byte{}
	b.lines, w.lines = w.lines, [streams]int64{}
	b.mark, b.over, b.err = w.written, false, nil
	w.busy = true
	return b
}

// Commit writes the batch to the disk: files, sync, chain, sync. It does so once; a
// second call only tells again how the first one ended.
func (b *Batch) Commit() error {
	if !b.over {
		b.err = b.w.commit(&b.blocks, &b.lines)
		b.over = true
	}
	return b.err
}

// Done takes note, in the writer's process, of how Commit ended.
func (b *Batch) Done() error {
	w := b.w
	if !w.busy {
		return w.err
	}
	w.busy = false
	if !b.over {
		b.err = errGivenUp
	}
	if b.err != nil {
		w.err = b.err
		return w.err
	}
	w.acknowledged = b.mark
	for i := range b.blocks {
		w.spare[i] = b.blocks[i][:0]
	}
	return nil
}

func (w *Writer) commit(blocks *[streams][]byte, lines *[streams]int64) error {
	if w.Unsynced {
		return w.gather(blocks, lines)
	}
	for i, block := range blocks { // one after the other: no row is there before its bytes, after a power cut either
		if len(block) > 0 {
			if err := writeAll(w.files[i], block); err != nil {
				return err
			}
			if err := w.files[i].Sync(); err != nil {
				return err
			}
		}
	}
	w.claim(blocks, lines)
	if err := writeAll(w.chainFile, w.claims); err != nil {
		return err
	}
	w.claims = w.claims[:0]
	return w.chainFile.Sync()
}

// claim adds the chain lines of a batch to those that are to be written.
func (w *Writer) claim(blocks *[streams][]byte, lines *[streams]int64) {
	for i, block := range blocks {
		if len(block) > 0 {
			w.claims = appendLink(w.claims, w.chain.close(i, block, lines[i]))
		}
	}
}

// gatherBytes is how much an unsynced writer keeps before it writes.
const gatherBytes = 1 << 20

// gather keeps a batch in memory, and writes when there is enough of it.
func (w *Writer) gather(blocks *[streams][]byte, lines *[streams]int64) error {
	total := 0
	for i, block := range blocks {
		w.gathered[i] = append(w.gathered[i], block...)
		total += len(w.gathered[i])
	}
	w.claim(blocks, lines)
	if total < gatherBytes {
		return nil
	}
	return w.spill()
}

// spill writes what was gathered: the files first, then the chain.
func (w *Writer) spill() error {
	for i, block := range w.gathered {
		if len(block) == 0 {
			continue
		}
		if err := writeAll(w.files[i], block); err != nil {
			return err
		}
		w.gathered[i] = block[:0]
	}
	err := writeAll(w.chainFile, w.claims)
	w.claims = w.claims[:0]
	return err
}

// Close commits what is pending, syncs what was not, and closes the files. It must
// not be called while a batch is under way.
func (w *Writer) Close() error {
	if w.busy && !w.batch.over {
		return errUnderWay
	}
	w.batch.Done()
	if b := w.Begin(); b != nil {
		b.Commit()
		b.Done()
	}
	err := w.err
	if err == nil && w.Unsynced {
		err = w.spill()
		for _, f := range append(w.files[:], w.chainFile) {
			if err == nil {
				err = f.Sync()
			}
		}
	}
	if err2 := w.closeFiles(); err == nil {
		err = err2
	}
	if w.err = err; err == nil {
		w.err = errClosed
	}
	return err
}

func (w *Writer) closeFiles() (err error) {
	for _, f := range append(w.files[:], w.chainFile) {
		if f == nil {
			continue
		}
		if err2 := f.Close(); err == nil {
			err = err2
		}
	}
	w.files, w.chainFile = [streams]File{}, nil
	return err
}
