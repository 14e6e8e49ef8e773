package render

import (
	"io"

	trigonev1 "trigone/proto/trigone/v1"
)

// Value gives a metric in one phrase: its range first where it is a prediction or
// has no single uncertainty, else the value with its band; where there is none,
// why.
func Value(m *trigonev1.MetricValue) string {
	span, middle, why := predictionCells(m)
	switch {
	case m.Value == nil:
		return why
	case m.Lower != nil && m.Upper != nil && (predicted(m) || m.StandardUncertainty == nil):
		return span + " (" + middle + ")"
	}
	text := quantity(m.GetValue(), places(m.GetMetric(), m.GetValue()), m.GetUnit())
	if m.GetBand() != "" {
		text += " (" + phrase(m.GetBand()) + ")"
	}
	return text
}

// Range gives a range of which either end may be open, one value where both ends
// are equal.
func Range(lower, upper *float64, unit string) string {
	switch {
	case lower == nil && upper == nil:
		return "any"
	case lower != nil && upper != nil && *lower == *upper:
		return quantity(*lower, decimals(*lower), unit)
	case lower == nil:
		return "up to " + quantity(*upper, decimals(*upper), unit)
	case upper == nil:
		return "from " + quantity(*lower, decimals(*lower), unit)
	}
	return number(*lower, decimals(*lower)) + " to " + quantity(*upper, decimals(*upper), unit)
}

// Paragraph writes text of the usual width, its first line behind first, the
// others behind hanging.
func Paragraph(w io.Writer, first, hanging, text string) { wrapped(w, first, hanging, text) }
