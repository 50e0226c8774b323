package wire

import (
	"fmt"
	"net"
	"net/netip"
	"path/filepath"
	"regexp"
	"runtime"
	"strconv"
	"strings"
	"unicode"
)

// Address is where an instrument is connected.
type Address struct {
	Text string // as written
	Kind Kind
	Path string // serial: the device; TCP: host:port; a record: the run folder and the port in it
}

// Kind is a kind of link.
type Kind uint8

// The kinds of link.
const (
	Twin   Kind = iota // the virtual counterpart in this process
	Serial             // RS-232, USB serial, a PTY
	TCP                // a raw socket
	Record             // what a run recorded, in virtual time
)

var (
	visaSerial = regexp.MustCompile(`(?i)^ASRL(.+?)(?:::INSTR)?$`)
	visaSocket = regexp.MustCompile(`(?i)^TCPIP\d*::(\[[^\]]+\]|[^:\[\]]+)::(\d+)::SOCKET$`)
	visaOther  = regexp.MustCompile(`(?i)^(GPIB|USB|TCPIP|PXI|VXI)\d*::`)
	hostName   = regexp.MustCompile(`^[0-9A-Za-z_]([0-9A-Za-z_.-]*[0-9A-Za-z_.])?$`)
	portNumber = regexp.MustCompile(`^[1-9][0-9]{0,4}$`)
)

// ParseAddress reads a port as a rig file names it: `twin`, `serial:COM4`,
// `serial:/dev/ttyUSB0`, `tcp:host:5025`, `recorded:RUN/INSTRUMENT`, or a VISA
// resource string (VPP-4.3) of the forms ASRL…::INSTR and TCPIP…::SOCKET.
func ParseAddress(text string) (Address, error) {
	if text == "twin" {
		return Address{Text: text}, nil
	}
	kind, rest, _ := strings.Cut(text, ":")
	switch kind {
	case "serial":
		return serialAddress(text, rest)
	case "tcp":
		return socketAddress(text, rest)
	case "recorded":
		if folder, port := filepath.Split(rest); folder == "" || port == "" {
			return Address{}, fmt.Errorf("%q names no record: expected recorded:RUN/INSTRUMENT", text)
		}
		return Address{Text: text, Kind: Record, Path: rest}, nil
	}
	if m := visaSocket.FindStringSubmatch(text); m != nil {
		return socketAddress(text, m[1]+":"+m[2])
	}
	if visaOther.MatchString(text) {
		return Address{}, fmt.Errorf("%q is a VISA resource that needs a driver dwell does not have: use serial (ASRL…::INSTR) or a raw socket (TCPIP…::HOST::PORT::SOCKET)", text)
	}
	if m := visaSerial.FindStringSubmatch(text); m != nil && !strings.Contains(m[1], "::") {
		return serialAddress(text, serialDevice(m[1]))
	}
	return Address{}, fmt.Errorf("%q is no port: expected twin, serial:DEVICE, tcp:HOST:PORT, ASRL…::INSTR or TCPIP…::HOST::PORT::SOCKET", text)
}

// serialAddress takes any device name a system may have, but no blank or invisible
// character at its ends or within: those are typing mistakes.
func serialAddress(text, device string) (Address, error) {
	odd := func(r rune) bool { return !unicode.IsPrint(r) || r == ' ' || r == unicode.ReplacementChar }
	if device == "" || device != strings.TrimSpace(device) || strings.IndexFunc(device, odd) >= 0 {
		return Address{}, fmt.Errorf("%q names no serial port: expected serial:DEVICE, such as serial:COM4 or serial:/dev/ttyUSB0", text)
	}
	return Address{Text: text, Kind: Serial, Path: device}, nil
}

func socketAddress(text, hostPort string) (Address, error) {
	host, port, err := net.SplitHostPort(hostPort)
	n, _ := strconv.Atoi(port)
	if err != nil || !portNumber.MatchString(port) || n > 65535 || !isHost(host) {
		return Address{}, fmt.Errorf("%q names no socket: expected tcp:HOST:PORT with a port from 1 to 65535 and an IPv6 address in brackets", text)
	}
	return Address{Text: text, Kind: TCP, Path: net.JoinHostPort(host, port)}, nil
}

func isHost(host string) bool {
	_, err := netip.ParseAddr(host)
	return err == nil || hostName.MatchString(host)
}

// serialDevice turns what stands behind ASRL into a device: a number from one on is
// COMn on Windows and, by the custom of VISA libraries, the n-th serial port
// elsewhere; anything else is the device's name itself.
func serialDevice(board string) string {
	n, err := strconv.Atoi(board)
	switch {
	case err != nil:
		return board
	case n < 1 || strconv.Itoa(n) != board:
		return ""
	case runtime.GOOS == "windows":
		return "COM" + board
	default:
		return "/dev/ttyS" + strconv.Itoa(n-1)
	}
}

// Key names what is locked: the device behind a link name, the socket behind a
// spelling, so that two names of one port are one port. Of two names of one host only
// those of this computer itself are seen through: the others would need a server of names.
func (a Address) Key() string {
	switch {
	case a.Kind == Serial && runtime.GOOS == "windows":
		return "serial:" + strings.ToLower(strings.TrimPrefix(a.Path, `\\.\`))
	case a.Kind == Serial:
		path := a.Path
		if real, err := filepath.EvalSymlinks(path); err == nil {
			path = real
		}
		if whole, err := filepath.Abs(path); err == nil {
			path = whole
		}
		return "serial:" + path
	case a.Kind == TCP:
		host, port, _ := net.SplitHostPort(a.Path)
		if ip, err := netip.ParseAddr(host); err == nil {
			host = ip.Unmap().String()
		}
		if host == "127.0.0.1" || host == "::1" {
			host = "localhost"
		}
		return "tcp:" + net.JoinHostPort(strings.TrimSuffix(strings.ToLower(host), "."), port)
	default:
		return a.Text
	}
}

// String is the address as it was written.
func (a Address) String() string { return a.Text }
