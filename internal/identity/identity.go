// Package identity proves who asks, by a client certificate or a bearer token, and
// names the identity of the deployment file that it is. What is believed stands in
// files; Keeper follows them while the server runs. It decides nothing about rights.
package identity

import (
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"os"
	"runtime"
	"slices"
	"sync"
	"time"

	"trigone/internal/deployment"
)

// Trust is what is believed at one time: the deployment file and the files that it
// names. It is safe for concurrent use and never changes.
type Trust struct {
	Deployment *deployment.Deployment

	state   [sha256.Size]byte // of all that was read
	server  *tls.Config       // nil: no TLS
	callers *x509.CertPool    // nil: no certificate is taken
	keys    map[string]key    // of tokens, by id

	bySubject, byURI, byToken map[string]*deployment.Identity

	// seen remembers what was proved: certificates and tokens come with every call.
	seen *remembered
}

// Refused is why somebody is not believed. It holds nothing that was shown.
type Refused string

// Error gives the reason.
func (r Refused) Error() string { return string(r) }

// ErrNobody is why a certificate that is believed lets nobody in by itself.
const ErrNobody = Refused("the certificate names no identity of this server")

// Open reads what a deployment names. The error tells every fault, with line and
// column of the deployment file.
func Open(d *deployment.Deployment) (*Trust, error) {
	t := &Trust{
		Deployment: d, seen: newRemembered(), keys: map[string]key{},
		bySubject: map[string]*deployment.Identity{}, byURI: map[string]*deployment.Identity{}, byToken: map[string]*deployment.Identity{},
	}
	for _, i := range d.Identities {
		for _, s := range i.CertificateSubjects {
			t.bySubject[s] = i
		}
		for _, s := range i.CertificateURIs {
			t.byURI[s] = i
		}
		for _, s := range i.TokenSubjects {
			t.byToken[s] = i
		}
	}
	files, state := read(d, d.Hash)
	t.state = state
	return t, errors.Join(t.openTLS(files), t.openKeys(files))
}

// mostFile bounds a file of keys or certificates.
const mostFile = 1 << 20

type file struct {
	content []byte
	err     error
}

// read reads every file that a deployment names for identities, once, and gives the
// hash of all, and of the text of the deployment, by which a change is seen.
func read(d *deployment.Deployment, text [sha256.Size]byte) (map[string]file, [sha256.Size]byte) {
	files, hash := map[string]file{}, sha256.New()
	hash.Write(text[:])
	for _, path := range named(d) {
		f := file{}
		if info, err := os.Stat(path); err != nil {
			f.err = err
		} else if info.Size() > mostFile {
			f.err = fmt.Errorf("%s has more than %d bytes", path, mostFile)
		} else {
			f.content, f.err = os.ReadFile(path)
		}
		files[path] = f
		fmt.Fprintf(hash, "%q %v %d\n", path, f.err, len(f.content))
		hash.Write(f.content)
	}
	return files, [sha256.Size]byte(hash.Sum(nil))
}

// named gives the files that identities rest on.
func named(d *deployment.Deployment) []string {
	var list []string
	if d.TLS != nil {
		list = append(list, d.TLS.Certificate, d.TLS.Key, d.TLS.ClientAuthority)
	}
	if d.Tokens != nil {
		list = append(list, d.Tokens.Keys)
		for _, k := range d.Tokens.PublicKeys {
			list = append(list, k.File)
		}
	}
	return slices.DeleteFunc(list, func(path string) bool { return path == "" })
}

func (t *Trust) openTLS(files map[string]file) error {
	d := t.Deployment
	if d.TLS == nil {
		return nil
	}
	var faults []error
	certificate, key := files[d.TLS.Certificate], files[d.TLS.Key]
	if certificate.err != nil {
		faults = append(faults, d.Fault(&d.TLS.Certificate, "the certificate cannot be read: %v", certificate.err))
	}
	if key.err != nil {
		faults = append(faults, d.Fault(&d.TLS.Key, "the private key cannot be read: %v", key.err))
	} else if open := openToOthers(d.TLS.Key); open != nil {
		faults = append(faults, d.Fault(&d.TLS.Key, "%v", open))
	}
	var pair tls.Certificate
	if len(faults) == 0 {
		var err error
		if pair, err = tls.X509KeyPair(certificate.content, key.content); err != nil {
			faults = append(faults, d.Fault(&d.TLS.Certificate, "certificate and private key do not belong together, or one is no PEM: %v", err))
		}
	}
	t.server = &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS13, SessionTicketsDisabled: true}
	if d.TLS.AllowTLS12 {
		t.server.MinVersion = tls.VersionTLS12
	}
	if d.TLS.ClientAuthority != "" {
		f := files[d.TLS.ClientAuthority]
		t.callers = x509.NewCertPool()
		if f.err != nil {
			faults = append(faults, d.Fault(&d.TLS.ClientAuthority, "the certificates of those who sign callers' cannot be read: %v", f.err))
		} else if !t.callers.AppendCertsFromPEM(f.content) {
			faults = append(faults, d.Fault(&d.TLS.ClientAuthority, "the file holds no certificate, PEM"))
		}
		t.server.ClientCAs, t.server.ClientAuth = t.callers, tls.RequireAndVerifyClientCert
		if d.Tokens != nil {
			t.server.ClientAuth = tls.VerifyClientCertIfGiven
		}
	}
	return errors.Join(faults...)
}

// openToOthers says that a private key can be read by others than its owner.
func openToOthers(path string) error {
	info, err := os.Stat(path)
	// Windows keeps rights elsewhere than in the mode.
	if err != nil || info.Mode().Perm()&0o077 == 0 || runtime.GOOS == "windows" {
		return err
	}
	return fmt.Errorf("the private key is open to others (mode %04o); only its owner may read it: chmod 600", info.Mode().Perm())
}

// ByCertificate gives the identity that a certificate proves, and until when. shown is
// the caller's, with those that lead to one who is believed. What was true at the
// handshake is asked again: a certificate ends, and so may the belief in who signed
// it, while a connection stays.
func (t *Trust) ByCertificate(shown []*x509.Certificate, now time.Time) (*deployment.Identity, error) {
	if len(shown) == 0 || t.callers == nil {
		return nil, Refused("no certificate is taken here")
	}
	return t.seen.ask(sha256.Sum256(shown[0].Raw), now, func() (proof, error) { return t.proveCertificate(shown, now) })
}

func (t *Trust) proveCertificate(shown []*x509.Certificate, now time.Time) (proof, error) {
	leaf := shown[0]
	between := x509.NewCertPool()
	for _, c := range shown[1:] {
		between.AddCert(c)
	}
	chains, err := leaf.Verify(x509.VerifyOptions{
		Roots: t.callers, Intermediates: between, CurrentTime: now, KeyUsages: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth},
	})
	var invalid x509.CertificateInvalidError
	switch {
	case errors.As(err, &invalid) && invalid.Reason == x509.Expired:
		return proof{}, Refused("the certificate has expired or is not valid yet")
	case err != nil:
		return proof{}, Refused("the certificate is signed by nobody who is believed here, or is not for callers")
	}
	until := leaf.NotAfter
	for _, c := range chains[0] {
		if c.NotAfter.Before(until) {
			until = c.NotAfter
		}
	}
	var found *deployment.Identity
	take := func(i *deployment.Identity) bool {
		same := found == nil || i == nil || found == i
		if i != nil {
			found = i
		}
		return same
	}
	one := take(t.bySubject[leaf.Subject.String()])
	for _, u := range leaf.URIs {
		one = take(t.byURI[u.String()]) && one
	}
	switch {
	case !one:
		return proof{}, Refused("the certificate names several identities of this server")
	case found == nil:
		return proof{}, ErrNobody
	}
	return proof{found, until}, nil
}

// proof is what was proved, and until when it holds.
type proof struct {
	who   *deployment.Identity
	until time.Time
}

// remembered keeps proofs by the hash of what was shown. Only what was proved is kept,
// so that nobody fills it with what is not.
type remembered struct {
	mu   sync.Mutex
	list map[[sha256.Size]byte]proof
}

// mostRemembered proofs are kept; then all are forgotten.
const mostRemembered = 4096

func newRemembered() *remembered { return &remembered{list: map[[sha256.Size]byte]proof{}} }

func (r *remembered) ask(shown [sha256.Size]byte, now time.Time, prove func() (proof, error)) (*deployment.Identity, error) {
	r.mu.Lock()
	p, known := r.list[shown]
	r.mu.Unlock()
	if known && !now.After(p.until) {
		return p.who, nil
	}
	p, err := prove()
	if err != nil {
		return nil, err
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if len(r.list) >= mostRemembered {
		clear(r.list)
	}
	r.list[shown] = p
	return p.who, nil
}
