package store

import (
	"bytes"
	"compress/flate"
	"crypto/aes"
	"crypto/cipher"
	"crypto/rand"
	"encoding/base64"
	"encoding/json"
	"errors"
	"io"
	"strings"

	"shedbook/schema"
)

// A hub is somebody's computer, so what lies there is sealed with the company's key.
// Of a sealed bundle the header stays readable, for whoever has to hold it. Behind it
// stands one line in base64 (RFC 4648, section 4): the nonce, and the lines of its
// entries, deflated (RFC 1951) and sealed by AES-GCM (NIST SP 800-38D) with the
// header as what must be equal too.

const sealedSo = "aes-256-gcm"

// NewSeal draws a company's key.
func NewSeal() []byte {
	key := make([]byte, 32)
	rand.Read(key)
	return key
}

func sealer(key []byte) (cipher.AEAD, error) {
	block, err := aes.NewCipher(key)
	if err != nil {
		return nil, err
	}
	return cipher.NewGCM(block)
}

// Sealed is the bundle as the hub gets it.
func (b *Bundle) Sealed(key []byte) ([]byte, error) {
	box, err := sealer(key)
	if err != nil {
		return nil, err
	}
	var lines bytes.Buffer
	w, err := flate.NewWriter(&lines, flate.DefaultCompression)
	if err != nil {
		return nil, err
	}
	_, err = io.WriteString(w, strings.Join(b.lines, "\n"))
	if err := errors.Join(err, w.Close()); err != nil {
		return nil, err
	}
	is := *b
	is.Seal = sealedSo
	if is.head, err = json.Marshal(&is); err != nil {
		return nil, err
	}
	nonce := make([]byte, box.NonceSize())
	rand.Read(nonce)
	is.lines = []string{base64.StdEncoding.EncodeToString(box.Seal(nonce, nonce, lines.Bytes(), is.head))}
	err = is.pack()
	return is.content, err
}

// opened is a bundle that came sealed, as it was before.
func (b *Bundle) opened(key []byte) (*Bundle, error) {
	if b.Version > schema.EntryVersion || b.Seal == "none" {
		return b, nil
	}
	if b.Seal != sealedSo || key == nil {
		return nil, holdBack("it is sealed (%s), and this book has no key to it", b.Seal)
	}
	box, err := sealer(key)
	if err != nil {
		return nil, err
	}
	wrong := errBundle("it was not sealed with this company's key, or was changed since")
	if len(b.lines) != 1 {
		return nil, wrong
	}
	raw, err := base64.StdEncoding.DecodeString(b.lines[0])
	if err != nil || len(raw) < box.NonceSize() {
		return nil, wrong
	}
	plain, err := box.Open(nil, raw[:box.NonceSize()], raw[box.NonceSize():], b.head)
	if err != nil {
		return nil, wrong
	}
	lines, err := io.ReadAll(io.LimitReader(flate.NewReader(bytes.NewReader(plain)), mostBytes+1))
	if err != nil || len(lines) > mostBytes {
		return nil, wrong
	}
	is := *b
	is.Seal, is.lines = "none", strings.Split(string(lines), "\n")
	if err := is.check(); err != nil {
		return nil, err
	}
	return &is, is.pack()
}
