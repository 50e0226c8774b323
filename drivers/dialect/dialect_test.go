package dialect

import (
	"bytes"
	"math"
	"math/rand/v2"
	"strconv"
	"testing"

	"dwell/drivers"
)

// The forms are those of IEEE 488.2: NR1, NR2, NR3; the numbers are this test's.
func TestNumbers(t *testing.T) {
	for text, want := range map[string]float64{
		"-12": -12, "-1.250": -1.25, "-1.250000E+03": -1250, "+1.000012E-01": 0.1000012, "1.00000e-03": 1e-3,
		" 32.500 \r\n": 32.5, "+4.813200E+04": 48132, ".5": 0.5, "5.": 5, "0": 0, "-0.0": math.Copysign(0, -1), "+9.900000E+37": 9.9e37,
		"9.91E37": 9.91e37, "123456789012345678901234567890": 123456789012345678901234567890, "1E-400": 0,
		"0.1": 0.1, "2.2250738585072014E-308": 2.2250738585072014e-308, "7E22": 7e22, "7E23": 7e23,
	} {
		v, ok := Number([]byte(text))
		if !ok || math.Float64bits(v) != math.Float64bits(want) {
			t.Errorf("%q: expected %g, got %g, %t", text, want, v, ok)
		}
	}
	for _, text := range []string{"", " ", "+", "-.", ".", "E5", "1E", "1E+", "1E5.", "1,5", "1 2", "0x10", "1_000", "inf", "NaN",
		"1e999", "--1", "1.2.3", "25.3 2", "IN_PV_1", "+1.0E-01V", "\x00"} {
		if v, ok := Number([]byte(text)); ok {
			t.Errorf("%q was read as the number %g", text, v)
		}
	}
}

// The standard library is the independent check.
func TestNumbersAreTheNearestFloats(t *testing.T) {
	random := rand.New(rand.NewPCG(4, 88))
	for range 20_000 {
		digits := strconv.FormatUint(random.Uint64()>>random.IntN(63), 10)
		point := random.IntN(len(digits) + 1)
		text := digits[:point] + "." + digits[point:] + "E" + strconv.Itoa(random.IntN(80)-40)
		want, err := strconv.ParseFloat(text, 64)
		if v, ok := Number([]byte(text)); err != nil || !ok || v != want {
			t.Fatalf("%s: expected %g, got %g, %t", text, want, v, ok)
		}
	}
}

func TestNumbersDoNotAllocate(t *testing.T) {
	reply, into := []byte("+1.000012E-01,+1.000000E-05,+8.192000E+03\n"), make([]float64, 3)
	if n := testing.AllocsPerRun(100, func() {
		if List(reply, into) != nil {
			t.Fatal("not read")
		}
	}); n != 0 {
		t.Errorf("expected no allocation, got %g", n)
	}
}

func FuzzNumber(f *testing.F) {
	for _, s := range []string{"1", "-1.25E+3", ".", "1e", "9.91E37", "123456789.123456789e-30", "00.1", "1e99999999999999999999"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		v, ok := Number(text)
		if !ok {
			return
		}
		want, err := strconv.ParseFloat(string(Trim(text)), 64) // the standard library is the independent check
		if err != nil || math.Float64bits(v) != math.Float64bits(want) {
			t.Fatalf("%q: got %g, expected %g, %v", text, v, want, err)
		}
	})
}

func TestSentinels(t *testing.T) {
	for v, want := range map[float64]drivers.Flag{
		9.9e37: drivers.Overflow, -9.9e37: drivers.Overflow, 9.91e37: drivers.NotMeasured,
		float64(float32(9.9e37)): drivers.Overflow, float64(float32(9.91e37)): drivers.NotMeasured,
		9.7e37: drivers.Good, -1e30: drivers.Good, 0: drivers.Good, math.Inf(1): drivers.NotMeasured, math.NaN(): drivers.NotMeasured,
	} {
		if got := Classify(v); got != want {
			t.Errorf("%g is %q, expected %q", v, got, want)
		}
	}
}

func TestListCountsItsFields(t *testing.T) {
	into := make([]float64, 2)
	if err := List([]byte("+1.000012E-01, +1.000000E-04\r\n"), into); err != nil || into[0] != 0.1000012 || into[1] != 1e-4 {
		t.Errorf("got %v, %v", into, err)
	}
	for text, want := range map[string]error{"1,2,3\n": ErrFields, "1\n": ErrFields, "\n": ErrFields, "1,\n": ErrNumber, ",2\n": ErrNumber, "1,x\n": ErrNumber} {
		if err := List([]byte(text), into); err != want {
			t.Errorf("%q: expected %v, got %v", text, want, err)
		}
	}
}

func TestQueueEntries(t *testing.T) {
	for text, want := range map[string]int{"0,\"No error\"\n": 0, "+0,\"No error\"": 0, "-113,\"Undefined header; at, here\"\r\n": -113, "0\n": 0, "+803,\"x\"": 803} {
		if code, _, ok := QueueEntry([]byte(text)); !ok || code != want {
			t.Errorf("%q: expected %d, got %d, %t", text, want, code, ok)
		}
	}
	for _, text := range []string{"", "No error", "0,No error", "-113,\"", "1.5,\"x\"", "\"0\"", "+1.0E-01,+2.0"} {
		if code, _, ok := QueueEntry([]byte(text)); ok {
			t.Errorf("%q was read as error %d", text, code)
		}
	}
}

func FuzzReplies(f *testing.F) {
	for _, s := range []string{"25.3 2 \r\n", "IN_PV_1 25.3\r\n", "OK\r\n", "ERR_3", "A,B,C,D\n", "-1,\"x\"", "1,2", "a,b,,"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, reply []byte) {
		var two [2]float64
		if List(reply, two[:]) == nil && bytes.Count(reply, []byte{','}) != 1 {
			t.Fatalf("%q was read as two numbers", reply)
		}
		if _, text, ok := QueueEntry(reply); ok && bytes.Contains(text, []byte("\n")) && !bytes.Contains(reply, text) {
			t.Fatalf("%q has the text %q", reply, text)
		}
		if id, ok := ParseIDN(reply); ok && (id.Maker == "" || id.Model == "") {
			t.Fatalf("%q names nobody", reply)
		}
		if v, err := ValueAndChannel(reply, 2); err == nil && !bytes.Contains(reply, v) {
			t.Fatalf("%q has the value %q", reply, v)
		}
		if v, err := EchoAndValue(reply, []byte("IN_PV_1\r\n")); err == nil && (len(v) == 0 || !bytes.HasPrefix(Trim(reply), []byte("IN_PV_1"))) {
			t.Fatalf("%q was taken for an answer to IN_PV_1", reply)
		}
		if v, err := OneValue(reply); err == nil && bytes.ContainsAny(v, " \r\n") {
			t.Fatalf("%q has the one value %q", reply, v)
		}
		if OK(reply) == nil && string(Trim(reply)) != "OK" {
			t.Fatalf("%q was taken for OK", reply)
		}
		if Line(reply) > len(reply) {
			t.Fatalf("%q ends behind its end", reply)
		}
	})
}

func TestIdentity(t *testing.T) {
	id, ok := ParseIDN([]byte("MAKER,MODEL, 0001 ,1.0\r\n"))
	if want := (IDN{"MAKER", "MODEL", "0001", "1.0"}); !ok || id != want {
		t.Errorf("got %+v, %t", id, ok)
	}
	for _, text := range []string{"MAKER,MODEL,0001\n", "a,b,c,d,e", ",MODEL,0,0", "25.3 2\r\n"} {
		if id, ok := ParseIDN([]byte(text)); ok {
			t.Errorf("%q was read as %+v", text, id)
		}
	}
}

func TestRepliesOfHeaters(t *testing.T) {
	value := func(v []byte, err error) string {
		if err != nil {
			return err.Error()
		}
		return string(v)
	}
	for _, c := range []struct{ got, want string }{
		{value(ValueAndChannel([]byte("25.3 2 \r\n"), 2)), "25.3"},
		{value(ValueAndChannel([]byte("-12.0 1\r\n"), 1)), "-12.0"},
		{value(ValueAndChannel([]byte("25.3 1\r\n"), 2)), ErrChannel.Error()},
		{value(ValueAndChannel([]byte("25.3 2.5\r\n"), 2)), ErrChannel.Error()},
		{value(ValueAndChannel([]byte("25.3\r\n"), 2)), ErrFields.Error()},
		{value(ValueAndChannel([]byte("25.3 2 2\r\n"), 2)), ErrFields.Error()},
		{value(ValueAndChannel([]byte("\r\n"), 2)), ErrFields.Error()},
		{value(EchoAndValue([]byte("IN_PV_1 25.3\r\n"), []byte("IN_PV_1\r\n"))), "25.3"},
		{value(EchoAndValue([]byte("IN_PV_2 25.3\r\n"), []byte("IN_PV_1\r\n"))), ErrEcho.Error()},
		{value(EchoAndValue([]byte("IN_PV_1\r\n"), []byte("IN_PV_1\r\n"))), ErrFields.Error()},
		{value(EchoAndValue([]byte("25.3\r\n"), []byte("IN_PV_1\r\n"))), ErrEcho.Error()},
		{value(OneValue([]byte(" 55.5\r\n"))), "55.5"},
		{value(OneValue([]byte("55.5 1\r\n"))), ErrFields.Error()},
		{value(nil, Echo([]byte("START_1\r\n"), []byte("START_1 \r\n"))), ""},
		{value(nil, Echo([]byte("STOP_1\r\n"), []byte("START_1\r\n"))), ErrEcho.Error()},
		{value(nil, Echo([]byte("OUT_SP_1 40.00\r\n"), []byte("OUT_SP_1 40.0\r\n"))), ""},
		{value(nil, Echo([]byte("OUT_SP_1 41.0\r\n"), []byte("OUT_SP_1 40.0\r\n"))), ErrEcho.Error()},
		{value(nil, Echo([]byte("OUT_SP_1\r\n"), []byte("OUT_SP_1 40.0\r\n"))), ErrEcho.Error()},
		{value(nil, OK([]byte("OK\r\n"))), ""},
		{value(nil, OK([]byte("ERR_3\r\n"))), "refused: ERR_3 (unknown command)"},
		{value(nil, OK([]byte("ERR_77\r\n"))), "refused: ERR_77"},
		{value(nil, OK([]byte("25.3 2\r\n"))), ErrEcho.Error()},
	} {
		if c.got != c.want {
			t.Errorf("expected %q, got %q", c.want, c.got)
		}
	}
}

func TestNumbersGoOutPlain(t *testing.T) {
	for v, want := range map[float64]string{1e-4: "1.000000E-04", -0.02: "-2.000000E-02", 0: "0.000000E+00", 1250: "1.250000E+03"} {
		if got := string(AppendE(nil, v)); got != want {
			t.Errorf("expected %s, got %s", want, got)
		}
	}
	for v, want := range map[float64]string{85: "85.0", 20.04: "20.0", -0.04: "0.0", -12.36: "-12.4"} {
		if got := string(AppendFixed([]byte("x"), v, 1)); got != "x"+want {
			t.Errorf("expected x%s, got %s", want, got)
		}
	}
}
