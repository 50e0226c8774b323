package main

import (
	"crypto/ecdh"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"dwell/logs"
)

// A folder that holds is signed by two people, each with a key of their own; verify names
// them, in a bundle too. A changed letter of a name, a signature that is gone before
// another, a seal made anew: each is found. A folder with a finding is not signed.
func TestSignedSeals(t *testing.T) {
	t.Parallel()
	folder := rehearsed(t, "short.yaml", 1).folder
	dir := t.TempDir()
	mine, yours := filepath.Join(dir, "mine.key"), filepath.Join(dir, "yours.key")
	for _, args := range [][]string{{"--sign", mine}, {"--name", "M.K."}, {"--sign", mine, "--name", "M.K."},
		{"--sign", filepath.Join(folder, "my.key"), "--name", "M.K.", "--new-key"}, {"--sign", leafClip + "rig.yaml", "--name", "M.K."},
		{"--sign", mine, "--name", " ", "--new-key"}} {
		start(t, append([]string{"verify", folder}, args...)...).exits(exitUsage)
	}
	name := filepath.Join(folder, "signatures.json")
	if _, err := os.Stat(name); err == nil {
		t.Fatal("signed by mistake")
	}
	start(t, "verify", folder, "--sign", mine, "--new-key", "--name", "M.K.").exits(exitDone)
	start(t, "verify", folder, "--sign", mine, "--new-key", "--name", "M.K.").exits(exitUsage) // a key is never replaced
	start(t, "verify", folder, "--sign", mine, "--name", "M.K.").exits(exitUsage)              // signed already
	start(t, "verify", folder, "--sign", yours, "--new-key", "--name", "A.B.").exits(exitDone)
	if info, err := os.Stat(mine); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v: the key may be read by others: %v", err, info.Mode())
	}
	p := start(t, "verify", folder)
	p.exits(exitDone)
	for _, words := range []string{"signed as M.K., 20", "signed as A.B., 20"} {
		if !strings.Contains(p.out.String(), words) || strings.Contains(p.out.String(), "not signed") {
			t.Errorf("verify says:\n%s", p.out.String())
		}
	}
	out := filepath.Join(dir, "one.zip")
	start(t, "export", "--bundle", "--out", out, folder).exits(exitDone)
	p = start(t, "verify", out, "--json")
	p.exits(exitDone)
	p.expectObject(map[string]any{"signed": true, "holds": true})
	start(t, "verify", out, "--sign", mine, "--name", "M.K.").exits(exitUsage)
	bare := filepath.Join(dir, "bare.zip")
	start(t, "export", "--bundle", "--without-serial-numbers", "--out", bare, folder).exits(exitDone)
	p = start(t, "verify", bare, "--json")
	p.exits(exitDone)
	p.expectObject(map[string]any{"signed": false, "holds": true})

	signed := read(t, name)
	first := strings.Index(signed, "    {")
	second := strings.LastIndex(signed, "    {")
	for what, text := range map[string]string{
		"another name": strings.Replace(signed, "M.K.", "M.L.", 1), "another date": strings.Replace(signed, `"utc": "2`, `"utc": "3`, 1),
		"the first gone": signed[:first] + signed[second:], "a blank more": signed + " ", "none": `{"format": 1, "signatures": []}`,
	} {
		write(t, name, text)
		if v := verified(t, folder); len(v.findings) != 1 || v.findings[0].File != "signatures.json" {
			t.Errorf("%s: %v", what, v.findings)
		}
	}
	write(t, name, signed)
	if err := logs.Seal(logs.Disk{}, folder, "2026-01-01T00:00:00Z", "another"); err != nil {
		t.Fatal(err)
	}
	p = start(t, "verify", folder)
	p.exits(exitDone)
	if !strings.Contains(p.out.String(), "sealing 1 of 2") {
		t.Errorf("a later sealing: verify says:\n%s", p.out.String())
	}

	// a forger makes the seal anew, over another number
	os.Remove(filepath.Join(folder, "seal.json"))
	if err := logs.Seal(logs.Disk{}, folder, "2026-01-01T00:00:00Z", "another"); err != nil {
		t.Fatal(err)
	}
	start(t, "verify", folder).exits(exitDiffering)
	start(t, "verify", folder, "--sign", mine, "--name", "M.K.").exits(exitDiffering)
}

// A key of another kind is told from none, whatever its file is.
func TestKeysThatSignNothing(t *testing.T) {
	t.Parallel()
	folder := rehearsed(t, "short.yaml", 1).folder
	dir := t.TempDir()
	curve, err := ecdh.X25519().GenerateKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	der, err := x509.MarshalPKCS8PrivateKey(curve)
	if err != nil {
		t.Fatal(err)
	}
	file := func(name, kind string, der []byte) string {
		return write(t, filepath.Join(dir, name), string(pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der})))
	}
	for key, says := range map[string]string{
		file("curve.key", "PRIVATE KEY", der):            "a key of another kind",
		file("locked.key", "ENCRYPTED PRIVATE KEY", der): "a key that is ENCRYPTED PRIVATE KEY",
		file("cut.key", "PRIVATE KEY", der[:9]):          "cut.key",
		write(t, filepath.Join(dir, "empty"), ""):        "is no key file",
		dir:                           "is a folder",
		filepath.Join(dir, "nowhere"): "there is no key file",
		os.DevNull:                    "is no ordinary file",
	} {
		p := start(t, "verify", folder, "--sign", key, "--name", "M.K.")
		p.exits(exitUsage)
		p.says(says)
	}
	p := start(t, "verify", folder, "--sign", filepath.Join(dir, "empty"), "--new-key", "--name", "M.K.")
	p.exits(exitUsage)
	p.says("no key is replaced")
	if _, err := os.Stat(filepath.Join(folder, "signatures.json")); err == nil {
		t.Error("something was signed")
	}
}
