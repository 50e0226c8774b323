//go:build !linux && !windows

package wire

import "path/filepath"

// Ports lists the serial ports of this computer, by the names that such systems give
// them: cu is the side that does not wait for a modem.
func Ports() ([]Seen, error) { return append(byName("/dev/cu.*"), byName("/dev/cuaU[0-9]")...), nil }

func byName(pattern string) (all []Seen) {
	names, _ := filepath.Glob(pattern) // fails for a bad pattern only
	for _, name := range names {
		all = append(all, Seen{Address: "serial:" + name, Device: name})
	}
	return all
}
