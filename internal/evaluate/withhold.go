package evaluate

import (
	"trigone/internal/repair"
	"trigone/internal/valve"
)

// Withhold gives the case as everything but contradictions and slips is judged on
// it: the disputed values are gone, their places stay, and those that a slip names
// are marked.
func Withhold(c *repair.Case, disputed, slips []valve.Key) *repair.Case {
	if len(disputed) > 0 {
		c = c.WithMeasured(withheld(c.Measured, disputed))
	}
	if len(slips) > 0 {
		c = c.WithMeasured(c.Measured.Marked(slips))
	}
	return c
}
