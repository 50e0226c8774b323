package wire

import (
	"errors"

	"golang.org/x/sys/windows/registry"
)

// Ports lists the serial ports of this computer: the system keeps them in a table.
func Ports() ([]Seen, error) {
	key, err := registry.OpenKey(registry.LOCAL_MACHINE, `HARDWARE\DEVICEMAP\SERIALCOMM`, registry.QUERY_VALUE)
	if errors.Is(err, registry.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	defer key.Close()
	names, err := key.ReadValueNames(0)
	if err != nil {
		return nil, err
	}
	var all []Seen
	for _, name := range names {
		if port, _, err := key.GetStringValue(name); err == nil {
			all = append(all, Seen{Address: "serial:" + port, Device: port, Is: name})
		}
	}
	return all, nil
}
