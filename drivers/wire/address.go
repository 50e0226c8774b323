package wire

import (
	"fmt"
	"net"
	"regexp"
	"runtime"
	"strconv"
	"strings"
)

// Address is where an instrument is connected.
type Address struct {
	Text string // as written
	Kind Kind
	Path string // serial: device; TCP: host:port; recorded or twin: what follows the colon
}

// Kind is a kind of link.
type Kind uint8

// The kinds of link.
const (
	Twin   Kind = iota // the virtual counterpart in this process
	Serial             // RS-232, USB serial, a PTY
	TCP                // a raw socket
)

var (
	visaSerial = regexp.MustCompile(`(?i)^ASRL(.*?)(?:::INSTR)?$`)
	visaSocket = regexp.MustCompile(`(?i)^TCPIP\d*::(\[[^\]]+\]|[^:\[\]]+)::(\d+)::SOCKET$`)
	visaOther  = regexp.MustCompile(`(?i)^(GPIB|USB|TCPIP|PXI|VXI)\d*::`)
)

// ParseAddress reads a port as a rig file names it: `twin`, `serial:COM4`,
// `serial:/dev/ttyUSB0`, `tcp:host:5025`, or a VISA resource string (VPP-4.3) of
// the forms ASRL…::INSTR and TCPIP…::SOCKET.
func ParseAddress(text string) (Address, error) {
	a := Address{Text: text}
	switch kind, rest, _ := strings.Cut(text, ":"); {
	case text == "twin":
		return a, nil
	case kind == "serial" && rest != "":
		a.Kind, a.Path = Serial, rest
		return a, nil
	case kind == "tcp":
		return a, a.socket(rest)
	}
	if m := visaSocket.FindStringSubmatch(text); m != nil {
		return a, a.socket(m[1] + ":" + m[2])
	}
	if m := visaSerial.FindStringSubmatch(text); m != nil && m[1] != "" {
		a.Kind, a.Path = Serial, serialDevice(m[1])
		return a, nil
	}
	if visaOther.MatchString(text) {
		return a, fmt.Errorf("%q is a VISA resource that needs a driver dwell does not have: use serial (ASRL…::INSTR) or a raw socket (TCPIP…::PORT::SOCKET)", text)
	}
	return a, fmt.Errorf("%q is no port: expected twin, serial:DEVICE, tcp:HOST:PORT, ASRL…::INSTR or TCPIP…::HOST::PORT::SOCKET", text)
}

func (a *Address) socket(hostPort string) error {
	host, port, err := net.SplitHostPort(hostPort)
	n, bad := strconv.Atoi(port)
	if err != nil || bad != nil || host == "" || n < 1 || n > 65535 {
		return fmt.Errorf("%q names no socket: expected tcp:HOST:PORT with a port from 1 to 65535", a.Text)
	}
	a.Kind, a.Path = TCP, net.JoinHostPort(host, port)
	return nil
}

// serialDevice turns what stands behind ASRL into a device: a number is COMn on
// Windows and, by the custom of VISA libraries, the n-th serial port counted from
// one elsewhere; anything else is the device's name itself.
func serialDevice(board string) string {
	n, err := strconv.Atoi(board)
	switch {
	case err != nil:
		return strings.TrimPrefix(board, "::")
	case runtime.GOOS == "windows":
		return "COM" + board
	default:
		return "/dev/ttyS" + strconv.Itoa(n-1)
	}
}

// String is the address as it was written.
func (a Address) String() string { return a.Text }
