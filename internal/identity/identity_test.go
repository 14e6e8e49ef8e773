package identity

import (
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/elliptic"
	"crypto/hmac"
	"crypto/rand"
	"crypto/rsa"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/base64"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	jose "github.com/go-jose/go-jose/v4"
	"github.com/go-jose/go-jose/v4/jwt"
	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"trigone/internal/deployment"
	"trigone/internal/trial"
)

var now = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

const fileOfTwo = `
listen: {grpc: "127.0.0.1:0"}
tls: {certificate: server.pem, key: server.key, client_authority: clients.pem}
tokens: {issuer: urn:example:sign-in, audience: trigone, keys: keys.json, skew_seconds: 30, longest_hours: 12}
sites: {harbour: {policy: policy.yaml}}
identities:
  quay:
    certificate_subjects: ["CN=quay,O=Harbour"]
    certificate_uris: [urn:example:quay]
    token_subjects: [quay-7]
    rights: {harbour: {roles: [planner]}}
  mole:
    certificate_subjects: ["CN=mole,O=Harbour"]
    certificate_uris: [urn:example:mole]
    token_subjects: [mole-9]
    rights: {harbour: {roles: [reader]}}
store: {file: trigone.db}
`

// folder is a deployment on disk, with those who sign for it.
type folder struct {
	*testing.T
	dir       string
	authority *trial.Authority
	signers   map[string]trial.Signer
}

func newFolder(t *testing.T) folder {
	t.Helper()
	f := folder{t, t.TempDir(), nil, map[string]trial.Signer{}}
	var err error
	f.authority, err = trial.NewAuthority("authority", now.Add(-time.Hour), now.Add(1000*time.Hour))
	f.ok(err)
	certificate, key, err := f.authority.Issue(trial.Issued{Subject: pkix.Name{CommonName: "server"}, Hosts: []string{"localhost"}, Server: true, From: now.Add(-time.Hour), Until: now.Add(1000 * time.Hour)})
	f.ok(err)
	f.write("server.pem", certificate)
	f.write("server.key", key)
	f.write("clients.pem", f.authority.PEM())
	f.write("deployment.yaml", []byte(fileOfTwo))
	p256, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	f.ok(err)
	p384, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	f.ok(err)
	_, ed, err := ed25519.GenerateKey(rand.Reader)
	f.ok(err)
	r, err := rsa.GenerateKey(rand.Reader, 2048)
	f.ok(err)
	f.signers["ES256"] = trial.Signer{ID: "p256", Way: jose.ES256, Key: p256}
	f.signers["ES384"] = trial.Signer{ID: "p384", Way: jose.ES384, Key: p384}
	f.signers["EdDSA"] = trial.Signer{ID: "ed", Way: jose.EdDSA, Key: ed}
	f.signers["RS256"] = trial.Signer{ID: "rsa", Way: jose.RS256, Key: r}
	set, err := trial.Set(f.signers["ES256"], f.signers["ES384"], f.signers["EdDSA"], f.signers["RS256"])
	f.ok(err)
	f.write("keys.json", set)
	return f
}

func (f folder) ok(err error) {
	f.Helper()
	if err != nil {
		f.Fatal(err)
	}
}

func (f folder) path(name string) string { return filepath.Join(f.dir, name) }

func (f folder) write(name string, content []byte) {
	f.Helper()
	f.ok(os.WriteFile(f.path(name), content, 0o600))
}

func (f folder) open() (*Trust, error) {
	d, err := deployment.Load(f.path("deployment.yaml"))
	if err != nil {
		return nil, err
	}
	return Open(d)
}

func (f folder) trust() *Trust {
	f.Helper()
	t, err := f.open()
	f.ok(err)
	return t
}

func claims(change func(*jwt.Claims)) jwt.Claims {
	c := jwt.Claims{
		Issuer: "urn:example:sign-in", Audience: jwt.Audience{"other", "trigone"}, Subject: "quay-7",
		Expiry: jwt.NewNumericDate(now.Add(time.Hour)), IssuedAt: jwt.NewNumericDate(now.Add(-time.Minute)),
	}
	if change != nil {
		change(&c)
	}
	return c
}

func (f folder) token(way string, change func(*jwt.Claims)) string {
	f.Helper()
	token, err := f.signers[way].Token(claims(change))
	f.ok(err)
	return token
}

func at(t time.Time) *jwt.NumericDate { return jwt.NewNumericDate(t) }

func TestTokensThatAreBelieved(t *testing.T) {
	f := newFolder(t)
	trust := f.trust()
	for way := range f.signers {
		if who, err := trust.ByToken(f.token(way, nil), now); err != nil || who.Name != "quay" {
			t.Errorf("%s: %v, %v", way, who, err)
		}
	}
	for why, change := range map[string]func(*jwt.Claims){
		"expired within the skew":   func(c *jwt.Claims) { c.Expiry = at(now.Add(-20 * time.Second)) },
		"valid within the skew":     func(c *jwt.Claims) { c.NotBefore = at(now.Add(20 * time.Second)) },
		"for one audience":          func(c *jwt.Claims) { c.Audience = jwt.Audience{"trigone"} },
		"no time of issue":          func(c *jwt.Claims) { c.IssuedAt = nil },
		"as long as it may be":      func(c *jwt.Claims) { c.Expiry = at(now.Add(12 * time.Hour)) },
		"by another person's token": func(c *jwt.Claims) { c.Subject = "mole-9" },
	} {
		if _, err := trust.ByToken(f.token("ES256", change), now); err != nil {
			t.Errorf("%s: %v", why, err)
		}
	}
}

// part changes the header or the claims of a token after it was signed.
func part(token string, number int, change func(map[string]any)) string {
	parts := strings.Split(token, ".")
	raw, err := base64.RawURLEncoding.DecodeString(parts[number])
	if err != nil {
		panic(err)
	}
	var m map[string]any
	if err := json.Unmarshal(raw, &m); err != nil {
		panic(err)
	}
	change(m)
	raw, err = json.Marshal(m)
	if err != nil {
		panic(err)
	}
	parts[number] = base64.RawURLEncoding.EncodeToString(raw)
	return strings.Join(parts, ".")
}

func TestTokensThatAreRefused(t *testing.T) {
	f := newFolder(t)
	trust := f.trust()
	good := f.token("ES256", nil)
	header := func(change func(map[string]any)) string { return part(good, 0, change) }
	// A public key is known to all: whoever signs with it as a secret is not believed.
	withPublicKeyAsSecret := func(secret []byte) string {
		unsigned, _, _ := strings.Cut(part(f.token("RS256", nil), 0, func(h map[string]any) { h["alg"] = "HS256" }), ".")
		body := unsigned + "." + strings.Split(good, ".")[1]
		mac := hmac.New(sha256.New, secret)
		mac.Write([]byte(body))
		return body + "." + base64.RawURLEncoding.EncodeToString(mac.Sum(nil))
	}
	der, err := x509.MarshalPKIXPublicKey(f.signers["RS256"].Key.Public())
	f.ok(err)
	stranger, err := trial.NewSigner("p256")
	f.ok(err)
	ofStranger, err := stranger.Token(claims(nil))
	f.ok(err)
	unknown, err := trial.NewSigner("own")
	f.ok(err)
	own, err := unknown.Token(claims(nil))
	f.ok(err)
	carried := jose.JSONWebKey{Key: unknown.Key.Public(), KeyID: "own"}
	raw, err := carried.MarshalJSON()
	f.ok(err)
	var jwk any
	f.ok(json.Unmarshal(raw, &jwk))
	other := trial.Signer{ID: "rsa", Way: jose.PS256, Key: f.signers["RS256"].Key}
	pss, err := other.Token(claims(nil))
	f.ok(err)
	tests := []struct{ why, token, says string }{
		{"unsigned", strings.Join(strings.Split(header(func(h map[string]any) { h["alg"] = "none" }), ".")[:2], ".") + ".", "not taken"},
		{"alg none with a signature", header(func(h map[string]any) { h["alg"] = "none" }), "not taken"},
		{"alg None", header(func(h map[string]any) { h["alg"] = "None" }), "not taken"},
		{"a public key as a secret, PEM", withPublicKeyAsSecret(pem.EncodeToMemory(&pem.Block{Type: "PUBLIC KEY", Bytes: der})), "not taken"},
		{"a public key as a secret, DER", withPublicKeyAsSecret(der), "not taken"},
		{"a way that its key is not for", pss, "not taken"},
		{"another way of the same kind", header(func(h map[string]any) { h["alg"] = "ES384" }), "another way than its key"},
		{"the key of another kind", header(func(h map[string]any) { h["kid"] = "rsa" }), "another way than its key"},
		{"no key named", header(func(h map[string]any) { delete(h, "kid") }), "no key"},
		{"a key that nobody knows", own, "not believed"},
		{"a key that it carries itself", part(own, 0, func(h map[string]any) { h["jwk"] = jwk }), "not believed"},
		{"what must be understood and is not", header(func(h map[string]any) { h["crit"] = []string{"exp"} }), ""},
		{"signed by a stranger under a known name", ofStranger, "signature"},
		{"claims changed", part(good, 1, func(c map[string]any) { c["sub"] = "mole-9" }), "signature"},
		{"cut off", good[:len(good)-4], ""},
		{"no token", "Bearer", "no JWT"},
		{"nothing", "", "no JWT"},
		{"a megabyte", good + strings.Repeat("a", 1<<20), "too long"},
		{"another issuer", f.token("ES256", func(c *jwt.Claims) { c.Issuer = "urn:example:elsewhere" }), "another issuer"},
		{"no issuer", f.token("ES256", func(c *jwt.Claims) { c.Issuer = "" }), "another issuer"},
		{"another audience", f.token("ES256", func(c *jwt.Claims) { c.Audience = jwt.Audience{"elsewhere"} }), "another audience"},
		{"no audience", f.token("ES256", func(c *jwt.Claims) { c.Audience = nil }), "another audience"},
		{"expired", f.token("ES256", func(c *jwt.Claims) { c.Expiry = at(now.Add(-31 * time.Second)) }), "expired"},
		{"without an end", f.token("ES256", func(c *jwt.Claims) { c.Expiry = nil }), "when it expires"},
		{"longer than it may", f.token("ES256", func(c *jwt.Claims) { c.Expiry = at(now.Add(13 * time.Hour)) }), "later than"},
		{"not yet", f.token("ES256", func(c *jwt.Claims) { c.NotBefore = at(now.Add(time.Minute)) }), "not valid yet"},
		{"issued tomorrow", f.token("ES256", func(c *jwt.Claims) { c.IssuedAt = at(now.Add(24 * time.Hour)) }), "not valid yet"},
		{"nobody's", f.token("ES256", func(c *jwt.Claims) { c.Subject = "stranger" }), "no identity"},
		{"without a subject", f.token("ES256", func(c *jwt.Claims) { c.Subject = "" }), "no identity"},
		{"the name of an identity", f.token("ES256", func(c *jwt.Claims) { c.Subject = "quay" }), "no identity"},
	}
	for _, tt := range tests {
		who, err := trust.ByToken(tt.token, now)
		var refused Refused
		if who != nil || !errors.As(err, &refused) || !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%s: %v, %v; want %q", tt.why, who, err, tt.says)
		}
		if len(tt.token) > 20 && err != nil && strings.Contains(err.Error(), tt.token[:20]) {
			t.Errorf("%s: the reason tells the token", tt.why)
		}
	}
}

// What was proved once is not believed for longer than it is valid.
func TestProofsEnd(t *testing.T) {
	f := newFolder(t)
	trust := f.trust()
	token := f.token("ES256", nil)
	for _, when := range []struct {
		time time.Time
		ok   bool
	}{{now, true}, {now.Add(time.Hour), true}, {now.Add(time.Hour + 31*time.Second), false}} {
		if _, err := trust.ByToken(token, when.time); (err == nil) != when.ok {
			t.Errorf("token at %v: %v", when.time, err)
		}
	}
	shown := f.certificate(trial.Issued{Subject: quay, From: now.Add(-time.Hour), Until: now.Add(time.Hour)})
	for _, when := range []struct {
		time time.Time
		ok   bool
	}{{now, true}, {now.Add(time.Hour + time.Second), false}} {
		if _, err := trust.ByCertificate(shown, when.time); (err == nil) != when.ok {
			t.Errorf("certificate at %v: %v", when.time, err)
		}
	}
}

var quay = pkix.Name{CommonName: "quay", Organization: []string{"Harbour"}}

func (f folder) certificate(i trial.Issued) []*x509.Certificate {
	f.Helper()
	return f.certificateBy(f.authority, i)
}

func (f folder) certificateBy(a *trial.Authority, i trial.Issued) []*x509.Certificate {
	f.Helper()
	if i.Until.IsZero() {
		i.From, i.Until = now.Add(-time.Hour), now.Add(time.Hour)
	}
	pair, err := a.Pair(i)
	f.ok(err)
	c, err := x509.ParseCertificate(pair.Certificate[0])
	f.ok(err)
	return []*x509.Certificate{c}
}

func TestCertificates(t *testing.T) {
	f := newFolder(t)
	trust := f.trust()
	elsewhere, err := trial.NewAuthority("authority", now.Add(-time.Hour), now.Add(1000*time.Hour))
	f.ok(err)
	tests := []struct {
		why   string
		shown []*x509.Certificate
		who   string
		says  string
	}{
		{"by its subject", f.certificate(trial.Issued{Subject: quay}), "quay", ""},
		{"by its URI", f.certificate(trial.Issued{Subject: pkix.Name{CommonName: "any"}, URIs: []string{"urn:example:quay"}}), "quay", ""},
		{"by both", f.certificate(trial.Issued{Subject: quay, URIs: []string{"urn:example:quay"}}), "quay", ""},
		{"by one of its URIs", f.certificate(trial.Issued{URIs: []string{"urn:example:x", "urn:example:mole"}}), "mole", ""},
		{"two identities in one", f.certificate(trial.Issued{Subject: quay, URIs: []string{"urn:example:mole"}}), "", "several"},
		{"two identities in two URIs", f.certificate(trial.Issued{URIs: []string{"urn:example:quay", "urn:example:mole"}}), "", "several"},
		{"nobody's", f.certificate(trial.Issued{Subject: pkix.Name{CommonName: "quay"}}), "", "no identity"},
		{"the same name elsewhere", f.certificate(trial.Issued{Subject: pkix.Name{CommonName: "quay", Organization: []string{"Bay"}}}), "", "no identity"},
		{"a name of a host", f.certificate(trial.Issued{Subject: pkix.Name{CommonName: "x"}, Hosts: []string{"quay"}}), "", "no identity"},
		{"another authority of the same name", f.certificateBy(elsewhere, trial.Issued{Subject: quay}), "", "nobody who is believed"},
		{"a server's", f.certificate(trial.Issued{Subject: quay, Server: true}), "", "not for callers"},
		{"expired", f.certificate(trial.Issued{Subject: quay, From: now.Add(-2 * time.Hour), Until: now.Add(-time.Hour)}), "", "expired"},
		{"not yet", f.certificate(trial.Issued{Subject: quay, From: now.Add(time.Hour), Until: now.Add(2 * time.Hour)}), "", "expired or is not valid yet"},
		{"none", nil, "", "no certificate"},
	}
	for _, tt := range tests {
		who, err := trust.ByCertificate(tt.shown, now)
		if name := nameOf(who); name != tt.who || (err == nil) != (tt.says == "") || err != nil && !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%s: %q, %v; want %q, %q", tt.why, name, err, tt.who, tt.says)
		}
	}
}

func nameOf(i *deployment.Identity) string {
	if i == nil {
		return ""
	}
	return i.Name
}

// Files that cannot be believed are told with line and column, and never served by.
func TestFilesThatAreRefused(t *testing.T) {
	secret := []byte(`{"keys":[{"kty":"oct","kid":"s","k":"c2VjcmV0c2VjcmV0c2VjcmV0"}]}`)
	tests := []struct {
		why    string
		change func(folder)
		says   string
	}{
		{"no certificate", func(f folder) { f.ok(os.Remove(f.path("server.pem"))) }, "deployment.yaml:3:20: the certificate cannot be read"},
		{"a key of another certificate", func(f folder) {
			_, key, err := f.authority.Issue(trial.Issued{})
			f.ok(err)
			f.write("server.key", key)
		}, "do not belong together"},
		{"a key that others may read", func(f folder) { f.ok(os.Chmod(f.path("server.key"), 0o644)) }, "deployment.yaml:3:37: the private key is open to others"},
		{"no certificate of who signs", func(f folder) { f.write("clients.pem", []byte("nothing")) }, "holds no certificate"},
		{"no keys", func(f folder) { f.write("keys.json", []byte(`{"keys":[]}`)) }, "no JSON Web Key Set with at least one key"},
		{"no key set", func(f folder) { f.write("keys.json", []byte("nothing")) }, "no JSON Web Key Set"},
		{"a secret", func(f folder) { f.write("keys.json", secret) }, "secret or private"},
		{"a private key", func(f folder) {
			raw, err := jose.JSONWebKey{Key: f.signers["ES256"].Key, KeyID: "p"}.MarshalJSON()
			f.ok(err)
			f.write("keys.json", fmt.Appendf(nil, `{"keys":[%s]}`, raw))
		}, "secret or private"},
		{"a key without a name", func(f folder) {
			raw, err := jose.JSONWebKey{Key: f.signers["ES256"].Key.Public()}.MarshalJSON()
			f.ok(err)
			f.write("keys.json", fmt.Appendf(nil, `{"keys":[%s]}`, raw))
		}, "no kid"},
		{"one name for two keys", func(f folder) {
			set, err := trial.Set(f.signers["ES256"], trial.Signer{ID: "p256", Way: jose.EdDSA, Key: f.signers["EdDSA"].Key})
			f.ok(err)
			f.write("keys.json", set)
		}, "given twice"},
		{"a short key", func(f folder) {
			// 1024 bits: crypto/rsa makes none of that length any more.
			f.write("keys.json", []byte(`{"keys":[{"kty":"RSA","kid":"short","e":"AQAB","n":"`+strings.Repeat("w", 171)+`"}]}`))
		}, "too short"},
		{"a key named for another way", func(f folder) {
			set, err := trial.Set(trial.Signer{ID: "p256", Way: jose.ES384, Key: f.signers["ES256"].Key})
			f.ok(err)
			f.write("keys.json", set)
		}, "does not do"},
		{"a key for encryption", func(f folder) {
			raw, err := jose.JSONWebKey{Key: f.signers["ES256"].Key.Public(), KeyID: "p", Use: "enc"}.MarshalJSON()
			f.ok(err)
			f.write("keys.json", fmt.Appendf(nil, `{"keys":[%s]}`, raw))
		}, "not for signatures"},
		{"two megabytes", func(f folder) { f.write("keys.json", make([]byte, 2<<20)) }, "more than"},
	}
	for _, tt := range tests {
		f := newFolder(t)
		tt.change(f)
		if _, err := f.open(); err == nil || !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%s: %v; want %q", tt.why, err, tt.says)
		}
	}
}

func TestKeysOfOneFileEach(t *testing.T) {
	f := newFolder(t)
	der, err := x509.MarshalPKIXPublicKey(f.signers["EdDSA"].Key.Public())
	f.ok(err)
	f.write("ed.pem", pem.EncodeToMemory(&pem.Block{Type: "PUBLIC KEY", Bytes: der}))
	f.write("deployment.yaml", []byte(strings.Replace(fileOfTwo, "keys: keys.json", "public_keys: {ed: ed.pem}", 1)))
	trust := f.trust()
	if who, err := trust.ByToken(f.token("EdDSA", nil), now); err != nil || who.Name != "quay" {
		t.Errorf("%v, %v", who, err)
	}
	if _, err := trust.ByToken(f.token("ES256", nil), now); err == nil {
		t.Error("a key that is not named any more is believed")
	}
	f.write("ed.pem", []byte("nothing"))
	if _, err := f.open(); err == nil || !strings.Contains(err.Error(), "no PUBLIC KEY") {
		t.Error(err)
	}
}

// What is renewed is believed from then on, what is taken away no longer; a state with
// faults is not taken up.
func TestKeeperFollows(t *testing.T) {
	f := newFolder(t)
	core, logs := observer.New(zap.InfoLevel)
	k, err := Keep(f.path("deployment.yaml"), zap.New(core))
	f.ok(err)
	before := k.Trust()
	if k.Look(nil); k.Trust() != before || logs.Len() > 0 {
		t.Error("nothing changed, and it was read anew")
	}
	token, shown := f.token("ES256", nil), f.certificate(trial.Issued{Subject: quay})
	believed := func() (token0, certificate bool) {
		_, a := k.Trust().ByToken(token, now)
		_, b := k.Trust().ByCertificate(shown, now)
		return a == nil, b == nil
	}
	for _, step := range []struct {
		why                string
		change             func()
		token, certificate bool
		taken              bool
	}{
		{"the key of tokens is renewed", func() {
			s, err := trial.NewSigner("new")
			f.ok(err)
			set, err := trial.Set(s)
			f.ok(err)
			f.write("keys.json", set)
		}, false, true, true},
		{"a fault", func() { f.write("keys.json", []byte("nothing")) }, false, true, false},
		{"the old key comes back", func() {
			set, err := trial.Set(f.signers["ES256"])
			f.ok(err)
			f.write("keys.json", set)
		}, true, true, true},
		{"the authority is another", func() {
			a, err := trial.NewAuthority("next", now.Add(-time.Hour), now.Add(time.Hour))
			f.ok(err)
			f.write("clients.pem", a.PEM())
		}, true, false, true},
		{"the certificate alone, its key still to come", func() {
			certificate, key, err := f.authority.Issue(trial.Issued{Server: true, From: now, Until: now.Add(time.Hour)})
			f.ok(err)
			f.write("server.pem", certificate)
			f.write("next.key", key)
		}, true, false, false},
		{"the key too", func() { f.ok(os.Rename(f.path("next.key"), f.path("server.key"))) }, true, false, true},
		{"a person is taken out", func() {
			f.write("deployment.yaml", []byte(strings.Replace(fileOfTwo, "quay-7", "quay-8", 1)))
		}, false, false, true},
		{"no deployment", func() { f.write("deployment.yaml", []byte("nothing")) }, false, false, false},
	} {
		step.change()
		was, told := k.Trust(), false
		k.Look(func(_, _ *deployment.Deployment) { told = true })
		k.Look(func(_, _ *deployment.Deployment) { t.Errorf("%s: taken up twice", step.why) })
		if taken := k.Trust() != was; taken != step.taken || told != step.taken {
			t.Errorf("%s: taken up %v, told %v, want %v; %v", step.why, taken, told, step.taken, logs.All())
		}
		if a, b := believed(); a != step.token || b != step.certificate {
			t.Errorf("%s: token %v, certificate %v; want %v, %v", step.why, a, b, step.token, step.certificate)
		}
	}
	if n := logs.FilterMessageSnippet("NOT TAKEN UP").Len(); n != 3 {
		t.Errorf("%d faults are told, want 3, each once", n)
	}
}

func TestFollowEndsWithClose(t *testing.T) {
	f := newFolder(t)
	k, err := Keep(f.path("deployment.yaml"), zap.NewNop())
	f.ok(err)
	k.Follow(nil)
	k.Close()
	(*Keeper)(nil).Close()
}

// Where callers sign in by certificate alone, one without does not get past the
// handshake; beside tokens it need not show one.
func TestWhetherACertificateMustBeShown(t *testing.T) {
	f := newFolder(t)
	for text, want := range map[string]tls.ClientAuthType{
		fileOfTwo: tls.VerifyClientCertIfGiven,
		regexp.MustCompile(`(?m)^(tokens:.*|    token_subjects:.*)\n`).ReplaceAllString(fileOfTwo, ""):                                             tls.RequireAndVerifyClientCert,
		strings.Replace(regexp.MustCompile(`(?m)^    certificate_.*\n`).ReplaceAllString(fileOfTwo, ""), ", client_authority: clients.pem", "", 1): tls.NoClientCert,
	} {
		f.write("deployment.yaml", []byte(text))
		k, err := Keep(f.path("deployment.yaml"), zap.NewNop())
		f.ok(err)
		c, err := k.TLS("h2").GetConfigForClient(nil)
		f.ok(err)
		if c.ClientAuth != want || c.MinVersion != tls.VersionTLS13 || !c.SessionTicketsDisabled {
			t.Errorf("%v, want %v; %s", c.ClientAuth, want, text)
		}
	}
}
