package main

import (
	"encoding/json"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"

	"dwell/drivers/quantity"

	"github.com/spf13/cobra"
)

// This file describes files as JSON Schema (draft 2020-12), for editors that complete
// and check while somebody types. What the readers know beyond that, such as whether a
// channel exists or a limit is looser than another, check says. A schema must never
// refuse what a reader takes; the tests hold the keys of both together.

// schemas are the kinds of files, by the words of the verb.
var schemas = map[string]func() schema{"protocol": protocolSchema, "rig": rigSchema, "specimen": specimenSchema, "profile": profileSchema}

func schemaCommand(s *speech) *cobra.Command {
	kinds := slices.Sorted(maps.Keys(schemas))
	return &cobra.Command{
		Use:   "schema protocol|rig|specimen|profile",
		Short: "the keys of a kind of file, as JSON Schema for an editor",
		Long: `schema prints a JSON Schema (draft 2020-12) of one kind of file, with a word about each
key. An editor that knows YAML completes and checks by it. What only the whole bench
can tell, dwell check says.`,
		Example: `  dwell schema rig > rig.schema.json
  and as the first line of rig.yaml:  # yaml-language-server: $schema=rig.schema.json`,
		Args: cobra.ExactArgs(1), ValidArgs: kinds,
		RunE: func(_ *cobra.Command, args []string) error {
			describe, known := schemas[args[0]]
			if !known {
				return usage(fmt.Errorf("%q is no kind of file: expected %s", args[0], strings.Join(kinds, ", ")))
			}
			x := describe()
			x["$schema"], x["title"] = "https://json-schema.org/draft/2020-12/schema", "dwell "+args[0]
			text, err := json.MarshalIndent(x, "", "  ")
			if err != nil {
				return err
			}
			s.result(string(text) + "\n")
			s.object(map[string]any{"schema": x, "exit": exitDone})
			return nil
		},
	}
}

// schema is one node of a JSON Schema.
type schema map[string]any

// key is one key of a table; one after a "!" must be there.
type key struct {
	name string
	is   schema
}

// keysOf is a mapping with these keys and no others.
func keysOf(about string, keys ...key) schema {
	properties, required := schema{}, []string{}
	for _, k := range keys {
		name, must := strings.CutPrefix(k.name, "!")
		if must {
			required = append(required, name)
		}
		properties[name] = k.is
	}
	return schema{"type": "object", "description": about, "properties": properties, "required": required, "additionalProperties": false}
}

// with adds keys that fit a pattern.
func (x schema) with(pattern string, is schema) schema {
	patterns, _ := x["patternProperties"].(schema)
	if patterns == nil {
		patterns = schema{}
		x["patternProperties"] = patterns
	}
	patterns[pattern] = is
	return x
}

// Patterns of names: of an instrument or a value, of a channel, and of whole numbers.
const (
	oneName     = `[A-Za-z_À-￿][0-9A-Za-z_À-￿]*`
	channelName = `[A-Za-z][0-9A-Za-z_]*\.[A-Za-z][0-9A-Za-z_]*`
	wholeNumber = `-?[0-9]+`
)

// entriesOf is a mapping whose keys are names.
func entriesOf(about, name string, is schema) schema {
	return schema{"type": "object", "description": about, "additionalProperties": false}.with("^("+name+")$", is)
}

func textOf(about string) schema {
	return schema{"type": []string{"string", "number", "boolean"}, "description": about, "minLength": 1}
}

func flagOfSchema(about string) schema { return schema{"type": "boolean", "description": about} }

func wholeOf(about string, least, most int) schema {
	return schema{"type": "integer", "description": about, "minimum": least, "maximum": most}
}

func wordsOf(about string, words ...string) schema {
	return schema{"enum": words, "description": about}
}

func listOf(about string, of schema) schema {
	return schema{"type": "array", "description": about, "items": of}
}

// oneOrMoreOf is one, or a list.
func oneOrMoreOf(of schema) schema {
	return schema{"description": of["description"], "anyOf": []schema{of, {"type": "array", "items": of}}}
}

func anyOf(about string, all ...schema) schema { return schema{"description": about, "anyOf": all} }

// number is one as package quantity reads it.
const number = `[-+]?(0|[1-9][0-9]*)(\.[0-9]+)?([eE][-+]?[0-9]+)?`

// units is a pattern for the units of a dimension, given by one of them, in every
// spelling that is taken.
func units(symbol string) string {
	spell := strings.NewReplacer("Ohm", "(Ohm|Ω|\u2126)", "degC", "(degC|°C|℃)", "m2", "(m2|m²)")
	u, _ := quantity.LookUp(symbol)
	var all []string
	for _, o := range quantity.Units() {
		if o.Dim != u.Dim || o.Symbol == "1" {
			continue
		}
		text := spell.Replace(regexp.QuoteMeta(o.Symbol))
		if strings.HasPrefix(text, "u") {
			text = "[u\u00b5\u03bc]" + text[1:]
		}
		all = append(all, text)
	}
	return "(" + strings.Join(all, "|") + ")"
}

// valueOfUnit is a value of the dimension that a unit belongs to.
func valueOfUnit(about, symbol string) schema {
	if symbol == "1" {
		return anyOf(about, schema{"type": "number"}, schema{"type": "string", "pattern": "^" + number + "( *" + units(symbol) + ")?$"})
	}
	return schema{"type": "string", "description": about, "pattern": "^" + number + " +" + units(symbol) + "$"}
}

// anyValue is a value of some dimension, which another key tells.
func anyValue(about string) schema {
	return anyOf(about, schema{"type": "number"}, schema{"type": "string", "pattern": "^" + number + "( *%| +[^ ].*)?$"})
}

// valueOrName is a value in a protocol, where a name may stand for it.
func valueOrName(about, symbol string) schema {
	return anyOf(about, valueOfUnit(about, symbol), schema{"type": "string", "pattern": "^" + oneName + "$"})
}

func timeOf(about string) schema { return valueOfUnit(about, "s") }

func formatOf() schema { return schema{"const": 1, "description": "edition of the file's format"} }
