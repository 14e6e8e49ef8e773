package evaluate

import (
	"trigone/internal/repair"
	"trigone/internal/valve"
)

// Withhold gives the case as everything but the contradictions is judged on it:
// the disputed values are gone, their places stay.
func Withhold(c *repair.Case, disputed []valve.Key) *repair.Case {
	return c.WithMeasured(withheld(c.Measured, disputed))
}
