package main

import (
	"unsafe"

	"golang.org/x/sys/windows"
	"golang.org/x/sys/windows/registry"
)

// restarts are keys that stand there while an update waits for a restart (common practice of
// those who administer such systems, no source).
var restarts = []string{
	`SOFTWARE\Microsoft\Windows\CurrentVersion\WindowsUpdate\Auto Update\RebootRequired`,
	`SOFTWARE\Microsoft\Windows\CurrentVersion\Component Based Servicing\RebootPending`,
}

// powerStatus is SYSTEM_POWER_STATUS (winbase.h).
type powerStatus struct {
	line, battery, percent, saver byte
	left, whole                   uint32 // s
}

// systemDoubts is what speaks against leaving this computer alone.
func systemDoubts() (all []string) {
	for _, name := range restarts {
		if k, err := registry.OpenKey(registry.LOCAL_MACHINE, name, registry.QUERY_VALUE|registry.WOW64_64KEY); err == nil {
			k.Close()
			all = append(all, waitsForRestart)
			break
		}
	}
	get := windows.NewLazySystemDLL("kernel32.dll").NewProc("GetSystemPowerStatus")
	if get.Find() != nil {
		return all
	}
	s := powerStatus{line: 1}
	if told, _, _ := get.Call(uintptr(unsafe.Pointer(&s))); told != 0 && s.line == 0 { // 255 is for not known
		all = append(all, runsOnBattery)
	}
	return all
}
