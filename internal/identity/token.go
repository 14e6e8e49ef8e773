package identity

import (
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/elliptic"
	"crypto/rsa"
	"crypto/sha256"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"slices"
	"time"

	jose "github.com/go-jose/go-jose/v4"
	"github.com/go-jose/go-jose/v4/jwt"

	"trigone/internal/deployment"
)

const (
	// mostToken bounds a token: what is longer is not even read.
	mostToken = 8 << 10
	// mostKeys bounds how many keys a file holds.
	mostKeys = 100
	// leastRSABits of a key (NIST SP 800-57 part 1: 2048 bits are 112 bits of strength).
	leastRSABits = 2048
)

// taken are the ways of signing that are taken. None of them works with a secret, so
// that a public key can never be taken for one, and none leaves the signature out.
var taken = []jose.SignatureAlgorithm{
	jose.RS256, jose.RS384, jose.RS512, jose.ES256, jose.ES384, jose.ES512, jose.EdDSA,
}

// key is a public key with the ways of signing that belong to it: a token does not
// choose another.
type key struct {
	public any
	ways   []jose.SignatureAlgorithm
}

func newKey(public any) (key, error) {
	switch k := public.(type) {
	case *rsa.PublicKey:
		if bits := k.N.BitLen(); bits < leastRSABits {
			return key{}, fmt.Errorf("an RSA key of %d bits is too short; %d at least", bits, leastRSABits)
		}
		return key{k, []jose.SignatureAlgorithm{jose.RS256, jose.RS384, jose.RS512}}, nil
	case *ecdsa.PublicKey:
		switch k.Curve {
		case elliptic.P256():
			return key{k, []jose.SignatureAlgorithm{jose.ES256}}, nil
		case elliptic.P384():
			return key{k, []jose.SignatureAlgorithm{jose.ES384}}, nil
		case elliptic.P521():
			return key{k, []jose.SignatureAlgorithm{jose.ES512}}, nil
		}
	case ed25519.PublicKey:
		return key{k, []jose.SignatureAlgorithm{jose.EdDSA}}, nil
	}
	return key{}, errors.New("is no public key of RSA, ECDSA (P-256, P-384, P-521) or Ed25519")
}

func (t *Trust) openKeys(files map[string]file) error {
	d := t.Deployment
	if d.Tokens == nil {
		return nil
	}
	var faults []error
	add := func(at *string, id string, public any) {
		k, err := newKey(public)
		switch _, twice := t.keys[id]; {
		case err != nil:
			faults = append(faults, d.Fault(at, "key %q: %v", id, err))
		case twice:
			faults = append(faults, d.Fault(at, "key %q is given twice; a token could mean either", id))
		default:
			t.keys[id] = k
		}
	}
	if path := d.Tokens.Keys; path != "" {
		at := &d.Tokens.Keys
		var set jose.JSONWebKeySet
		switch f := files[path]; {
		case f.err != nil:
			faults = append(faults, d.Fault(at, "the keys of tokens cannot be read: %v", f.err))
		case json.Unmarshal(f.content, &set) != nil || len(set.Keys) == 0:
			faults = append(faults, d.Fault(at, "the file is no JSON Web Key Set with at least one key"))
		case len(set.Keys) > mostKeys:
			faults = append(faults, d.Fault(at, "the file holds %d keys, more than %d", len(set.Keys), mostKeys))
		default:
			for _, k := range set.Keys {
				switch {
				case k.KeyID == "":
					faults = append(faults, d.Fault(at, "a key has no kid, by which tokens name it"))
				case !k.IsPublic():
					faults = append(faults, d.Fault(at, "key %q is secret or private; a server that checks tokens holds public keys only: take it out, and make a new one", k.KeyID))
				case k.Use != "" && k.Use != "sig":
					faults = append(faults, d.Fault(at, "key %q is not for signatures", k.KeyID))
				default:
					before := len(faults)
					if add(at, k.KeyID, k.Key); k.Algorithm != "" && len(faults) == before {
						faults = append(faults, t.narrow(at, k.KeyID, k.Algorithm))
					}
				}
			}
		}
	}
	for i := range d.Tokens.PublicKeys {
		p := &d.Tokens.PublicKeys[i]
		f := files[p.File]
		if f.err != nil {
			faults = append(faults, d.Fault(&d.Tokens.PublicKeys, "key %q cannot be read: %v", p.ID, f.err))
			continue
		}
		block, _ := pem.Decode(f.content)
		if block == nil || block.Type != "PUBLIC KEY" {
			faults = append(faults, d.Fault(&d.Tokens.PublicKeys, "key %q is no PUBLIC KEY, PEM", p.ID))
			continue
		}
		public, err := x509.ParsePKIXPublicKey(block.Bytes)
		if err != nil {
			faults = append(faults, d.Fault(&d.Tokens.PublicKeys, "key %q cannot be read: %v", p.ID, err))
			continue
		}
		add(nil, p.ID, public)
	}
	return errors.Join(faults...)
}

// narrow keeps the one way of signing that a key set names for a key.
func (t *Trust) narrow(at *string, id, way string) error {
	k := t.keys[id]
	if !slices.Contains(k.ways, jose.SignatureAlgorithm(way)) {
		return t.Deployment.Fault(at, "key %q is named for %.20q, which such a key does not do or this server does not take", id, way)
	}
	t.keys[id] = key{k.public, []jose.SignatureAlgorithm{jose.SignatureAlgorithm(way)}}
	return nil
}

// ByToken gives the identity that a bearer token proves.
func (t *Trust) ByToken(shown string, now time.Time) (*deployment.Identity, error) {
	if t.Deployment.Tokens == nil {
		return nil, Refused("no token is taken here")
	}
	if len(shown) > mostToken {
		return nil, Refused("the token is too long")
	}
	return t.seen.ask(sha256.Sum256([]byte(shown)), now, func() (proof, error) { return t.proveToken(shown, now) })
}

func (t *Trust) proveToken(shown string, now time.Time) (proof, error) {
	rules := t.Deployment.Tokens
	token, err := jwt.ParseSigned(shown, taken)
	if err != nil || len(token.Headers) != 1 {
		return proof{}, Refused("the token is no JWT, or is signed in a way that is not taken")
	}
	header := token.Headers[0]
	if header.KeyID == "" {
		return proof{}, Refused("the token names no key (kid)")
	}
	k, known := t.keys[header.KeyID]
	if !known {
		return proof{}, Refused("the token is signed by a key that is not believed here")
	}
	if !slices.Contains(k.ways, jose.SignatureAlgorithm(header.Algorithm)) {
		return proof{}, Refused("the token is signed in another way than its key is for")
	}
	var claims jwt.Claims
	if err := token.Claims(k.public, &claims); err != nil {
		return proof{}, Refused("the signature of the token does not hold")
	}
	err = claims.ValidateWithLeeway(jwt.Expected{Issuer: rules.Issuer, AnyAudience: jwt.Audience{rules.Audience}, Time: now}, rules.Skew)
	switch {
	case errors.Is(err, jwt.ErrInvalidIssuer):
		return proof{}, Refused("the token is of another issuer")
	case errors.Is(err, jwt.ErrInvalidAudience):
		return proof{}, Refused("the token is for another audience")
	case errors.Is(err, jwt.ErrExpired):
		return proof{}, Refused("the token has expired")
	case err != nil:
		return proof{}, Refused("the token is not valid yet")
	case claims.Expiry == nil:
		return proof{}, Refused("the token does not say when it expires")
	case claims.Expiry.Time().After(now.Add(rules.Longest + rules.Skew)):
		return proof{}, Refused("the token expires later than a token may here")
	}
	who := t.byToken[claims.Subject]
	if claims.Subject == "" || who == nil {
		return proof{}, Refused("the token names no identity of this server")
	}
	return proof{who, claims.Expiry.Time().Add(rules.Skew)}, nil
}
