package wire

import (
	"runtime"
	"strings"
	"testing"
	"unicode"
)

func TestParseAddress(t *testing.T) {
	first := "/dev/ttyS0"
	if runtime.GOOS == "windows" {
		first = "COM1"
	}
	for text, want := range map[string]Address{
		"twin":                              {Kind: Twin},
		"serial:COM4":                       {Kind: Serial, Path: "COM4"},
		`serial:\\.\COM14`:                  {Kind: Serial, Path: `\\.\COM14`},
		"serial:/dev/serial/by-id/usb-a:b":  {Kind: Serial, Path: "/dev/serial/by-id/usb-a:b"},
		"ASRL1::INSTR":                      {Kind: Serial, Path: first},
		"asrl1":                             {Kind: Serial, Path: first},
		"ASRL/dev/ttyUSB0::INSTR":           {Kind: Serial, Path: "/dev/ttyUSB0"},
		"ASRLCOM3::INSTR":                   {Kind: Serial, Path: "COM3"},
		"tcp:localhost:5025":                {Kind: TCP, Path: "localhost:5025"},
		"tcp:meter_2.lab.:1":                {Kind: TCP, Path: "meter_2.lab.:1"},
		"tcp:192.0.2.7:65535":               {Kind: TCP, Path: "192.0.2.7:65535"},
		"tcp:[2001:db8::7]:5025":            {Kind: TCP, Path: "[2001:db8::7]:5025"},
		"tcp:[fe80::1%eth0]:5025":           {Kind: TCP, Path: "[fe80::1%eth0]:5025"},
		"TCPIP::192.0.2.7::5025::SOCKET":    {Kind: TCP, Path: "192.0.2.7:5025"},
		"tcpip0::meter.lab::5025::socket":   {Kind: TCP, Path: "meter.lab:5025"},
		"TCPIP12::[2001:db8::7]::1::SOCKET": {Kind: TCP, Path: "[2001:db8::7]:1"},
		"recorded:runs/a b-LC-07/plate":     {Kind: Record, Path: "runs/a b-LC-07/plate"},
	} {
		want.Text = text
		got, err := ParseAddress(text)
		if err != nil || got != want {
			t.Errorf("%q: got %+v, %v; want %+v", text, got, err, want)
		}
		if got.String() != text {
			t.Errorf("%q is shown as %q", text, got)
		}
	}
}

func TestParseAddressRefuses(t *testing.T) {
	for text, reason := range map[string]string{
		"":                                  "is no port",
		"twins":                             "is no port",
		"Twin":                              "is no port",
		"COM4":                              "is no port",
		"/dev/ttyUSB0":                      "is no port",
		"192.0.2.7:5025":                    "is no port",
		"TCP:host:5025":                     "is no port",
		"serial:":                           "no serial port",
		"serial: COM4":                      "no serial port",
		"serial:COM4\n":                     "no serial port",
		"serial:COM4 9600":                  "no serial port",
		"serial:/dev/tty\x00USB0":           "no serial port",
		"serial:/dev/tty\xff":               "no serial port",
		"ASRL":                              "is no port",
		"ASRL::INSTR":                       "is no port",
		"ASRL1::":                           "is no port",
		"ASRL1::SOCKET":                     "is no port",
		"ASRL1::INSTR::INSTR":               "is no port",
		"ASRL0::INSTR":                      "no serial port",
		"ASRL-3::INSTR":                     "no serial port",
		"ASRL+1::INSTR":                     "no serial port",
		"ASRL01::INSTR":                     "no serial port",
		"recorded:plate":                    "names no record",
		"recorded:runs/":                    "names no record",
		"tcp:host":                          "names no socket",
		"tcp:host:":                         "names no socket",
		"tcp::5025":                         "names no socket",
		"tcp:host:0":                        "names no socket",
		"tcp:host:65536":                    "names no socket",
		"tcp:host:-1":                       "names no socket",
		"tcp:host:+5025":                    "names no socket",
		"tcp:host:05025":                    "names no socket",
		"tcp:host:5025 ":                    "names no socket",
		"tcp:a host:5025":                   "names no socket",
		"tcp:2001:db8::7:5025":              "names no socket",
		"tcp:[2001:db8::7]":                 "names no socket",
		"tcp:[nonsense::]:5025":             "names no socket",
		"tcp:http://host:80":                "names no socket",
		"tcp:user@host:80":                  "names no socket",
		"TCPIP0::host::99999::SOCKET":       "names no socket",
		"TCPIP0::host::inst0::INSTR":        "VISA resource",
		"TCPIP0::host::hislip0":             "VISA resource",
		"GPIB0::24::INSTR":                  "VISA resource",
		"USB0::0x1234::0x5678::0001::INSTR": "VISA resource",
	} {
		got, err := ParseAddress(text)
		if err == nil || !strings.Contains(err.Error(), reason) {
			t.Errorf("%q: got %+v and the error %v; want one with %q", text, got, err, reason)
		}
		if got != (Address{}) {
			t.Errorf("%q: refused, and yet %+v", text, got)
		}
	}
}

func TestKeyIsOneForEachPort(t *testing.T) {
	taken := map[string]string{}
	for _, same := range [][]string{
		{"tcp:meter.lab:5025", "tcp:METER.lab:5025", "TCPIP0::meter.lab.::5025::SOCKET"},
		{"tcp:[2001:db8::7]:5025", "tcp:[2001:DB8:0::7]:5025", "TCPIP::[2001:db8::7]::5025::SOCKET"},
		{"tcp:192.0.2.7:5025", "tcp:[::ffff:192.0.2.7]:5025"},
		{"serial:/dev/no-such-port", "ASRL/dev/no-such-port::INSTR"},
		{"tcp:127.0.0.1:5025", "tcp:localhost:5025", "tcp:[::1]:5025", "tcp:LOCALHOST.:5025", "TCPIP::127.0.0.1::5025::SOCKET"},
		{"tcp:127.0.0.2:5025"}, // may be another instrument
		{"tcp:meter.lab:5026"},
		{"serial:/dev/No-such-port"},
		{"serial:/dev/no-such-porT"},
	} {
		want := key(t, same[0])
		for _, text := range same {
			if got := key(t, text); got != want {
				t.Errorf("%q has the key %q, %q has %q", text, got, same[0], want)
			}
		}
		if runtime.GOOS == "windows" && strings.HasPrefix(want, "serial:") {
			continue // there, names differing in case are one port
		}
		if seen := taken[want]; seen != "" {
			t.Errorf("%q and %q share the key %q", same[0], seen, want)
		}
		taken[want] = same[0]
	}
}

func key(t *testing.T, text string) string {
	t.Helper()
	a, err := ParseAddress(text)
	if err != nil {
		t.Fatal(err)
	}
	return a.Key()
}

// Whatever is accepted can be said again in the short form and means the same, and
// holds nothing that a screen or a system call would take for something else.
func FuzzParseAddress(f *testing.F) {
	for _, text := range []string{"twin", "serial:COM4", "tcp:[::1]:5025", "ASRL/dev/ttyUSB0::INSTR", "ASRL2",
		"TCPIP0::host::5025::SOCKET", "TCPIP::[fe80::1%a]::1::SOCKET", "GPIB0::24::INSTR"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		a, err := ParseAddress(text)
		if err != nil {
			return
		}
		short := "twin"
		switch a.Kind {
		case Serial:
			short = "serial:" + a.Path
		case TCP:
			short = "tcp:" + a.Path
		}
		b, err := ParseAddress(short)
		if err != nil || b.Kind != a.Kind || b.Path != a.Path || b.Key() != a.Key() {
			t.Errorf("%q is %+v, but %q is %+v, %v", text, a, short, b, err)
		}
		if strings.ContainsFunc(a.Path, func(r rune) bool { return unicode.IsControl(r) }) {
			t.Errorf("%q has the path %q", text, a.Path)
		}
	})
}
