package deployment

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/santhosh-tekuri/jsonschema/v6"
)

var update = flag.Bool("update", false, "rewrite the printed schema")

const wholeFile = `# two people and an engine, one site
listen:
  grpc: 0.0.0.0:7430
  http: 0.0.0.0:7431
  http_base_url: https://records.example.org:7431/fhir
tls:
  certificate: server.pem
  key: server.key
  client_authority: /etc/trigone/clients.pem
tokens:
  issuer: https://sign-in.example.org
  audience: trigone
  keys: keys.json
  skew_seconds: 10
sites:
  harbour:
    policy: harbour.yaml
    operators_in_exports: true
identities:
  dr-quay:
    certificate_subjects: ["CN=quay,O=Harbour"]
    token_subjects: [quay]
    rights:
      harbour:
        roles: [planner, auditor]
        operators: [op-3]
  engine:
    certificate_uris: [urn:example:engine]
    rights:
      harbour: {roles: [recorder]}
    limits: {requests_per_second: 200, heavy_calls: 1}
store:
  file: record/trigone.db
  must_exist: true
limits:
  concurrent_calls: 8
access_record:
  key: /etc/trigone/access.key
retention:
  quarantine_days: 90
  access_days: 3650
`

// watchedFile is that with health and metrics.
var watchedFile = strings.Replace(wholeFile, "\ntls:", "\n  operations: 127.0.0.1:7432\ntls:", 1)

func TestAWholeFile(t *testing.T) {
	d, err := Parse("/etc/trigone/deployment.yaml", []byte(wholeFile))
	if err != nil {
		t.Fatal(err)
	}
	if d.Listen.GRPC != "0.0.0.0:7430" || d.TLS.Certificate != "/etc/trigone/server.pem" || d.TLS.ClientAuthority != "/etc/trigone/clients.pem" ||
		d.Store.File != "/etc/trigone/record/trigone.db" || !d.Store.MustExist || d.Tokens.Skew != 10*time.Second || d.Tokens.Longest != 24*time.Hour {
		t.Errorf("%+v %+v %+v", d, d.TLS, d.Tokens)
	}
	if want := (Retention{Quarantine: 90 * 24 * time.Hour, Accesses: 3650 * 24 * time.Hour}); d.Retention != want {
		t.Errorf("%+v, want %+v", d.Retention, want)
	}
	if len(d.Sites) != 1 || !d.Sites[0].OperatorsInExports || d.Site("harbour") != d.Sites[0] || d.Site("bay") != nil {
		t.Errorf("sites %v", d.Sites)
	}
	quay, engine := d.Identities[0], d.Identities[1]
	if quay.Name != "dr-quay" || fmt.Sprint(quay.Rights[0].Roles, quay.Rights[0].Operators) != "[planner auditor] [op-3]" {
		t.Errorf("%+v", quay)
	}
	if want := (Limits{50, 100, 8, 2}); quay.Limits != want {
		t.Errorf("limits of one who has none of his own: %v, want %v", quay.Limits, want)
	}
	if want := (Limits{200, 100, 8, 1}); engine.Limits != want {
		t.Errorf("limits of one who has some: %v, want %v", engine.Limits, want)
	}
}

// faulty are changes of the whole file, each with what is told and where.
var faulty = []struct {
	why, old, new string
	where, says   string
}{
	{"a key nobody knows", "  grpc:", "  gprc: 1\n  grpc:", "3:3", "listen.gprc is no key here; the keys are grpc, http, http_base_url"},
	{"a key given twice", "store:\n", "store:\n  file: a.db\n", "34:3", "given a second time"},
	{"no address", "0.0.0.0:7430", "here", "3:9", "give host:port"},
	{"no port", "0.0.0.0:7430", "127.0.0.1:99999", "3:9", "has no port"},
	{"every address by saying none", "0.0.0.0:7430", `":7430"`, "3:9", "names no host"},
	{"no key of the certificate", "  key: server.key\n", "", "6:1", "tls has no key"},
	{"no store", "store:\n  file: record/trigone.db\n  must_exist: true\n", "", "", "store is missing"},
	{"no site", "harbour:\n    policy: harbour.yaml\n    operators_in_exports: true", "{}", "15:1", "sites holds nothing"},
	{"no name of a site", "  harbour:\n    policy", "  Harbour:\n    policy", "16:3", "not a site id"},
	{"rights at no site", "    rights:\n      harbour:\n", "    rights:\n      bay:\n", "24:7", "rights at bay"},
	{"a role nobody has", "[recorder]", "[recorder, surgeon]", "30:35", "is surgeon; the words are planner, recorder"},
	{"a role twice", "[recorder]", "[recorder, recorder]", "30:35", "second time"},
	{"no role", "[recorder]", "[]", "30:24", "holds nothing"},
	{"nobody can sign in as him", "    certificate_uris: [urn:example:engine]\n", "", "27:3", "identities.engine cannot sign in"},
	{"two under one subject", "    certificate_uris: [urn:example:engine]\n", "    token_subjects: [quay]\n", "28:21", "one of its token_subjects is that of dr-quay too"},
	{"two who are one operator", "{roles: [recorder]}", "{roles: [recorder], operators: [op-3]}", "30:47", "operators is that of dr-quay too"},
	{"no text", "issuer: https://sign-in.example.org", "issuer: {}", "11:3", "where a text is needed"},
	{"an empty text", "audience: trigone", `audience: " "`, "12:13", "is empty"},
	{"tokens without keys", "  keys: keys.json\n", "", "10:1", "tokens has no keys"},
	{"clocks apart by hours", "skew_seconds: 10", "skew_seconds: 7200", "14:17", "give 0 to 300"},
	{"half a call", "concurrent_calls: 8", "concurrent_calls: 1.5", "36:21", "give a whole number"},
	{"yes", "must_exist: true", "must_exist: yes", "34:15", "true or false"},
	{"lines that go without a signature", "access_record:\n  key: /etc/trigone/access.key\n", "", "39:16", "retention.access_days needs access_record.key"},
	{"lines that go too soon", "access_days: 3650", "access_days: 7", "41:16", "give 30 to 36500"},
	{"part of a day", "quarantine_days: 90", "quarantine_days: 0.5", "40:20", "give 1 to 36500"},
	{"an alias", "audience: trigone", "audience: *a", "12:13", ""},
	{"certificates that nothing proves", "  client_authority: /etc/trigone/clients.pem\n", "", "", "tls.client_authority is not given"},
	{"an address with a query", "7431/fhir", "7431/fhir?token=1", "5:18", "no address to name resources by"},
	{"resources without a name", "  http_base_url: https://records.example.org:7431/fhir\n", "", "4:9", "http_base_url is missing"},
}

func TestFaultsAreTold(t *testing.T) {
	for _, tt := range faulty {
		t.Run(tt.why, func(t *testing.T) {
			if strings.Count(wholeFile, tt.old) < 1 {
				t.Fatalf("%q is not in the file", tt.old)
			}
			_, err := Parse("d.yaml", []byte(strings.Replace(wholeFile, tt.old, tt.new, 1)))
			if err == nil {
				t.Fatal("no fault is told")
			}
			first, _, _ := strings.Cut(err.Error(), "\n")
			if !strings.HasPrefix(first, "d.yaml:"+tt.where) && tt.where != "" || !strings.Contains(err.Error(), tt.says) {
				t.Errorf("told: %v; want %q at %s", err, tt.says, tt.where)
			}
		})
	}
}

// Without TLS no listener may be reached from another machine, whichever it is.
func TestWithoutTLSOnlyLoopback(t *testing.T) {
	begin := strings.Index(watchedFile, "tls:")
	end := strings.Index(watchedFile, "tokens:")
	plain := strings.ReplaceAll(strings.ReplaceAll(watchedFile[:begin]+watchedFile[end:], `    certificate_subjects: ["CN=quay,O=Harbour"]`+"\n", ""), "certificate_uris", "token_subjects")
	local := strings.ReplaceAll(plain, "0.0.0.0", "127.0.0.1")
	d, err := Parse("d.yaml", []byte(local))
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range d.Listeners() {
		if *l.Address == "" {
			t.Errorf("%s is not in the file, so that nothing is known of it", l.Name)
			continue
		}
		for _, address := range []string{"0.0.0.0:7", "[::]:7", "192.0.2.1:7", "records.example.org:7"} {
			open := strings.Replace(local, *l.Address, "'"+address+"'", 1)
			if _, err := Parse("d.yaml", []byte(open)); err == nil || !strings.Contains(err.Error(), l.Name+" can be reached from other machines") {
				t.Errorf("%s on %s without TLS: %v", l.Name, address, err)
			}
		}
	}
}

// Health and metrics ask nobody who he is: with TLS too they stay on loopback.
func TestOperationsStayOnLoopback(t *testing.T) {
	for _, address := range []string{"0.0.0.0:7432", "records.example.org:7432"} {
		_, err := Parse("d.yaml", []byte(strings.Replace(watchedFile, "127.0.0.1:7432", address, 1)))
		if err == nil || !strings.Contains(err.Error(), "listen.operations can be reached") {
			t.Errorf("operations on %s: %v", address, err)
		}
	}
	d, err := Parse("/etc/trigone/d.yaml", []byte(watchedFile))
	if err != nil || d.AccessRecord.Key != "/etc/trigone/access.key" || d.Listen.Operations != "127.0.0.1:7432" {
		t.Errorf("%+v, %v", d, err)
	}
}

func TestLoopback(t *testing.T) {
	for address, want := range map[string]bool{
		"127.0.0.1:0": true, "[::1]:0": true, "localhost:0": true, "127.8.9.1:1": true,
		"0.0.0.0:0": false, ":7430": false, "192.0.2.1:7430": false, "example.org:7430": false, "127.0.0.1": false, "localhost.example.org:1": false,
	} {
		if Loopback(address) != want {
			t.Errorf("%s: %v", address, !want)
		}
	}
}

// A fault that is found later, in a file that is named, is told with line and column.
func TestFaultOfAValue(t *testing.T) {
	d, err := Parse("d.yaml", []byte(wholeFile))
	if err != nil {
		t.Fatal(err)
	}
	if err := d.Fault(&d.TLS.Key, "no key"); err == nil || err.Error() != "d.yaml:8:8: no key" {
		t.Error(err)
	}
	if err := d.Fault(&d.Sites[0].Policy, "no policy"); err == nil || err.Error() != "d.yaml:17:13: no policy" {
		t.Error(err)
	}
}

func TestLoadSaysWhatIsNotThere(t *testing.T) {
	if _, err := Load(filepath.Join(t.TempDir(), "none.yaml")); err == nil || !strings.Contains(err.Error(), "read the deployment file") {
		t.Error(err)
	}
}

func compiled(t *testing.T) *jsonschema.Schema {
	t.Helper()
	text, err := Schema()
	if err != nil {
		t.Fatal(err)
	}
	if *update {
		if err := os.WriteFile("schema.json", text, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	printed, err := os.ReadFile("schema.json")
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(printed, text) {
		t.Error("schema.json is not what the keys say; go test ./internal/deployment -update rewrites it")
	}
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("deployment.json", doc); err != nil {
		t.Fatal(err)
	}
	schema, err := c.Compile("deployment.json")
	if err != nil {
		t.Fatal(err)
	}
	return schema
}

// beyondSchema is what the reader refuses and a schema cannot say.
var beyondSchema = map[string]string{
	"a key given twice":                 "a document in memory has each key once",
	"no port":                           "arithmetic",
	"rights at no site":                 "compares entries",
	"nobody can sign in as him":         "looks at several keys",
	"two under one subject":             "compares entries",
	"two who are one operator":          "compares entries",
	"tokens without keys":               "looks at two keys",
	"certificates that nothing proves":  "looks at two sections",
	"resources without a name":          "looks at two keys",
	"lines that go without a signature": "looks at two sections",
	"an alias":                          "no document to an editor",
}

func TestSchemaAgreesWithTheReader(t *testing.T) {
	schema := compiled(t)
	judge := func(text string) (err error, ok bool) {
		var v any
		if yaml.Unmarshal([]byte(text), &v) != nil {
			return nil, false
		}
		raw, err := json.Marshal(v)
		if err != nil {
			return nil, false
		}
		doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(raw))
		if err != nil {
			return nil, false
		}
		return schema.Validate(doc), true
	}
	if err, ok := judge(wholeFile); err != nil || !ok {
		t.Errorf("the whole file: %v, %v", err, ok)
	}
	for _, tt := range faulty {
		err, ok := judge(strings.Replace(wholeFile, tt.old, tt.new, 1))
		refused := err != nil || !ok
		if why := beyondSchema[tt.why]; refused == (why != "") && ok {
			t.Errorf("%s: the schema says %v, and is excused by %q", tt.why, err, why)
		}
	}
}
