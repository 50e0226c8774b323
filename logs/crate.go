package logs

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"iter"
	"slices"
)

// brokenCrate compares what describes a bundle, where it lies in the folder, with the files
// and with run.json. No seal speaks of it: it is made when the bundle is.
func (r *Run) brokenCrate() iter.Seq[Finding] {
	return func(yield func(Finding) bool) {
		text, err := r.File(CrateName)
		if errors.Is(err, fs.ErrNotExist) {
			return
		}
		var crate struct {
			Graph []struct {
				ID         string          `json:"@id"`
				Type       json.RawMessage `json:"@type"` // of others' entities it may be a list
				Name       string          `json:"name"`
				Size       string          `json:"contentSize"`
				Identifier string          `json:"identifier"`
				Start      string          `json:"startTime"`
				End        string          `json:"endTime"`
			} `json:"@graph"`
		}
		if err == nil {
			err = json.Unmarshal(text, &crate)
		}
		if err != nil {
			yield(findingOf(CrateName, err))
			return
		}
		told := func(format string, args ...any) bool {
			return yield(Finding{Changed, CrateName, 0, fmt.Sprintf(format, args...), nil})
		}
		names, err := r.fileNames()
		if err != nil {
			yield(findingOf(".", err))
			return
		}
		names = slices.DeleteFunc(names, func(n string) bool { return n == CrateName })
		id, identityErr := r.Identity() // which is looked at elsewhere
		described := false
		for _, e := range crate.Graph {
			if e.ID == "#run" {
				described = true
				if identityErr == nil && (e.Start != id.StartUTC || e.End != id.StopUTC) && !told("it says that the run went from %q to %q, run.json from %q to %q", e.Start, e.End, id.StartUTC, id.StopUTC) {
					return
				}
			}
			if string(e.Type) != `"File"` {
				continue
			}
			d, err := r.digest(e.Name, -1)
			switch {
			case err != nil || e.ID != asURI(e.Name):
				if !told("it describes the file %q, which is not there", e.Name) {
					return
				}
			case e.Size != fmt.Sprint(d.Bytes) || e.Identifier != "sha256:"+d.SHA256:
				if !told("it says of %s: %s bytes, %.15s…; there are %d with sha256:%.8s…", e.Name, e.Size, e.Identifier, d.Bytes, d.SHA256) {
					return
				}
			}
			names = slices.DeleteFunc(names, func(n string) bool { return n == e.Name })
		}
		for _, name := range names {
			if !told("it does not describe %s", name) {
				return
			}
		}
		if !described {
			told("it does not describe the run")
		}
	}
}
