package twin

import (
	"bytes"
	"os"
	"testing"

	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/drivers/wire"
	"dwell/drivers/yamltext"
)

var (
	line7E1 = wire.Line{Baud: 9600, DataBits: 7, Parity: wire.EvenParity, StopBits: 1}
	line8N1 = wire.Line{Baud: 57600, DataBits: 8, StopBits: 1}
	socket  = wire.Line{DataBits: 8, StopBits: 1}
)

// aBench is a bench of one instrument of each kind.
func aBench(t testing.TB, change func([]fitted) []fitted) *Bench {
	t.Helper()
	instruments := []fitted{
		{name: "plate", firmware: "hotplate", line: line7E1},
		{name: "meter", firmware: "source-meter", line: line8N1, lineHz: 50},
		{name: "dmm", firmware: "thermometer", line: socket, lineHz: 50},
		{name: "lift", firmware: "lift", line: socket},
	}
	if change != nil {
		instruments = change(instruments)
	}
	b, err := assemble(newTestWorld(t, nil), instruments, 1)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// echoing has a plate that echoes in place of the other.
func echoing(f []fitted) []fitted {
	f[0].firmware = "hotplate-echo"
	return f
}

// ask gives a device bytes at an instant and returns all that it says within ten
// seconds, or "" for silence.
func ask(b *Bench, name string, at clock.Instant, text string) string {
	d := b.Device(name)
	d.Receive(at, []byte(text))
	return string(heard(b, name, at+10*clock.Second))
}

func heard(b *Bench, name string, by clock.Instant) []byte {
	var got []byte
	for d := b.Device(name); d.NextAt() <= by; {
		got = d.Take(d.NextAt(), got)
	}
	return got
}

// journalOf collects the journal from now on.
func journalOf(b *Bench) *bytes.Buffer {
	var lines bytes.Buffer
	b.Journal(func(_ clock.Instant, l []byte) { lines.Write(l); lines.WriteByte('\n') })
	return &lines
}

func leafClip(t testing.TB) (*rig.Rig, *rig.Specimen) {
	t.Helper()
	m := &yamltext.Mistakes{}
	load := func(name string) *yamltext.Document {
		text, err := os.ReadFile("../../examples/leaf-clip/" + name)
		if err != nil {
			t.Fatal(err)
		}
		return yamltext.Parse(name, text, m)
	}
	r := rig.Load(load("rig.yaml"), nil, m)
	s := rig.LoadSpecimen(load("specimen.yaml"), m)
	if err := m.Err(); err != nil {
		t.Fatal(err)
	}
	return r, s
}

// TestHeatAndSource goes the way of every run: set a temperature, heat, read the
// plate, source a current, read the film; through ports, in virtual time.
func TestHeatAndSource(t *testing.T) {
	r, s := leafClip(t)
	b, err := New(r, s, 1)
	if err != nil {
		t.Fatal(err)
	}
	journal := journalOf(b)
	c := clock.Virtual(0)
	err = c.Run(func() error {
		ports := map[string]*wire.Port{}
		for _, d := range r.Instruments {
			ports[d.Name] = wire.Attach(c, d.Name, b.Device(d.Name), d.Profile.Line)
			if err := ports[d.Name].Begin(c.Now()); err != nil {
				return err
			}
		}
		for _, x := range []struct{ name, ask, answer string }{
			{"plate", "IN_NAME\r\n", "HOTPLATE A \r\n"},
			{"plate", "START_1\r\n", ""},
			{"plate", "OUT_SP_1 30.0\r\n", ""},
			{"plate", "IN_SP_1\r\n", "30.0 1 \r\n"},
			{"plate", "IN_PV_2\r\n", "18."}, // its error is less than 0.5 K, and with this seed above zero
			{"meter", "*RST\n", ""},
			{"meter", "SOUR:FUNC CURR;:SENS:FUNC \"VOLT\";:SENS:VOLT:PROT 2\n", ""},
			{"meter", "FORM:ELEM VOLT,CURR;:SYST:RSEN ON\n", ""},
			{"meter", ":SOUR:CURR 10E-6;:OUTP ON\n", ""},
			{"meter", "SYST:ERR?\n", "0,\"No error\"\n"},
			{"meter", "SENS:VOLT:PROT:TRIP?\n", "0\n"},
			{"meter", "READ?\n", "+1.08"},
		} {
			var end wire.Framing
			if x.answer != "" {
				end = func(got []byte) int { return bytes.IndexByte(got, '\n') + 1 }
			}
			got, err := ports[x.name].Exchange([]byte(x.ask), end, c.Now()+2*clock.Second)
			if err != nil {
				return err
			}
			if !bytes.HasPrefix(got.Reply, []byte(x.answer)) {
				t.Errorf("%s asked %q: %q, expected %q", x.name, x.ask, got.Reply, x.answer)
			}
		}
		return c.Sleep(10 * clock.Minute)
	})
	if err != nil {
		t.Fatal(err)
	}
	b.Advance(c.Now())
	if got := b.World().PlateSurface(); got < 29 || got > 31 {
		t.Errorf("after ten minutes the plate has %.2f degC, expected 30", got)
	}
	for _, want := range []string{
		`"instrument":"plate","what":"command","value":null,"text":"OUT_SP_1 30.0"}`,
		`"instrument":"plate","what":"setpoint","value":30,"text":"plate in degC"}`,
		`"instrument":"plate","what":"heat","value":1,"text":"on"}`,
		`"instrument":"meter","what":"command","value":null,"text":":OUTP ON"}`,
		`"instrument":"meter","what":"output","value":1,"text":"on, sources A"}`,
	} {
		if !bytes.Contains(journal.Bytes(), []byte(want)) {
			t.Errorf("the journal does not hold %s:\n%s", want, journal)
		}
	}
}
