package main

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"dwell/drivers/yamltext"
)

// copier is a dwell twin that has read a rig file and is to write a copy.
func copier(t *testing.T, name, to string) *twinServer {
	t.Helper()
	m := &yamltext.Mistakes{}
	doc := yamltext.Parse(name, []byte(read(t, name)), m)
	if err := m.Err(); err != nil {
		t.Fatal(err)
	}
	return &twinServer{speech: &speech{out: io.Discard, err: io.Discard}, write: to, rigDoc: doc}
}

// The copy of a rig file names the new ports and finds the profiles of a person's own,
// wherever it lies, and however the rig file is laid out.
func TestTheCopyOfARigFindsItsProfiles(t *testing.T) {
	ports := map[string]string{"plate": "serial:/dev/pts/97", "meter": "tcp:127.0.0.1:50999"}
	own := read(t, "../../drivers/rig/profiles/namur-hotplate.yaml")
	text := strings.Replace(read(t, leafClip+"rig.yaml"), "profile: namur-hotplate\n", "profile: 'own plate.yaml'\n", 1)
	begin, end := strings.Index(text, "\ninstruments:"), strings.Index(text, "\n# What the instruments measure")
	flow := text[:begin] + "\ninstruments: {plate: {port: twin, profile: 'own plate.yaml'}, meter: {profile: scpi-source-meter, port: twin}}\n" + text[end:]
	for layout, text := range map[string]string{"block": text, "flow": flow} {
		for _, place := range []string{"twin-rig.yaml", "below/twin-rig.yaml", "../beside/twin-rig.yaml"} {
			t.Run(layout+" to "+place, func(t *testing.T) {
				dir := filepath.Join(t.TempDir(), "lab")
				to := filepath.Join(dir, place)
				for _, d := range []string{dir, filepath.Dir(to)} {
					if err := os.MkdirAll(d, 0o777); err != nil {
						t.Fatal(err)
					}
				}
				write(t, filepath.Join(dir, "own plate.yaml"), own)
				from := write(t, filepath.Join(dir, "rig.yaml"), text)
				for range 2 { // it may be written again
					c := copier(t, from, to)
					if err := c.mayWrite(); err != nil {
						t.Fatal(err)
					}
					if err := c.writeRig(ports); err != nil {
						t.Fatal(err)
					}
				}
				m, j := &yamltext.Mistakes{}, &job{}
				if err := j.bench(files{rig: to, specimen: leafClip + "specimen.yaml"}, "", m); err != nil || m.Len() > 0 {
					m.Print(os.Stderr)
					t.Fatalf("the copy cannot be read: %v\n%s", err, read(t, to))
				}
				for _, d := range j.rig.Instruments {
					if got := d.Address.String(); got != ports[d.Name] {
						t.Errorf("%s is at %s, expected %s", d.Name, got, ports[d.Name])
					}
				}
				// From the copy of a copy, too.
				again := filepath.Join(dir, "again.yaml")
				if err := copier(t, to, again).writeRig(ports); err != nil || strings.Count(read(t, again), writtenByTwin) != 1 {
					t.Errorf("a copy of the copy: %v\n%s", err, read(t, again))
				}
			})
		}
	}
}

// Nothing is written over but what dwell twin wrote itself, and never the rig file that
// it serves.
func TestTheCopyOfARigSparesFiles(t *testing.T) {
	dir := t.TempDir()
	rigFile := write(t, filepath.Join(dir, "rig.yaml"), writtenByTwin+read(t, leafClip+"rig.yaml"))
	other := write(t, filepath.Join(dir, "notes.txt"), "mine")
	linked := filepath.Join(dir, "link.yaml")
	if err := os.Symlink("rig.yaml", linked); err != nil {
		t.Skip(err)
	}
	for _, to := range []string{rigFile, other, linked, dir} {
		before, _ := os.ReadFile(to)
		served := copier(t, rigFile, to)
		for _, err := range []error{served.mayWrite(), served.writeRig(nil)} {
			if c := (*coded)(nil); !errors.As(err, &c) || c.code != exitUsage {
				t.Errorf("%s: %v, expected to be refused", to, err)
			}
		}
		if after, _ := os.ReadFile(to); string(after) != string(before) {
			t.Errorf("%s has changed", to)
		}
	}
}
