package words

import "fmt"

// yearDays are the days of a mean year.
const yearDays = 365.25

// Days says a number of days as people do: whole years where it is one of them, cut to
// days.
func Days(n int) string {
	if years := int(float64(n+1) / yearDays); years > 0 && n == int(float64(years)*yearDays) {
		return counted(years, "year")
	}
	return counted(n, "day")
}

func counted(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
