package wire

import (
	"os"
	"path/filepath"
	"strings"
)

// Ports lists the serial ports of this computer.
func Ports() ([]Seen, error) { return portsOf("/sys/class/tty", "/dev") }

// portsOf reads the kernel's own list. A port that was never fitted has type 0, as
// PORT_UNKNOWN of the kernel's serial_core.h.
func portsOf(class, dev string) (all []Seen, err error) {
	entries, err := os.ReadDir(class)
	if err != nil {
		return nil, err
	}
	links := stableNames(filepath.Join(dev, "serial", "by-id"))
	for _, e := range entries {
		about := filepath.Join(class, e.Name())
		device, err := filepath.EvalSymlinks(filepath.Join(about, "device"))
		if err != nil || word(about, "type") == "0" {
			continue // a console or a PTY has no device
		}
		p := Seen{Device: filepath.Join(dev, e.Name()), Is: described(device)}
		p.Address = "serial:" + p.Device
		if link := links[e.Name()]; link != "" {
			p.Address = "serial:" + link
		}
		all = append(all, p)
	}
	return all, nil
}

// stableNames are the names that stay with a device, by the kernel's.
func stableNames(folder string) map[string]string {
	found := map[string]string{}
	links, _ := filepath.Glob(filepath.Join(folder, "*"))
	for _, link := range links {
		if to, err := os.Readlink(link); err == nil {
			found[filepath.Base(to)] = link
		}
	}
	return found
}

// described is what the device or the USB device that it belongs to says of itself.
func described(device string) string {
	for range 5 { // tty, port, interface, device
		if vendor := word(device, "idVendor"); vendor != "" {
			text := strings.TrimSpace(word(device, "manufacturer") + " " + word(device, "product"))
			if number := word(device, "serial"); number != "" {
				text += ", serial number " + number
			}
			return strings.TrimSpace(text + " (USB " + vendor + ":" + word(device, "idProduct") + ")")
		}
		device = filepath.Dir(device)
	}
	return ""
}

func word(folder, name string) string {
	text, _ := os.ReadFile(filepath.Join(folder, name)) // what is not there is not known
	return strings.TrimSpace(string(text))
}
