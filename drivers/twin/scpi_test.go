package twin

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"dwell/drivers/clock"
)

// Headers: SCPI-1999 volume 1, 6.2: short or long form and nothing between, any
// case, a colon before, parts in brackets left out, the suffix 1.
func TestHeaders(t *testing.T) {
	for _, c := range []struct {
		pattern, header string
		want            bool
	}{
		{"SOURce:CURRent[:LEVel][:IMMediate][:AMPLitude]", "SOUR:CURR", true},
		{"SOURce:CURRent[:LEVel][:IMMediate][:AMPLitude]", "source:current:level:amplitude", true},
		{"SOURce:CURRent[:LEVel][:IMMediate][:AMPLitude]", "SOUR1:CURR:IMM", true},
		{"SOURce:CURRent[:LEVel][:IMMediate][:AMPLitude]", "SOUR2:CURR", false},
		{"SOURce:CURRent[:LEVel][:IMMediate][:AMPLitude]", "SOURC:CURR", false},
		{"SOURce:CURRent[:LEVel][:IMMediate][:AMPLitude]", "SOUR", false},
		{"SOURce:CURRent[:LEVel][:IMMediate][:AMPLitude]", "SOUR:CURR:LEV:LEV", false},
		{"SOURce:CURRent[:LEVel][:IMMediate][:AMPLitude]", "SOUR:CURR:AMPL:LEV", false},
		{"[:SENSe]:VOLTage[:DC]:PROTection[:LEVel]", "VOLT:PROT", true},
		{"[:SENSe]:VOLTage[:DC]:PROTection[:LEVel]", "SENS:VOLT:DC:PROT:LEV", true},
		{"[:SENSe]:VOLTage[:DC]:PROTection[:LEVel]", "VOLT:DC", false},
		{"SYSTem:ERRor[:NEXT]", "SYST:ERR", true},
		{"SYSTem:ERRor[:NEXT]", "SYST::ERR", false},
		{"SYSTem:ERRor[:NEXT]", "SYST:ERR:", false},
		{"*IDN", "*idn", true},
		{"*IDN", "IDN", false},
		{"READ", "*READ", false},
	} {
		got := begins(c.pattern, c.header[0]) && matches(c.pattern, []byte(c.header))
		if got != c.want {
			t.Errorf("%q means %q: %v, expected %v", c.header, c.pattern, got, c.want)
		}
	}
}

// Numbers in the reply have the form NR3 of IEEE 488.2, 7.7.4.
func TestNumbersInReplies(t *testing.T) {
	for _, c := range []struct {
		v    float64
		want string
	}{
		{1.234567e-3, "+1.234567E-03"}, {-1e-5, "-1.000000E-05"}, {0, "+0.000000E+00"}, {math.Copysign(0, -1), "+0.000000E+00"},
		{9.9e37, "+9.900000E+37"}, {9.91e37, "+9.910000E+37"}, {48132, "+4.813200E+04"},
	} {
		if got := string(appendNR3(nil, c.v, 6)); got != c.want || len(got) != numberLength {
			t.Errorf("%v: %q, expected %q", c.v, got, c.want)
		}
	}
}

// Messages and errors: the numbers and texts of SCPI-1999 volume 2, 21.8.
func TestMessages(t *testing.T) {
	b := aBench(t, nil)
	talk(t, b, "meter", []said{
		{"*IDN?\n", "VIRTUAL INSTRUMENTS,SOURCE-METER A,0001,1.0\n"},
		{"*IDN?\r", "VIRTUAL INSTRUMENTS,SOURCE-METER A,0001,1.0\n"}, // this family acts on CR
		{"\r\n", ""},
		{":SYST:ERR?\n", "0,\"No error\"\n"},
		{"SYST:ERR:NEXT?;:SYSTEM:ERROR?\n", "0,\"No error\";0,\"No error\"\n"},
		{"SOUR:CURR:RANG 1E-3;LEV 2e-4;:SENS:VOLT:PROT 2;PROT?\n", "+2.000000E+00\n"}, // the path is kept
		{"SOUR:CURR?;*OPC?;CURR?\n", "+2.000000E-04;1;+2.000000E-04\n"},               // and not by a common command
		{"SOUR:CURR?;CURR?;SOUR:CURR?\n", "+2.000000E-04;+2.000000E-04\n"},            // SOUR:SOUR:CURR is no header
		{"SYST:ERR?\n", "-113,\"Undefined header\"\n"},
		{"BOGUS 3\n", ""}, {"SYST:ERR?\n", "-113,\"Undefined header\"\n"},
		{"READ\n", ""}, {"SYST:ERR?\n", "-113,\"Undefined header\"\n"},
		{"SOUR:CURR 2\n", ""}, {"SYST:ERR?\n", "-222,\"Data out of range\"\n"},
		{"SOUR:CURR 1e999\n", ""}, {"SYST:ERR?\n", "-222,\"Data out of range\"\n"},
		{"SOUR:CURR ten\n", ""}, {"SYST:ERR?\n", "-104,\"Data type error\"\n"},
		{"SOUR:CURR 1mA\n", ""}, {"SYST:ERR?\n", "-104,\"Data type error\"\n"},
		{"SOUR:CURR 0x1\n", ""}, {"SYST:ERR?\n", "-104,\"Data type error\"\n"},
		{"SOUR:CURR\n", ""}, {"SYST:ERR?\n", "-109,\"Missing parameter\"\n"},
		{"SOUR:CURR 1E-6,2\n", ""}, {"SYST:ERR?\n", "-108,\"Parameter not allowed\"\n"},
		{"*ESR? 3\n", ""}, {"SYST:ERR?\n", "-108,\"Parameter not allowed\"\n"},
		{"SOUR:FUNC OHM\n", ""}, {"SYST:ERR?\n", "-224,\"Illegal parameter value\"\n"},
		{"SENS:FUNC VOLT\n", ""}, {"SYST:ERR?\n", "-224,\"Illegal parameter value\"\n"}, // the name stands in quotation marks
		{"SENS:VOLT:PROT 210\n", ""}, {"SOUR:FUNC CURR;:SOUR:CURR:RANG 1;:SOUR:CURR 0.5\n", ""},
		{"SYST:ERR?\n", "-221,\"Settings conflict\"\n"}, // 210 V at 0.5 A is beyond its power
		{"FORM:DATA REAL,32\n", ""}, {"SYST:ERR?\n", "701,\"ASCII only with RS-232\"\n"},
		{"FETC?\n", ""}, {"SYST:ERR?\n", "-230,\"Data corrupt or stale\"\n"},
		{"\"\n", ""}, {"SYST:ERR?\n", "-102,\"Syntax error\"\n"},
		{"?\n", ""}, {"SYST:ERR?\n", "-102,\"Syntax error\"\n"},
		{strings.Repeat("SOUR:CURR 0;:", 40) + "\n", ""}, {"SYST:ERR?\n", "-363,\"Input buffer overrun\"\n"},
		{"SYST:ERR?\n", "0,\"No error\"\n"},
	})
}

// Registers: IEEE 488.2, 11.5.1 and 11.2; the classes of errors SCPI-1999 volume 2,
// 21.8.
func TestStatusRegisters(t *testing.T) {
	b := aBench(t, nil)
	talk(t, b, "meter", []said{
		{"*ESR?\n", "128\n"}, {"*ESR?\n", "0\n"}, // switched on; reading clears
		{"*ESE 16;*ESE?;*STB?\n", "16;16\n"}, // an answer is waiting: bit 4
		{"BOGUS\n", ""}, {"*ESR?\n", "32\n"}, // command error
		{"SOUR:CURR 99\n", ""}, {"*STB?\n", "36\n"}, // errors waiting, and an event that is enabled
		{"*SRE 32\n", ""}, {"*STB?\n", "100\n"}, // which asks for service
		{"*ESR?\n", "16\n"},                 // execution error
		{"READ?\n", ""}, {"*ESR?\n", "8\n"}, // the output is off: an error of the device
		{"*OPC\n", ""}, {"*ESR?\n", "1\n"},
		{"*TST?;*WAI;*OPC?\n", "0;1\n"},
		{"*CLS\n", ""}, {"SYST:ERR?\n", "0,\"No error\"\n"}, {"*STB?\n", "0\n"},
		{"*ESE 300\n", ""}, {"*ESE?\n", "16\n"}, {"SYST:ERR?\n", "-222,\"Data out of range\"\n"},
	})
	if err := b.Reboot("meter"); err != nil {
		t.Fatal(err)
	}
	talk(t, b, "meter", []said{{"*RST;*ESR?\n", "128\n"}, {"*ESE?;SYST:ERR?\n", "0;0,\"No error\"\n"}})
}

// The queue is first in, first out; in a full one the last entry says so.
func TestErrorQueueOverflows(t *testing.T) {
	b := aBench(t, nil)
	ask(b, "meter", clock.Second, "SOUR:CURR 99\n")
	for range 30 {
		ask(b, "meter", clock.Second, "BOGUS\n")
	}
	lines := []said{{"SYST:ERR?\n", "-222,\"Data out of range\"\n"}}
	for range queueLength - 2 {
		lines = append(lines, said{"SYST:ERR?\n", "-113,\"Undefined header\"\n"})
	}
	talk(t, b, "meter", append(lines, said{"SYST:ERR?\n", "-350,\"Queue overflow\"\n"}, said{"SYST:ERR?\n", "0,\"No error\"\n"}))
}

// Everything that a program can set is answered as it was set, in both forms.
func TestSettingsAreAnswered(t *testing.T) {
	b := aBench(t, nil)
	for _, c := range []struct{ header, told, answer string }{
		{"SOUR:FUNC", "CURR", "CURR"}, {"SOURCE:FUNCTION:MODE", "voltage", "VOLT"},
		{"SOUR:VOLT", "-1.5", "-1.500000E+00"}, {"SOUR:VOLT", "MAX", "+2.100000E+02"}, {"SOUR:VOLT", "def", "+0.000000E+00"},
		{"SOUR:CURR:RANG", "15E-6", "+1.000000E-04"}, {"SOUR:CURR:RANG:AUTO", "ON", "1"}, {"SOUR:VOLT:RANG:AUTO", "0", "0"},
		{"SOUR:DEL", "0.5", "+5.000000E-01"}, {"SOUR:DEL:AUTO", "ON", "1"},
		{"SENS:VOLT:PROT", "2", "+2.000000E+00"}, {"CURR:PROT", "MIN", "+1.000000E-09"},
		{"SENS:VOLT:RANG", "5", "+2.000000E+01"}, {"SENS:VOLT:RANG:AUTO", "ON", "1"}, {"SENS:CURR:RANG:AUTO", "OFF", "0"},
		{"SENS:VOLT:NPLC", "0.1", "+1.000000E-01"}, {"SENS:CURR:NPLC", "10", "+1.000000E+01"}, {"RES:NPLC", "DEF", "+1.000000E+00"},
		{"SENS:FUNC:CONC", "ON", "1"}, {"SENS:RES:MODE", "MAN", "MAN"},
		{"SENS:FUNC", "'VOLT:DC','CURR'", "\"VOLT:DC\",\"CURR:DC\""},
		{"SYST:RSEN", "ON", "1"}, {"SYST:AZER", "OFF", "0"}, {"SYST:AZER:STAT", "ON", "1"}, {"SYST:LFR", "60", "60"},
		{"FORM", "ASC", "ASC"}, {"FORM:ELEM", "STAT,volt", "VOLT,STAT"}, {"FORM:ELEM:SENS", "RES,TIME,CURR", "CURR,RES,TIME"},
		{"OUTP:SMOD", "HIMP", "HIMP"}, {"OUTP:SMOD", "GUARD", "GUAR"}, {"ROUT:TERM", "REAR", "REAR"}, {"OUTP", "ON", "1"}, {"OUTP:STAT", "OFF", "0"},
	} {
		told := fmt.Sprintf("%s %s;:%s?;:SYST:ERR?\n", c.header, c.told, c.header)
		if got, want := ask(b, "meter", b.World().Now()+clock.Second, told), c.answer+";0,\"No error\"\n"; got != want {
			t.Errorf("%q: %q, expected %q", told, got, want)
		}
	}
}

// Answers follow each other on the line, character by character.
func TestAnswersDoNotOverlap(t *testing.T) {
	b := aBench(t, nil)
	d := b.Device("meter")
	d.Receive(clock.Second, []byte("*IDN?\n*IDN?\n"))
	first := d.NextAt()
	text := d.Take(first, nil)
	if want := first + line8N1.Lasting(len(text)); d.NextAt() != want {
		t.Errorf("the second answer is there at %d ns, expected %d", d.NextAt(), want)
	}
}

// What nobody reads does not grow without bound (IEEE 488.2, 6.3.1.7).
func TestNobodyListens(t *testing.T) {
	b := aBench(t, nil)
	d := b.find("meter")
	for i := range 10_000 {
		d.Receive(clock.Instant(i)*clock.Millisecond, []byte("*IDN?\n"))
		if len(d.out.bytes) > mostSaid {
			t.Fatalf("%d bytes wait after %d questions", len(d.out.bytes), i)
		}
		if s := &d.firmware.(*sourceMeter).scpi; s.queued > 0 {
			if s.event&eventQuery == 0 || d.out.waiting() {
				t.Fatalf("after the deadlock: event register %d, %d bytes wait", s.event, len(d.out.bytes))
			}
			break
		}
	}
	heard(b, "meter", clock.Never-1)
	talk(t, b, "meter", []said{{"SYST:ERR?\n", "-430,\"Query DEADLOCKED\"\n"}})
}
