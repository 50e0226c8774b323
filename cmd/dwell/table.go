package main

import (
	"errors"
	"fmt"
	"os"
	"slices"

	"dwell/drivers/quantity"
	"dwell/logs/figures"

	"github.com/spf13/cobra"
)

// tableFlags are those of a table that somebody logged.
type tableFlags struct {
	file     string
	columns  map[string]*string // role → name of the column
	units    map[string]string
	comma    bool
	plateaus string
	at, temperatureWithin, resistanceWithin,
	threshold, padWidth string
}

// tableRoles in the order in which help shows them.
var tableRoles = []string{"time", "temperature", "resistance", "voltage", "current", "cycles", "radius", "distance"}

// roleSays is what else is to be said of a column.
var roleSays = map[string]string{"radius": " of bending, 0 for flat", "cycles": " of bending done before; rows of the flat film tell its wear"}

func (f *tableFlags) flags(c *cobra.Command) {
	f.columns = map[string]*string{}
	c.Flags().StringVar(&f.file, "csv", "", "a table with a header line, instead of a run folder")
	for _, role := range tableRoles {
		f.columns[role] = c.Flags().String(role, "", "the column with the "+role+roleSays[role])
	}
	c.Flags().StringToStringVar(&f.units, "units", nil, "units that the header does not tell, such as time=min,temperature=degF")
	c.Flags().BoolVar(&f.comma, "decimal-comma", false, "commas in the table are decimal signs")
	c.Flags().StringVar(&f.plateaus, "plateaus", "", "a file with the plateaus, instead of those found in the table")
	c.Flags().StringVar(&f.at, "at", "25 degC", "the temperature of R0")
	c.Flags().StringVar(&f.temperatureWithin, "temperature-within", "", "what the thermometer may be wrong, such as \"0.5 K\"")
	c.Flags().StringVar(&f.resistanceWithin, "resistance-within", "", "what the meter may be wrong, such as \"0.1 %\"")
	c.Flags().StringVar(&f.padWidth, "pad-width", "", "the width of pads at several distances, such as \"100 um\"")
	c.Flags().StringVar(&f.threshold, "threshold", "", "change of resistance that ends a specimen's life, such as \"10 %\"")
}

// tableOnly is the first of the flags given that a run has no use for; "" for none.
func tableOnly(c *cobra.Command) string {
	for _, name := range slices.Concat(tableRoles, []string{"units", "decimal-comma", "plateaus", "at", "temperature-within", "resistance-within", "pad-width", "threshold"}) {
		if c.Flags().Changed(name) {
			return name
		}
	}
	return ""
}

// asked turns the flags into a question.
func (f *tableFlags) asked() (figures.Asked, error) {
	ask := figures.Asked{Columns: map[string]string{}, Units: f.units, How: figures.Reading{Comma: f.comma}}
	for role, name := range f.columns {
		if *name != "" {
			ask.Columns[role] = *name
		}
	}
	for role := range f.units {
		if ask.Columns[role] == "" {
			return ask, fmt.Errorf("--units names %q, which is none of the columns named: %v", role, tableRoles)
		}
	}
	if err := f.values(&ask); err != nil {
		return ask, err
	}
	if f.plateaus != "" {
		text, err := os.ReadFile(f.plateaus)
		if err != nil {
			return ask, err
		}
		if ask.Columns["time"] == "" || ask.Columns["temperature"] == "" {
			return ask, errors.New("--plateaus is about a record: name the columns with --time and --temperature too")
		}
		ask.PlateausFile, ask.Plateaus = f.plateaus, string(text)
	}
	return ask, nil
}

// values reads the flags that are a value with a unit. A bare number is none: 0.1 may be
// meant for a share or for percent.
func (f *tableFlags) values(ask *figures.Asked) error {
	for _, q := range []struct {
		flag, text, like string
		into             *float64
		signed           bool
	}{{"at", f.at, "25 degC", &ask.AtDegC, true}, {"temperature-within", f.temperatureWithin, "0.5 K", &ask.TemperatureK, false},
		{"resistance-within", f.resistanceWithin, "0.1 %", &ask.ResistanceShare, false}, {"threshold", f.threshold, "10 %", &ask.ThresholdShare, false},
		{"pad-width", f.padWidth, "100 um", &ask.PadWidthM, false}} {
		if q.text == "" {
			continue
		}
		x, err := quantity.Parse(q.text)
		if err != nil {
			return fmt.Errorf("--%s: %w", q.flag, err)
		}
		want, err := quantity.Parse(q.like)
		if err != nil {
			return err
		}
		if x.Unit.Dim != want.Unit.Dim || x.Unit.Symbol == "1" {
			return fmt.Errorf("--%s: expected a value with its unit like %q, got %q", q.flag, q.like, q.text)
		}
		if !q.signed && !(x.Value > 0) {
			return fmt.Errorf("--%s: expected more than nothing, like %q, got %q", q.flag, q.like, q.text)
		}
		*q.into = x.Value
	}
	return nil
}

// compute is the figures of the table.
func (f *tableFlags) compute() (*figures.Results, error) {
	ask, err := f.asked()
	if err != nil {
		return nil, usage(err)
	}
	table, err := os.Open(f.file)
	if err != nil {
		return nil, usage(err)
	}
	defer table.Close()
	r, err := figures.ComputeTable(table, ask)
	if err != nil {
		return nil, usage(fmt.Errorf("%s: %w", f.file, err))
	}
	return r, nil
}
