package twin

import (
	"strconv"
	"strings"
	"testing"

	"dwell/drivers/clock"
)

func readOhm(t *testing.T, b *Bench, told string) float64 {
	t.Helper()
	reply := ask(b, "dmm", b.World().Now()+clock.Second, told)
	v, err := strconv.ParseFloat(strings.TrimSuffix(reply, "\n"), 64)
	if err != nil || len(reply) != multimeterLength+1 {
		t.Fatalf("%q was answered %q", told, reply)
	}
	return v
}

// The resistance of a Pt100 at 18 degC is 107.01 ohm (IEC 60751 table).
func TestMultimeter(t *testing.T) {
	b := exact(t, nil)
	talk(t, b, "dmm", []said{
		{"*IDN?\n", "VIRTUAL INSTRUMENTS,MULTIMETER,0001,1.0\n"},
		{"*ESR?\n", "128\n"},
		{"FETC?\n", ""}, {"SYST:ERR?\n", "-230,\"Data corrupt or stale\"\n"},
		{"CONF:FRES\n", ""}, {"SENS:FUNC?\n", "\"FRES\"\n"}, {"SENS:FRES:NPLC?\n", "+1.000000E+01\n"},
		{"SENS:FRES:NPLC 1;:FRES:NPLC?\n", "+1.000000E+00\n"},
		{"SENS:FRES:RANG 150;:FRES:RANG?;RANG:AUTO?\n", "+1.000000E+03;0\n"},
		{"SENS:FRES:RANG:AUTO ON;:FRES:RANG:AUTO?\n", "1\n"},
		{"SENS:ZERO:AUTO OFF;:ZERO:AUTO?\n", "0\n"},
		{"SENS:FUNC 'RES';FUNC?\n", "\"RES\"\n"},
		{"SENS:FUNC 'TEMP'\n", ""}, {"SYST:ERR?\n", "-224,\"Illegal parameter value\"\n"},
		{"SENS:FRES:RANG 1E9\n", ""}, {"SYST:ERR?\n", "-222,\"Data out of range\"\n"},
		{"*RST;*CLS;*OPC?\n", "1\n"},
		{"SYST:ERR?\n", "0,\"No error\"\n"},
	})
	near(t, "four wires", readOhm(t, b, "CONF:FRES;:READ?\n"), 107.01, 0.01)
	near(t, "two wires", readOhm(t, b, "MEAS:RES?\n"), 107.01+2*multimeterLead, 0.01)
	ask(b, "dmm", b.World().Now()+clock.Second, "CONF:FRES;:INIT\n")
	if a, again := readOhm(t, b, "FETC?\n"), readOhm(t, b, "FETC?\n"); a != again {
		t.Errorf("the last reading is %v and then %v", a, again)
	}
	b.World().SetFaults(Faults{FoilOpen: true})
	if v := readOhm(t, b, "READ?\n"); v != overflow {
		t.Errorf("an open thermometer reads %v, expected %v", v, overflow)
	}
	b.World().SetFaults(Faults{})
	if v := readOhm(t, b, "SENS:FRES:RANG 50;:READ?\n"); v < 107 {
		t.Errorf("the 100 ohm range reaches 120, but reads %v", v)
	}
}

// Its noise falls with the root of the integration time, and asking twice in one
// integration gives the same value.
func TestMultimeterNoise(t *testing.T) {
	b := exact(t, nil)
	m := b.find("dmm").firmware.(*thermometer)
	spread := func(cycles float64) float64 {
		s := ohmSettings{fourWire: true, span: 1000, cycles: cycles}
		sum, squares := 0.0, 0.0
		const n = 400
		for range n {
			b.Advance(b.World().Now() + m.integration(&s))
			v := m.measured(b.World(), &s)
			if v != m.measured(b.World(), &s) {
				t.Fatal("asking twice changes the reading")
			}
			sum, squares = sum+v, squares+v*v
		}
		return squares/n - sum/n*sum/n
	}
	// Variances 1e-3^2 * 9 and a tenth of that; 400 values know theirs to 7 %.
	one, ten := spread(1), spread(10)
	if want := 9e-6; one < 0.7*want || one > 1.3*want {
		t.Errorf("variance %v ohm2 at one cycle, expected %v", one, want)
	}
	if ten > one/10*1.4 || ten < one/10*0.6 {
		t.Errorf("variance %v ohm2 at ten cycles, expected a tenth of %v", ten, one)
	}
}

// Every word of the lift, and when the specimen touches.
func TestLift(t *testing.T) {
	b := aBench(t, nil)
	w := b.World()
	talk(t, b, "lift", []said{
		{"NAME\r\n", "LIFT 1.0\r\n"}, {"WHERE\n", "DOWN\r\n"}, {"FLY\n", "ERR_3\r\n"}, {"down\n", "ERR_3\r\n"},
	})
	d := b.Device("lift")
	at := w.Now() + clock.Second
	say := func(text, want string) {
		t.Helper()
		d.Receive(at, []byte(text))
		if got := string(d.Take(d.NextAt(), nil)); got != want {
			t.Errorf("%q was answered %q, expected %q", text, got, want)
		}
	}
	say("UP\n", "OK\r\n")
	if w.Where() != StillAir {
		t.Error("the specimen does not leave at the beginning of the way up")
	}
	say("WHERE\n", "MOVING\r\n")
	at += liftTravel
	say("WHERE\n", "UP\r\n")
	say("DOWN\n", "OK\r\n")
	at += liftTravel / 2
	say("DOWN\n", "OK\r\n") // no new beginning
	at += liftTravel/2 - 1
	b.Advance(at)
	if w.Where() == OnPlate {
		t.Error("the specimen touches before the end of the way down")
	}
	at++
	say("WHERE\n", "DOWN\r\n")
	if w.Where() != OnPlate {
		t.Error("the specimen does not touch at the end of the way down")
	}
	say("UP\n", "OK\r\n")
	at += liftTravel / 2
	say("STOP\n", "OK\r\n")
	at += liftTravel
	say("WHERE\n", "BETWEEN\r\n")
}
