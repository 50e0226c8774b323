package convert

import (
	"fmt"
	"strings"
	"testing"
)

func ExampleByName() {
	probe, _ := ByName("pt100")
	t, _ := probe.Apply(138.5055)
	fmt.Printf("%.3f %s\n", t, probe.Out)

	pair, _ := ByName("thermocouple T")
	t, _ = pair.ApplyAt(5.7730382e-3, 23.5)
	fmt.Printf("%.3f %s\n", t, pair.Out)
	// Output:
	// 100.000 degC
	// 150.000 degC
}

func TestByName(t *testing.T) {
	for _, c := range []struct {
		name        string
		x, junction float64
		in          string
		degC        float64
		needs       bool
	}{
		{"pt100", 119.397125, 0, "Ohm", 50, false},
		{"pt1000", 1193.97125, 0, "Ohm", 50, false},
		{"thermocouple K", 5.1988369e-3, 23.5, "V", 150, true},
		{"thermocouple  T junction 23.5 degC", 5.7730382e-3, 23.5, "V", 150, false},
		{"thermocouple T junction 23.5 °C", 5.7730382e-3, 23.5, "V", 150, false},
		{"ntc r25 10 kOhm b 3950 K", 5989.411673, 0, "Ohm", 37, false},
		{"ntc a 1.129148e-3 b 2.34125e-4 c 8.76741e-8", 1000, 0, "Ohm", 87.168140135, false},
	} {
		conversion, err := ByName(c.name)
		if err != nil {
			t.Fatal(err)
		}
		if in, out := conversion.In.String(), conversion.Out.String(); in != c.in || out != "degC" {
			t.Errorf("%s goes from %s to %s, expected %s to degC", c.name, in, out, c.in)
		}
		got, err := conversion.ApplyAt(c.x, c.junction)
		if err != nil {
			t.Fatal(err)
		}
		near(t, c.name, got, c.degC, 1e-5)
		back, err := conversion.InvertAt(got, c.junction)
		if err != nil {
			t.Fatal(err)
		}
		near(t, c.name+" and back", back/c.x, 1, 1e-12)
		alone, err := conversion.Apply(c.x)
		if conversion.NeedsJunction != c.needs || (err != nil) != c.needs {
			t.Errorf("%s without a junction: %v", c.name, err)
		}
		if err == nil && alone != got {
			t.Errorf("%s gives %g with its own junction, expected %g", c.name, alone, got)
		}
	}
}

func TestByNameRefuses(t *testing.T) {
	for _, c := range []struct{ name, says string }{
		{"", "is missing"},
		{"pt200", "expected one like"},
		{"pt100 3", "expected one like"},
		{"thermocouple", "expected one like"},
		{"thermocouple Q", `type "Q" is not known, expected K or T`},
		{"thermocouple K junction", `the value of "junction" is missing`},
		{"thermocouple K 23 degC", `expected "junction", got "23"`},
		{"thermocouple K junction 23 K", `junction: "23 K" is not in degC`},
		{"thermocouple K junction 2000 degC", "outside"},
		{"ntc", "expected one like"},
		{"ntc r25 10 kOhm", `the value of "b" is missing`},
		{"ntc r25 10 V b 3950 K", `r25: "10 V" is not in Ohm`},
		{"ntc r25 0 Ohm b 3950 K", "expected r25 above zero"},
		{"ntc r25 10 kOhm b 3950 degC", `b: "3950 degC" is not in K`},
		{"ntc a 1e-3 b 010 c 0", "leave out leading zeros"},
		{"ntc a 1e-3 b 0 c 0", "has no resistance"},
	} {
		conversion, err := ByName(c.name)
		if err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%q became %v, expected an error with %q, got %v", c.name, conversion.Name, c.says, err)
		}
	}
}
