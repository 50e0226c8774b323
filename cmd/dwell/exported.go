package main

import (
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"os"
	"path/filepath"
	"strings"

	"dwell/drivers/quantity"
	"dwell/logs"
	"dwell/logs/figures"
	"dwell/logs/report"
)

// This file writes a run for other programs: its plots as SVG and PDF, its tables as CSV
// and Parquet.

// exportTo writes all of it into a new folder, and names the files; without says which
// plots there are not.
func exportTo(r *logs.Run, out string) (names, without []string, err error) {
	results, err := computeRun(r)
	if err != nil {
		return nil, nil, err
	}
	id, err := r.IdentityIfWhole()
	if err != nil {
		return nil, nil, usage(err)
	}
	if err := os.Mkdir(out, 0o755); err != nil {
		return nil, nil, usage(err)
	}
	all, without := report.Drawings(results, report.Ended(id))
	for _, d := range all {
		svg, err1 := d.SVG()
		pdf, err2 := d.PDF()
		err = errors.Join(err1, err2, os.WriteFile(filepath.Join(out, d.Name+".svg"), svg, 0o644), os.WriteFile(filepath.Join(out, d.Name+".pdf"), pdf, 0o644))
		if err != nil {
			return nil, nil, &coded{exitFailed, err}
		}
		names = append(names, d.Name+".svg", d.Name+".pdf")
	}
	tables := []exported{readingsTable(r), figuresTable(results.Figures), plateausTable(results), cyclesTable(results)}
	aligned, err := alignedTable(r)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, nil, &coded{exitFailed, err}
	}
	for _, t := range append(tables, aligned) {
		if len(t.columns) == 0 {
			continue
		}
		if err := t.write(out); err != nil {
			return nil, nil, &coded{exitFailed, fmt.Errorf("%s: %w", t.name, err)}
		}
		names = append(names, t.name+".csv", t.name+".parquet")
	}
	return names, without, nil
}

// exported is a table on its way out.
type exported struct {
	name    string
	columns []logs.TableColumn
	rows    iter.Seq2[[]string, error]
}

func (t exported) write(folder string) error {
	for _, as := range [...]struct {
		ending string
		to     func(*os.File) error
	}{{".csv", t.csv}, {".parquet", func(f *os.File) error { return logs.WriteParquet(f, t.columns, t.rows) }}} {
		f, err := os.Create(filepath.Join(folder, t.name+as.ending))
		if err != nil {
			return err
		}
		if err := errors.Join(as.to(f), f.Close()); err != nil {
			return err
		}
	}
	return nil
}

func (t exported) csv(f *os.File) error {
	w := csv.NewWriter(f)
	w.UseCRLF = true
	var head []string
	for _, c := range t.columns {
		head = append(head, c.Name)
	}
	w.Write(head)
	for row, err := range t.rows {
		if err != nil {
			return err
		}
		w.Write(row)
	}
	w.Flush()
	return w.Error()
}

func textColumn(name string) logs.TableColumn { return logs.TableColumn{Name: name, Text: true} }

func numberColumn(name, unit string) logs.TableColumn {
	return logs.TableColumn{Name: name, Unit: unit}
}

// readingsTable is readings.csv as it is, as far as it is whole.
func readingsTable(r *logs.Run) exported {
	return exported{"readings", []logs.TableColumn{numberColumn("t_s", "s"), numberColumn("u_t_s", "s"), textColumn("channel"), numberColumn("value", ""), textColumn("unit"), textColumn("flag"), textColumn("step")},
		func(yield func([]string, error) bool) {
			for row, err := range r.Rows() {
				seconds := func(ns int64) string { return string(quantity.AppendSeconds(nil, ns)) }
				if !yield([]string{seconds(row.AtNs), seconds(row.WithinNs), row.Channel, asWritten(row.Value), row.Unit, row.Flag, row.Step}, err) {
					return
				}
			}
		}}
}

const alignedName = "aligned.csv"

// alignedTable is aligned.csv as it is, with the units of its metadata.
func alignedTable(r *logs.Run) (t exported, err error) {
	path := filepath.Join(r.Dir(), alignedName)
	text, err := os.ReadFile(path + "-metadata.json")
	if err != nil {
		return t, err
	}
	var about struct {
		TableSchema struct {
			Columns []struct {
				Name string
				Unit string `json:"http://qudt.org/schema/qudt/ucumCode"`
			}
		}
	}
	if err := json.Unmarshal(text, &about); err != nil {
		return t, err
	}
	for _, c := range about.TableSchema.Columns {
		t.columns = append(t.columns, numberColumn(c.Name, c.Unit))
	}
	t.name = strings.TrimSuffix(alignedName, ".csv")
	t.rows = func(yield func([]string, error) bool) {
		f, err := os.Open(path)
		if err != nil {
			yield(nil, err)
			return
		}
		defer f.Close()
		rows := csv.NewReader(f)
		rows.FieldsPerRecord, rows.ReuseRecord = len(t.columns), true
		for first := true; ; first = false {
			row, err := rows.Read()
			switch {
			case errors.Is(err, io.EOF):
				return
			case first && err == nil: // the header
			case !yield(row, err) || err != nil:
				return
			}
		}
	}
	return t, nil
}

// figuresTable is one figure a row, without its budget.
func figuresTable(all []figures.Figure) exported {
	return exported{"figures", []logs.TableColumn{textColumn("figure"), textColumn("flavour"), textColumn("channel"), numberColumn("value", ""), textColumn("unit"), numberColumn("u", ""), numberColumn("k", ""), numberColumn("U", ""),
		numberColumn("low", ""), numberColumn("high", ""), textColumn("with"), textColumn("definition"), textColumn("source"), textColumn("rows")},
		func(yield func([]string, error) bool) {
			for _, f := range all {
				var with []string
				for _, g := range f.With {
					with = append(with, strings.TrimSpace(g.Name+" "+g.Shown()))
				}
				if !yield([]string{f.Figure, f.Flavour, f.Channel, asWritten(f.Value), f.Unit, asWritten(f.U_std), asWritten(f.K), asWritten(f.Expanded), bound(f.Low), bound(f.High),
					strings.Join(with, "; "), f.Definition, f.Source, f.Rows}, nil) {
					return
				}
			}
		}}
}

func bound(v *float64) string {
	if v == nil {
		return ""
	}
	return asWritten(*v)
}

// plateausTable is one plateau a row, by each thermometer.
func plateausTable(r *figures.Results) exported {
	return exported{"plateaus", []logs.TableColumn{textColumn("thermometer"), numberColumn("from_s", "s"), numberColumn("to_s", "s"), numberColumn("temperature_degC", "Cel"), numberColumn("u_temperature_K", "K"),
		numberColumn("as_read_Ohm", "Ohm"), numberColumn("u_as_read_Ohm", "Ohm"), numberColumn("settled_Ohm", "Ohm"), numberColumn("u_settled_Ohm", "Ohm"), numberColumn("remained_Ohm", "Ohm"), numberColumn("u_remained_Ohm", "Ohm")},
		func(yield func([]string, error) bool) {
			for _, t := range r.Facts.Thermometers {
				if r.Settled[t.Channel] == nil {
					continue
				}
				for _, h := range r.Settled[t.Channel].Holds {
					row := []string{t.Channel}
					for _, v := range [...]float64{h.Start, h.End, h.TSeen, h.UTSeen, h.Seen, h.USeen, h.Settled, h.USettled, h.Remained, h.URemained} {
						row = append(row, asWritten(v))
					}
					if !yield(row, nil) {
						return
					}
				}
			}
		}}
}

// cyclesTable is one resistance a row that was read within a cycle, with what the motion of
// the stage says of the shape then; empty where no cycle was read often enough.
func cyclesTable(r *figures.Results) (t exported) {
	if len(r.Loops) == 0 {
		return t
	}
	return exported{"cycles", []logs.TableColumn{numberColumn("t_s", "s"), numberColumn("cycle", "1"), textColumn("way"), numberColumn("position_m", "m"), numberColumn("u_position_m", "m"),
		numberColumn("curvature_per_m", "1/m"), numberColumn("u_curvature_per_m", "1/m"), numberColumn("mean_strain", "1"), numberColumn("resistance_Ohm", "Ohm")},
		func(yield func([]string, error) bool) {
			for _, l := range r.Loops {
				for _, in := range l.Inside {
					row := []string{asWritten(in.At), asWritten(in.Cycle), map[bool]string{true: "out", false: "back"}[in.Out]}
					for _, v := range [...]float64{in.PositionM, in.UPositionM, in.PerM, in.UPerM, in.MeanStrain, in.R} {
						row = append(row, asWritten(v))
					}
					if !yield(row, nil) {
						return
					}
				}
			}
		}}
}
