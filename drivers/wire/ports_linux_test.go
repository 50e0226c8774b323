package wire

import (
	"os"
	"path/filepath"
	"testing"
)

// A kernel's list with a USB adapter, a port on the board, a place where none was
// fitted, and a console: the first two are ports. Nothing is opened: the device files
// are not even there.
func TestPortsOf(t *testing.T) {
	t.Parallel()
	root := t.TempDir()
	class, dev := filepath.Join(root, "class"), filepath.Join(root, "dev")
	file := func(text string, name ...string) {
		name = append([]string{root}, name...)
		path := filepath.Join(name...)
		if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	link := func(to, from string) {
		if err := os.MkdirAll(filepath.Dir(from), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.Symlink(to, from); err != nil {
			t.Fatal(err)
		}
	}
	const usb = "devices/usb1/1-2"
	file("1a2b\n", usb, "idVendor")
	file("3c4d\n", usb, "idProduct")
	file("Some Maker\n", usb, "manufacturer")
	file("UART bridge\n", usb, "product")
	file("0042\n", usb, "serial")
	file("", usb, "1-2:1.0/ttyUSB0/uevent")
	link(filepath.Join(root, usb, "1-2:1.0/ttyUSB0"), filepath.Join(class, "ttyUSB0/device"))
	file("4\n", "class/ttyS0/type")
	file("", "devices/board/uevent")
	link(filepath.Join(root, "devices/board"), filepath.Join(class, "ttyS0/device"))
	file("0\n", "class/ttyS1/type")
	link(filepath.Join(root, "devices/board"), filepath.Join(class, "ttyS1/device"))
	file("", "class/console/uevent")
	link("../../ttyUSB0", filepath.Join(dev, "serial/by-id/usb-Some_Maker_UART_bridge_0042-if00"))

	got, err := portsOf(class, dev)
	if err != nil {
		t.Fatal(err)
	}
	want := []Seen{
		{"serial:" + dev + "/ttyS0", dev + "/ttyS0", ""},
		{"serial:" + dev + "/serial/by-id/usb-Some_Maker_UART_bridge_0042-if00", dev + "/ttyUSB0", "Some Maker UART bridge, serial number 0042 (USB 1a2b:3c4d)"},
	}
	if len(got) != len(want) || got[0] != want[0] || got[1] != want[1] {
		t.Errorf("%+v, expected %+v", got, want)
	}
	for _, p := range got {
		if _, err := ParseAddress(p.Address); err != nil {
			t.Errorf("what is listed cannot be written into a rig file: %v", err)
		}
	}
}

// Who has a port is read from its lock, and asking leaves it as it is.
func TestOwner(t *testing.T) {
	t.Setenv("TMPDIR", t.TempDir())
	const address = "serial:/dev/ttyUSB7"
	if _, free, err := Owner(address); err != nil || !free {
		t.Fatalf("free: %v %v", free, err)
	}
	lock, err := Take(address, "somebody")
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if text, free, err := Owner(address); err != nil || free || text != "somebody" {
			t.Errorf("the owner is %q, free %v, %v", text, free, err)
		}
	}
	lock.Give()
	if _, free, err := Owner(address); err != nil || !free {
		t.Errorf("free again: %v %v", free, err)
	}
}
