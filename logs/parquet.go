package logs

import (
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"io"
	"iter"
	"math"
	"math/bits"
	"strconv"
)

// TableColumn is one of a table for others: text, or numbers in one unit.
type TableColumn struct {
	Name string
	Text bool
	Unit string // "" for text, and where it stands in another column
}

// ParquetRows is how many rows of a table are held before they are written.
const ParquetRows = 1 << 16

// WriteParquet writes a table as Apache Parquet (format version 1, data pages of version
// 1): numbers as DOUBLE, plain; text as UTF8 in a dictionary; pages compressed with gzip.
// Cells are as they stand in our CSV; an empty cell of numbers is null. The units stand in
// the key-value metadata, one entry "unit of NAME" a column.
func WriteParquet(w io.Writer, columns []TableColumn, rows iter.Seq2[[]string, error]) error {
	p := &parquet{w: w, columns: columns, cells: make([][]string, len(columns))}
	p.write([]byte(parquetMagic))
	for row, err := range rows {
		if err != nil {
			return err
		}
		for k := range columns {
			p.cells[k] = append(p.cells[k], row[k])
		}
		if len(p.cells[0]) == ParquetRows {
			if err := p.group(); err != nil {
				return err
			}
		}
	}
	if len(columns) > 0 && len(p.cells[0]) > 0 {
		if err := p.group(); err != nil {
			return err
		}
	}
	meta := p.footer()
	p.write(meta)
	p.write(binary.LittleEndian.AppendUint32(nil, uint32(len(meta))))
	p.write([]byte(parquetMagic))
	return p.err
}

const (
	parquetMagic = "PAR1"
	// Numbers of the format's enumerations.
	typeDouble, typeByteArray     = 5, 6
	required, optional            = 0, 1
	convertedUTF8                 = 0
	plainValues, rle, rleIndices  = 0, 3, 8
	codecGzip                     = 2
	pageOfData, pageOfADictionary = 0, 2
)

// parquet is a file on its way.
type parquet struct {
	w       io.Writer
	at      int64
	err     error
	columns []TableColumn
	cells   [][]string // of the group, column by column
	groups  [][]chunk
	counts  []int // rows of each group
}

// chunk is one column of one group, where it lies in the file.
type chunk struct {
	values, pages, dictionary int64 // counts and places; dictionary 0 for none
	whole, packed             int64 // bytes before and after compression, with headers
}

func (p *parquet) write(b []byte) {
	if p.err == nil {
		_, p.err = p.w.Write(b)
		p.at += int64(len(b))
	}
}

// group writes what is held.
func (p *parquet) group() error {
	var all []chunk
	n := len(p.cells[0])
	for k, c := range p.columns {
		column := chunk{values: int64(n)}
		if c.Text {
			p.text(&column, p.cells[k])
		} else {
			p.numbers(&column, p.cells[k])
		}
		all = append(all, column)
		p.cells[k] = p.cells[k][:0]
	}
	p.groups, p.counts = append(p.groups, all), append(p.counts, n)
	return p.err
}

// numbers are definition levels (0 for null) and then the values that there are.
func (p *parquet) numbers(c *chunk, cells []string) {
	levels := make([]int, len(cells))
	var values []byte
	for i, cell := range cells {
		if v, err := strconv.ParseFloat(cell, 64); err == nil {
			levels[i] = 1
			values = binary.LittleEndian.AppendUint64(values, math.Float64bits(v))
		}
	}
	packed := packedBits(levels, 1)
	body := append(binary.LittleEndian.AppendUint32(nil, uint32(len(packed))), packed...)
	p.page(c, pageOfData, len(cells), plainValues, append(body, values...))
}

// text is a dictionary, and a place in it for each value.
func (p *parquet) text(c *chunk, cells []string) {
	place := map[string]int{}
	indices := make([]int, len(cells))
	var words []byte
	for i, cell := range cells {
		at, known := place[cell]
		if !known {
			at = len(place)
			place[cell] = at
			words = append(binary.LittleEndian.AppendUint32(words, uint32(len(cell))), cell...)
		}
		indices[i] = at
	}
	p.page(c, pageOfADictionary, len(place), plainValues, words)
	width := max(1, bits.Len(uint(len(place)-1)))
	p.page(c, pageOfData, len(cells), rleIndices, append([]byte{byte(width)}, packedBits(indices, width)...))
}

// packedBits is one bit-packed run of the hybrid encoding: eight values at a time, the
// lowest bit first.
func packedBits(values []int, width int) []byte {
	groups := (len(values) + 7) / 8
	b := binary.AppendUvarint(nil, uint64(groups)<<1|1)
	from := len(b)
	b = append(b, make([]byte, groups*width)...)
	for i, v := range values {
		for k := range width {
			if v>>k&1 == 1 {
				bit := i*width + k
				b[from+bit/8] |= 1 << (bit % 8)
			}
		}
	}
	return b
}

func (p *parquet) page(c *chunk, kind, count, encoding int, body []byte) {
	var zipped bytes.Buffer
	z := gzip.NewWriter(&zipped)
	z.Write(body)
	z.Close()
	var h thrift
	h.integer(1, int64(kind))
	h.integer(2, int64(len(body)))
	h.integer(3, int64(zipped.Len()))
	if kind == pageOfData {
		c.pages = p.at
		h.begin(5)
		h.integer(1, int64(count))
		h.integer(2, int64(encoding))
		h.integer(3, rle)
		h.integer(4, rle)
	} else {
		c.dictionary = p.at
		h.begin(7)
		h.integer(1, int64(count))
		h.integer(2, int64(encoding))
	}
	h.end()
	h.end()
	p.write(h.bytes)
	p.write(zipped.Bytes())
	c.whole += int64(len(h.bytes) + len(body))
	c.packed += int64(len(h.bytes) + zipped.Len())
}

// footer is the metadata of the file: its schema, and where everything lies.
func (p *parquet) footer() []byte {
	var t thrift
	t.integer(1, 1)
	t.list(2, thriftStruct, len(p.columns)+1)
	t.element()
	t.text(4, "table")
	t.integer(5, int64(len(p.columns)))
	t.end()
	for _, c := range p.columns {
		t.element()
		if c.Text {
			t.integer(1, typeByteArray)
			t.integer(3, required)
			t.text(4, c.Name)
			t.integer(6, convertedUTF8)
		} else {
			t.integer(1, typeDouble)
			t.integer(3, optional)
			t.text(4, c.Name)
		}
		t.end()
	}
	total := 0
	for _, n := range p.counts {
		total += n
	}
	t.long(3, int64(total))
	t.list(4, thriftStruct, len(p.groups))
	for g, all := range p.groups {
		p.describe(&t, g, all)
	}
	var units []TableColumn
	for _, c := range p.columns {
		if c.Unit != "" {
			units = append(units, c)
		}
	}
	t.list(5, thriftStruct, len(units))
	for _, c := range units {
		t.element()
		t.text(1, "unit of "+c.Name)
		t.text(2, c.Unit)
		t.end()
	}
	t.text(6, "dwell")
	t.end()
	return t.bytes
}

func (p *parquet) describe(t *thrift, g int, all []chunk) {
	t.element()
	t.list(1, thriftStruct, len(all))
	whole := int64(0)
	for k, c := range all {
		whole += c.whole
		start, kind, encodings := c.pages, typeDouble, []int64{plainValues, rle}
		if c.dictionary > 0 {
			start, kind, encodings = c.dictionary, typeByteArray, []int64{plainValues, rle, rleIndices}
		}
		t.element()
		t.long(2, start)
		t.begin(3)
		t.integer(1, int64(kind))
		t.list(2, thriftInteger, len(encodings))
		for _, e := range encodings {
			t.zigzag(e)
		}
		t.list(3, thriftText, 1)
		t.word(p.columns[k].Name)
		t.integer(4, codecGzip)
		t.long(5, c.values)
		t.long(6, c.whole)
		t.long(7, c.packed)
		t.long(9, c.pages)
		if c.dictionary > 0 {
			t.long(11, c.dictionary)
		}
		t.end()
		t.end()
	}
	t.long(2, whole)
	t.long(3, int64(p.counts[g]))
	t.end()
}

// thrift writes structures in the compact protocol of Apache Thrift.
type thrift struct {
	bytes []byte
	last  []int16 // number of the last field, of each structure that is open
	field int16
}

const (
	thriftInteger, thriftLong, thriftText, thriftList, thriftStruct = 5, 6, 8, 9, 12
)

func (t *thrift) header(number int16, kind byte) {
	t.bytes = append(t.bytes, byte(number-t.field)<<4|kind) // our numbers are never more than 15 apart
	t.field = number
}

func (t *thrift) zigzag(v int64) { t.bytes = binary.AppendVarint(t.bytes, v) }

func (t *thrift) word(s string) {
	t.bytes = append(binary.AppendUvarint(t.bytes, uint64(len(s))), s...)
}

func (t *thrift) integer(number int16, v int64) { t.header(number, thriftInteger); t.zigzag(v) }
func (t *thrift) long(number int16, v int64)    { t.header(number, thriftLong); t.zigzag(v) }
func (t *thrift) text(number int16, s string)   { t.header(number, thriftText); t.word(s) }

// list begins a list; its structures each begin with element.
func (t *thrift) list(number int16, kind byte, n int) {
	t.header(number, thriftList)
	if n < 15 {
		t.bytes = append(t.bytes, byte(n)<<4|kind)
	} else {
		t.bytes = binary.AppendUvarint(append(t.bytes, 0xf0|kind), uint64(n))
	}
}

func (t *thrift) begin(number int16) {
	t.header(number, thriftStruct)
	t.element()
}

// element begins a structure whose header is written.
func (t *thrift) element() {
	t.last, t.field = append(t.last, t.field), 0
}

// end ends a structure; that of the whole has no one around it.
func (t *thrift) end() {
	t.bytes = append(t.bytes, 0)
	if n := len(t.last); n > 0 {
		t.field, t.last = t.last[n-1], t.last[:n-1]
	}
}
