// Package trial makes what a deployment with TLS and identities needs: a private
// authority with certificates, a key that signs tokens, and the deployment file that
// names them. It is for trying and for tests: a hospital has its own authority and its
// own place to sign in.
package trial

import (
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/json"
	"encoding/pem"
	"math/big"
	"net"
	"net/url"
	"time"

	jose "github.com/go-jose/go-jose/v4"
	"github.com/go-jose/go-jose/v4/jwt"
)

// Authority signs certificates.
type Authority struct {
	certificate *x509.Certificate
	key         crypto.Signer
}

// NewAuthority makes an authority that is valid for the time given.
func NewAuthority(name string, from, until time.Time) (*Authority, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, err
	}
	template := &x509.Certificate{
		SerialNumber: serial(), Subject: pkix.Name{CommonName: name}, NotBefore: from, NotAfter: until,
		IsCA: true, BasicConstraintsValid: true, MaxPathLenZero: true, KeyUsage: x509.KeyUsageCertSign,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, key.Public(), key)
	if err != nil {
		return nil, err
	}
	certificate, err := x509.ParseCertificate(der)
	return &Authority{certificate, key}, err
}

func serial() *big.Int {
	n, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 120))
	if err != nil { // the system gives no random numbers: nothing can be made
		panic(err)
	}
	return n
}

// PEM gives the authority's certificate.
func (a *Authority) PEM() []byte { return certificatePEM(a.certificate.Raw) }

func certificatePEM(der []byte) []byte {
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
}

// Issued says what a certificate is for.
type Issued struct {
	Subject     pkix.Name
	URIs, Hosts []string // hosts: names and addresses of a server
	Server      bool
	From, Until time.Time
}

// Issue signs a certificate and gives it with its private key, both PEM.
func (a *Authority) Issue(i Issued) (certificate, key []byte, err error) {
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, nil, err
	}
	template := &x509.Certificate{
		SerialNumber: serial(), Subject: i.Subject, NotBefore: i.From, NotAfter: i.Until,
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth},
	}
	if i.Server {
		template.ExtKeyUsage = []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}
	}
	for _, s := range i.URIs {
		u, err := url.Parse(s)
		if err != nil {
			return nil, nil, err
		}
		template.URIs = append(template.URIs, u)
	}
	for _, host := range i.Hosts {
		if ip := net.ParseIP(host); ip != nil {
			template.IPAddresses = append(template.IPAddresses, ip)
		} else {
			template.DNSNames = append(template.DNSNames, host)
		}
	}
	der, err := x509.CreateCertificate(rand.Reader, template, a.certificate, private.Public(), a.key)
	if err != nil {
		return nil, nil, err
	}
	key, err = KeyPEM(private)
	return certificatePEM(der), key, err
}

// KeyPEM gives a private key as PKCS 8.
func KeyPEM(private crypto.PrivateKey) ([]byte, error) {
	der, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		return nil, err
	}
	return pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der}), nil
}

// Pair is Issue for a TLS client or server.
func (a *Authority) Pair(i Issued) (tls.Certificate, error) {
	certificate, key, err := a.Issue(i)
	if err != nil {
		return tls.Certificate{}, err
	}
	return tls.X509KeyPair(certificate, key)
}

// Signer signs bearer tokens.
type Signer struct {
	ID  string // kid
	Way jose.SignatureAlgorithm
	Key crypto.Signer
}

// NewSigner makes a signer by ES256.
func NewSigner(id string) (Signer, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	return Signer{id, jose.ES256, key}, err
}

// Set gives the public keys of signers as a JSON Web Key Set.
func Set(signers ...Signer) ([]byte, error) {
	var set jose.JSONWebKeySet
	for _, s := range signers {
		set.Keys = append(set.Keys, jose.JSONWebKey{Key: s.Key.Public(), KeyID: s.ID, Algorithm: string(s.Way), Use: "sig"})
	}
	return json.MarshalIndent(set, "", "  ")
}

// Token signs claims.
func (s Signer) Token(claims jwt.Claims) (string, error) {
	signer, err := jose.NewSigner(jose.SigningKey{Algorithm: s.Way, Key: jose.JSONWebKey{Key: s.Key, KeyID: s.ID}}, nil)
	if err != nil {
		return "", err
	}
	return jwt.Signed(signer).Claims(claims).Serialize()
}
