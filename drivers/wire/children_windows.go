package wire

import "go.bug.st/serial"

// openAlone opens a serial port; a child process gets no handle unless told so.
func openAlone(path string, mode *serial.Mode) (serial.Port, error) { return serial.Open(path, mode) }
