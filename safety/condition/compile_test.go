package condition

import (
	"fmt"
	"strings"
	"testing"

	"github.com/expr-lang/expr"

	"dwell/drivers/quantity"
)

const s = int64(1e9)

func dim(symbol string) quantity.Dimension {
	u, ok := quantity.LookUp(symbol)
	if !ok {
		panic("no unit " + symbol)
	}
	return u.Dim
}

// bench is a demo rig's vocabulary.
func bench() Vocabulary {
	low, _ := quantity.Parse("20 degC")
	rise, _ := quantity.Parse("5 K")
	return Vocabulary{
		Channels: []Channel{
			{"plate.temperature", dim("degC"), s, 3 * s, 0.1, -50, 450},
			{"foil.temperature", dim("degC"), s, 3 * s, 0.01, 0, 0},
			{"element.resistance", dim("Ohm"), s / 2, 3 * s, 0, 0, 0},
			{"meter.power", dim("W"), 0, 3 * s, 0, 0, 0},
			{"stage.travel", dim("m"), 0, 0, 0, 0, 0},
		},
		Names: map[string]quantity.Quantity{"low": low, "rise": rise},
	}
}

var accepted = []string{
	"settled(foil.temperature, 0.1 K, 1 min)",
	"abs(plate.temperature - foil.temperature) > 15 K",
	"rate(plate.temperature, 30 s) > 3 K/min",
	"abs(rate(plate.temperature, 30 s)) > 3 K/min",
	"mean(element.resistance, 10 s) < 1 kOhm and elapsed > 2 min",
	"not (plate.temperature > foil.temperature)",
	"20 °C < plate.temperature <= 30 degC",
	"plate.temperature > low + rise",
	"rise + low < plate.temperature",
	"plate.temperature - rise > low",
	"plate.temperature > -10 degC",
	"plate.temperature - low > -5 K",
	"plate.temperature - low > -rise",
	"min(plate.temperature, foil.temperature, low) > 3 degC",
	"max(plate.temperature - low, rise) > 6 K",
	"element.resistance < 1 kΩ",
	"(plate.temperature - low) / rise > 20 %",
	"(plate.temperature - low) / rise > 20%",
	"meter.power / element.resistance > 1 uA * 1 uA",
	"elapsed > 3 K / 1 K * 1 s",
	"elapsed > 2 * 30 s",
	"elapsed > 6 K/rate(plate.temperature, 30 s)",
	"not (elapsed > 2 s) or elapsed > 3 s and meter.power > 1 uW",
	"settled(foil.temperature, rise / 10, 2 * 30 s)",
	"\telapsed>1 s ",
	"elapsed -3 s > 1 s",
	"(elapsed)-3 s>-1 s",
}

func TestAccepts(t *testing.T) {
	for _, text := range accepted {
		if c, faults := Compile(text, bench()); c == nil || len(faults) > 0 {
			t.Errorf("%s: %v", text, faults)
		}
	}
}

// What our own check lets pass, the library's type check must let pass too.
func TestLibraryAgrees(t *testing.T) {
	for _, text := range accepted {
		c := compiler{vocabulary: bench(), leaves: map[int]leaf{}}
		masked := c.mask(text)
		if len([]rune(masked)) != len([]rune(text)) {
			t.Errorf("%s: became %q, of another length", text, masked)
		}
		env := map[string]any{
			"abs": func(x float64) float64 { return 0 }, "min": func(x ...float64) float64 { return 0 }, "max": func(x ...float64) float64 { return 0 },
			"mean": func(x, w float64) float64 { return 0 }, "rate": func(x, w float64) float64 { return 0 },
			"settled": func(x, b, w float64) bool { return false },
		}
		for n := 1; n < 40; n++ {
			env[strings.Repeat(string(standIn), n)] = 0.0
		}
		if _, err := expr.Compile(masked, expr.Env(env), expr.AsBool(), expr.WarnOnAny(), expr.DisableAllBuiltins()); err != nil {
			t.Errorf("%s: %v", text, err)
		}
	}
}

// Each mistake: the text with the place of the first fault in «», the message,
// the hint.
var mistakes = [][3]string{
	{"«»", "nothing to compare", ""},
	{"«plat.temperature» > 3 degC", `unknown name "plat.temperature"`, "did you mean plate.temperature?"},
	{"plate.temperature > «lwo»", `unknown name "lwo"`, "did you mean low?"},
	{"plate.temperature > low «adn» elapsed > 3 s", `unknown name "adn"`, "did you mean and?"},
	{"«minn»(plate.temperature, low) > low", `unknown function "minn"`, "did you mean min?"},
	{"«now»() > 3 s", `unknown function "now"`, ""},
	{"«true»", `unknown name "true"`, ""},
	{"«let» x = 3; x > 2", `unknown name "let"`, ""},
	{"«filter»(a, b)", `unknown function "filter"`, ""},
	{"elapsed > 3 s «?» 1 : 2", "'?' has no place", ""},
	{"elapsed > «[»1, 2]", "'[' has no place", ""},
	{"elapsed > «{»}", "'{' has no place", ""},
	{"elapsed > 3 s «|» x", "'|' has no place", ""},
	{"elapsed > «\"»3 s\"", "has no place", ""},
	{"elapsed > 3 s «;»", "';' has no place", ""},
	{"elapsed > 3 s«//» or more", "// is not used here", ""},
	{"elapsed > 3 s «/*» x */", "/* is not used here", ""},
	{"elapsed «**» 2 > 3 s", "** is not used here", ""},
	{"elapsed > «1..» 3", `"1.." is not a number`, ""},
	{"elapsed «==» 3 s", "almost never equal", "compare with < and >"},
	{"elapsed «!=» 3 s", "almost never equal", "compare with < and >"},
	{"elapsed «=» 3 s", "= is no comparison", "<="},
	{"elapsed > 3 s «&&» elapsed > 2 s", "&& is not used here", "write and"},
	{"elapsed > 3 s «||» elapsed > 2 s", "|| is not used here", "write or"},
	{"«!»(elapsed > 3 s)", "! is not used here", "write not"},
	{"plate.temperature > «20 C»", `unknown unit "C"`, "coulomb"},
	{"plate.temperature > «20degC»", "no space between number and unit", "write 20 degC"},
	{"elapsed > «30 sec»", `unknown unit "sec"`, "did you mean s?"},
	{"elapsed > «30 Min» and elapsed < 3 h", `unknown unit "Min"`, "did you mean min?"},
	{"elapsed > «010 s»", `"010" is not a number`, "leading zeros"},
	{"elapsed > «1_000 s»", `"1_000" is not a number`, "without _"},
	{"elapsed > «0x10 s»", "is not a number", ""},
	{"elapsed > «1e400 s»", "out of range", ""},
	{"elapsed > «s»", "s is a unit", ""},
	{"elapsed > 3 s «elapsed»", `"elapsed" is not expected here`, ""},
	{"elapsed > 3 s «3 s»", `"3 s" is not expected here`, "an operator may be missing"},
	{"elapsed > 3 s«)»", `")" is not expected here`, ""},
	{"(elapsed > 3 «s»", "ends too early", "parenthesis"},
	{"elapsed «>»", "ends too early", ""},
	{"elapsed > «>» 3 s", `">" is not expected here`, ""},
	{"(elapsed)«(»elapsed)", `"(" is not expected here`, ""},
	{"«3»() > 2 s", "no place in a condition", ""},
	{"«3 s(elapsed») > 2 s", "no place in a condition", ""},
	{"«elapsed»", "a quantity in s, not a condition", "compare it"},
	{"«3 K > 2 K»", "can never change", "name a channel"},
	{"elapsed > 3 s or «2 * 3 K > rise»", "can never change", ""},
	{"«not plate.temperature» > low", "not needs a condition", "parentheses"},
	{"«elapsed» and elapsed > 3 s", "and works on conditions", "compare it"},
	{"elapsed > 3 s or «elapsed»", "or works on conditions", "compare it"},
	{"(«elapsed > 3 s») + 1 s > 2 s", "+ works on quantities", ""},
	{"abs(«elapsed > 3 s») > 1 s", "abs works on quantities", ""},
	{"-(«elapsed > 3 s») > 1 s", "", ""},
	{"«+elapsed» > 3 s", `"+" is not expected here`, ""},
	{"rate(plate.temperature, 1 min) < «1 degC/min»", "a rate of temperature is a difference per time", "write 1 K/min"},
	{"rate(plate.temperature, 1 min) < «1 °C/s»", "a rate of temperature is a difference per time", "write 1 K/s"},
	{"«rate(plate.temperature, 1 min) < 1 K»", "is compared with a difference", "a rate is written in K/min"},
	{"plate.temperature > 20 degC or elapsed > «2 uW/min»", "2 uW/min is no quantity with a unit that is known", "write 2 uW / 1 min"},
	{"plate.temperature «above» 29 degC", "means nothing in an expression", "write >"},
	{"plate.temperature «within» 0.5 K of 30 degC", "means nothing in an expression", "write abs("},
	{"«plate temperature» > 29 degC", "is written with a dot", "write plate.temperature"},
	{"«plate.temperature > 20»", "a temperature (degC) is compared with a plain number", "with its unit"},
	{"«plate.temperature > 20 K»", "compared with a difference", "degC"},
	{"«plate.temperature - low > 5 degC»", "a difference of temperatures (K) is compared with a temperature", "a difference in K"},
	{"«plate.temperature + low» > 5 degC", "cannot be added", ""},
	{"«rise - plate.temperature» > 5 degC", "cannot be subtracted", ""},
	{"«element.resistance + 3» > 3 Ohm", "cannot be added", "with its unit"},
	{"«plate.temperature * 2» > 3 degC", "cannot be multiplied", "subtract"},
	{"«2 * low» < plate.temperature", "cannot be multiplied", "subtract"},
	{"«plate.temperature / rise» > 3", "cannot be multiplied or divided", "subtract"},
	{"«-plate.temperature» > 3 degC", "has no negative", "K"},
	{"abs(«plate.temperature») > 3 degC", "means nothing", "subtract"},
	{"element.resistance / «0» > 3 Ohm", "division by zero", ""},
	{"element.resistance / («rise - 5 K») * 1 K > 3 Ohm", "division by zero", ""},
	{"elapsed > «1e300 s * 1e300 s» / 1 s", "no finite result", ""},
	{"«" + strings.Repeat("elapsed*", 9) + "elapsed» > 1 s", "no quantity has the dimension", ""},
	{"min(plate.temperature, «rise») > low", "min of a temperature", "degC"},
	{"min(«plate.temperature») > low", "", ""},
	{"«abs» > 3 s", "in parentheses", ""},
	{"«plate.temperature»(3 s) > low", "is not a function", ""},
	{"mean(«plate.temperature - low», 30 s) > rise", "mean works on a channel", ""},
	{"rate(«low», 30 s) > 1 K/s", "rate works on a channel", ""},
	{"rate(plate.temperature, «elapsed») > 1 K/s", "fixed time", "30 s"},
	{"rate(plate.temperature, «30 K») > 1 K/s", "fixed time", "30 s"},
	{"rate(plate.temperature, «-3 s») > 1 K/s", "fixed time", ""},
	{"rate(plate.temperature, «1 s») > 1 K/s", "holds 2 readings", "at least 2 s"},
	{"rate(plate.temperature, «20 h») > 1 K/s", "may hold 50000 readings", ""},
	{"mean(«meter.power», 30 s) > 1 uW", "not read at a steady rate", ""},
	{"«stage.travel» > 1 mm", "not read regularly", ""},
	{"settled(foil.temperature, «0.1 degC», 1 min)", "the band of settled is a difference", "K"},
	{"settled(foil.temperature, «1 min», 1 min)", "the band of settled is a difference", ""},
	{"settled(foil.temperature, «-0.1 K», 1 min)", "above zero", ""},
	{"settled(foil.temperature, «foil.temperature - low», 1 min)", "fixed size", ""},
	{"settled(plate.temperature, «0.19 K», 1 min)", "below two digits of what plate.temperature shows (0.2 K)", ""},
	{"settled(foil.temperature, 0.1 K, «2 s»)", "holds 3 readings of foil.temperature, settled needs 4", "at least 3 s"},
}

func TestFaults(t *testing.T) {
	for _, c := range mistakes {
		before, rest, _ := strings.Cut(c[0], "«")
		place, after, _ := strings.Cut(rest, "»")
		_, faults := Compile(before+place+after, bench())
		if len(faults) == 0 {
			t.Errorf("%s: accepted", c[0])
			continue
		}
		if c[1] == "" {
			continue // the place and the words do not matter
		}
		f := faults[0]
		offset, width := len([]rune(before)), max(1, len([]rune(place)))
		if f.Offset != offset || f.Width != width || !strings.Contains(f.Text, c[1]) || !strings.Contains(f.Hint, c[2]) {
			t.Errorf("%s: at %d+%d %s (%s); want %d+%d …%s… (…%s…)", c[0], f.Offset, f.Width, f.Text, f.Hint, offset, width, c[1], c[2])
		}
	}
}

func TestDisplayDigitsAreForgiving(t *testing.T) {
	if _, faults := Compile("settled(plate.temperature, 0.2 K, 1 min)", bench()); len(faults) > 0 {
		t.Errorf("two digits of 0.1 K: %v", faults)
	}
}

// Every mistake of an expression is reported in one go, each once.
func TestAllFaults(t *testing.T) {
	_, faults := Compile("20 < plate.temperature < 30 K and elapsed > 3 Ohm", bench())
	var got []string
	for _, f := range faults {
		got = append(got, fmt.Sprint(f.Offset))
	}
	if strings.Join(got, " ") != "0 5 34" {
		t.Errorf("faults at %v: %v", got, faults)
	}
	if _, faults = Compile("0 K < stage.travel < 3 mm", bench()); len(faults) != 1 {
		t.Errorf("the middle of a chain is reported %d times: %v", len(faults), faults)
	}
}

// A mistake in one word hides none in the others, and nothing follows from it; nor
// from a word that is a mistake elsewhere.
func TestNoConsequences(t *testing.T) {
	v := bench()
	v.Excused = func(word string) bool { return word == "bad" || word == "lost.temperature" }
	for text, want := range map[string][]string{
		"bad > plate.temperature":                               nil,
		"lost.temperature - plate.temperature > 5 degC":         nil,
		"not (-bad < 3)":                                        nil,
		"settled(lost.temperature, 1 V, bad)":                   nil,
		"rate(foil.temperature, bad) > 1 V and bad":             nil,
		"max(bad, 3 V) > 1 K":                                   nil,
		"bad":                                                   nil,
		"bad > 3 s and stage.travel > 1 mm":                     {"not read regularly"},
		"abs(bad - low) > 1 K or elapsed > 3 K":                 {"compared with a difference"},
		"badd > 3 s":                                            {"unknown name"},
		"plat.temperature > 20 degC and foil.temperature > 3 V": {"unknown name", "compared with"},
		"plate.temperature > 20 C or elapsed":                   {"unknown unit", "or works on conditions"},
		"plat.temperature + 3 == elapsed":                       {"unknown name", "almost never equal"},
		"minn(lwo) > elapsed > 3 K":                             {"unknown function", "unknown name"},
	} {
		c, faults := Compile(text, v)
		good := c == nil && len(faults) == len(want)
		for i := range min(len(faults), len(want)) {
			good = good && strings.Contains(faults[i].Text, want[i])
		}
		if !good {
			t.Errorf("%s: expected %q, got %v", text, want, faults)
		}
	}
}

func TestBounds(t *testing.T) {
	for _, text := range []string{
		strings.Repeat("(", 1_000_000),
		"elapsed > 1 s" + strings.Repeat(" and elapsed > 1 s", 60),
		strings.Repeat("-", 500) + "elapsed > 1 s",
		strings.Repeat("not ", 300) + "(elapsed > 1 s)",
		strings.Repeat("(", 990) + "elapsed" + strings.Repeat(")", 990),
	} {
		if c, faults := Compile(text, bench()); c != nil || len(faults) == 0 {
			t.Errorf("%.20s…: accepted", text)
		}
	}
	if _, faults := Compile("elapsed > 1 s"+strings.Repeat(" and elapsed > 1 s", 40), bench()); len(faults) > 0 {
		t.Errorf("41 comparisons: %v", faults)
	}
}

func TestReadsAndWindow(t *testing.T) {
	c, faults := Compile("rate(foil.temperature, 30 s) > 1 K/s or mean(plate.temperature, 1 min) > low or foil.temperature > low", bench())
	if len(faults) > 0 || fmt.Sprint(c.Reads()) != "[0 1]" || c.Window() != 60*s {
		t.Errorf("%v %v %d", faults, c.Reads(), c.Window())
	}
	c, _ = Compile("elapsed > 3 s", bench())
	if len(c.Reads()) != 0 || c.Window() != 0 {
		t.Error("elapsed reads a channel")
	}
}

func FuzzCompile(f *testing.F) {
	for _, text := range accepted {
		f.Add(text)
	}
	for _, text := range []string{"\"a\" + 'b'", "ª > 3 K", "a?.b ?? c", "#.x", "let x = 1; x", "1..2", "if a {b} else {c}", "x | f()", "20°C", "5 %/K", "\xff > 1 s", "b'x'", "00()"} {
		f.Add(text)
	}
	v := bench()
	f.Fuzz(func(t *testing.T, text string) {
		c, faults := Compile(text, v)
		if (c == nil) == (len(faults) == 0) {
			t.Fatalf("%q: %v and %v", text, c, faults)
		}
		length := len([]rune(text))
		for _, x := range faults {
			if x.Offset < 0 || x.Width < 1 || x.Text == "" || x.Offset+x.Width > max(length, 1) {
				t.Fatalf("%q: fault outside: %+v", text, x)
			}
		}
		if c == nil {
			return
		}
		if len(c.Reads()) == 0 && !strings.Contains(text, "elapsed") {
			t.Fatalf("%q: a constant was accepted", text)
		}
		m := NewMemory(v, c)
		if len(c.Reads()) > 0 && !strings.Contains(text, "elapsed") && c.Eval(m, 100*s, 0) != Unknown {
			t.Fatalf("%q: known without a reading", text)
		}
		for at := range 5 {
			m.Observe(at%3, int64(at)*s, float64(at), true)
			c.Eval(m, int64(at)*s, 0)
		}
	})
}
