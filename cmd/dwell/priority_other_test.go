//go:build !linux

package main

// goFirst is not needed to pass, only to pass on a busy machine.
func goFirst() {}
