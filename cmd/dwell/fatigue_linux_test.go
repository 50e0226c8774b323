package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// TestMemoryOfALongRunStaysFlat: ten times the cycles, and all that comes of them, in
// hardly more memory.
func TestMemoryOfALongRunStaysFlat(t *testing.T) {
	if testing.Short() {
		t.Skip("33,000 cycles")
	}
	t.Parallel()
	most := func(times int) float64 { // MiB
		dir := t.TempDir()
		text := strings.NewReplacer("times: 10000", fmt.Sprintf("times: %d", times), "every 1000", fmt.Sprintf("every %d", times/10)).Replace(read(t, leafClip+"bending/fatigue.yaml"))
		protocol := write(t, filepath.Join(dir, "fatigue.yaml"), text)
		p := start(t, "rehearse", "--rig", leafClip+"bending/rig.yaml", "--specimen", leafClip+"bending/specimen.yaml", protocol, "--out", filepath.Join(dir, "runs"))
		kiB := mostMemory(p)
		p.exits(exitDone)
		return kiB / 1024
	}
	short, long := most(300), most(3000)
	t.Logf("3,000 cycles in %.0f MiB, 30,000 in %.0f", short, long)
	if !(short > 5) || long > 1.5*short || long > 200 {
		t.Errorf("3,000 cycles take %.0f MiB, 30,000 take %.0f", short, long)
	}
}

// mostMemory is the most memory that a process had, in KiB, as the system says until it
// ends. What is told of a process that has ended counts the memory of its parent too, which
// it had until it became itself.
func mostMemory(p *process) (kiB float64) {
	for {
		status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", p.cmd.Process.Pid))
		_, after, there := strings.Cut(string(status), "VmHWM:")
		if err != nil || !there { // it has ended
			return kiB
		}
		fmt.Sscan(after, &kiB)
		time.Sleep(10 * time.Millisecond)
	}
}
