// Style that is not tested is a wish. This file reads every Go file of the
// module and holds the rules of the house. Each finding says file:line, what,
// and what to do instead.
package main_test

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"os/exec"
	"path"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/fstest"
)

// rooms is the import table: a room may import the rooms named here and
// whatever those may import. cmd joins the rooms and may import all of them;
// tests may import any room.
var rooms = map[string]string{
	"drivers/clock":    "",
	"drivers/quantity": "",
	"drivers/yamltext": "",
	"drivers/wire":     "drivers/clock",
	"drivers":          "drivers/clock drivers/quantity",
	"drivers/dialect":  "drivers",
	"drivers/convert":  "drivers/quantity",
	"drivers/bending":  "drivers/quantity",
	"drivers/rig":      "drivers/yamltext drivers/wire drivers/dialect drivers/convert drivers/bending",
	"drivers/twin":     "drivers/rig drivers/wire drivers/dialect drivers/convert drivers/bending",
	"safety/condition": "drivers/quantity",
	"safety":           "drivers drivers/rig safety/condition",
	"sequence/plan":    "drivers/yamltext safety", // the rules and the rig are what a plan is checked against
	"sequence":         "sequence/plan safety drivers",
	"sequence/drill":   "sequence drivers/twin",
	"logs":             "drivers/quantity",
	"logs/figures":     "logs",
	"logs/report":      "logs logs/figures",
	"examples":         "",
}

// libraries names the rooms that may use a third-party library, and further
// rooms whose tests may. "*" is every room.
var libraries = []struct{ path, rooms, tests string }{
	{"gopkg.in/yaml.v3", "drivers/yamltext", ""},
	{"github.com/expr-lang/expr", "safety/condition", ""},
	{"go.bug.st/serial", "drivers/wire", ""},
	{"go.uber.org/zap", "cmd", ""},
	{"github.com/spf13/cobra", "cmd", ""},
	{"gonum.org/v1/gonum", "logs/figures", "*"},
	{"gonum.org/v1/plot", "logs/report", ""},
	{"github.com/parquet-go/parquet-go", "logs", ""},
	{"github.com/creack/pty", "drivers/twin cmd", "drivers/wire"},
	{"golang.org/x/sys", "drivers/wire drivers/rig logs cmd", ""},
	{"golang.org/x/term", "drivers/wire drivers/rig logs cmd", ""},
}

// forbidden names identifiers of the given packages ("*": of any package or
// type), where they are forbidden and where excepted, and whether in tests too.
var forbidden = []struct {
	packages, names, in, except string
	tests                       bool
	instead                     string
}{
	{"time", "Now Sleep After AfterFunc NewTimer NewTicker Tick Since Until", "*", "drivers/clock", false,
		"take a clock.Clock: only drivers/clock asks the time or waits"},
	{"os", "Exit", "*", "cmd", true, "return an error: cmd alone turns it into an exit code"},
	{"log", "Fatal Fatalf Fatalln Panic Panicf Panicln", "*", "", true, "return an error, or the rig is not made safe"},
	{"*", "Fatal Fatalf Fatalln Fatalw Panic Panicf Panicln Panicw DPanic DPanicf DPanicln DPanicw", "*", "", false,
		"return an error, or the rig is not made safe"},
	{"math/rand math/rand/v2", "Seed Int IntN Intn Int31 Int31n Int32 Int32N Int63 Int63n Int64 Int64N N Uint UintN" +
		" Uint32 Uint32N Uint64 Uint64N Float32 Float64 NormFloat64 ExpFloat64 Perm Shuffle Read", "*", "", true,
		"draw from a seeded generator: the shared one never repeats"},
	{"math", "Acos Acosh Asin Asinh Atan Atan2 Atanh Cbrt Cos Cosh Erf Erfc Erfcinv Erfinv Exp Exp2 Expm1 Gamma Hypot" +
		" J0 J1 Jn Lgamma Log Log10 Log1p Log2 Pow Pow10 Sin Sincos Sinh Tan Tanh Y0 Y1 Yn", "drivers/twin drivers/convert", "", false,
		"use the functions of drivers/convert: this one's last bit differs by CPU"},
	{"*", "NormFloat64 ExpFloat64", "drivers/twin drivers/convert", "", false,
		"use our own generator: this one calls math.Exp and math.Log"},
}

const (
	modulePath      = "dwell"
	startsProcesses = "drivers/clock drivers/wire cmd" // goroutines, channels, locks and contexts live here
	longestFunction = 70                               // lines, from func to the closing brace
	emptyNames      = "common handler handlers helper helpers manager managers util utils"
	topLevel        = "cmd drivers sequence safety logs examples testdata README.md DEVELOPERS.md LICENSE go.mod go.sum"
)

// source is one file: its slash path, its folder ("cmd" for all below cmd).
type source struct {
	name, room string
	test       bool
	set        *token.FileSet
	file       *ast.File
	packages   map[string]string // name used in the file -> import path
	found      []string
}

func parse(name string, text any) (*source, error) {
	s := &source{name: name, room: path.Dir(name), test: strings.HasSuffix(name, "_test.go"),
		set: token.NewFileSet(), packages: map[string]string{}}
	if strings.HasPrefix(name, "cmd/") {
		s.room = "cmd"
	}
	var err error
	s.file, err = parser.ParseFile(s.set, name, text, parser.ParseComments)
	return s, err
}

func (s *source) line(p token.Pos) int { return s.set.PositionFor(p, false).Line }

func (s *source) add(p token.Pos, what, instead string) {
	s.found = append(s.found, fmt.Sprintf("%s:%d: %s; %s", s.name, s.line(p), what, instead))
}

func in(list, word string) bool { return list == "*" || slices.Contains(strings.Fields(list), word) }

func downhill(from, to string) bool {
	_, isRoom := rooms[to]
	return from == "cmd" && isRoom || slices.ContainsFunc(strings.Fields(rooms[from]),
		func(next string) bool { return next == to || downhill(next, to) })
}

// check holds every rule that one file alone can break.
func (s *source) check() []string {
	s.checkNames()
	for _, spec := range s.file.Imports {
		s.checkImport(spec)
	}
	ast.Inspect(s.file, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.SelectorExpr:
			s.checkSelector(n)
		case *ast.FuncDecl:
			if n.Name.Name == "init" && n.Recv == nil {
				s.add(n.Pos(), "func init", "make it a table, or call it where it is needed")
			}
			s.checkLength(n, n.Name.Name)
		case *ast.FuncLit:
			s.checkLength(n, "function literal")
		}
		s.checkProcess(n)
		return true
	})
	return s.found
}

func (s *source) checkNames() {
	if _, known := rooms[s.room]; !known && s.room != "cmd" {
		s.add(s.file.Package, s.room+" is not a room", "move the file, or give the room its row here and in DEVELOPERS.md")
	}
	stem := strings.TrimSuffix(strings.TrimSuffix(path.Base(s.name), ".go"), "_test")
	words := append(strings.Split(stem, "_"), path.Base(path.Dir(s.name)), strings.TrimSuffix(s.file.Name.Name, "_test"))
	for _, word := range slices.Compact(words) {
		if in(emptyNames, word) {
			s.add(s.file.Package, "the name "+word+" says nothing", "name it after what it holds")
		}
	}
}

func (s *source) checkImport(spec *ast.ImportSpec) {
	imported, _ := strconv.Unquote(spec.Path.Value) // the parser has unquoted it before
	name := path.Base(strings.TrimSuffix(imported, "/v2"))
	if spec.Name != nil {
		name = spec.Name.Name
	}
	s.packages[name] = imported
	if name == "." {
		s.add(spec.Pos(), "dot import", "name the package where it is used")
	}
	room, ours := strings.CutPrefix(imported, modulePath+"/")
	switch domain, _, _ := strings.Cut(imported, "/"); {
	case ours && !s.test && !downhill(s.room, room):
		s.add(spec.Pos(), s.room+" imports "+room+", which is not below it", "define the small interface needed here, join the two in cmd")
	case strings.Contains(domain, ".") && !s.mayUse(imported):
		s.add(spec.Pos(), s.room+" uses "+imported, "keep a library in the room named for it here")
	case in("sync context", imported) && !s.test && !in(startsProcesses, s.room):
		s.add(spec.Pos(), s.room+" imports "+imported, "one process runs at a time, and deadlines are clock.Instants")
	}
}

func (s *source) mayUse(imported string) bool {
	for _, l := range libraries {
		if imported == l.path || strings.HasPrefix(imported, l.path+"/") {
			return in(l.rooms, s.room) || s.test && in(l.tests, s.room)
		}
	}
	return false
}

func (s *source) checkSelector(n *ast.SelectorExpr) {
	imported := "a value"
	if x, ok := n.X.(*ast.Ident); ok && x.Obj == nil && s.packages[x.Name] != "" { // Obj: a variable of that name
		imported = s.packages[x.Name]
	}
	for _, f := range forbidden {
		if in(f.packages, imported) && in(f.names, n.Sel.Name) &&
			in(f.in, s.room) && !in(f.except, s.room) && (f.tests || !s.test) {
			s.add(n.Pos(), n.Sel.Name+" of "+imported, f.instead)
			return
		}
	}
}

func (s *source) checkLength(n ast.Node, name string) {
	if lines := s.line(n.End()) - s.line(n.Pos()) + 1; lines > longestFunction && !s.test {
		s.add(n.Pos(), fmt.Sprintf("%s has %d lines of at most %d", name, lines, longestFunction), "split it where its meaning splits")
	}
}

func (s *source) checkProcess(n ast.Node) {
	what := ""
	switch n := n.(type) {
	case *ast.GoStmt:
		what = "go statement"
	case *ast.ChanType:
		what = "channel type"
	case *ast.SelectStmt:
		what = "select"
	case *ast.SendStmt:
		what = "channel send"
	case *ast.UnaryExpr:
		if n.Op == token.ARROW {
			what = "channel receive"
		}
	}
	if what != "" && !s.test && !in(startsProcesses, s.room) {
		s.add(n.Pos(), what, "use a process, an event or a queue of drivers/clock")
	}
}

// packageComments sees all files together: one comment a package is enough.
func packageComments(files []*source) (found []string) {
	said := map[string]bool{}
	for _, s := range files {
		said[path.Dir(s.name)] = said[path.Dir(s.name)] || !s.test && s.file.Doc.Text() != ""
	}
	for _, s := range files {
		if !s.test && !said[path.Dir(s.name)] {
			found = append(found, s.name+":1: package without a comment; say what it is for and what it must never do")
		}
	}
	return found
}

// strays judges the names at the top that belong to the repository: what somebody has
// lying about in his own copy is his.
func strays(tracked []string) (found []string) {
	for _, name := range tracked {
		if !in(topLevel, name) && name[0] != '.' {
			found = append(found, name+":1: does not belong at the top; move it into a room, examples or testdata")
		}
	}
	return found
}

// trackedAtTop are the names at the top that git knows; none where there is no git.
func trackedAtTop(t *testing.T) (names []string) {
	out, err := exec.Command("git", "-C", "../..", "ls-files", "-z").Output()
	if err != nil {
		t.Log("not looked for strays: git:", err)
	}
	for file := range strings.SplitSeq(strings.Trim(string(out), "\x00"), "\x00") {
		if name, _, _ := strings.Cut(file, "/"); name != "" && !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	return names
}

// tidy walks over the folders of the house and returns all findings and the files it
// read; tracked are the names at the top that belong to the repository.
func tidy(module fs.FS, tracked []string) (findings []string, files []*source, err error) {
	mod, err := fs.ReadFile(module, "go.mod")
	if err == nil && !strings.HasPrefix(string(mod), "module "+modulePath+"\n") {
		err = fmt.Errorf("go.mod: expected the module %s, got %.40q", modulePath, mod)
	}
	if err != nil {
		return nil, nil, err
	}
	err = fs.WalkDir(module, ".", func(name string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case d.IsDir() && name != "." && (d.Name()[0] == '.' || d.Name() == "testdata" || path.Dir(name) == "." && !in(topLevel, name)):
			return fs.SkipDir
		case d.IsDir() || path.Ext(name) != ".go":
			return nil
		}
		text, err := fs.ReadFile(module, name)
		if err != nil {
			return err
		}
		s, err := parse(name, text)
		if err == nil {
			files = append(files, s)
			findings = append(findings, s.check()...)
		}
		return err
	})
	return slices.Concat(findings, packageComments(files), strays(tracked)), files, err
}

func TestTidy(t *testing.T) {
	findings, files, err := tidy(os.DirFS("../.."), trackedAtTop(t))
	if err != nil {
		t.Fatal(err)
	}
	for _, finding := range findings {
		t.Error(finding)
	}
	if !slices.ContainsFunc(files, func(s *source) bool { return s.name == "cmd/dwell/tidy_test.go" }) {
		t.Error("the walk did not meet this very file")
	}
}

// TestTidyFinds shows that each rule can fail: the clean text passes, the
// other is found once.
func TestTidyFinds(t *testing.T) {
	lines := func(n int) string { return "func f() {" + strings.Repeat("\n", n-1) + "}" }
	for _, c := range []struct{ name, clean, dirty, says string }{
		{"drivers/rig/a.go", `import "dwell/drivers/clock"`, `import "dwell/logs"`, "drivers/rig imports logs, which is not below"},
		{"sequence/a.go", `import "dwell/drivers/wire"`, `import "dwell/drivers/twin"`, "imports drivers/twin"},
		{"cmd/dwell/a.go", `import "dwell/drivers/twin"`, `import "dwell/elsewhere"`, "imports elsewhere"},
		{"logs/a_test.go", `import "dwell/drivers/twin"`, `import "gopkg.in/yaml.v3"`, "uses gopkg.in/yaml.v3"},
		{"safety/condition/a.go", `import "github.com/expr-lang/expr/ast"`, `import "github.com/expr-lang/expression"`, "uses github"},
		{"drivers/wire/a.go", `import "go.bug.st/serial"`, `import "github.com/creack/pty"`, "uses github.com/creack/pty"},
		{"drivers/wire/a_test.go", `import "github.com/creack/pty"`, `import "go.uber.org/zap"`, "uses go.uber.org/zap"},
		{"logs/report/a.go", `import "fmt"`, `import . "fmt"`, "dot import"},
		{"safety/a.go", `import "errors"`, `import "sync"`, "imports sync"},
		{"logs/a.go", `import "io"`, `import "context"`, "imports context"},
		{"sequence/a.go", `import "time"; var d = time.Second`, `import "time"; var f = time.Now`, "Now of time"},
		{"drivers/wire/a.go", `import "time"; var t time.Time`, `import w "time"; func f() { w.Sleep(1) }`, "Sleep of time"},
		{"logs/a.go", `import "os"; var n = os.Getpid()`, `import "os"; func f() { os.Exit(1) }`, "Exit of os"},
		{"logs/a_test.go", `import "log"; func f() { log.Print() }`, `import "log"; func f() { log.Fatal() }`, "Fatal of log"},
		{"cmd/dwell/a.go", `import "os"; func f() { os.Exit(1) }`, `func f() { z.DPanic("") }`, "DPanic of a value"},
		{"drivers/twin/a.go", `import "math/rand/v2"; func f(rand *rand.Rand) { rand.IntN(3) }`,
			`import "math/rand/v2"; var n = rand.IntN(3)`, "IntN of math/rand/v2"},
		{"drivers/convert/a.go", `import "math"; var x = math.Sqrt(2)`, `import "math"; var x = math.Exp(2)`, "Exp of math"},
		{"drivers/twin/a.go", `import "math"; var x = math.Abs(-2)`, `var x = r.NormFloat64()`, "NormFloat64 of a value"},
		{"drivers/bending/a.go", `import "math"; var x = math.Sin(2)`, `func f() { go f() }`, "go statement"},
		{"logs/figures/a.go", `var c func()`, `var c chan int`, "channel type"},
		{"logs/a.go", `func f() { switch {} }`, `func f() { select {} }`, "select"},
		{"logs/a.go", `func f() { c(1) }`, `func f() { c <- 1 }`, "channel send"},
		{"logs/a.go", `var x = -c`, `var x = <-c`, "channel receive"},
		{"logs/a_test.go", `func f(c chan int) { go g(<-c) }`, `func init() {}`, "func init"},
		{"logs/a.go", lines(70), lines(71), "f has 71 lines"},
		{"logs/a.go", "var f = " + strings.Replace(lines(70), "f()", "()", 1), "var f = " + strings.Replace(lines(71), "f()", "()", 1), "literal has 71"},
		{"logs/a_test.go", `import "sync"; ` + lines(71), "func init() {}; " + lines(71), "func init"},
	} {
		expectFindings(t, c.name, c.clean)
		expectFindings(t, c.name, c.dirty, c.says)
	}
	expectFindings(t, "logs/utility.go", "")
	expectFindings(t, "logs/csv_helpers_test.go", "", "the name helpers says nothing")
	expectFindings(t, "drivers/elsewhere/a.go", "", "drivers/elsewhere is not a room")
}

func expectFindings(t *testing.T, name, text string, says ...string) {
	t.Helper()
	s, err := parse(name, "package p; "+text)
	if err != nil {
		t.Fatal(err)
	}
	found := s.check()
	if len(found) != len(says) || len(says) > 0 && !(strings.HasPrefix(found[0], name+":1: ") && strings.Contains(found[0], says[0])) {
		t.Errorf("%s: %s\nexpected findings %q at line 1, got %q", name, text, says, found)
	}
}

// TestTidyWalks shows what only a whole tree can break, and what is passed over.
func TestTidyWalks(t *testing.T) {
	text := func(s string) *fstest.MapFile { return &fstest.MapFile{Data: []byte(s)} }
	findings, _, err := tidy(fstest.MapFS{
		"go.mod": text("module dwell\n"), "runs/x": {}, "cpu.prof": {}, "my/a.go": text("package util\nfunc init() {}"), ".ci/run": {},
		"logs/a.go":           text("package logs"),
		"logs/b.go":           text("// Package logs keeps.\npackage logs"),
		"logs/testdata/a.go":  text("package util"),
		"safety/a.go":         text("package safety"),
		"safety/a_test.go":    text("// A test's word does not count.\npackage safety"),
		"sequence/a_test.go":  text("package sequence\nfunc init() {}"),
		"cmd/dwell/a_test.go": text("package main_test"),
		"notes.txt":           {},
	}, []string{"go.mod", ".ci", "logs", "safety", "sequence", "cmd", "notes.txt"})
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []string{"sequence/a_test.go:2: func init", "safety/a.go:1: package without", "notes.txt:1: does not belong"} {
		if len(findings) != 3 || !strings.HasPrefix(findings[i], want) {
			t.Fatalf("expected finding %d of 3 to be %q, got %q", i, want, findings)
		}
	}
	if _, _, err := tidy(fstest.MapFS{"go.mod": text("module other\n")}, nil); err == nil || !strings.Contains(err.Error(), "expected the module dwell") {
		t.Errorf("expected a foreign module to be refused, got %v", err)
	}
}
