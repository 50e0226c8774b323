package twin

import (
	"testing"

	"dwell/drivers/clock"
)

// The switch is open by itself; what it feeds is dead until it closes and starts anew
// then, and it opens when it is not kept.
func TestMainsSwitch(t *testing.T) {
	b := aBench(t, func(f []fitted) []fitted {
		return append(f, fitted{name: "mains", firmware: "mains-switch", line: socket})
	})
	at := clock.Instant(0)
	say := func(name, text string) string {
		at += 500 * clock.Millisecond
		d := b.Device(name)
		d.Receive(at, []byte(text+"\r\n"))
		at += 500 * clock.Millisecond
		return string(heard(b, name, at))
	}
	expect := func(name, text, want string) {
		t.Helper()
		if got := say(name, text); got != want {
			t.Errorf("%g s: %s %q: %q, expected %q", at.Seconds(), name, text, got, want)
		}
	}
	hot := func(want bool) {
		t.Helper()
		if heat, _ := b.Energised(); heat != want {
			t.Errorf("%g s: heat can reach the plate: %v", at.Seconds(), heat)
		}
	}
	expect("mains", "NAME", "SWITCH 1.0\r\n")
	expect("mains", "STATE", "OPEN\r\n")
	expect("plate", "IN_NAME", "")
	expect("mains", "CLOSE", "ERR_4\r\n") // nobody has said that he keeps it
	expect("mains", "KEEP 61", "ERR_4\r\n")
	expect("mains", "KEEP 9", "OK\r\n")
	expect("mains", "CLOSE", "OK\r\n")
	expect("mains", "STATE", "CLOSED\r\n")
	expect("plate", "IN_NAME", "HOTPLATE A \r\n")
	say("plate", "START_1")
	hot(true)
	for range 4 {
		expect("mains", "KEEP 9", "OK\r\n")
	}
	hot(true)
	at += 9 * clock.Second // kept no more
	b.Advance(at)
	hot(false)
	expect("plate", "IN_NAME", "")
	expect("mains", "STATE", "OPEN\r\n")
	expect("mains", "KEEP 9", "OK\r\n")
	expect("mains", "CLOSE", "OK\r\n")
	hot(false) // it has forgotten that it heated
	say("plate", "START_1")
	hot(true)
	b.Break("welded", func(f *Faults) { f.SwitchWelded = true })
	expect("mains", "OPEN", "OK\r\n")
	expect("mains", "STATE", "CLOSED\r\n") // the contact says so
	hot(true)
	b.Break("mended", func(f *Faults) { f.SwitchWelded = false })
	expect("mains", "KEEP 0", "OK\r\n")
	hot(false)
	expect("mains", "BOGUS", "ERR_3\r\n")
}
