package logs

import (
	"errors"
	"fmt"
	"io"
	"iter"
	"reflect"
	"strconv"
	"strings"

	"github.com/parquet-go/parquet-go"
)

// TableColumn is one of a table for others: text, or numbers in one unit.
type TableColumn struct {
	Name string
	Text bool
	Unit string // "" for text, and where it stands in another column
}

// ParquetRows is how many rows of a table are held before they are written.
const ParquetRows = 1 << 16

// WriteParquet writes a table as Apache Parquet: numbers as DOUBLE, text in a dictionary,
// compressed with gzip. Cells are as they stand in our CSV; an empty cell of numbers is
// null. The units stand in the key-value metadata, one entry "unit of NAME" a column.
func WriteParquet(w io.Writer, columns []TableColumn, rows iter.Seq2[[]string, error]) error {
	for _, c := range columns {
		if c.Name == "" || strings.ContainsAny(c.Name, "\",\\") {
			return fmt.Errorf("a column called %q: Parquet files written here have no such name", c.Name)
		}
	}
	options := []parquet.WriterOption{parquetSchema(columns), parquet.Compression(&parquet.Gzip), parquet.MaxRowsPerRowGroup(ParquetRows), parquet.CreatedBy("dwell", "", "")}
	for _, c := range columns {
		if c.Unit != "" {
			options = append(options, parquet.KeyValueMetadata("unit of "+c.Name, c.Unit))
		}
	}
	p := parquet.NewWriter(w, options...)
	cells := make(parquet.Row, len(columns))
	for row, err := range rows {
		if err != nil {
			return errors.Join(err, p.Close())
		}
		for k, c := range columns {
			if c.Text {
				cells[k] = parquet.ByteArrayValue([]byte(row[k])).Level(0, 0, k)
			} else if v, err := strconv.ParseFloat(row[k], 64); err == nil {
				cells[k] = parquet.DoubleValue(v).Level(0, 1, k)
			} else {
				cells[k] = parquet.NullValue().Level(0, 0, k)
			}
		}
		if _, err := p.WriteRows([]parquet.Row{cells}); err != nil {
			return err
		}
	}
	return p.Close()
}

// parquetSchema has the columns in their order: that of a structure, since the library
// sorts those of a group by their names.
func parquetSchema(columns []TableColumn) *parquet.Schema {
	var fields []reflect.StructField
	for k, c := range columns {
		f := reflect.StructField{Name: "C" + strconv.Itoa(k), Type: reflect.TypeFor[float64](), Tag: reflect.StructTag(`parquet:"` + c.Name + `,optional"`)}
		if c.Text {
			f.Type, f.Tag = reflect.TypeFor[string](), reflect.StructTag(`parquet:"`+c.Name+`,dict"`)
		}
		fields = append(fields, f)
	}
	return parquet.SchemaOf(reflect.Zero(reflect.StructOf(fields)).Interface())
}
