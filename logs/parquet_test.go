package logs

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"iter"
	"slices"
	"strconv"
	"testing"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/format"
)

// TestParquet reads a table back: several groups of rows, null values, columns in their
// order, which is not that of their names, and their units.
func TestParquet(t *testing.T) {
	columns := []TableColumn{{Name: "t_s", Unit: "s"}, {Name: "plate.temperature"}, {Name: "channel", Text: true}, {Name: "one", Text: true}}
	const n = ParquetRows + 3001
	cells := func(i int) []string {
		return []string{strconv.FormatFloat(float64(i)/7, 'g', -1, 64), []string{"", "NaN", "+Inf", "-1.5"}[i%4], fmt.Sprintf("channel %d", i%37), "ümlaut"}
	}
	rows := func(yield func([]string, error) bool) {
		for i := range n {
			if !yield(cells(i), nil) {
				return
			}
		}
	}
	var b bytes.Buffer
	if err := WriteParquet(&b, columns, rows); err != nil {
		t.Fatal(err)
	}
	file, err := parquet.OpenFile(bytes.NewReader(b.Bytes()), int64(b.Len()))
	if err != nil {
		t.Fatal(err)
	}
	if got := len(file.RowGroups()); got != 2 || file.NumRows() != n {
		t.Errorf("%d groups of %d rows, expected 2 of %d", got, file.NumRows(), n)
	}
	if unit, is := file.Lookup("unit of t_s"); !is || unit != "s" {
		t.Errorf("the unit of t_s is %q", unit)
	}
	for k, c := range file.Root().Columns() {
		if c.Name() != columns[k].Name {
			t.Errorf("column %d is called %q, expected %q", k, c.Name(), columns[k].Name)
		}
	}
	for k, c := range file.Metadata().RowGroups[0].Columns {
		if inDictionary := slices.Contains(c.MetaData.Encoding, format.RLEDictionary); inDictionary != columns[k].Text || c.MetaData.Codec != format.Gzip {
			t.Errorf("column %s: in a dictionary: %v, %v", columns[k].Name, inDictionary, c.MetaData.Codec)
		}
	}
	all, i := parquet.NewReader(file), 0
	defer all.Close()
	some := make([]parquet.Row, 100)
	for {
		got, err := all.ReadRows(some)
		for _, row := range some[:got] {
			if read := read(row); !slices.Equal(read, cells(i)) {
				t.Fatalf("row %d is %q, expected %q", i, read, cells(i))
			}
			i++
		}
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if i != n {
		t.Errorf("%d rows can be read, expected %d", i, n)
	}
}

// read is a row as its cells; null is an empty one.
func read(row parquet.Row) (cells []string) {
	for _, v := range row {
		switch {
		case v.IsNull():
			cells = append(cells, "")
		case v.Kind() == parquet.Double:
			cells = append(cells, strconv.FormatFloat(v.Double(), 'g', -1, 64))
		default:
			cells = append(cells, string(v.ByteArray()))
		}
	}
	return cells
}

// TestParquetFails: an error of the rows, or of the disk, is handed on.
func TestParquetFails(t *testing.T) {
	broken := errors.New("torn")
	var rows iter.Seq2[[]string, error] = func(yield func([]string, error) bool) { yield(nil, broken) }
	if err := WriteParquet(io.Discard, []TableColumn{{Name: "x"}}, rows); !errors.Is(err, broken) {
		t.Errorf("expected %v, got %v", broken, err)
	}
	for _, name := range []string{"", "x,y", `x"`, `x\`} {
		if err := WriteParquet(io.Discard, []TableColumn{{Name: name}}, func(func([]string, error) bool) {}); err == nil {
			t.Errorf("a column called %q: expected an error", name)
		}
	}
	if err := WriteParquet(full{}, []TableColumn{{Name: "x"}}, func(func([]string, error) bool) {}); err == nil {
		t.Error("a full disk: expected an error")
	}
}

type full struct{}

func (full) Write([]byte) (int, error) { return 0, errors.New("no space left") }
