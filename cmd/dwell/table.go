package main

import (
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

func (f *tableFlags) flags(c *cobra.Command) {
	f.columns = map[string]*string{}
	c.Flags().StringVar(&f.file, "csv", "", "a table with a header line, instead of a run folder")
	for _, role := range tableRoles {
		f.columns[role] = c.Flags().String(role, "", "the column with the "+role)
	}
	c.Flags().StringToStringVar(&f.units, "units", nil, "units that the header does not tell, such as time=min,temperature=K")
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
	for _, q := range []struct {
		flag, text, unit string
		into             *float64
	}{{"at", f.at, "degC", &ask.AtDegC}, {"temperature-within", f.temperatureWithin, "K", &ask.TemperatureK},
		{"resistance-within", f.resistanceWithin, "1", &ask.ResistanceShare}, {"threshold", f.threshold, "1", &ask.ThresholdShare},
		{"pad-width", f.padWidth, "um", &ask.PadWidthM}} {
		if q.text == "" {
			continue
		}
		x, err := quantity.Parse(q.text)
		if err != nil {
			return ask, fmt.Errorf("--%s: %w", q.flag, err)
		}
		want, _ := quantity.LookUp(q.unit)
		if x.Unit.Dim != want.Dim {
			return ask, fmt.Errorf("--%s: expected a value like \"1 %s\", got %q", q.flag, q.unit, q.text)
		}
		*q.into = x.Value
	}
	if f.plateaus != "" {
		text, err := os.ReadFile(f.plateaus)
		if err != nil {
			return ask, err
		}
		ask.Plateaus = string(text)
	}
	return ask, nil
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
