package repair

import "testing"

// Invented carriers.
func TestCarrier(t *testing.T) {
	for _, tt := range []struct{ why, carrier, lot, serial string }{
		{"both", "(01)00000000000123(17)300101(10)A-1 b(21)S/9", "A-1 b", "S/9"},
		{"a lot alone", "(01)00000000000123(10)A-1", "A-1", ""},
		{"a serial number alone", "(01)00000000000123(21)S/9", "", "S/9"},
		{"neither", "(01)00000000000123", "", ""},
		{"another form", "INVENTED-DI-10-21", "", ""},
		{"digits that are no application", "(01)10210000000123", "", ""},
		{"nothing behind it", "(10)(21)", "", ""},
		{"more than there may be", "(10)123456789012345678901", "12345678901234567890", ""},
		{"nothing", "", "", ""},
	} {
		if lot, serial := LotInCarrier(tt.carrier), SerialInCarrier(tt.carrier); lot != tt.lot || serial != tt.serial {
			t.Errorf("%s: %q and %q", tt.why, lot, serial)
		}
	}
}
