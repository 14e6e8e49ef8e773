package fhirrest

import (
	"encoding/json"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode"

	"trigone/fhirmap"
)

// defined is a row of R4's search parameters.
type defined struct {
	typ, name, kind, id string
	expressions         []string
	targets             []string
	components          []string
}

// definitions reads testdata/r4-search-parameters.tsv, the part of HL7's published
// definitions of R4 4.0.1 that concerns the served types.
func definitions(t *testing.T) []defined {
	t.Helper()
	raw, err := os.ReadFile("testdata/r4-search-parameters.tsv")
	if err != nil {
		t.Fatal(err)
	}
	var list []defined
	for line := range strings.Lines(string(raw)) {
		if strings.HasPrefix(line, "#") {
			continue
		}
		f := strings.Split(strings.TrimRight(line, "\n"), "\t")
		list = append(list, defined{
			typ: f[0], name: f[1], kind: f[2], id: f[3], expressions: strings.Split(f[4], " | "),
			targets: strings.Split(f[5], ","), components: strings.Split(f[6], ";"),
		})
	}
	if len(list) < 100 {
		t.Fatalf("only %d definitions", len(list))
	}
	return list
}

var (
	asType = regexp.MustCompile(`^\((.*) as ([A-Za-z]+)\)$`)
	filter = regexp.MustCompile(`\.where\(.*\)$`)
)

// says tells whether an expression of R4 leads to a path of the encoded JSON.
func (d defined) says(path string) bool {
	return slices.ContainsFunc(d.expressions, func(e string) bool {
		e = filter.ReplaceAllString(e, "")
		if m := asType.FindStringSubmatch(e); m != nil {
			r := []rune(m[2])
			r[0] = unicode.ToUpper(r[0])
			return m[1]+string(r) == d.typ+"."+path
		}
		rest, begins := strings.CutPrefix(d.typ+"."+path, e)
		// Of an element of several types the JSON names the type behind it.
		return begins && (rest == "" || unicode.IsUpper([]rune(rest)[0]))
	})
}

// published reads our own search parameters, which are for what R4 has none for.
func published(t *testing.T) (list []defined) {
	t.Helper()
	all, err := fhirmap.Terminology(fhirmap.Site{})
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range all {
		if r.Type != fhirmap.TypeSearchParameter {
			continue
		}
		var p struct {
			URL, Code, Type, Expression string
			Base                        []string
		}
		if err := json.Unmarshal(r.JSON, &p); err != nil {
			t.Fatal(err)
		}
		for _, typ := range p.Base {
			list = append(list, defined{typ: typ, name: p.Code, kind: p.Type, id: p.URL, expressions: strings.Split(p.Expression, " | ")})
		}
	}
	return list
}

// Every parameter is one of R4, or one of ours for which R4 has none: its kind, its
// definition, where its values stand and what it may refer to. Source: HL7 FHIR R4
// 4.0.1, search-parameters bundle.
func TestParametersAreThoseOfR4(t *testing.T) {
	all, ours := definitions(t), published(t)
	for _, d := range ours {
		if slices.ContainsFunc(all, func(x defined) bool { return x.typ == d.typ && x.name == d.name }) {
			t.Errorf("R4 has %s.%s of its own", d.typ, d.name)
		}
		if typ := typeNamed(d.typ); typ.position(d.name) < 0 {
			t.Errorf("%s.%s is published and not served", d.typ, d.name)
		}
	}
	for _, typ := range served {
		for _, p := range typ.params {
			at := slices.IndexFunc(all, func(d defined) bool {
				return d.name == p.name && (d.typ == typ.name || d.typ == "Resource" && strings.HasPrefix(p.name, "_"))
			})
			if at < 0 && p.own != "" {
				at = slices.IndexFunc(ours, func(d defined) bool { return d.name == p.name && d.typ == typ.name })
				if at < 0 || ours[at].kind != string(p.kind) || ours[at].id != typ.definition(p, (fhirmap.Site{}).Canonical) ||
					slices.ContainsFunc(p.paths, func(path string) bool { return !ours[at].says(path) }) {
					t.Errorf("%s.%s is not what is published: %v", typ.name, p.name, ours)
				}
				continue
			}
			if at < 0 {
				t.Errorf("%s.%s is no search parameter of R4", typ.name, p.name)
				continue
			}
			d := all[at]
			if d.kind != string(p.kind) || searchParameter+d.id != typ.definition(p, (fhirmap.Site{}).Canonical) {
				t.Errorf("%s.%s is %s of %s, R4 has %s of %s", typ.name, p.name, p.kind, typ.definition(p, (fhirmap.Site{}).Canonical), d.kind, d.id)
			}
			for _, target := range p.targets {
				if !slices.Contains(d.targets, target) {
					t.Errorf("%s.%s cannot refer to %s in R4", typ.name, p.name, target)
				}
			}
			paths := slices.Clone(p.paths)
			for _, part := range p.union {
				paths = append(paths, typ.params[typ.position(part)].paths...)
			}
			for _, path := range paths {
				if p.kind == kindComposite {
					if want := strings.TrimSuffix(typ.name+"."+path, "."); !slices.Contains(d.expressions, want) {
						t.Errorf("%s.%s reads %s, R4 %v", typ.name, p.name, want, d.expressions)
					}
					continue
				}
				if !d.says(path) {
					t.Errorf("%s.%s reads %s, R4 %v", typ.name, p.name, path, d.expressions)
				}
			}
			if p.kind == kindComposite {
				second, code, value := d.components[1], strings.Replace(p.name, "code-value", "value", 1), strings.Index(p.name, "value")
				if second != typ.name+"-"+code || value < 0 {
					t.Errorf("%s.%s binds %v", typ.name, p.name, d.components)
				}
			}
		}
		// What R4 has is served or refused, and nothing is left out.
		for _, d := range all {
			if served := typ.position(d.name) >= 0; d.typ == typ.name && served == slices.Contains(typ.refused, d.name) {
				t.Errorf("%s.%s: served %v, and refused the same", typ.name, d.name, served)
			}
		}
		for _, name := range typ.refused {
			if !slices.ContainsFunc(all, func(d defined) bool { return d.typ == typ.name && d.name == name }) {
				t.Errorf("%s.%s is refused and is none of R4", typ.name, name)
			}
		}
		if !slices.IsSortedFunc(typ.params, func(a, b param) int { return strings.Compare(a.name, b.name) }) {
			t.Errorf("the parameters of %s are not in order", typ.name)
		}
	}
}
