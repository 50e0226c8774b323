//go:build !windows

package main

// systemDoubts is what speaks against leaving this computer alone, on a system of which it is
// not known how it tells.
func systemDoubts() []string { return nil }
