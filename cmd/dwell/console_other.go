//go:build !windows

package main

import "os"

// redrawable is whether a terminal takes control sequences.
func redrawable(*os.File) bool { return true }
