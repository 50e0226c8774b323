package twin

import (
	"testing"

	"dwell/drivers/clock"
)

// firmwareTakes gives a device any bytes in any portions, and makes sure that it
// neither grows without bound nor says what it cannot say.
func firmwareTakes(t *testing.T, name string, change func([]fitted) []fitted, data []byte, portion uint8) {
	b := aBench(t, change)
	d := b.find(name)
	size := int(portion)%64 + 1
	at := clock.Instant(0)
	var got []byte
	for from := 0; from < len(data); from += size {
		at += clock.Instant(size) * clock.Millisecond
		d.Receive(at, data[from:min(from+size, len(data))])
		if from%3 == 0 {
			got = d.Take(at, got)
		}
		if len(d.out.bytes) > mostSaid || len(d.out.chunks) > mostSaid {
			t.Fatalf("%d bytes in %d pieces wait", len(d.out.bytes), len(d.out.chunks))
		}
		if m, ok := d.firmware.(*sourceMeter); ok && len(m.todo) > mostActions+mostHeard/2 {
			t.Fatalf("%d things to do", len(m.todo))
		}
	}
	c := b.Clone()
	rest := heard(b, name, clock.Never-1)
	if again := heard(c, name, clock.Never-1); string(again) != string(rest) {
		t.Fatalf("%q, but its clone says %q", rest, again)
	}
	for _, x := range append(got, rest...) {
		if x != '\r' && x != '\n' && (x < ' ' || x > '~') {
			t.Fatalf("it says %q", append(got, rest...))
		}
	}
	if clock.Never == d.dueAt {
		return
	}
	b.Advance(at + clock.Hour)
}

func FuzzHotplate(f *testing.F) {
	for _, text := range []string{"IN_NAME\r\nIN_PV_1\nIN_PV_2\r\nOUT_SP_1 40.0\r\nSTART_1\r\nSTOP_1\r\nRESET\r\n", "OUT_WD1@30\r\nOUT_WD2@0\r\nOUT_SP_12@5\r\n",
		"STATUS\r\nCC_ON\r\nPA_NEW\r\nOUT_SP_1 1e308\r\n", "OUT_SP_1 @ \r\n@\r\n \r\nOUT_SP_1@\r\n", "\xff\x00\r\n"} {
		f.Add([]byte(text), uint8(7))
	}
	f.Fuzz(func(t *testing.T, data []byte, portion uint8) {
		firmwareTakes(t, "plate", nil, data, portion)
		firmwareTakes(t, "plate", echoing, data, portion)
	})
}

func FuzzSCPI(f *testing.F) {
	for _, text := range []string{sourcing + "READ?\n", "*RST;*IDN?;:SYST:ERR?\nSOUR:CURR:RANG 1;LEV 2;:OUTP?\n", "SENS:FUNC \"VOLT\",'CURR';:FUNC?\nFORM:ELEM VOLT,\n",
		"\"';\n:;?;:?\n*?\n::\nSOUR:\n1\n", "OUTP 1;:INIT;:FETC?;:SENS:VOLT:PROT:TRIP?\n\x18\x03", "CONF:FRES 1E3;:READ?;:MEAS:RES?;:INIT;:FETC?\n"} {
		f.Add([]byte(text), uint8(7))
	}
	f.Fuzz(func(t *testing.T, data []byte, portion uint8) {
		firmwareTakes(t, "meter", nil, data, portion)
		firmwareTakes(t, "dmm", nil, data, portion)
		firmwareTakes(t, "lift", nil, data, portion)
	})
}
