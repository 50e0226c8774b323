package logs

import (
	"bytes"
	"crypto/ed25519"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"strings"
)

// signatures is signatures.json, beside the seal and not part of it.
type signatures struct {
	Format     int         `json:"format"`
	Signatures []Signature `json:"signatures"`
}

// Signature is somebody's word for one sealing, and with it for those before. It is an
// ed25519 signature (RFC 8032) over the text of message. Whoever signs later signs that an
// earlier signature was there. That a key is a person's is for that person to say: a name
// is no more than what was typed.
type Signature struct {
	Name      string `json:"name"`
	UTC       string `json:"utc"`
	Sealing   string `json:"sealing"`   // its sha256
	Key       string `json:"key"`       // the public one, base64
	Signature string `json:"signature"` // base64
	Number    int    `json:"-"`         // of the sealing, from 1
	Of        int    `json:"-"`         // sealings
}

const signaturesFormat = 1

// message is what is signed, line by line.
func (s *Signature) message(before string) []byte {
	return []byte(strings.Join([]string{"dwell signature 1", s.Sealing, s.UTC, s.Name, s.Key, before}, "\n") + "\n")
}

// Sign signs the last sealing. It does not look whether the folder is as it was sealed:
// that is for the caller to verify first.
func Sign(disk FS, dir, name, utc string, key ed25519.PrivateKey) error {
	if name = strings.TrimSpace(name); name == "" || strings.ContainsAny(name, "\r\n") {
		return fmt.Errorf("%q is no name to sign with: expected one line", name)
	}
	r, _, err := Open(disk, dir)
	if err != nil {
		return err
	}
	sealed, err := r.readSeal()
	if err != nil {
		return err
	}
	if len(sealed.Sealings) == 0 {
		return errors.New("there is no seal to sign")
	}
	all, err := r.readSignatures(sealed)
	if err != nil {
		return err
	}
	s := Signature{Name: name, UTC: utc, Sealing: sealed.Sealings[len(sealed.Sealings)-1].SHA256,
		Key: base64.StdEncoding.EncodeToString(key.Public().(ed25519.PublicKey))}
	for _, old := range all.Signatures {
		if old.Key == s.Key && old.Sealing == s.Sealing {
			return fmt.Errorf("this key has signed this sealing already, as %s", old.Name)
		}
	}
	s.Signature = base64.StdEncoding.EncodeToString(ed25519.Sign(key, s.message(all.last())))
	all.Signatures = append(all.Signatures, s)
	text, err := encodeJSON(all)
	if err != nil {
		return err
	}
	return replaceFile(disk, filepath.Join(dir, signaturesName), text)
}

// last is the last signature, "" before there is one.
func (s *signatures) last() string {
	if len(s.Signatures) == 0 {
		return ""
	}
	return s.Signatures[len(s.Signatures)-1].Signature
}

// Signatures are those of the folder, if all of them hold.
func (r *Run) Signatures() ([]Signature, error) {
	sealed, err := r.readSeal()
	if err != nil {
		return nil, err
	}
	s, err := r.readSignatures(sealed)
	return s.Signatures, err
}

// readSignatures reads signatures.json and checks each. None is an empty one.
func (r *Run) readSignatures(sealed seal) (signatures, error) {
	s := signatures{Format: signaturesFormat}
	text, err := r.File(signaturesName)
	if errors.Is(err, fs.ErrNotExist) {
		return s, nil
	}
	if err != nil {
		return s, err
	}
	corrupt := func(text string) error { return &Damage{ErrCorrupt, signaturesName, 0, 0, text} }
	if err := json.Unmarshal(text, &s); err != nil {
		return s, corrupt(err.Error())
	}
	if s.Format != signaturesFormat {
		return s, corrupt(fmt.Sprintf("format %d, this program reads %d", s.Format, signaturesFormat))
	}
	before := ""
	for i := range s.Signatures {
		one := &s.Signatures[i]
		key, err1 := base64.StdEncoding.DecodeString(one.Key)
		mark, err2 := base64.StdEncoding.DecodeString(one.Signature)
		if err1 != nil || err2 != nil || len(key) != ed25519.PublicKeySize || !ed25519.Verify(key, one.message(before), mark) {
			return s, corrupt(fmt.Sprintf("signature %d, of %q, does not hold: it, or one before it, has been changed", i+1, one.Name))
		}
		one.Of = len(sealed.Sealings)
		for k, sealing := range sealed.Sealings {
			if sealing.SHA256 == one.Sealing {
				one.Number = k + 1
			}
		}
		if one.Number == 0 {
			return s, corrupt(fmt.Sprintf("signature %d, of %q, is of no sealing in %s", i+1, one.Name, sealName))
		}
		before = one.Signature
	}
	if again, err := encodeJSON(s); err != nil || !bytes.Equal(again, text) || len(s.Signatures) == 0 {
		return s, corrupt("not as dwell wrote it")
	}
	return s, nil
}
