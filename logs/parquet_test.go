package logs

import (
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"slices"
	"strconv"
	"testing"
)

// unthrift reads one structure of the compact protocol: fields by number, lists as slices.
// It is written from the protocol's description and shares nothing with what writes it.
type unthrift struct{ *bytes.Reader }

func (r unthrift) structure(t *testing.T) map[int]any {
	fields, number := map[int]any{}, 0
	for {
		head, err := r.ReadByte()
		if err != nil {
			t.Fatal(err)
		}
		if head == 0 {
			return fields
		}
		number += int(head >> 4)
		fields[number] = r.value(t, head&15)
	}
}

func (r unthrift) value(t *testing.T, kind byte) any {
	switch kind {
	case 5, 6:
		v, err := binary.ReadVarint(r)
		if err != nil {
			t.Fatal(err)
		}
		return int(v)
	case 8:
		n, _ := binary.ReadUvarint(r)
		b := make([]byte, n)
		if _, err := io.ReadFull(r, b); err != nil {
			t.Fatal(err)
		}
		return string(b)
	case 9:
		head, _ := r.ReadByte()
		n := uint64(head >> 4)
		if n == 15 {
			n, _ = binary.ReadUvarint(r)
		}
		list := []any{}
		for range n {
			list = append(list, r.value(t, head&15))
		}
		return list
	case 12:
		return r.structure(t)
	}
	t.Fatalf("a value of kind %d", kind)
	return nil
}

// hybrid reads so many values of a width from runs of either kind.
func hybrid(r *bytes.Reader, width, n int) (values []int) {
	for len(values) < n {
		head, _ := binary.ReadUvarint(r)
		if head&1 == 0 {
			raw := make([]byte, (width+7)/8)
			io.ReadFull(r, raw)
			v := 0
			for k, b := range raw {
				v |= int(b) << (8 * k)
			}
			for range head >> 1 {
				values = append(values, v)
			}
			continue
		}
		raw := make([]byte, int(head>>1)*width)
		io.ReadFull(r, raw)
		for i := range 8 * int(head>>1) {
			v := 0
			for k := range width {
				bit := i*width + k
				v |= int(raw[bit/8]>>(bit%8)&1) << k
			}
			values = append(values, v)
		}
	}
	return values[:n]
}

// page reads the page at a place: its header, and its body unpacked.
func page(t *testing.T, file []byte, at int) (map[int]any, *bytes.Reader) {
	r := bytes.NewReader(file[at:])
	head := unthrift{r}.structure(t)
	packed := make([]byte, head[3].(int))
	if _, err := io.ReadFull(r, packed); err != nil {
		t.Fatal(err)
	}
	z, err := gzip.NewReader(bytes.NewReader(packed))
	if err != nil {
		t.Fatal(err)
	}
	body, err := io.ReadAll(z)
	if err != nil || len(body) != head[2].(int) {
		t.Fatalf("%d bytes, the header says %v: %v", len(body), head[2], err)
	}
	return head, bytes.NewReader(body)
}

// cellsOf reads one column of one group back; null is an empty cell.
func cellsOf(t *testing.T, file []byte, about map[int]any) (cells []string) {
	head, body := page(t, file, about[9].(int))
	n := head[5].(map[int]any)[1].(int)
	if at, is := about[11]; is {
		words, dictionary := []string{}, func() *bytes.Reader { _, b := page(t, file, at.(int)); return b }()
		for dictionary.Len() > 0 {
			size := make([]byte, 4)
			io.ReadFull(dictionary, size)
			word := make([]byte, binary.LittleEndian.Uint32(size))
			io.ReadFull(dictionary, word)
			words = append(words, string(word))
		}
		width, _ := body.ReadByte()
		for _, i := range hybrid(body, int(width), n) {
			cells = append(cells, words[i])
		}
		return cells
	}
	size := make([]byte, 4)
	io.ReadFull(body, size)
	levels := make([]byte, binary.LittleEndian.Uint32(size))
	io.ReadFull(body, levels)
	for _, there := range hybrid(bytes.NewReader(levels), 1, n) {
		if there == 0 {
			cells = append(cells, "")
			continue
		}
		v := make([]byte, 8)
		if _, err := io.ReadFull(body, v); err != nil {
			t.Fatal(err)
		}
		cells = append(cells, strconv.FormatFloat(math.Float64frombits(binary.LittleEndian.Uint64(v)), 'g', -1, 64))
	}
	return cells
}

// TestParquet reads a table back by the format's description: several groups of rows, null
// values, one and many words in a dictionary. (It was also read by another implementation,
// once, by hand.)
func TestParquet(t *testing.T) {
	columns := []TableColumn{{Name: "t_s", Unit: "s"}, {Name: "channel", Text: true}, {Name: "value"}, {Name: "one", Text: true}}
	const n = ParquetRows + 3001
	want := make([][]string, len(columns))
	rows := func(yield func([]string, error) bool) {
		for i := range n {
			row := []string{strconv.FormatFloat(float64(i)/7, 'g', -1, 64), fmt.Sprintf("channel %d", i%37), []string{"", "NaN", "+Inf", "-1.5"}[i%4], "ümlaut"}
			for k, cell := range row {
				want[k] = append(want[k], cell)
			}
			if !yield(row, nil) {
				return
			}
		}
	}
	var b bytes.Buffer
	if err := WriteParquet(&b, columns, rows); err != nil {
		t.Fatal(err)
	}
	file := b.Bytes()
	if !bytes.HasPrefix(file, []byte("PAR1")) || !bytes.HasSuffix(file, []byte("PAR1")) {
		t.Fatal("no PAR1 at both ends")
	}
	size := int(binary.LittleEndian.Uint32(file[len(file)-8:]))
	meta := unthrift{bytes.NewReader(file[len(file)-8-size : len(file)-8])}.structure(t)
	if meta[3] != n || len(meta[2].([]any)) != 5 || meta[6] != "dwell" {
		t.Errorf("metadata: %v rows, %v", meta[3], meta[2])
	}
	if unit := meta[5].([]any); len(unit) != 1 || unit[0].(map[int]any)[1] != "unit of t_s" || unit[0].(map[int]any)[2] != "s" {
		t.Errorf("units: %v", unit)
	}
	got := make([][]string, len(columns))
	for _, g := range meta[4].([]any) {
		for k, c := range g.(map[int]any)[1].([]any) {
			about := c.(map[int]any)[3].(map[int]any)
			if path := about[3].([]any); path[0] != columns[k].Name {
				t.Errorf("column %d is called %v", k, path)
			}
			got[k] = append(got[k], cellsOf(t, file, about)...)
		}
	}
	for k := range columns {
		if !slices.Equal(got[k], want[k]) {
			t.Errorf("column %s: %d cells, the first %q, expected %d, %q", columns[k].Name, len(got[k]), got[k][:5], len(want[k]), want[k][:5])
		}
	}
}

// TestParquetFails: an error of the rows, or of the disk, is handed on.
func TestParquetFails(t *testing.T) {
	broken := errors.New("torn")
	var rows iter.Seq2[[]string, error] = func(yield func([]string, error) bool) { yield(nil, broken) }
	if err := WriteParquet(io.Discard, []TableColumn{{Name: "x"}}, rows); !errors.Is(err, broken) {
		t.Errorf("expected %v, got %v", broken, err)
	}
	if err := WriteParquet(full{}, []TableColumn{{Name: "x"}}, func(func([]string, error) bool) {}); err == nil {
		t.Error("a full disk: expected an error")
	}
}

type full struct{}

func (full) Write([]byte) (int, error) { return 0, errors.New("no space left") }
