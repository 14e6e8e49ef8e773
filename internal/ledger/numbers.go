package ledger

import (
	"errors"
	"slices"
	"strings"

	"trigone/internal/casebook"
	"trigone/internal/convert"
	"trigone/internal/discrepancy"
	"trigone/internal/metric"
	"trigone/internal/storage"
	"trigone/internal/valve"
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

// metricNumber gives the permanent number of a metric, a leaf or another parameter
// that is compared; 0: it is none of them.
func metricNumber(id string) int {
	if n, ok := metric.Number(valve.ID(id)); ok {
		return n
	}
	return discrepancy.ParameterNumber(id)
}

// notBuilt turns rows that were not built yet into a refusal that says what to do.
func notBuilt(err error, basis trigonev1.Basis) error {
	switch {
	case !errors.Is(err, storage.ErrNotProjected):
		return err
	case restated(basis):
		return casebook.Refuse(casebook.FailedPrecondition, casebook.ReasonNotBuilt,
			"no case of the store was restated, or not all of them yet; run trigoned restate on the store, or ask for basis STORED")
	}
	return casebook.Refuse(casebook.FailedPrecondition, casebook.ReasonNotBuilt,
		"the rows that this list reads were not built yet; run trigoned rebuild on the store")
}

func restated(basis trigonev1.Basis) bool { return basis == trigonev1.Basis_BASIS_RESTATED }

// named gives the basis that is read; STORED unless another is asked for.
func named(basis trigonev1.Basis) trigonev1.Basis {
	if restated(basis) {
		return basis
	}
	return trigonev1.Basis_BASIS_STORED
}
