package deployment

import (
	"encoding/json"
	"fmt"
	"net"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"trigone/internal/strictyaml"
)

// object is a piece of a JSON schema.
type object = map[string]any

// key is one key of the file. Reader and schema are made from the same keys.
type key struct {
	name   string
	needed bool
	about  string
	value  value
}

// value is how what stands under a key is read, and what the schema says of it.
type value struct {
	schema object
	read   func(*reading, strictyaml.Field)
}

type reading struct {
	*strictyaml.Reading
	folder string
	at     map[any]strictyaml.Field // where a value stands, by its address
}

var (
	siteName     = regexp.MustCompile(`^[a-z0-9-]{1,32}$`) // as in a policy
	identityName = regexp.MustCompile(`^[a-z0-9][a-z0-9._-]{0,63}$`)
	keyID        = regexp.MustCompile(`^[A-Za-z0-9._-]{1,100}$`)
)

// most entries of one list.
const most = 1000

// Times that are written in days; a hundred years are as good as none.
const (
	day         = 24 * time.Hour
	longestDays = 36500
)

// keys are those of the file.
func (d *Deployment) keys() []key {
	d.Tokens, d.TLS = nil, nil
	return []key{
		{"listen", true, "where the server listens", section([]key{
			{"grpc", true, "address of the gRPC service, host:port", text(&d.Listen.GRPC, address)},
			{"http", false, "address of FHIR over HTTP and of the pages for a browser, host:port; left out: not served", text(&d.Listen.HTTP, address)},
			{"http_base_url", false, "address that FHIR resources are named by, if a proxy stands before", text(&d.Listen.HTTPBaseURL, baseURL)},
			{"operations", false, "address on loopback of health and metrics over HTTP, host:port; left out: not served", text(&d.Listen.Operations, address)},
		})},
		{"tls", false, "the server's certificate; without it only loopback is served", optional(&d.TLS, func(t *TLS) []key {
			return []key{
				{"certificate", true, "file of the server's certificate and those above it, PEM", file(&t.Certificate)},
				{"key", true, "file of its private key, PEM, readable by its owner only", file(&t.Key)},
				{"client_authority", false, "file of the certificates of those who sign callers' certificates, PEM", file(&t.ClientAuthority)},
				{"allow_tls_1_2", false, "take TLS 1.2 beside 1.3", boolean(&t.AllowTLS12)},
			}
		})},
		{"access_record", false, "how it is kept who looked", section([]key{
			{"key", true, "file of the private key of Ed25519 that signs it, PEM, readable by its owner only; with it, reads are refused while they cannot be put on record", file(&d.AccessRecord.Key)},
		})},
		{"retention", false, "for how long is kept what is not kept for good, in days; what is left out is kept. It goes when an administrator calls for it (trigone retention), never by itself", section([]key{
			{"quarantine_days", false, "bodies of quarantined submits, from when they were filed or discarded", span(&d.Retention.Quarantine, day, 1, longestDays)},
			{"request_days", false, "rows by which a request that is sent again is known", span(&d.Retention.Requests, day, 7, longestDays)},
			{"access_days", false, "lines of the access record; needs access_record.key, which signs where it was cut", span(&d.Retention.Accesses, day, 30, longestDays)},
		})},
		{"tokens", false, "which bearer tokens are taken (JWT)", optional(&d.Tokens, func(t *Tokens) []key {
			t.Skew, t.Longest = 30*time.Second, 24*time.Hour
			return []key{
				{"issuer", true, "the claim iss of every token", text(&t.Issuer, notEmpty)},
				{"audience", true, "the claim aud must hold this", text(&t.Audience, notEmpty)},
				{"keys", false, "file of public keys, a JSON Web Key Set", file(&t.Keys)},
				{"public_keys", false, "files of one public key each, PEM, by key id", each(&t.PublicKeys, keyID, "a key id", func(k *PublicKey, id string) value {
					k.ID = id
					return file(&k.File)
				})},
				{"skew_seconds", false, "how far clocks may differ", span(&t.Skew, time.Second, 0, 300)},
				{"longest_hours", false, "how far ahead a token may expire at most", span(&t.Longest, time.Hour, 1, 8760)},
			}
		})},
		{"sites", true, "the sites of this server, by the site of their policy", eachOf(&d.Sites, siteName, "a site id, 1 to 32 of a-z, 0-9 and -", func(s *Site, name string) value {
			s.Name = name
			return section([]key{
				{"policy", true, "file of the site's clinical policy", file(&s.Policy)},
				{"deidentification_key", false, "file of at least 32 random bytes; left out: no de-identified bundles", file(&s.DeIdentificationKey)},
				{"operators_in_exports", false, "the site's consent that exports of many cases say who operated", boolean(&s.OperatorsInExports)},
			})
		})},
		{"identities", true, "who may ask, by the name that the record keeps of them", eachOf(&d.Identities, identityName, "a name, 1 to 64 of a-z, 0-9, point, _ and -, beginning with a letter or digit", d.identity)},
		{"store", true, "where the record lies", section([]key{
			{"file", true, "SQLite file of the record", file(&d.Store.File)},
			{"must_exist", false, "refuse to begin a new record", boolean(&d.Store.MustExist)},
		})},
		{"limits", false, "what each identity may take of the server", limits(&d.Limits)},
		{"reflection", false, "tell callers who are signed in what the contract is, outside loopback too", boolean(&d.Reflection)},
	}
}

func (d *Deployment) identity(i *Identity, name string) value {
	i.Name = name
	return section([]key{
		{"certificate_subjects", false, "subjects of this identity's certificates, as RFC 2253 writes them", texts(&i.CertificateSubjects)},
		{"certificate_uris", false, "alternative names of this identity's certificates, URIs", texts(&i.CertificateURIs)},
		{"token_subjects", false, "claims sub of this identity's tokens", texts(&i.TokenSubjects)},
		{"rights", true, "what this identity may do, by site", eachOf(&i.Rights, siteName, "a site id", func(s *SiteRights, site string) value {
			s.Site = site
			return section([]key{
				{"roles", true, "what this identity does with the record", words(&s.Roles, Roles())},
				{"operators", false, "pseudonyms under which this person operates there", texts(&s.Operators)},
			})
		})},
		{"limits", false, "what this identity may take of the server, where it is not as others", limits(&i.Limits)},
	})
}

func limits(l *Limits) value {
	return section([]key{
		{"requests_per_second", false, "requests in the long run", number(&l.RequestsPerSecond, 0.1, 10000)},
		{"burst", false, "requests that may come at once", whole(&l.Burst, 1, 10000)},
		{"concurrent_calls", false, "calls that run at the same time", whole(&l.ConcurrentCalls, 1, 1000)},
		{"heavy_calls", false, "of them explorations, exports, bundles, notes and searches", whole(&l.HeavyCalls, 1, 100)},
	})
}

// section holds these keys and no others.
func section(keys []key) value {
	properties, names, needed := object{}, []string{}, []string{}
	for _, k := range keys {
		p := object{}
		for name, v := range k.value.schema {
			p[name] = v
		}
		p["description"] = k.about
		properties[k.name] = p
		names = append(names, k.name)
		if k.needed {
			needed = append(needed, k.name)
		}
	}
	schema := object{"type": "object", "properties": properties, "additionalProperties": false}
	if len(needed) > 0 {
		schema["required"] = needed
	}
	return value{schema, func(r *reading, f strictyaml.Field) {
		before := r.Count()
		given := r.Fields(f, names...)
		if len(given) == 0 && r.Count() > before {
			return
		}
		for _, k := range keys {
			if e, ok := given[k.name]; ok {
				k.value.read(r, e)
			} else if k.needed {
				r.missing(f, k)
			}
		}
	}}
}

func (r *reading) missing(f strictyaml.Field, k key) {
	if f.Path() == "" {
		r.FaultAt(nil, "%s is missing: %s", k.name, k.about)
		return
	}
	r.Fault(f, "%s has no %s: %s", f.Path(), k.name, k.about)
}

// optional is a section that may be left out; then into stays nil.
func optional[T any](into **T, keys func(*T) []key) value {
	return value{section(keys(new(T))).schema, func(r *reading, f strictyaml.Field) {
		*into = new(T)
		r.at[into] = f
		section(keys(*into)).read(r, f)
	}}
}

// each holds entries under names of the file's own.
func each[T any](into *[]T, name *regexp.Regexp, form string, under func(*T, string) value) value {
	var pointers []*T
	v := eachOf(&pointers, name, form, under)
	read := v.read
	v.read = func(r *reading, f strictyaml.Field) {
		pointers = nil
		read(r, f)
		for _, p := range pointers {
			*into = append(*into, *p)
		}
	}
	return v
}

func eachOf[T any](into *[]*T, name *regexp.Regexp, form string, under func(*T, string) value) value {
	schema := object{
		"type": "object", "minProperties": 1, "maxProperties": most,
		"propertyNames": object{"pattern": name.String()}, "additionalProperties": under(new(T), "").schema,
	}
	return value{schema, func(r *reading, f strictyaml.Field) {
		r.at[into] = f
		before := r.Count()
		list := r.Entries(f)
		switch {
		case r.Count() == before && len(list) == 0:
			r.Fault(f, "%s holds nothing; give at least one entry", f.Path())
		case len(list) > most:
			r.Fault(f, "%s holds %d entries, more than %d", f.Path(), len(list), most)
			return
		}
		for _, e := range list {
			if !name.MatchString(e.Name) {
				r.FaultAt(e.Key, "%s is not %s", e.Path(), form)
				continue
			}
			one := new(T)
			r.at[one] = e
			under(one, e.Name).read(r, e)
			*into = append(*into, one)
		}
	}}
}

// rule says what is wrong with a text; empty: nothing.
type rule struct {
	fault  func(string) string
	schema object
}

func text(into *string, rule rule) value {
	schema := object{"type": "string"}
	for name, v := range rule.schema {
		schema[name] = v
	}
	return value{schema, func(r *reading, f strictyaml.Field) {
		r.at[into] = f
		s, ok := r.Text(f)
		if !ok {
			return
		}
		if wrong := rule.fault(s); wrong != "" {
			r.Fault(f, "%s %s", f.Path(), wrong)
			return
		}
		*into = s
	}}
}

// longest text of the file.
const longest = 1000

var notEmpty = rule{func(s string) string {
	switch {
	case strings.TrimSpace(s) == "":
		return "is empty"
	case len(s) > longest:
		return fmt.Sprintf("is longer than %d characters", longest)
	}
	return ""
}, object{"pattern": `\S`, "maxLength": longest}}

var address = rule{func(s string) string {
	host, port, err := net.SplitHostPort(s)
	if err != nil {
		return "is no address; give host:port, such as 127.0.0.1:7430, or 0.0.0.0:7430 for every address of the machine"
	}
	if n, err := strconv.Atoi(port); err != nil || n < 0 || n > 65535 {
		return "has no port; give a number from 1 to 65535 behind the colon"
	}
	if host == "" {
		return "names no host; give an address of the machine, or 0.0.0.0 for every one"
	}
	return ""
}, object{"pattern": `^.+:[0-9]{1,5}$`}}

var baseURL = rule{func(s string) string {
	u, err := url.Parse(s)
	if err != nil || u.Host == "" || u.Scheme != "https" && u.Scheme != "http" || u.User != nil || u.RawQuery != "" || u.Fragment != "" {
		return "is no address to name resources by; give http or https, host and path, such as https://records.example.org/fhir"
	}
	return ""
}, object{"pattern": `^https?://[^?#]+$`}}

// file is the path of a file, resolved against the deployment file's folder.
func file(into *string) value {
	v := text(into, notEmpty)
	read := v.read
	v.read = func(r *reading, f strictyaml.Field) {
		if read(r, f); *into != "" {
			*into = r.resolved(*into)
		}
	}
	return v
}

func texts(into *[]string) value {
	return value{
		object{"type": "array", "items": object{"type": "string", "pattern": `\S`, "maxLength": longest}, "uniqueItems": true, "maxItems": most},
		func(r *reading, f strictyaml.Field) {
			r.at[into] = f
			for _, item := range r.Items(f) {
				s, ok := r.Text(item)
				switch {
				case !ok:
				case notEmpty.fault(s) != "":
					r.Fault(item, "%s %s", item.Path(), notEmpty.fault(s))
				case slices.Contains(*into, s):
					r.Fault(item, "%s is given a second time; give it once", item.Path())
				default:
					*into = append(*into, s)
				}
			}
		},
	}
}

// words are those of a closed list.
func words[T ~string](into *[]T, known []T) value {
	var list []string
	for _, k := range known {
		list = append(list, string(k))
	}
	return value{
		object{"type": "array", "items": object{"enum": list}, "uniqueItems": true, "minItems": 1},
		func(r *reading, f strictyaml.Field) {
			before := r.Count()
			for _, item := range r.Items(f) {
				s, ok := r.Text(item)
				switch {
				case !ok:
				case !slices.Contains(list, s):
					r.Fault(item, "%s is %s; the words are %s", item.Path(), strictyaml.Named(s), strings.Join(list, ", "))
				case slices.Contains(*into, T(s)):
					r.Fault(item, "%s is given a second time; give it once", item.Path())
				default:
					*into = append(*into, T(s))
				}
			}
			if r.Count() == before && len(*into) == 0 {
				r.Fault(f, "%s holds nothing; the words are %s", f.Path(), strings.Join(list, ", "))
			}
		},
	}
}

func boolean(into *bool) value {
	return value{object{"type": "boolean"}, func(r *reading, f strictyaml.Field) {
		r.at[into] = f
		if v, ok := r.Bool(f); ok {
			*into = v
		}
	}}
}

func number(into *float64, low, high float64) value {
	return value{object{"type": "number", "minimum": low, "maximum": high}, func(r *reading, f strictyaml.Field) {
		r.at[into] = f
		v, ok := r.Number(f)
		switch {
		case !ok:
		case !(v >= low && v <= high):
			r.Fault(f, "%s is %g; give %g to %g", f.Path(), v, low, high)
		default:
			*into = v
		}
	}}
}

func whole(into *int, low, high int) value {
	var v float64
	n := number(&v, float64(low), float64(high))
	return value{object{"type": "integer", "minimum": low, "maximum": high}, func(r *reading, f strictyaml.Field) {
		r.at[into] = f
		before := r.Count()
		n.read(r, f)
		switch {
		case r.Count() > before:
		case v != float64(int(v)):
			r.Fault(f, "%s is %g; give a whole number", f.Path(), v)
		default:
			*into = int(v)
		}
	}}
}

// span is a time in whole units.
func span(into *time.Duration, unit time.Duration, low, high int) value {
	n := -1
	w := whole(&n, low, high)
	return value{w.schema, func(r *reading, f strictyaml.Field) {
		r.at[into] = f
		if w.read(r, f); n >= 0 {
			*into = time.Duration(n) * unit
		}
	}}
}

// Schema gives the JSON schema of a deployment file, draft 2020-12; schema.json in
// this folder is its printed form. It says less than the reader: what two keys must
// say together is told by check-config.
func Schema() ([]byte, error) {
	schema := section((&Deployment{}).keys()).schema
	schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
	schema["title"] = "Deployment of a trigone server"
	schema["description"] = "Where the server listens, who may ask what, which sites it keeps and in which store. It is not the clinical policy."
	text, err := json.MarshalIndent(schema, "", "  ")
	if err != nil {
		return nil, err
	}
	return append(text, '\n'), nil
}
