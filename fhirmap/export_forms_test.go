package fhirmap

// Tree de-identifies a decoded collection, for the tests outside this package.
func (d *DeIdentifier) Tree(site, system, value string, whole map[string]any) map[string]any {
	return d.bundle(site, system, value, whole)
}

// ShiftDays gives the offset of a patient's dates.
func (d *DeIdentifier) ShiftDays(site, system, value string) int {
	return d.shiftDays(site, system, value)
}

// ListedTypes gives the types of which a de-identified bundle takes anything.
func ListedTypes() []string {
	var list []string
	for typ := range taken {
		list = append(list, typ)
	}
	return list
}
