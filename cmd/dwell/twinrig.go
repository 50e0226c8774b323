package main

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"dwell/drivers/rig"
	"dwell/drivers/yamltext"
)

// writtenByTwin is the first line of a rig file that dwell twin wrote.
const writtenByTwin = "# Written by dwell twin --write-rig, which may write it again: keep nothing of your own here.\n"

// mayWrite refuses to write over anything but a file that was written so before.
func (t *twinServer) mayWrite() error {
	if t.write == "" {
		return nil
	}
	text, err := os.ReadFile(t.write)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return usage(fmt.Errorf("--write-rig: %w", err))
	}
	if there, err := os.Stat(t.write); err == nil {
		if read, err := os.Stat(t.rigDoc.Name); err == nil && os.SameFile(there, read) {
			return usage(fmt.Errorf("--write-rig: %s is the rig file that is served: name another", t.write))
		}
	}
	if !bytes.HasPrefix(text, []byte(writtenByTwin)) {
		return usage(fmt.Errorf("--write-rig: %s is there, and dwell twin did not write it: name another, or remove it", t.write))
	}
	return nil
}

// writeRig copies the rig file with every `port:` replaced. A profile of the person's
// own lies beside the rig file that is read; the copy names it from where it lies itself.
func (t *twinServer) writeRig(ports map[string]string) error {
	if t.write == "" {
		return nil
	}
	with := map[*yamltext.Node]string{}
	for _, top := range t.rigDoc.Root.Pairs {
		if top.Key.Text != "instruments" {
			continue
		}
		for _, instrument := range top.Value.Pairs {
			for _, p := range instrument.Value.Pairs {
				switch _, embedded := rig.EmbeddedProfile(p.Value.Text); {
				case p.Key.Text == "port":
					with[p.Value] = strconv.Quote(ports[instrument.Key.Text])
				case p.Key.Text == "profile" && !embedded:
					path, err := t.profileFromCopy(p.Value.Text)
					if err != nil {
						return usage(fmt.Errorf("--write-rig: %w", err))
					}
					with[p.Value] = strconv.Quote(path)
				}
			}
		}
	}
	text := strings.TrimPrefix(replaced(string(t.rigDoc.Text), with), writtenByTwin)
	if err := t.mayWrite(); err != nil {
		return err
	}
	if err := os.WriteFile(t.write, []byte(writtenByTwin+text), 0o666); err != nil {
		return usage(err)
	}
	t.speech.say("rig file with these ports: %s", t.write)
	return nil
}

// profileFromCopy is the way from the copy to a profile of the person's own.
func (t *twinServer) profileFromCopy(name string) (string, error) {
	there := filepath.Join(filepath.Dir(t.rigDoc.Name), name)
	if _, err := os.Stat(there); errors.Is(err, fs.ErrNotExist) { // the rig file of a run folder
		there = filepath.Join(filepath.Dir(t.rigDoc.Name), profilesFolder, filepath.Base(name))
	}
	there, err := filepath.Abs(there)
	if err != nil {
		return "", err
	}
	from, err := filepath.Abs(filepath.Dir(t.write))
	if err != nil {
		return "", err
	}
	path, err := filepath.Rel(from, there)
	return filepath.ToSlash(path), err
}

// replaced is a text with other words in place of nodes of it, the last first, so that
// none moves before its turn.
func replaced(text string, with map[*yamltext.Node]string) string {
	var nodes []*yamltext.Node
	for n := range with {
		nodes = append(nodes, n)
	}
	slices.SortFunc(nodes, func(a, b *yamltext.Node) int {
		if a.Pos.Line != b.Pos.Line {
			return b.Pos.Line - a.Pos.Line
		}
		return b.Pos.Column - a.Pos.Column
	})
	lines := strings.Split(text, "\n")
	for _, n := range nodes {
		line := []rune(lines[n.Pos.Line-1])
		from, to := n.Pos.Column-1, n.Pos.Column-1+n.Width
		lines[n.Pos.Line-1] = string(line[:from]) + with[n] + string(line[to:])
	}
	return strings.Join(lines, "\n")
}
