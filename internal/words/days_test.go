package words_test

import (
	"testing"

	"trigone/internal/words"
)

func TestDays(t *testing.T) {
	for days, want := range map[int]string{0: "0 days", 1: "1 day", 30: "30 days", 364: "364 days", 365: "1 year", 366: "366 days", 730: "2 years", 1095: "3 years", 1826: "5 years", 3652: "10 years"} {
		if got := words.Days(days); got != want {
			t.Errorf("%d: %s, want %s", days, got, want)
		}
	}
}
