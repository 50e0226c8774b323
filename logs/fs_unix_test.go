//go:build unix

package logs

import (
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// A pipe in place of a file is refused, not waited for.
func TestAPipeIsNoFile(t *testing.T) {
	name := filepath.Join(t.TempDir(), readingsName)
	if err := syscall.Mkfifo(name, 0o666); err != nil {
		t.Skip(err)
	}
	if _, err := (Disk{}).Open(name); err == nil || !strings.Contains(err.Error(), "no ordinary file") {
		t.Errorf("a pipe was opened: %v", err)
	}
}
