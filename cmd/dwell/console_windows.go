package main

import (
	"os"

	"golang.org/x/sys/windows"
)

// redrawable has a console take control sequences, which it does not unless it is
// asked. It is left like that: a program that sends none sees no difference.
func redrawable(f *os.File) bool {
	var mode uint32
	if err := windows.GetConsoleMode(windows.Handle(f.Fd()), &mode); err != nil {
		return false
	}
	return windows.SetConsoleMode(windows.Handle(f.Fd()), mode|windows.ENABLE_VIRTUAL_TERMINAL_PROCESSING) == nil
}
