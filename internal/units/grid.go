package units

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// ErrGrid says that a grid cannot be used: it must be a finite number above 0
// with at most maxDecimals decimals (0.01, 0.1, 0.5, 1, 5 ...).
var ErrGrid = errors.New("grid must be a positive number with at most 9 decimals")

// ErrOffGrid says that a value has no place on an integer grid: it is not a
// finite number, or more than maxSteps steps away from 0.
var ErrOffGrid = errors.New("value must be finite and at most 1e12 grid steps from 0")

const (
	maxDecimals = 9
	maxSteps    = 1e12
)

// Decimals gives the number of decimals that a grid needs: 2 for 0.01 and 0.25,
// 0 for 1 and 5. The error is ErrGrid.
func Decimals(grid float64) (int, error) {
	if grid > 0 && !math.IsInf(grid, 0) {
		for decimals, scale := 0, 1.0; decimals <= maxDecimals; decimals, scale = decimals+1, scale*10 {
			whole := math.Round(grid * scale)
			if whole > 0 && math.Abs(grid*scale-whole) <= 1e-12*whole {
				return decimals, nil
			}
		}
	}
	return 0, fmt.Errorf("grid %v: %w", grid, ErrGrid)
}

// ToGrid gives the number of grid steps nearest to value, a half step going
// away from 0. The half is judged on the decimal number that is meant, not on
// its binary neighbour: 2.675 on 0.01 is 268 steps although the stored double
// lies just below 2.675. For that a value within a billionth of a step (plus
// four units in the last place) below a half counts as the half.
//
// Errors: ErrGrid, ErrOffGrid.
func ToGrid(value, grid float64) (int64, error) {
	decimals, err := Decimals(grid)
	if err != nil {
		return 0, err
	}
	steps := math.Abs(value) / grid
	if !(steps <= maxSteps) {
		return 0, fmt.Errorf("value %v on grid %.*f: %w", value, decimals, grid, ErrOffGrid)
	}
	const absolute, relative = 1e-9, 0x1p-50
	n := int64(math.Floor(steps + 0.5 + absolute + relative*steps))
	if value < 0 {
		n = -n
	}
	return n, nil
}

// FromGrid gives the value of a number of grid steps: the double nearest to the
// decimal number, so 268 steps of 0.01 are 2.68 and print as such. A grid that
// cannot be used gives NaN.
func FromGrid(steps int64, grid float64) float64 {
	decimals, err := Decimals(grid)
	if err != nil {
		return math.NaN()
	}
	// Multiplying by 0.01 would add its binary error; two whole numbers divide
	// to the nearest double.
	scale := math.Pow10(decimals)
	return float64(steps) * math.Round(grid*scale) / scale
}

// Round gives the value of the grid nearest to value, a half step going away
// from 0 as ToGrid says: 2.675 at 0.01 is 2.68, -0.05 at 0.1 is -0.1. Rounding
// a rounded value changes nothing. A value or grid that ToGrid refuses gives
// NaN, which no caller can take for a measurement.
func Round(value, grid float64) float64 {
	steps, err := ToGrid(value, grid)
	if err != nil {
		return math.NaN()
	}
	return FromGrid(steps, grid)
}

// FormatNumber prints value rounded to the grid with exactly the grid's
// decimals and a point, never an exponent, never "-0": "10.0", "2.68". What
// ToGrid refuses prints as "not a number".
func FormatNumber(value, grid float64) string {
	steps, err := ToGrid(value, grid)
	if err != nil {
		return "not a number"
	}
	decimals, _ := Decimals(grid)
	return strconv.FormatFloat(FromGrid(steps, grid), 'f', decimals, 64)
}

// Format prints value as FormatNumber does, followed by the unit's text:
// "13.9 mm", "120°", "70/min"; a pure number stands alone.
func Format(value float64, unit Unit, grid float64) string {
	number, text := FormatNumber(value, grid), unit.Text()
	switch {
	case text == "":
		return number
	case strings.HasPrefix(text, "°"), strings.HasPrefix(text, "/"):
		return number + text
	default:
		return number + " " + text
	}
}
