//go:build linux

package main

import (
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
)

// The system's inhibitor lasts as long as the run, however that ends; where there is
// none the record says so.
func TestStayingAwake(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name, script, event, text string
		end                       syscall.Signal
	}{
		{"no say about the lid", "case $1 in *lid*) exit 1;; esac\nwhile [ \"${1#--}\" != \"$1\" ]; do shift; done\nexec \"$@\"", "kept awake", "during the run; closing its lid may still send it to sleep", syscall.SIGINT},
		{"a run that is stopped", "while [ \"${1#--}\" != \"$1\" ]; do shift; done\nexec \"$@\"", "kept awake", "does not go to sleep by itself during the run", syscall.SIGINT},
		{"a run that is killed", "while [ \"${1#--}\" != \"$1\" ]; do shift; done\nexec \"$@\"", "kept awake", "does not go to sleep", syscall.SIGKILL},
		{"a refusal", "echo access denied >&2\nexit 1", "may sleep", "access denied", syscall.SIGINT},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s := serve(t)
			dir, root := t.TempDir(), t.TempDir()
			script := write(t, filepath.Join(dir, "systemd-inhibit"), "#!/bin/sh\necho $$ \"$@\" > "+dir+"/asked\n"+c.script+"\n")
			if err := os.Chmod(script, 0o755); err != nil {
				t.Fatal(err)
			}
			p := ready(t, s.arguments("warm.yaml", root)...)
			p.cmd.Env = append(p.cmd.Env, "PATH="+dir+":"+os.Getenv("PATH"))
			p.start()
			s.underWay(root)
			if said := happened(t, theFolder(t, root), c.event); !strings.Contains(said.Text, c.text) {
				t.Errorf("%q", said.Text)
			}
			number, asked, _ := strings.Cut(strings.TrimSpace(read(t, filepath.Join(dir, "asked"))), " ")
			pid, _ := strconv.Atoi(number)
			what := "--what=sleep:idle "
			if c.event == "kept awake" && !strings.Contains(c.text, "lid") {
				what = "--what=sleep:idle:handle-lid-switch "
			}
			if !strings.HasPrefix(asked, what) || !strings.Contains(asked, "--mode=block") {
				t.Errorf("asked for %q", asked)
			}
			if c.event == "kept awake" && syscall.Kill(pid, 0) != nil {
				t.Error("the inhibitor does not run")
			}
			p.cmd.Process.Signal(c.end)
			p.ends()
			leaves(t, pid)
			s.expectOff()
		})
	}
}
