package ledger

import (
	"slices"
	"strings"

	"trigone/internal/convert"
	"trigone/internal/discrepancy"
	trigonev1 "trigone/proto/trigone/v1"
)

// classNumber gives the permanent number of a class, that of its reference; 0: none.
func classNumber(word string) int {
	return slices.Index(discrepancy.Classes(), discrepancy.Class(word)) + 1
}

// reasonNumber gives the number of a reason in the contract's enum that fits the
// comparison; 0: none.
func reasonNumber(c *trigonev1.Comparison) int {
	word := c.GetReason()
	if _, after, found := strings.Cut(word, "_REASON_"); found {
		word = after
	}
	word = strings.ToLower(word)
	switch discrepancy.Class(c.GetClass()) {
	case discrepancy.FurtherPumpRun:
		return int(convert.Enum[trigonev1.RunReason](word))
	case discrepancy.Conversion:
		return int(convert.Enum[trigonev1.ConversionReason](word))
	}
	return int(convert.Enum[trigonev1.DeviationReason](word))
}
