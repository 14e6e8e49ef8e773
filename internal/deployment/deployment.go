// Package deployment reads the deployment file: where the server listens, who may
// ask what, which sites it keeps and in which store. It is strict YAML, apart from
// the clinical policy, and nothing of it is ever served. What stands in other files,
// such as keys, is named here and read elsewhere.
package deployment

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"trigone/internal/strictyaml"
)

// Deployment is one deployment file. Paths in it are resolved against its folder.
type Deployment struct {
	Listen       Listen
	TLS          *TLS    // nil: none, and only loopback is served
	Tokens       *Tokens // nil: none are taken
	Sites        []*Site
	Identities   []*Identity
	Store        Store
	AccessRecord AccessRecord
	Retention    Retention
	// Limits are those of each identity that has none of its own.
	Limits Limits
	// Reflection tells any caller who is signed in what the contract is, outside
	// loopback too.
	Reflection bool
	// Hash is that of the file's text.
	Hash [sha256.Size]byte

	read *reading
}

// Listen says where the server listens, each host:port.
type Listen struct {
	GRPC string
	HTTP string // empty: FHIR over HTTP is not served
	// HTTPBaseURL is the address that FHIR resources are named by; empty: that which
	// is served.
	HTTPBaseURL string
	// Operations is where health and metrics are served over HTTP, on loopback only;
	// empty: they are not.
	Operations string
}

// AccessRecord says how the access record is kept.
type AccessRecord struct {
	// Key is a file of the key that signs it; empty: it is not signed, and reads go on
	// while it cannot be written.
	Key string
}

// Retention says for how long is kept what is not kept for good, in whole days; 0: for
// good.
type Retention struct {
	// Quarantine is of bodies of quarantined submits that were decided on, Requests of
	// rows of earlier requests, Accesses of lines of the access record.
	Quarantine, Requests, Accesses time.Duration
}

// TLS names the files of the server's certificate.
type TLS struct {
	Certificate, Key string
	// ClientAuthority holds the certificates of those who sign callers' certificates;
	// empty: callers show none.
	ClientAuthority string
	// AllowTLS12 takes TLS 1.2 beside 1.3.
	AllowTLS12 bool
}

// Tokens says which bearer tokens (JWT, RFC 7519) are taken.
type Tokens struct {
	Issuer, Audience string
	// Keys is a file of public keys, a JSON Web Key Set (RFC 7517).
	Keys string
	// PublicKeys are files of one public key each, PEM, by key id.
	PublicKeys []PublicKey
	// Skew is how far clocks may differ.
	Skew time.Duration
	// Longest is how far ahead a token may expire at most.
	Longest time.Duration
}

// PublicKey is a key of tokens.
type PublicKey struct{ ID, File string }

// Site is one hospital or department with its record.
type Site struct {
	Name   string
	Policy string // its clinical policy
	// DeIdentificationKey is a file of at least 32 random bytes; empty: no
	// de-identified bundles are made.
	DeIdentificationKey string
	// OperatorsInExports is the site's consent that exports of many cases say who
	// operated.
	OperatorsInExports bool
}

// Identity is one person or machine that may ask. Its name is what the record keeps of
// who wrote, and stays when certificates and tokens are renewed.
type Identity struct {
	Name string
	// CertificateSubjects are distinguished names as RFC 2253 writes them,
	// CertificateURIs alternative names, TokenSubjects values of the claim sub.
	CertificateSubjects, CertificateURIs, TokenSubjects []string
	Rights                                              []*SiteRights
	Limits                                              Limits
}

// SiteRights is what an identity may do at one site.
type SiteRights struct {
	Site  string
	Roles []Role
	// Operators are the pseudonyms under which this person operates there.
	Operators []string
}

// Role is what somebody does with the record.
type Role string

// The roles.
const (
	Planner       Role = "planner"       // plans, asks while operating, signs
	Recorder      Role = "recorder"      // records what was found and done
	Reader        Role = "reader"        // reads cases and hands them over
	Reviewer      Role = "reviewer"      // decides what is doubtful, retracts, amends
	Auditor       Role = "auditor"       // reads across cases and operators
	Administrator Role = "administrator" // keeps the record, reads none of it
)

// Roles gives all of them.
func Roles() []Role { return []Role{Planner, Recorder, Reader, Reviewer, Auditor, Administrator} }

// Store is where the record lies.
type Store struct {
	File      string
	MustExist bool // refuses to begin a new record
}

// Limits bound what one identity may take of the server.
type Limits struct {
	RequestsPerSecond float64
	Burst             int // requests that may come at once
	ConcurrentCalls   int // calls that run at the same time
	HeavyCalls        int // of them explorations, exports, bundles, notes and searches
}

// Load reads a deployment from its file.
func Load(path string) (*Deployment, error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("read the deployment file: %w", err)
	}
	text, err := io.ReadAll(io.LimitReader(file, strictyaml.MostBytes+1))
	if err = errors.Join(err, file.Close()); err != nil {
		return nil, fmt.Errorf("read the deployment file: %w", err)
	}
	return Parse(path, text)
}

// Parse reads a deployment from its text; path says where it came from. The error
// tells all faults at once, a sentence for each, with line and column.
func Parse(path string, text []byte) (*Deployment, error) {
	r := &reading{
		Reading: &strictyaml.Reading{Name: path, Noun: "deployment file", Needed: "listen, sites, identities and store"},
		folder:  filepath.Dir(path), at: map[any]strictyaml.Field{},
	}
	root, ok := r.Root(text)
	if !ok {
		return nil, r.Err()
	}
	d := &Deployment{read: r, Hash: sha256.Sum256(text)}
	section(d.keys()).read(r, root)
	d.check()
	if err := r.Err(); err != nil {
		return nil, err
	}
	return d, nil
}

// Fault makes the error of a value that cannot be used, with line and column; at is
// the address of the value.
func (d *Deployment) Fault(at any, format string, args ...any) error {
	r := &strictyaml.Reading{Name: d.read.Name}
	r.Fault(d.read.at[at], format, args...)
	return r.Err()
}

// Listener is one port that the server opens.
type Listener struct {
	Name    string
	Address *string
}

// Listeners gives all of them, those too that are not asked for.
func (d *Deployment) Listeners() []Listener {
	return []Listener{{"listen.grpc", &d.Listen.GRPC}, {"listen.http", &d.Listen.HTTP}, {"listen.operations", &d.Listen.Operations}}
}

// Site gives a site by its name; nil: there is none.
func (d *Deployment) Site(name string) *Site {
	for _, s := range d.Sites {
		if s.Name == name {
			return s
		}
	}
	return nil
}
