package deployment

import (
	"net"
	"path/filepath"
)

// Limits of an identity where the file says none.
var usual = Limits{RequestsPerSecond: 50, Burst: 100, ConcurrentCalls: 32, HeavyCalls: 2}

// over gives limits with what is left out taken from others.
func (l Limits) over(others Limits) Limits {
	if l.RequestsPerSecond == 0 {
		l.RequestsPerSecond = others.RequestsPerSecond
	}
	if l.Burst == 0 {
		l.Burst = others.Burst
	}
	if l.ConcurrentCalls == 0 {
		l.ConcurrentCalls = others.ConcurrentCalls
	}
	if l.HeavyCalls == 0 {
		l.HeavyCalls = others.HeavyCalls
	}
	return l
}

func (r *reading) resolved(path string) string {
	if filepath.IsAbs(path) {
		return path
	}
	return filepath.Join(r.folder, path)
}

// Loopback says whether an address can be reached from this machine only.
func Loopback(address string) bool {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return false
	}
	if host == "localhost" {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

// check finds what keys must say together, and fills in what is left out.
func (d *Deployment) check() {
	r := d.read
	for _, l := range d.Listeners() {
		if *l.Address != "" && d.TLS == nil && !Loopback(*l.Address) {
			r.Fault(r.at[l.Address], "%s can be reached from other machines, and without tls anybody on the way could read patients' records and tokens; give tls, or listen on 127.0.0.1", l.Name)
		}
	}
	if o := &d.Listen.Operations; *o != "" && d.TLS != nil && !Loopback(*o) {
		r.Fault(r.at[o], "listen.operations can be reached from other machines, and nobody signs in there; listen on 127.0.0.1, beside which health and metrics are gathered")
	}
	if d.Listen.HTTP != "" && !Loopback(d.Listen.HTTP) && d.Listen.HTTPBaseURL == "" && r.Count() == 0 {
		r.Fault(r.at[&d.Listen.HTTP], "listen.http_base_url is missing: others reach FHIR over HTTP by a name, and resources are named by it, such as https://records.example.org:7431/fhir")
	}
	if a := &d.Retention.Accesses; *a > 0 && d.AccessRecord.Key == "" {
		r.Fault(r.at[a], "retention.access_days needs access_record.key: lines go only where a signature says up to which one, or nobody could tell it from a record that somebody shortened")
	}
	byCertificate := d.TLS != nil && d.TLS.ClientAuthority != ""
	if !byCertificate && d.Tokens == nil && r.Count() == 0 {
		r.FaultAt(nil, "nobody could sign in: give tls.client_authority, so that callers show certificates, or tokens")
	}
	if t := d.Tokens; t != nil && t.Keys == "" && len(t.PublicKeys) == 0 {
		r.Fault(r.at[&d.Tokens], "tokens has no keys; give keys or public_keys, by which tokens are proved")
	}
	d.Limits = d.Limits.over(usual)
	if r.Count() == 0 { // else it would tell of what follows from another fault
		d.checkIdentities(byCertificate)
	}
}

func (d *Deployment) checkIdentities(byCertificate bool) {
	r := d.read
	owner := map[string]string{}
	once := func(list *[]string, what, name, at string) {
		for _, s := range *list {
			id := what + "\x00" + at + "\x00" + s
			if other, taken := owner[id]; taken {
				r.Fault(r.at[list], "identities.%s: one of its %s is that of %s too; one of them only can have it", name, what, other)
			}
			owner[id] = name
		}
	}
	for _, i := range d.Identities {
		once(&i.CertificateSubjects, "certificate_subjects", i.Name, "")
		once(&i.CertificateURIs, "certificate_uris", i.Name, "")
		once(&i.TokenSubjects, "token_subjects", i.Name, "")
		certificates := len(i.CertificateSubjects) + len(i.CertificateURIs)
		switch {
		case certificates+len(i.TokenSubjects) == 0:
			r.Fault(r.at[i], "identities.%s cannot sign in; give certificate_subjects, certificate_uris or token_subjects", i.Name)
		case certificates > 0 && !byCertificate:
			r.Fault(r.at[i], "identities.%s signs in by certificate, and tls.client_authority is not given, by which certificates are proved", i.Name)
		case len(i.TokenSubjects) > 0 && d.Tokens == nil:
			r.Fault(r.at[i], "identities.%s signs in by token, and tokens is not given, by which tokens are proved", i.Name)
		}
		for _, s := range i.Rights {
			if d.Site(s.Site) == nil {
				r.Fault(r.at[s], "identities.%s has rights at %s, which is none of the sites of this file", i.Name, s.Site)
			}
			once(&s.Operators, "operators", i.Name, s.Site)
		}
		i.Limits = i.Limits.over(d.Limits)
	}
}
