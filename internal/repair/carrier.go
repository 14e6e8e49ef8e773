package repair

import "strings"

// The lot and the serial number in a carrier in the human readable form of GS1 stand
// behind (10) and (21), in at most 20 characters: GS1 General Specifications, section
// 3, from memory.
const (
	lotInCarrier    = "(10)"
	serialInCarrier = "(21)"
	mostInCarrier   = 20
)

// LotInCarrier gives the lot number that a carrier of a unique device identification
// holds; empty: none.
func LotInCarrier(carrier string) string { return behind(lotInCarrier, carrier) }

// SerialInCarrier gives the serial number that a carrier of a unique device
// identification holds; empty: none.
func SerialInCarrier(carrier string) string { return behind(serialInCarrier, carrier) }

func behind(application, carrier string) string {
	_, rest, _ := strings.Cut(carrier, application)
	value, _, _ := strings.Cut(rest, "(")
	if r := []rune(value); len(r) > mostInCarrier {
		value = string(r[:mostInCarrier])
	}
	return value
}
