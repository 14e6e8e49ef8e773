package access

import (
	"crypto/ed25519"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"os"
	"runtime"
)

const needed = "make one with 'openssl genpkey -algorithm ed25519 -out FILE' and 'chmod 600 FILE', and keep it off the disk of the store"

// ReadKey reads the key that signs heads, PEM of PKCS 8, which only its owner may read;
// none for an empty path.
func ReadKey(path string) (ed25519.PrivateKey, error) {
	if path == "" {
		return nil, nil
	}
	info, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("read the key of the access record: %w; %s", err, needed)
	}
	// Windows keeps rights elsewhere than in the mode.
	if mode := info.Mode().Perm(); mode&0o077 != 0 && runtime.GOOS != "windows" {
		return nil, fmt.Errorf("the key of the access record in %s is open to others (mode %04o); only its owner may read it: chmod 600", path, mode)
	}
	private, _, err := read(path)
	if err == nil && private == nil {
		err = errors.New("it holds a public key")
	}
	if err != nil {
		return nil, fmt.Errorf("%s is no private key of Ed25519: %w; %s", path, err, needed)
	}
	return private, nil
}

// ReadPublicKey reads a public key, or that of a private one.
func ReadPublicKey(path string) (ed25519.PublicKey, error) {
	_, public, err := read(path)
	if err != nil {
		return nil, fmt.Errorf("%s is no key of Ed25519: %w", path, err)
	}
	return public, nil
}

func read(path string) (ed25519.PrivateKey, ed25519.PublicKey, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, nil, err
	}
	block, _ := pem.Decode(text)
	if block == nil {
		return nil, nil, errors.New("it is no PEM")
	}
	var key any
	if block.Type == "PUBLIC KEY" {
		key, err = x509.ParsePKIXPublicKey(block.Bytes)
	} else {
		key, err = x509.ParsePKCS8PrivateKey(block.Bytes)
	}
	if err != nil {
		return nil, nil, err
	}
	switch k := key.(type) {
	case ed25519.PrivateKey:
		return k, k.Public().(ed25519.PublicKey), nil
	case ed25519.PublicKey:
		return nil, k, nil
	}
	return nil, nil, fmt.Errorf("it is one of another kind, %T", key)
}
