package logs

import (
	"fmt"
	"strings"

	"dwell/drivers/quantity"
)

// Metadata after the W3C Recommendations "Model for Tabular Data and Metadata on
// the Web" and "Metadata Vocabulary for Tabular Data". They have no property for a
// unit. Where a column has one unit, it is said by the RDF Data Cube attribute
// unitMeasure with a QUDT IRI, and by the UCUM code. Where each row has its own, as
// in readings.csv, the column "unit" is itself that attribute of the row, and the
// table's notes list what each symbol stands for.
type tableMetadata struct {
	Context string     `json:"@context"`
	URL     string     `json:"url"`
	Title   string     `json:"dc:title"`
	Dialect dialect    `json:"dialect"`
	Notes   []unitNote `json:"notes,omitempty"`
	Schema  schema     `json:"tableSchema"`
}

type dialect struct {
	Header   bool   `json:"header"`
	Encoding string `json:"encoding"`
}

type schema struct {
	Columns    []column `json:"columns"`
	PrimaryKey string   `json:"primaryKey,omitempty"`
}

type column struct {
	Name        string   `json:"name"`
	Title       string   `json:"titles"`
	Description string   `json:"dc:description,omitempty"`
	Required    bool     `json:"required,omitempty"`
	Datatype    string   `json:"datatype"`
	Null        []string `json:"null,omitempty"`
	Property    string   `json:"propertyUrl,omitempty"`
	Measure     *iri     `json:"http://purl.org/linked-data/sdmx/2009/attribute#unitMeasure,omitempty"`
	UCUM        string   `json:"http://qudt.org/schema/qudt/ucumCode,omitempty"`
}

type unitNote struct {
	Symbol  string `json:"schema:name"`
	Measure *iri   `json:"http://purl.org/linked-data/sdmx/2009/attribute#unitMeasure,omitempty"`
	UCUM    string `json:"http://qudt.org/schema/qudt/ucumCode"`
}

type iri struct {
	ID string `json:"@id"`
}

const (
	unitMeasure = "http://purl.org/linked-data/sdmx/2009/attribute#unitMeasure"
	qudtUnits   = "http://qudt.org/vocab/unit/"
)

func measure(u quantity.Unit) *iri {
	if u.QUDT == "" {
		return nil
	}
	return &iri{qudtUnits + u.QUDT}
}

// in gives a column its unit, if it is a known one.
func (c column) in(symbol string) column {
	if u, ok := quantity.LookUp(symbol); ok {
		c.Measure, c.UCUM = measure(u), u.UCUM
	}
	return c
}

func metadata(url, title string, notes []unitNote, s schema) []byte {
	text, _ := encodeJSON(tableMetadata{"http://www.w3.org/ns/csvw", url, title, dialect{true, "utf-8"}, notes, s})
	return text // strings only: it cannot fail
}

var nullNumber = []string{"", "NaN"}

func readingsMetadata() []byte {
	var notes []unitNote
	for _, u := range quantity.Units() {
		notes = append(notes, unitNote{u.Symbol, measure(u), u.UCUM})
	}
	return metadata(readingsName, "Readings in order of completion", notes, schema{Columns: []column{
		column{Name: "t_s", Title: "t_s", Datatype: "double", Required: true,
			Description: "time since the start of the run: midpoint of the exchange"}.in("s"),
		column{Name: "u_t_s", Title: "u_t_s", Datatype: "double", Required: true,
			Description: "half the length of the exchange: a bound on the error of t_s, not a standard uncertainty"}.in("s"),
		{Name: "channel", Title: "channel", Datatype: "string", Required: true},
		{Name: "value", Title: "value", Datatype: "double", Null: nullNumber,
			Description: "in the unit that the same row names in its column unit"},
		{Name: "unit", Title: "unit", Datatype: "string", Property: unitMeasure,
			Description: "unit of value in this row; the notes of this table give the QUDT unit and UCUM code of each symbol"},
		{Name: "flag", Title: "flag", Datatype: "string",
			Description: "empty for a good reading, else why the value must not be used"},
		{Name: "step", Title: "step", Datatype: "string", Description: "place in the protocol"},
	}})
}

// alignedMetadata describes aligned.csv with these channels and their units.
func alignedMetadata(channels, units []string, everyNs int64) []byte {
	columns := []column{column{Name: "t_s", Title: "t_s", Datatype: "double", Required: true,
		Description: "time since the start of the run"}.in("s")}
	for i, name := range channels {
		columns = append(columns, column{Name: variable(name), Title: name, Datatype: "double", Null: nullNumber}.in(units[i]))
	}
	title := fmt.Sprintf("Channels every %s s, interpolated", quantity.AppendSeconds(nil, everyNs))
	return metadata(alignedName, title, nil, schema{columns, "t_s"})
}

// variable spells a name as the variable of a URI template (RFC 6570): letters,
// digits, dots between them; the rest percent-encoded.
func variable(name string) string {
	var b strings.Builder
	for i := 0; i < len(name); i++ {
		c := name[i]
		plain := c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '_' && i > 0
		dot := c == '.' && i > 0 && i < len(name)-1 && name[i+1] != '.'
		if plain || dot {
			b.WriteByte(c)
		} else {
			fmt.Fprintf(&b, "%%%02X", c)
		}
	}
	return b.String()
}
