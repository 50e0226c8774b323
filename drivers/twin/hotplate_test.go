package twin

import (
	"strings"
	"testing"

	"dwell/drivers/clock"
	"dwell/drivers/quantity"
)

// said is what a device is told and what it answers; "" is silence.
type said struct{ told, answer string }

// talk goes through a conversation, one line a second.
func talk(t *testing.T, b *Bench, name string, lines []said) {
	t.Helper()
	for _, l := range lines {
		at := b.World().Now() + clock.Second
		if got := ask(b, name, at, l.told); got != l.answer {
			t.Errorf("%s was told %q and answered %q, expected %q", name, l.told, got, l.answer)
		}
	}
}

// plates have no error of their own, so that they show their temperature.
func exact(t *testing.T, change func([]fitted) []fitted) *Bench {
	t.Helper()
	b := aBench(t, change)
	w := newTestWorld(t, func(s *Scene) {
		quiet(s)
		s.Plate.SensorLimitK, s.Plate.SensorNoiseK = 0, 0
	})
	w.probeShare = 0
	b.world = w
	return b
}

// Family A: the words and answers of facts collected from makers' manuals (value,
// blank, channel, blank, CR LF; no answer to commands and to what is not known).
func TestHotplateA(t *testing.T) {
	b := exact(t, nil)
	talk(t, b, "plate", []said{
		{"IN_NAME\r\n", "HOTPLATE A \r\n"},
		{"IN_PV_2\r\n", "18.0 2 \r\n"},
		{"IN_PV_1\r\n", "18.0 1 \r\n"},
		{"IN_PV_3\r\n", "18.3 3 \r\n"},
		{"IN_SP_1\r\n", "20.0 1 \r\n"},
		{"IN_SP_1 \r \n", "20.0 1 \r\n"}, // blank CR blank LF
		{"IN_SP_1\n", "20.0 1 \r\n"},
		{"IN_SP_1\r", ""}, // the line has not ended
		{"\n", "20.0 1 \r\n"},
		{"\xc9N_S\xd0_1\r\n", "20.0 1 \r\n"}, // the parity bit is not data
		{"OUT_SP_1 85.0\r\n", ""},
		{"IN_SP_1\r\n", "85.0 1 \r\n"},
		{"OUT_SP_1   40\r\n", ""},
		{"IN_SP_1\r\n", "40.0 1 \r\n"},
		{"OUT_SP_1 hot\r\n", ""},
		{"OUT_SP_1 301\r\n", ""},
		{"OUT_SP_1 -1\r\n", ""},
		{"OUT_SP_1\r\n", ""},
		{"OUT_SP_1 1e999\r\n", ""},
		{"OUT_SP_1_50.0\r\n", ""},
		{"in_pv_2\r\n", ""},
		{"IN_PV_9\r\n", ""},
		{"STATUS\r\n", ""}, // no documented question tells whether it heats
		{strings.Repeat("IN_PV_2 ", 60) + "\r\n", ""},
		{"IN_SP_1\r\n", "40.0 1 \r\n"},
	})
}

// Starting the heater forgets the set value (noted once of family A), and stopping
// keeps it.
func TestHotplateAStartsCold(t *testing.T) {
	b := exact(t, nil)
	w := b.World()
	talk(t, b, "plate", []said{{"OUT_SP_1 40.0\r\n", ""}, {"START_1\r\n", ""}, {"IN_SP_1\r\n", "0.0 1 \r\n"}})
	if !w.HeaterOn() {
		t.Error("START_1 does not heat")
	}
	talk(t, b, "plate", []said{{"OUT_SP_1 40.0\r\n", ""}, {"STOP_1\r\n", ""}, {"IN_SP_1\r\n", "40.0 1 \r\n"}})
	if w.HeaterOn() {
		t.Error("STOP_1 goes on heating")
	}
}

func TestHotplateAMissesItsProbe(t *testing.T) {
	b := exact(t, nil)
	b.World().SetFaults(Faults{FoilOpen: true})
	talk(t, b, "plate", []said{{"IN_PV_1\r\n", "-200.0 1 \r\n"}})
}

// The watchdog of family A: the command itself must come again within the time it
// names, or heating ends and does not come back before RESET.
func TestHotplateAWatchdog(t *testing.T) {
	b := exact(t, nil)
	journal := journalOf(b)
	w := b.World()
	talk(t, b, "plate", []said{
		{"OUT_WD1@19\r\n", ""},
		{"OUT_WD1@1501\r\n", ""},
		{"OUT_WD1 30\r\n", ""},    // the blank does not work for this one
		{"OUT_SP_WD1@30\r\n", ""}, // a misspelling seen in use
		{"OUT_WD1@30\r\n", "30 \r\n"},
		{"START_1\r\n", ""},
	})
	fed := w.Now() + 20*clock.Second
	ask(b, "plate", fed, "OUT_WD1@30\r\n")
	for at := fed; at < fed+29*clock.Second; at += clock.Second {
		ask(b, "plate", at, "IN_PV_2\r\n") // any other command does not feed it
	}
	b.Advance(fed + 30*clock.Second - 1)
	if !w.HeaterOn() {
		t.Fatal("the watchdog tripped too early")
	}
	b.Advance(fed + 31*clock.Second)
	if w.HeaterOn() {
		t.Fatal("the watchdog did not trip")
	}
	tripped := `{"at_s":` + string(quantity.AppendSeconds(nil, int64(fed+30*clock.Second))) + `,"instrument":"plate","what":"watchdog","value":30,"text":"switched off, waits for RESET"}`
	if !strings.Contains(journal.String(), tripped) {
		t.Errorf("the journal does not hold %s:\n%s", tripped, journal)
	}
	talk(t, b, "plate", []said{{"START_1\r\n", ""}, {"IN_SP_1\r\n", "0.0 1 \r\n"}})
	if w.HeaterOn() {
		t.Error("it heats again before RESET")
	}
	talk(t, b, "plate", []said{{"RESET\r\n", ""}, {"START_1\r\n", ""}})
	if !w.HeaterOn() {
		t.Error("it does not heat after RESET")
	}
	talk(t, b, "plate", []said{{"OUT_WD1@30\r\n", "30 \r\n"}, {"RESET\r\n", ""}})
	if w.HeaterOn() {
		t.Error("RESET goes on heating")
	}
	talk(t, b, "plate", []said{{"START_1\r\n", ""}})
	b.Advance(w.Now() + 10*clock.Minute)
	if !w.HeaterOn() {
		t.Error("RESET did not end the watchdog")
	}
}

// The second mode of the watchdog lowers the set value and goes on.
func TestHotplateALowersItsSetValue(t *testing.T) {
	b := exact(t, nil)
	talk(t, b, "plate", []said{
		{"OUT_SP_12@25\r\n", "25.0 \r\n"},
		{"OUT_SP_12 24\r\n", "24.0 \r\n"}, // the blank works here
		{"OUT_WD2@20\r\n", "20 \r\n"},
		{"START_1\r\n", ""}, {"OUT_SP_1 60\r\n", ""},
	})
	b.Advance(b.World().Now() + 21*clock.Second)
	talk(t, b, "plate", []said{{"IN_SP_1\r\n", "24.0 1 \r\n"}, {"OUT_WD2@0\r\n", "0 \r\n"}})
	if !b.World().HeaterOn() {
		t.Error("the second mode switched off")
	}
	talk(t, b, "plate", []said{{"OUT_SP_1 60\r\n", ""}, {"OUT_WD2@20\r\n", "20 \r\n"}, {"OUT_WD2@0\r\n", "0 \r\n"}})
	b.Advance(b.World().Now() + clock.Minute)
	talk(t, b, "plate", []said{{"IN_SP_1\r\n", "60.0 1 \r\n"}})
}

// Family B repeats every command in its answer.
func TestHotplateB(t *testing.T) {
	b := exact(t, echoing)
	talk(t, b, "plate", []said{
		{"STATUS\r\n", "STATUS 0\r\n"},
		{"PA_NEW\r\n", "PA_NEW\r\n"},
		{"IN_PV_1\r\n", "IN_PV_1 18.0\r\n"},
		{"IN_PV_3\r\n", "IN_PV_3 18.0\r\n"},
		{"IN_PV_4\r\n", "IN_PV_4 18.3\r\n"},
		{"OUT_SP_1 10.04\r\n", "OUT_SP_1 10.0\r\n"},
		{"IN_SP_1\r\n", "IN_SP_1 10.0\r\n"},
		{"START_1\r\n", "START_1\r\n"},
		{"IN_SP_1\r\n", "IN_SP_1 10.0\r\n"}, // this family does not forget
		{"STATUS\r\n", "STATUS 1\r\n"},
		{"STOP_1\r\n", "STOP_1\r\n"},
		{"STATUS\r\n", "STATUS 2\r\n"},
		{"OUT_SP_1 301\r\n", ""},
		{"IN_PV_9\r\n", ""},
		{"RESET\r\n", "RESET\r\n"},
		{"IN_PV_3\r\n", ""}, // RESET goes back to the words of old
		{"PA_NEW\r\n", "PA_NEW\r\n"},
		{"IN_PV_3\r\n", "IN_PV_3 18.0\r\n"},
	})
	b.World().SetFaults(Faults{FoilOpen: true})
	talk(t, b, "plate", []said{{"IN_PV_1\r\n", "IN_PV_1 999.9\r\n"}, {"IN_PV_2\r\n", "IN_PV_2 999.9\r\n"}})
}

// A command that comes too soon after an answer is lost; family A takes it.
func TestHotplateBLosesWhatComesTooEarly(t *testing.T) {
	for _, c := range []struct {
		firmware string
		wait     clock.Instant
		answered bool
	}{
		{"hotplate-echo", 100 * clock.Millisecond, true},
		{"hotplate-echo", 50 * clock.Millisecond, false},
		{"hotplate-echo", 0, false},
		{"hotplate", 0, true},
	} {
		b := exact(t, func(f []fitted) []fitted { f[0].firmware = c.firmware; return f })
		d := b.Device("plate")
		d.Receive(clock.Second, []byte("IN_PV_3\r\n"))
		end := d.NextAt()
		d.Take(end, nil)
		second := []byte("IN_PV_3\r\n") // its first byte comes after the wait, its last so much later
		d.Receive(end+c.wait+line7E1.Lasting(len(second)), second)
		if answered := d.NextAt() != clock.Never; answered != c.answered {
			t.Errorf("%s after %v s: answered %v, expected %v", c.firmware, c.wait.Seconds(), answered, c.answered)
		}
	}
	b := exact(t, echoing)
	if got := ask(b, "plate", clock.Second, "STATUS\r\nSTATUS\r\n"); got != "STATUS 0\r\n" {
		t.Errorf("a package of commands was answered %q, expected one answer", got)
	}
}

// The link check of family B: no command for ten seconds, and heating ends; any
// command restores.
func TestHotplateBChecksTheLink(t *testing.T) {
	b := exact(t, echoing)
	journal := journalOf(b)
	w := b.World()
	talk(t, b, "plate", []said{{"START_1\r\n", "START_1\r\n"}, {"CC_ON\r\n", "CC_ON\r\n"}})
	for range 5 {
		b.Advance(w.Now() + 9*clock.Second)
		ask(b, "plate", w.Now(), "STATUS\r\n")
	}
	if !w.HeaterOn() {
		t.Fatal("it switched off although it was spoken to")
	}
	b.Advance(w.Now() + 10*clock.Second)
	if w.HeaterOn() {
		t.Fatal("it goes on heating with nobody there")
	}
	if !strings.Contains(journal.String(), `"what":"watchdog","value":10,"text":"link check: no command"}`) {
		t.Errorf("the journal does not hold the link check:\n%s", journal)
	}
	talk(t, b, "plate", []said{{"STATUS\r\n", "STATUS 1\r\n"}, {"CC_OFF\r\n", "CC_OFF\r\n"}})
	b.Advance(w.Now() + clock.Minute)
	if !w.HeaterOn() {
		t.Error("CC_OFF did not end the link check")
	}
}

// A power cut ends heat and watchdog.
func TestHotplateReboots(t *testing.T) {
	b := exact(t, nil)
	talk(t, b, "plate", []said{{"OUT_WD1@30\r\n", "30 \r\n"}, {"START_1\r\n", ""}})
	b.Device("plate").Receive(b.World().Now(), []byte("IN_PV_2\r\nIN_P"))
	if err := b.Reboot("plate"); err != nil {
		t.Fatal(err)
	}
	if b.World().HeaterOn() || b.Device("plate").NextAt() != clock.Never {
		t.Error("after a power cut it still heats or speaks")
	}
	talk(t, b, "plate", []said{{"IN_SP_1\r\n", "0.0 1 \r\n"}})
	talk(t, b, "plate", []said{{"START_1\r\n", ""}})
	b.Advance(b.World().Now() + clock.Minute)
	if !b.World().HeaterOn() {
		t.Error("a watchdog from before the power cut tripped")
	}
	if err := b.Reboot("oven"); err == nil {
		t.Error("an instrument that is not there was switched off")
	}
}

// The times of an exchange: the answer begins one pass of the main loop after the
// question's end, and every character takes ten bits at 9600 baud.
func TestHotplateTakesItsTime(t *testing.T) {
	b := exact(t, nil)
	d := b.Device("plate")
	d.Receive(clock.Second, []byte("IN_PV_2\r\n"))
	if want := clock.Second + answerTime + line7E1.Lasting(len("18.0 2 \r\n")); d.NextAt() != want {
		t.Errorf("the answer is there at %d ns, expected %d", d.NextAt(), want)
	}
	if got := d.Take(d.NextAt()-1, nil); len(got) > 0 {
		t.Errorf("%q came before its time", got)
	}
}
