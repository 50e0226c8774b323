// Package logs keeps the run folder: it makes one, appends to it, reads it,
// repairs its end after a crash, brings its channels to one time base, seals and
// verifies it. It knows times, names, units and numbers. It must never ask the
// time (the caller stamps), know an instrument, or wait for anything but its
// file system; and it must never say that something is on disk when it is not.
//
// # Folder
//
// A run folder is born whole: it is filled under a temporary name, synced and
// renamed, and an existing folder is never written over. It holds the input files
// byte for byte, run.json (who, what, with which instruments, how it ended), and
// four files that only grow: readings.csv, events.jsonl, wire.jsonl and
// readings.chain. A resumed run appends to the same four. aligned.csv,
// figures.json and report.html are derived and can be made again at any time. The
// guard process of a run keeps guard.jsonl, events like the run's, beside them.
//
// Text in these files is UTF-8 without control characters, so that a record is
// always exactly one line, and a line is at most 4 MiB.
//
// # Readings
//
// readings.csv is RFC 4180: CRLF, comma, quotes where needed, one header line. Its
// rows stand in order of completion, not of t_s.
//
//	t_s      seconds since the start, to the nanosecond; midpoint of the exchange
//	u_t_s    half the exchange's length: a bound, not a standard uncertainty
//	channel  what was read
//	value    a number in the unit of this row, or NaN, INF, -INF
//	unit     as in readings.csv-metadata.json, which gives UCUM and QUDT codes
//	flag     empty for a good reading, else why the value must not be used
//	step     the place in the protocol, may be empty
//
// # Events
//
// events.jsonl is one JSON object a line, as the caller encoded it.
//
// # Exchanges
//
// wire.jsonl is one JSON object a line with exactly these members in this order,
// without spaces: port, action, sent_ns, first_ns, last_ns, request, reply, ended.
// Times are nanoseconds on the run's time base, 0 where nothing came. request and
// reply are bytes, written as the code points U+0000 to U+00FF of the same
// numbers; printable ASCII stands for itself, the others are \n, \r, \t or \u00xx
// in lower case, quote and backslash are escaped. So each byte string has one
// spelling and each spelling one byte string. Bytes that answered nothing are an
// exchange without a request.
//
// # Chain
//
// readings.chain is text. Its first line is "dwell chain 1 ", the name the folder was
// born with, " born " and a SHA-256 over run.json as it was at first, which has those of
// the inputs, and readings.csv-metadata.json (see birth). Each further line closes a block of one of the three
// other growing files:
//
//	<file> <end> <lines> <sha256>
//
// end and lines are the size and the number of lines of the file up to the end of
// the block, both since its beginning. sha256 is over: the hash of the line before
// (32 bytes; for the first line its SHA-256, with newline), this line up to and
// including <lines>, a newline, and the bytes of the block.
//
// # Acknowledged, torn, corrupt
//
// A batch of records goes to disk in this order: the block of wire.jsonl written and
// synced, then that of events.jsonl, then that of readings.csv, then their chain lines:
// no crash leaves a row without its bytes. Then, and not before, its records are acknowledged: no crash loses
// them. A failed write or sync is never tried again (a kernel may drop the pages
// and let the second sync succeed): the writer is dead.
//
// After a crash, whatever stands above a file's last chain line may be torn. Whole
// records there are read; the rest, from the first line that is not one, is the
// torn tail. Repair moves it to a file of its own (readings.csv.torn-1), cuts it
// off, and closes the whole records with a chain line. A chain ending in an
// incomplete line, at most one batch long, is torn too. All other damage is
// corruption, which is reported with its place and never repaired.
//
// # Seal
//
// seal.json lists size and SHA-256 of every file, sealing by sealing, derived files
// apart. Like the chain it finds accidents, not forgers: whoever can edit a file
// can compute its hash. See Seal.
//
// # Example
//
// The tests write this run, named "example", in two batches (the second begins
// with the third row), after a run.json that says at first that it is a run, and compare.
//
// readings.csv:
//
//	t_s,u_t_s,channel,value,unit,flag,step
//	0.0125,0.0025,plate.temperature,20.04,degC,,plateau 1
//	1.000000001,0.5,element.resistance,9871.25,Ohm,in compliance,"up, 25 degC"
//	1.5,0,"the ""odd"" one",NaN,1,garbled,
//
// events.jsonl:
//
//	{"t_ns":0,"event":"start"}
//
// wire.jsonl:
//
//	{"port":"plate","action":"read","sent_ns":10000000,"first_ns":14000000,"last_ns":15000000,"request":"IN_PV_2\r\n","reply":"20.04 2\r\n","ended":"answered"}
//	{"port":"meter","action":"","sent_ns":0,"first_ns":0,"last_ns":16000000,"request":"","reply":"\u0000\u00ff\"\\","ended":"unasked"}
//
// readings.chain:
//
//	dwell chain 1 example born a4844772c60cb3158c14a6cdf5427032c7e6f495deed96686a222f41cdfc3242
//	readings.csv 40 1 e8bb395fb79c6871d9fb970782fdb4292cf1c07fcd459385b1b05db04bd05c0d
//	wire.jsonl 287 2 7dd0cb7db2f7b6cd6d99517baa8a0fc2db3debf3b1300531bfa5bde6a28d00e3
//	events.jsonl 27 1 5401a050d24ed726143b229e7343d0a5ccb539daed45bd2afbaf60fc2cb87b09
//	readings.csv 171 3 e5d10e1bf14de5330dacab48b7a7368ef7db9fb5ba5371c90d31c81bd9798b5e
//	readings.csv 211 4 2681342f42e46ee9f0ee0ebf508fa673e517b263dfc38a62f419fd50662cace5
package logs

import (
	"errors"
	"fmt"
)

// The files of a run folder that grow, and the derived ones.
const (
	readingsName   = "readings.csv"
	eventsName     = "events.jsonl"
	wireName       = "wire.jsonl"
	chainName      = "readings.chain"
	identityName   = "run.json"
	sealName       = "seal.json"
	signaturesName = "signatures.json"
	alignedName    = "aligned.csv"

	FiguresName = "figures.json"
	ReportName  = "report.html"

	metadataSuffix = "-metadata.json" // CSVW finds the metadata of a table by this
	tornSuffix     = ".torn-"
	temporary      = ".tmp"

	readingsHeader = "t_s,u_t_s,channel,value,unit,flag,step\r\n"

	longestLine = 4 << 20
)

// A stream is one of the files under the chain, in the order in which a batch
// reaches the disk: no reading stands there without its exchange.
const (
	wireStream = iota
	eventStream
	readingStream
	streams
)

var streamNames = [streams]string{wireName, eventsName, readingsName}

// Two kinds of damage, told apart by errors.Is.
var (
	// ErrCorrupt: what was acknowledged has been changed or lost.
	ErrCorrupt = errors.New("damaged where it was once acknowledged")
	// ErrTorn: the end was cut by a crash; Repair puts it in order.
	ErrTorn = errors.New("torn at its end: repair it first")
)

// Damage is an error with its place.
type Damage struct {
	Kind   error // ErrCorrupt or ErrTorn
	File   string
	Line   int64 // 1-based, 0 when the whole file is meant
	Offset int64 // bytes before that line
	Text   string
}

func (d *Damage) Error() string {
	if d.Line == 0 {
		return fmt.Sprintf("%s: %s", d.File, d.Text)
	}
	return fmt.Sprintf("%s:%d: %s (byte %d)", d.File, d.Line, d.Text, d.Offset)
}

func (d *Damage) Unwrap() error { return d.Kind }

// Tail is what a crash may have left above the last acknowledged record of a
// file: whole records that were not acknowledged, then the torn rest.
type Tail struct {
	File   string
	Whole  int64  // lines that are whole, though not under the chain
	Line   int64  // of the first torn line
	Offset int64  // where the torn part begins
	Torn   int64  // its length in bytes, 0 when nothing is torn
	Why    string // what is wrong with its first line
}

func (t Tail) String() string {
	s := fmt.Sprintf("%s: %d lines after the last acknowledged one", t.File, t.Whole)
	if t.Torn > 0 {
		s += fmt.Sprintf("; torn at line %d (%d bytes from byte %d): %s", t.Line, t.Torn, t.Offset, t.Why)
	}
	return s
}

// Mark is a place in the record: how many of each have been appended, and when the
// latest reading was taken.
type Mark struct {
	Readings, Events, Exchanges int64
	AtNs                        int64
}

// Covers tells whether everything up to o has been appended up to m.
func (m Mark) Covers(o Mark) bool {
	return m.Readings >= o.Readings && m.Events >= o.Events && m.Exchanges >= o.Exchanges
}
