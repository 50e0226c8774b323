package main

import (
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"

	"dwell/drivers/rig"
	"dwell/drivers/wire"
)

// This file looks at the computer before a run: what could end a night on its side,
// where the system tells. It changes nothing; a person decides.

// doubts are what speaks against leaving this computer alone, one sentence each. root is
// where the system's own files begin.
func doubts(root string, r *rig.Rig) (all []string) {
	if runtime.GOOS != "linux" {
		return systemDoubts()
	}
	if scheduled := word(root, "run/systemd/shutdown/scheduled"); scheduled != "" { // systemd-logind(8), from memory
		all = append(all, "the system is told to restart or to switch off: shutdown -c takes that back")
	}
	for _, name := range []string{"var/run/reboot-required", "run/reboot-required"} {
		if _, err := os.Stat(filepath.Join(root, name)); err == nil {
			all = append(all, waitsForRestart)
			break
		}
	}
	if onBattery(root) {
		all = append(all, runsOnBattery)
	}
	for _, d := range r.Instruments {
		if d.Address.Kind == wire.Serial && savesPower(root, strings.TrimPrefix(d.Address.Key(), "serial:")) {
			all = append(all, fmt.Sprintf("the system may put the USB adapter of %s to sleep: write on into its power/control, or switch USB power saving off", d.Name))
		}
	}
	return all
}

const (
	waitsForRestart = "the system waits for a restart, and may restart by itself: do that first"
	runsOnBattery   = "the computer runs on its battery: plug it in"
)

// word is the first line of a small file, "" where there is none.
func word(path ...string) string {
	text, err := os.ReadFile(filepath.Join(path...))
	if err != nil {
		return ""
	}
	line, _, _ := strings.Cut(string(text), "\n")
	return strings.TrimSpace(line)
}

// onBattery tells whether a battery is giving power, and no supply from the mains does.
func onBattery(root string) bool {
	supplies, _ := filepath.Glob(filepath.Join(root, "sys/class/power_supply/*"))
	drained := false
	for _, s := range supplies {
		switch word(s, "type") {
		case "Mains", "USB":
			if word(s, "online") == "1" {
				return false
			}
		case "Battery":
			drained = drained || word(s, "status") == "Discharging" && word(s, "scope") != "Device" // a mouse has one too
		}
	}
	return drained
}

// savesPower tells whether the USB device behind a serial port may be suspended while
// nothing passes: the first device above the port that has a say in that.
func savesPower(root, device string) bool {
	dir, err := filepath.EvalSymlinks(filepath.Join(root, "sys/class/tty", filepath.Base(device), "device"))
	if err != nil {
		return false
	}
	top := filepath.Join(root, "sys")
	for ; strings.HasPrefix(dir, top) && dir != top; dir = filepath.Dir(dir) {
		if word(dir, "idVendor") != "" { // this is the adapter
			return word(dir, "power/control") == "auto"
		}
	}
	return false
}
