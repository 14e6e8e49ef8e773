package server

import (
	"errors"

	"trigone/fhirmap"
	"trigone/internal/deployment"
	"trigone/internal/identity"
	"trigone/internal/policy"
)

// CheckDeployment reads a deployment file with all that it names, but neither port nor
// store. The error tells every fault.
func CheckDeployment(path string) (*deployment.Deployment, error) {
	d, err := deployment.Load(path)
	if err != nil {
		return nil, err
	}
	_, unread := policies(d)
	_, unproved := identity.Open(d)
	return d, errors.Join(unread, unproved, deIdentifiersOf(d, map[string]*fhirmap.DeIdentifier{}))
}

// DeploymentSchema gives the JSON schema of a deployment file.
func DeploymentSchema() ([]byte, error) { return deployment.Schema() }

// policies reads the policy of each site.
func policies(d *deployment.Deployment) (map[string]policy.Policy, error) {
	list := map[string]policy.Policy{}
	var faults []error
	for _, s := range d.Sites {
		p, err := policy.Load(s.Policy, fhirmap.Terms{})
		switch {
		case errors.Is(err, policy.ErrUnread):
			faults = append(faults, d.Fault(&s.Policy, "the policy of %s: %v", s.Name, err))
		case err != nil:
			faults = append(faults, err)
		case p.Settings.Site != s.Name:
			faults = append(faults, d.Fault(&s.Policy, "the policy is that of site %s, not of %s", p.Settings.Site, s.Name))
		default:
			list[s.Name] = p
		}
	}
	return list, errors.Join(faults...)
}

// deIdentifiersOf reads the key of each site that has one.
func deIdentifiersOf(d *deployment.Deployment, into map[string]*fhirmap.DeIdentifier) error {
	var faults []error
	for _, s := range d.Sites {
		key, err := readDeIdentifier(s.DeIdentificationKey)
		if err != nil {
			faults = append(faults, d.Fault(&s.DeIdentificationKey, "%v", err))
		}
		into[s.Name] = key
	}
	return errors.Join(faults...)
}
