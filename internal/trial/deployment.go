package trial

import (
	"bytes"
	"crypto/ed25519"
	"crypto/x509"
	"crypto/x509/pkix"
	_ "embed"
	"encoding/pem"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"text/template"
	"time"

	"github.com/go-jose/go-jose/v4/jwt"

	"trigone/internal/private"
)

// Options say what is written.
type Options struct {
	// Dir is the folder; what lies there under the same names is never written over.
	Dir string
	// Hosts are the names and addresses by which clients reach the server.
	Hosts []string
	// GRPC and HTTP are where the server listens.
	GRPC, HTTP string
	// Site is the id of the site, Policy the text of its clinical policy.
	Site   string
	Policy []byte
	Now    time.Time
}

// How long what is written is valid: long enough to try, too short to forget.
const (
	certificatesFor = 90 * 24 * time.Hour
	tokenFor        = 30 * 24 * time.Hour
)

// Issuer and Audience are those of the token.
const (
	Issuer   = "urn:example:sign-in"
	Audience = "trigone"
)

// Names of the files.
const (
	DeploymentName = "deployment.yaml"
	AuthorityName  = "authority.pem"
	TokenName      = "auditor.token"
	SurgeonName    = "surgeon"
)

//go:embed deployment.yaml.tmpl
var text string

// Write writes a deployment that works: a server's certificate, a surgeon's, an engine's
// and an administrator's, a key that signs tokens with one token of an auditor, one that
// signs the access record, and the deployment file. It gives until when the token is valid.
func Write(o Options) (until time.Time, err error) {
	if _, err := os.Stat(filepath.Join(o.Dir, DeploymentName)); err == nil {
		return until, fmt.Errorf("%s holds a deployment already; give another folder with --out", o.Dir)
	}
	if err := private.Folder(o.Dir); err != nil {
		return until, err
	}
	from := o.Now.Add(-time.Minute) // clocks differ
	authority, err := NewAuthority("trigone trial authority", from, o.Now.Add(certificatesFor))
	if err != nil {
		return until, err
	}
	files := map[string][]byte{AuthorityName: authority.PEM(), "policy.yaml": o.Policy}
	for name, i := range map[string]Issued{
		"server":    {Subject: pkix.Name{CommonName: "trigone trial server"}, Hosts: o.Hosts, Server: true},
		SurgeonName: {Subject: pkix.Name{CommonName: "surgeon", Organization: []string{"Trial"}}},
		"engine":    {Subject: pkix.Name{CommonName: "any"}, URIs: []string{"urn:example:engine"}},
		"keeper":    {Subject: pkix.Name{CommonName: "keeper", Organization: []string{"Trial"}}},
	} {
		i.From, i.Until = from, o.Now.Add(certificatesFor)
		if files[name+".pem"], files[name+".key"], err = authority.Issue(i); err != nil {
			return until, err
		}
	}
	if files["access.key"], err = accessKey(); err != nil {
		return until, err
	}
	signer, err := NewSigner("trial-1")
	if err != nil {
		return until, err
	}
	if files["token-keys.json"], err = Set(signer); err != nil {
		return until, err
	}
	until = o.Now.Add(tokenFor)
	token, err := signer.Token(jwt.Claims{
		Issuer: Issuer, Audience: jwt.Audience{Audience}, Subject: "auditor", Expiry: jwt.NewNumericDate(until), IssuedAt: jwt.NewNumericDate(from),
	})
	if err != nil {
		return until, err
	}
	files[TokenName] = []byte(token + "\n")
	parsed, err := template.New(DeploymentName).Parse(text)
	if err != nil {
		return until, err
	}
	var deployment bytes.Buffer
	if err := parsed.Execute(&deployment, o); err != nil {
		return until, err
	}
	files[DeploymentName] = deployment.Bytes()
	var faults []error
	for name, content := range files {
		faults = append(faults, private.Write(filepath.Join(o.Dir, name), content))
	}
	return until, errors.Join(faults...)
}

// accessKey makes a key that signs the access record.
func accessKey() ([]byte, error) {
	_, key, err := ed25519.GenerateKey(nil)
	if err != nil {
		return nil, err
	}
	der, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return nil, err
	}
	return pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der}), nil
}
