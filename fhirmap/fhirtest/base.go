package fhirtest

import (
	"net/url"
	"strings"

	"trigone/fhirmap"
)

// Unnamed gives what left under a canonical base of a site as it would have left
// without one. builtIn says that the built-in base was in it, which must not be.
func Unnamed(text, base string) (without string, builtIn bool) {
	const mark = "\x00"
	text = strings.ReplaceAll(text, base, mark)
	text = strings.ReplaceAll(text, url.QueryEscape(base), url.QueryEscape(mark))
	builtIn = strings.Contains(text, fhirmap.Base) || strings.Contains(text, url.QueryEscape(fhirmap.Base))
	text = strings.ReplaceAll(text, url.QueryEscape(mark), url.QueryEscape(fhirmap.Base))
	return strings.ReplaceAll(text, mark, fhirmap.Base), builtIn
}

// CheckUnder is Check for a bundle of a site with a canonical base of its own.
func CheckUnder(bundle []byte, base string) []string {
	without, builtIn := Unnamed(string(bundle), base)
	faults := Check([]byte(without))
	if builtIn {
		faults = append(faults, "Bundle: something is named under "+fhirmap.Base+", and the site's base is "+base)
	}
	return faults
}
