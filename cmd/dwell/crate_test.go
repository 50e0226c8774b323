package main

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"dwell/logs"
)

// askCrate asks the validator of the npm package ro-crate, version 3.7.2, about a folder: its
// findings by the clauses of RO-Crate 1.1 and 1.2, which files are described, and which of
// the words used are none of its context. Nothing is fetched: that context comes with it.
const askCrate = `
globalThis.fetch = async () => ({ok: true, json: async () => context});
const fs = require('fs'), path = require('path');
const context = require('ro-crate/lib/context.json');
const {Validator} = require('ro-crate/lib/validator');
const dir = process.argv[1];
const text = fs.readFileSync(path.join(dir, 'ro-crate-metadata.json'), 'utf8');
(async () => {
  const v = new Validator();
  v.parseJSON(text);
  await v.crate.resolveContext();
  await v.validate();
  const files = {};
  for (const f of fs.readdirSync(dir, {recursive: true})) {
    if (!fs.lstatSync(path.join(dir, f)).isDirectory()) files[encodeURI(f)] = {exists: true, inCrate: false, isDir: false};
  }
  v.checkFiles(files);
  const unknown = new Set();
  for (const e of JSON.parse(text)['@graph']) {
    for (const key of Object.keys(e)) if (!key.startsWith('@') && !context['@context'][key]) unknown.add(key);
    for (const type of [].concat(e['@type'])) if (!context['@context'][type]) unknown.add(type);
  }
  console.log(JSON.stringify({found: v.results, unknown: [...unknown], missing: Object.keys(files).filter(f => !files[f].inCrate)}));
})();
`

// What describes a bundle is asked of somebody else's validator too, with a license in words
// or as a URL, a person or none, a name with a blank in it.
func TestCrateByAnotherProgram(t *testing.T) {
	if err := exec.Command("node", "-e", "require('ro-crate/lib/validator')").Run(); err != nil {
		t.Skip("not asked: node does not find the npm package ro-crate (npm install ro-crate, and NODE_PATH=…/node_modules)")
	}
	folder := filepath.Join(t.TempDir(), "run")
	if err := os.CopyFS(folder, os.DirFS(rehearsed(t, "staircase.yaml", 1).folder)); err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(folder, "profiles", "my plate 100%.yaml"), "format: 1\n")
	for _, c := range []struct {
		license, operator string
	}{{"https://creativecommons.org/licenses/by/4.0/", "M.K."}, {"for reviewers only", ""}} {
		id := map[string]any{}
		name := filepath.Join(folder, "run.json")
		if err := json.Unmarshal([]byte(read(t, name)), &id); err != nil {
			t.Fatal(err)
		}
		id["operator"] = c.operator
		text, err := json.Marshal(id)
		if err != nil {
			t.Fatal(err)
		}
		write(t, name, string(text))
		r, _, err := logs.Open(logs.Disk{}, folder)
		if err != nil {
			t.Fatal(err)
		}
		bundle := filepath.Join(t.TempDir(), "bundle.zip")
		if err := writeBundle(r, bundle, c.license); err != nil {
			t.Fatal(err)
		}
		crate := filepath.Join(t.TempDir(), "crate")
		if out, err := exec.Command("unzip", "-q", bundle, "-d", crate).CombinedOutput(); err != nil {
			t.Skipf("not asked: unzip: %v %s", err, out)
		}
		out, err := exec.Command("node", "-e", askCrate, crate).Output()
		if err != nil {
			t.Fatalf("%v: %s", err, out)
		}
		var said struct {
			Found            []struct{ ID, Status, Message, Clause, Entity string }
			Unknown, Missing []string
		}
		if err := json.Unmarshal(out, &said); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
		passed := 0
		for _, f := range said.Found {
			if f.Status == "success" {
				passed++
			} else {
				t.Errorf("license %q: %s: %s (%s) %s", c.license, f.Status, f.Message, f.Clause, f.Entity)
			}
		}
		t.Logf("license %q: %d clauses hold", c.license, passed)
		if passed < 5 || len(said.Unknown) > 0 || len(said.Missing) > 0 {
			t.Errorf("%d clauses hold; words of no context %q; files not described %q", passed, said.Unknown, said.Missing)
		}
	}
}
