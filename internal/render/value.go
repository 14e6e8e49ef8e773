package render

import (
	"io"

	"trigone/internal/words"
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
		text += " (" + words.Spaced(m.GetBand()) + ")"
	}
	return text
}

// Range gives a range of a metric or leaf, of which either end may be open, and one
// value where both ends are equal.
func Range(id string, lower, upper *float64, unit string) string {
	end := func(v *float64) string { return quantity(*v, places(id, *v), unit) }
	switch {
	case lower == nil && upper == nil:
		return "any"
	case lower != nil && upper != nil && *lower == *upper:
		return end(lower)
	case lower == nil:
		return "up to " + end(upper)
	case upper == nil:
		return "from " + end(lower)
	}
	return number(*lower, places(id, *lower)) + " to " + end(upper)
}

// Paragraph writes text of the usual width, its first line behind first, the
// others behind hanging.
func Paragraph(w io.Writer, first, hanging, text string) { wrapped(w, first, hanging, text) }
