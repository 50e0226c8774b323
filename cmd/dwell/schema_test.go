package main

import (
	"encoding/json"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"maps"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"dwell/drivers/rig"
	"dwell/drivers/yamltext"
	"dwell/sequence/plan"
)

// readers are the rooms whose key lists the schemas must have.
var readers = []string{"../../drivers/*.go", "../../drivers/bending/*.go", "../../drivers/rig/*.go", "../../sequence/plan/*.go", "../../safety/*.go"}

// keyLists are the lists of keys in the source of the readers: the words behind a call
// of table or heater. Open are those that get more keys while they run.
func keyLists(t *testing.T) (closed, open map[string]string, literals map[string]bool) {
	t.Helper()
	closed, open, literals = map[string]string{}, map[string]string{}, map[string]bool{}
	set := token.NewFileSet()
	for _, pattern := range readers {
		names, _ := filepath.Glob(pattern)
		for _, name := range names {
			if strings.HasSuffix(name, "_test.go") {
				continue
			}
			f, err := parser.ParseFile(set, name, nil, 0)
			if err != nil {
				t.Fatal(err)
			}
			ast.Inspect(f, func(n ast.Node) bool {
				if l, ok := n.(*ast.BasicLit); ok && l.Kind == token.STRING {
					word, _ := strconv.Unquote(l.Value)
					literals[strings.TrimPrefix(word, "!")] = true
				}
				if v, ok := n.(*ast.ValueSpec); ok && len(v.Values) == 1 && keyTables[v.Names[0].Name] {
					for _, word := range firstWords(v.Values[0]) {
						open[strings.TrimPrefix(word, "!")] = set.Position(n.Pos()).String()
					}
				}
				call, ok := n.(*ast.CallExpr)
				if !ok {
					return true
				}
				if called, ok := call.Fun.(*ast.SelectorExpr); ok && len(call.Args) > 1 && (called.Sel.Name == "table" || called.Sel.Name == "heater") {
					keys, isClosed := wordsIn(call, called.Sel.Name == "heater")
					lists := open
					if isClosed {
						lists = closed
					}
					if len(keys) > 0 {
						lists[strings.Join(keys, ", ")] = set.Position(call.Pos()).String()
					}
				}
				return true
			})
		}
	}
	return closed, open, literals
}

// keyTables are the variables in which readers keep keys.
var keyTables = map[string]bool{"scene": true, "specimenLimits": true, "verbs": true, "sections": true}

// firstWords are the keys of a composite literal: its strings, those of its entries
// that come first, or the keys of a map.
func firstWords(x ast.Expr) (words []string) {
	literal, ok := x.(*ast.CompositeLit)
	if !ok {
		return nil
	}
	for _, e := range literal.Elts {
		if c, ok := e.(*ast.CompositeLit); ok && len(c.Elts) > 0 {
			e = c.Elts[0]
		}
		if pair, ok := e.(*ast.KeyValueExpr); ok {
			e = pair.Key
		}
		if l, ok := e.(*ast.BasicLit); ok {
			word, _ := strconv.Unquote(l.Value)
			words = append(words, word)
		}
	}
	return words
}

// wordsIn are the key words of one call, sorted.
func wordsIn(call *ast.CallExpr, heater bool) (keys []string, closed bool) {
	closed = !heater
	args := call.Args[1:]
	if heater {
		args = args[1:] // the suffix
	}
	for _, a := range args {
		if _, plain := a.(*ast.BasicLit); !plain {
			closed = false
		}
		ast.Inspect(a, func(n ast.Node) bool {
			if l, ok := n.(*ast.BasicLit); ok && l.Kind == token.STRING {
				word, _ := strconv.Unquote(l.Value)
				keys = append(keys, word)
			}
			return true
		})
	}
	slices.Sort(keys)
	return keys, closed
}

// eachTable calls f for every table in a schema.
func eachTable(x any, f func(keys []string)) {
	switch x := x.(type) {
	case map[string]any:
		if p, ok := x["properties"].(map[string]any); ok {
			must, _ := x["required"].([]any)
			var keys []string
			for name := range p {
				if slices.Contains(must, any(name)) {
					name = "!" + name
				}
				keys = append(keys, name)
			}
			slices.Sort(keys)
			f(keys)
		}
		for _, v := range x {
			eachTable(v, f)
		}
	case []any:
		for _, v := range x {
			eachTable(v, f)
		}
	}
}

// printedSchema is a schema as the program prints it.
func printedSchema(t *testing.T, kind string) map[string]any {
	t.Helper()
	b, err := json.Marshal(schemas[kind]())
	if err != nil {
		t.Fatal(err)
	}
	x := map[string]any{}
	if err := json.Unmarshal(b, &x); err != nil {
		t.Fatal(err)
	}
	return x
}

// Every list of keys in the readers stands in a schema, with what must be there; and
// no schema has a key that no reader knows.
func TestTheSchemasHaveTheKeysOfTheReaders(t *testing.T) {
	t.Parallel()
	closed, open, literals := keyLists(t)
	if len(closed) < 30 || len(open) < 5 {
		t.Fatalf("only %d and %d lists of keys were found in the readers", len(closed), len(open))
	}
	tables := map[string]bool{}
	var all [][]string
	for kind := range schemas {
		eachTable(printedSchema(t, kind), func(keys []string) {
			tables[strings.Join(keys, ", ")] = true
			all = append(all, keys)
			for _, k := range keys {
				if !literals[strings.TrimPrefix(k, "!")] {
					t.Errorf("schema %s: no reader knows the key %q", kind, k)
				}
			}
		})
	}
	for keys, at := range closed {
		if !tables[keys] {
			t.Errorf("%s: no schema has a table with the keys %s", at, keys)
		}
	}
	for keys, at := range open {
		if !slices.ContainsFunc(all, func(table []string) bool {
			for _, k := range strings.Split(keys, ", ") {
				if !slices.Contains(table, k) && !slices.Contains(table, "!"+k) {
					return false
				}
			}
			return true
		}) {
			t.Errorf("%s: no schema has a table with, among others, the keys %s", at, keys)
		}
	}
}

// Every word that a schema offers is one of a reader's.
func TestTheWordsOfTheSchemas(t *testing.T) {
	t.Parallel()
	_, _, literals := keyLists(t)
	var walk func(x any)
	walk = func(x any) {
		switch x := x.(type) {
		case map[string]any:
			words, _ := x["enum"].([]any)
			for _, w := range words {
				if !literals[w.(string)] {
					t.Errorf("no reader knows the word %q", w)
				}
			}
			for _, v := range x {
				walk(v)
			}
		case []any:
			for _, v := range x {
				walk(v)
			}
		}
	}
	for kind := range schemas {
		walk(printedSchema(t, kind))
	}
}

// document is a file that dwell reads.
type document struct{ kind, name, text string }

// documents are all files that come with dwell, and the protocol with everything in it.
func documents(t *testing.T) (all []document) {
	t.Helper()
	add := func(kind string, names ...string) {
		for _, name := range names {
			all = append(all, document{kind, name, read(t, name)})
		}
	}
	protocols, _ := filepath.Glob(leafClip + "*.yaml")
	protocols = slices.DeleteFunc(protocols, func(name string) bool {
		return strings.HasSuffix(name, "rig.yaml") || strings.HasSuffix(name, "specimen.yaml")
	})
	tested, _ := filepath.Glob("testdata/*.yaml")
	add("protocol", append(protocols, tested...)...)
	add("rig", leafClip+"rig.yaml")
	add("specimen", leafClip+"specimen.yaml")
	for _, name := range rig.Embedded() {
		text, _ := rig.EmbeddedProfile(name)
		all = append(all, document{"profile", name, string(text)})
	}
	_, rest, _ := strings.Cut(read(t, "../../examples/protocol-language.md"), "```yaml\n")
	text, _, found := strings.Cut(rest, "```")
	if !found || len(all) < 12 {
		t.Fatalf("%d documents, and a protocol with everything in it: %v", len(all), found)
	}
	return append(all, document{"protocol", "protocol-language.md", text})
}

// readerSays is what the readers say is wrong with a document.
func (d document) readerSays(t *testing.T) string {
	t.Helper()
	m := &yamltext.Mistakes{}
	doc := yamltext.Parse(d.name, []byte(d.text), m)
	load := func(name string) *yamltext.Document {
		return yamltext.Parse(name, []byte(read(t, leafClip+name)), m)
	}
	r, s, p := load("rig.yaml"), load("specimen.yaml"), load("staircase.yaml")
	switch d.kind {
	case "profile":
		rig.LoadProfile(doc, m)
		return saidBy(m)
	case "rig":
		r = doc
	case "specimen":
		s = doc
	case "protocol":
		p = doc
	}
	plan.Compile(p, rig.Load(r, nil, m), rig.LoadSpecimen(s, m), plan.Options{}, m)
	return saidBy(m)
}

func saidBy(m *yamltext.Mistakes) string {
	var b strings.Builder
	m.Print(&b)
	return b.String()
}

// Every file that comes with dwell fits its schema; with a key too many, wherever it
// stands, neither schema nor reader takes it. Where a schema leaves that to check, since
// an instrument's profile may know the key, that is said here.
func TestTheSchemasTakeWhatTheReadersTake(t *testing.T) {
	t.Parallel()
	leftToCheck := regexp.MustCompile(`/(confirm|source|states|while|changes only while|needs|place|wrong words)$|/ask by(/[a-z]+)?$`)
	places := 0
	for _, d := range documents(t) {
		m := &yamltext.Mistakes{}
		root := yamltext.Parse(d.name, []byte(d.text), m).Root
		if m.Len() > 0 {
			t.Fatal(saidBy(m))
		}
		v := &validator{printedSchema(t, d.kind)}
		if err := v.check(v.root, valueOf(root)); err != nil {
			t.Errorf("%s does not fit the schema %s: %v", d.name, d.kind, err)
			continue
		}
		eachMapping(root, "", func(n *yamltext.Node, at string) {
			places++
			n.Pairs = append(n.Pairs, yamltext.Pair{Key: &yamltext.Node{Text: "no such key"}, Value: &yamltext.Node{Text: "1"}})
			changed := document{d.kind, d.name, written(root)}
			fits := v.check(v.root, valueOf(root)) == nil
			n.Pairs = n.Pairs[:len(n.Pairs)-1]
			if fits && !leftToCheck.MatchString(at) {
				t.Errorf("%s: the schema takes an unknown key in %s", d.name, at)
			}
			if !fits && changed.readerSays(t) == "" {
				t.Errorf("%s: the schema refuses an unknown key in %s, the reader does not", d.name, at)
			}
		})
	}
	if places < 200 {
		t.Errorf("only %d places were tried", places)
	}
}

// What editors get is what the program prints, for all kinds.
func TestSchema(t *testing.T) {
	t.Parallel()
	for kind := range schemas {
		p := start(t, "schema", kind)
		p.exits(exitDone)
		got := map[string]any{}
		if err := json.Unmarshal([]byte(p.out.String()), &got); err != nil {
			t.Fatal(err)
		}
		want := printedSchema(t, kind)
		for k, v := range want {
			if !reflect.DeepEqual(got[k], v) {
				t.Errorf("%s: %q differs", kind, k)
			}
		}
		if got["$schema"] != "https://json-schema.org/draft/2020-12/schema" {
			t.Errorf("%s: $schema is %v", kind, got["$schema"])
		}
	}
	start(t, "schema", "figure").exits(exitUsage)
}

// eachMapping calls f for every mapping.
func eachMapping(n *yamltext.Node, at string, f func(n *yamltext.Node, at string)) {
	for i, item := range n.Items {
		eachMapping(item, fmt.Sprintf("%s/%d", at, i), f)
	}
	for _, p := range n.Pairs {
		eachMapping(p.Value, at+"/"+p.Key.Text, f)
	}
	if n.Kind == yamltext.Mapping {
		f(n, at)
	}
}

// written is a node as YAML again, in one line.
func written(n *yamltext.Node) string {
	switch n.Kind {
	case yamltext.Mapping:
		var all []string
		for _, p := range n.Pairs {
			all = append(all, written(p.Key)+": "+written(p.Value))
		}
		return "{" + strings.Join(all, ", ") + "}"
	case yamltext.Sequence:
		var all []string
		for _, item := range n.Items {
			all = append(all, written(item))
		}
		return "[" + strings.Join(all, ", ") + "]"
	}
	if n.Quoted || !regexp.MustCompile(`^[0-9A-Za-z_.+-]([0-9A-Za-z_.+ %/-]*[0-9A-Za-z_.+%/-])?$`).MatchString(n.Text) {
		b, _ := json.Marshal(n.Text)
		return string(b)
	}
	return n.Text
}

// valueOf is a node as an editor sees it: YAML 1.2, core schema.
func valueOf(n *yamltext.Node) any {
	switch n.Kind {
	case yamltext.Mapping:
		x := map[string]any{}
		for _, p := range n.Pairs {
			x[p.Key.Text] = valueOf(p.Value)
		}
		return x
	case yamltext.Sequence:
		x := []any{}
		for _, item := range n.Items {
			x = append(x, valueOf(item))
		}
		return x
	}
	if v, err := strconv.ParseFloat(n.Text, 64); err == nil && !n.Quoted {
		return v
	}
	if !n.Quoted && (n.Text == "true" || n.Text == "false") {
		return n.Text == "true"
	}
	return n.Text
}

// validator knows as much of JSON Schema 2020-12 as the schemas use, and fails for more.
type validator struct{ root map[string]any }

func (v *validator) check(x map[string]any, value any) error {
	for _, word := range slices.Sorted(maps.Keys(x)) {
		if err := v.word(word, x, value); err != nil {
			return err
		}
	}
	return nil
}

func (v *validator) word(word string, x map[string]any, value any) error {
	table, isTable := value.(map[string]any)
	list, isList := value.([]any)
	text, isText := value.(string)
	n, isNumber := value.(float64)
	wrong := func(expected any) error { return fmt.Errorf("%v: %s %v is expected", value, word, expected) }
	switch word {
	case "description", "required", "$defs", "$schema", "title":
		if word == "required" && isTable {
			for _, k := range x[word].([]any) {
				if _, has := table[k.(string)]; !has {
					return wrong(k)
				}
			}
		}
	case "$ref":
		name := strings.TrimPrefix(x[word].(string), "#/$defs/")
		return v.check(v.root["$defs"].(map[string]any)[name].(map[string]any), value)
	case "type":
		types, several := x[word].([]any)
		if !several {
			types = []any{x[word]}
		}
		is := map[string]bool{"object": isTable, "array": isList, "string": isText, "number": isNumber, "integer": isNumber && n == float64(int64(n)),
			"boolean": value == true || value == false}
		if !slices.ContainsFunc(types, func(t any) bool { return is[t.(string)] }) {
			return wrong(x[word])
		}
	case "const":
		if value != x[word] {
			return wrong(x[word])
		}
	case "enum":
		if !slices.Contains(x[word].([]any), value) {
			return wrong(x[word])
		}
	case "pattern":
		if isText && !regexp.MustCompile(x[word].(string)).MatchString(text) {
			return wrong(x[word])
		}
	case "minLength", "minItems", "minProperties", "minimum", "maxItems", "maxProperties", "maximum":
		size, applies := n, isNumber && strings.HasSuffix(word, "imum")
		switch {
		case isText && word == "minLength":
			size, applies = float64(len([]rune(text))), true
		case isList && strings.HasSuffix(word, "Items"):
			size, applies = float64(len(list)), true
		case isTable && strings.HasSuffix(word, "Properties"):
			size, applies = float64(len(table)), true
		}
		if limit := x[word].(float64); applies && (word[1] == 'i' && size < limit || word[1] == 'a' && size > limit) {
			return wrong(limit)
		}
	case "items":
		for _, item := range list {
			if err := v.check(x[word].(map[string]any), item); err != nil {
				return err
			}
		}
	case "propertyNames":
		for k := range table {
			if err := v.check(x[word].(map[string]any), k); err != nil {
				return err
			}
		}
	case "anyOf":
		var all []string
		for _, one := range x[word].([]any) {
			err := v.check(one.(map[string]any), value)
			if err == nil {
				return nil
			}
			all = append(all, err.Error())
		}
		return fmt.Errorf("none of: %s", strings.Join(all, "; or: "))
	case "properties", "patternProperties":
	case "additionalProperties":
		return v.members(x, table)
	default:
		return fmt.Errorf("this test does not know the word %q of JSON Schema", word)
	}
	return nil
}

// members checks the values of a table by the keys that stand there.
func (v *validator) members(x, table map[string]any) error {
	properties, _ := x["properties"].(map[string]any)
	patterns, _ := x["patternProperties"].(map[string]any)
	for k, value := range table {
		var fit []any
		if is, known := properties[k]; known {
			fit = append(fit, is)
		}
		for p, is := range patterns {
			if regexp.MustCompile(p).MatchString(k) {
				fit = append(fit, is)
			}
		}
		if len(fit) == 0 {
			if x["additionalProperties"] == false {
				return fmt.Errorf("the key %q is not known", k)
			}
			fit = append(fit, x["additionalProperties"])
		}
		for _, is := range fit {
			if err := v.check(is.(map[string]any), value); err != nil {
				return fmt.Errorf("%s: %w", k, err)
			}
		}
	}
	return nil
}
