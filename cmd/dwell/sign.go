package main

import (
	"crypto/ed25519"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"dwell/drivers/clock"
	"dwell/logs"
)

// signing is what verify was told about signing.
type signing struct {
	key, name string
	make      bool
}

// check refuses what cannot be meant, before anything is looked at.
func (g signing) check(path, folder string) error {
	switch {
	case g.key == "" && (g.name != "" || g.make):
		return errors.New("--name and --new-key belong to --sign")
	case g.key == "":
		return nil
	case strings.TrimSpace(g.name) == "":
		return errors.New("--sign needs --name with the name of who signs")
	case path != folder:
		return fmt.Errorf("%s is a bundle: sign the run folder, and bundle it then", path)
	case within(g.key, folder):
		return fmt.Errorf("%s lies in the run folder: a key does not travel with what it signs", g.key)
	}
	return nil
}

// within is whether a file lies in a folder, or would.
func within(file, folder string) bool {
	a, err1 := filepath.Abs(file)
	b, err2 := filepath.Abs(folder)
	rest, err := filepath.Rel(b, a)
	return errors.Join(err1, err2, err) == nil && filepath.IsLocal(rest)
}

// sign signs the last sealing of a folder in which nothing was found.
func (g signing) sign(v *verification, dir string) error {
	if v.crashed {
		return errors.New("the run was never closed: there is no seal to sign")
	}
	if v.unsealed {
		return usage(fmt.Errorf("the run ended before its folder could be sealed: seal it first, with dwell resume %s or dwell report %s", dir, dir))
	}
	if len(v.findings) > 0 {
		return &coded{exitDiffering, fmt.Errorf("%s: nothing was signed", v.findings[0])}
	}
	key, err := g.read()
	if err != nil {
		return usage(err)
	}
	folder, err := lockFolder(dir, "")
	if err != nil {
		return usage(err)
	}
	defer folder.Give()
	if err := logs.Sign(logs.Disk{}, dir, g.name, clock.Today().UTC.Format(time.RFC3339Nano), key); err != nil {
		return usage(err)
	}
	return v.signed(dir)
}

// signed reads the signatures again.
func (v *verification) signed(dir string) error {
	r, _, err := logs.Open(logs.Disk{}, dir)
	if err == nil {
		v.signatures, err = r.Signatures()
	}
	return err
}

// keyType is the first line of a key file: PKCS #8 in PEM (RFC 5958, RFC 7468), which
// other programs read.
const keyType = "PRIVATE KEY"

// read reads the key file, or makes it when that was asked for. A key is never replaced.
func (g signing) read() (ed25519.PrivateKey, error) {
	if g.make {
		return g.newKey()
	}
	if _, err := os.Stat(g.key); errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("there is no key file %s: --new-key makes one", g.key)
	}
	text, err := readFile(g.key)
	if err != nil {
		return nil, err
	}
	block, _ := pem.Decode(text)
	if block == nil {
		return nil, fmt.Errorf("%s is no key file: expected a %s in PEM", g.key, keyType)
	}
	if block.Type != keyType {
		return nil, fmt.Errorf("%s holds a key that is %s: expected %s, of ed25519 and not encrypted (--new-key makes one)", g.key, block.Type, keyType)
	}
	any, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", g.key, err)
	}
	key, ok := any.(ed25519.PrivateKey)
	if !ok {
		return nil, fmt.Errorf("%s holds a key of another kind: expected ed25519", g.key)
	}
	return key, nil
}

func (g signing) newKey() (ed25519.PrivateKey, error) {
	_, key, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		return nil, err
	}
	text, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return nil, err
	}
	f, err := os.OpenFile(g.key, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if errors.Is(err, fs.ErrExist) {
		return nil, fmt.Errorf("%s is there already, and no key is replaced: leave --new-key out, or name another file", g.key)
	}
	if err != nil {
		return nil, err
	}
	return key, errors.Join(pem.Encode(f, &pem.Block{Type: keyType, Bytes: text}), f.Sync(), f.Close())
}
