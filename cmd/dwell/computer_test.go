package main

import (
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"dwell/drivers/rig"
	"dwell/drivers/wire"
)

// What could end a night on the computer's side is said, and nothing when all is well.
func TestDoubtsAboutTheComputer(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("nothing is looked at here")
	}
	for _, c := range []struct {
		name  string
		files map[string]string
		says  []string
	}{
		{"nothing is known", nil, nil},
		{"all is well", map[string]string{"sys/class/power_supply/AC/type": "Mains", "sys/class/power_supply/AC/online": "1",
			"sys/class/power_supply/BAT0/type": "Battery", "sys/class/power_supply/BAT0/status": "Discharging", // while it is calibrated
			"sys/devices/usb1/1-2/power/control": "on"}, nil},
		{"a restart", map[string]string{"var/run/reboot-required": "*** System restart required ***"}, []string{"waits for a restart"}},
		{"a restart at a time", map[string]string{"run/systemd/shutdown/scheduled": "USEC=1774000000000000\nMODE=reboot"}, []string{"is told to restart or to switch off"}},
		{"a battery", map[string]string{"sys/class/power_supply/AC/type": "Mains", "sys/class/power_supply/AC/online": "0",
			"sys/class/power_supply/BAT0/type": "Battery", "sys/class/power_supply/BAT0/status": "Discharging"}, []string{"on its battery"}},
		{"a mouse", map[string]string{"sys/class/power_supply/m/type": "Battery", "sys/class/power_supply/m/status": "Discharging",
			"sys/class/power_supply/m/scope": "Device"}, nil},
		{"the adapter", map[string]string{"sys/devices/usb1/1-2/power/control": "auto"}, []string{"USB adapter of plate to sleep"}},
		{"the hub above it", map[string]string{"sys/devices/usb1/power/control": "auto", "sys/devices/usb1/idVendor": "1d6b"}, nil},
		{"everything", map[string]string{"run/reboot-required": "", "sys/class/power_supply/BAT0/type": "Battery",
			"sys/class/power_supply/BAT0/status": "Discharging", "sys/devices/usb1/1-2/power/control": "auto"}, []string{"restart", "battery", "USB"}},
	} {
		root, err := filepath.EvalSymlinks(t.TempDir())
		if err != nil {
			t.Fatal(err)
		}
		port := filepath.Join(root, "sys/devices/usb1/1-2/1-2:1.0/ttyUSB0")
		for name, text := range c.files {
			name = filepath.Join(root, name)
			os.MkdirAll(filepath.Dir(name), 0o777)
			write(t, name, text+"\n")
		}
		for _, dir := range []string{port, filepath.Join(root, "sys/class/tty/ttyUSB0")} {
			os.MkdirAll(dir, 0o777)
		}
		write(t, filepath.Join(root, "sys/devices/usb1/1-2/idVendor"), "0403\n")
		if err := os.Symlink(port, filepath.Join(root, "sys/class/tty/ttyUSB0/device")); err != nil {
			t.Fatal(err)
		}
		r := &rig.Rig{}
		for _, port := range []string{"serial:/dev/ttyUSB0", "tcp:192.0.2.1:10"} {
			a, err := wire.ParseAddress(port)
			if err != nil {
				t.Fatal(err)
			}
			r.Instruments = append(r.Instruments, rig.Description{Name: map[bool]string{true: "plate", false: "meter"}[len(r.Instruments) == 0], Address: a})
		}
		got := doubts(root, r)
		ok := len(got) == len(c.says)
		for i := range min(len(got), len(c.says)) {
			ok = ok && strings.Contains(got[i], c.says[i])
		}
		if !ok {
			t.Errorf("%s: %q, expected %q", c.name, got, c.says)
		}
	}
}
