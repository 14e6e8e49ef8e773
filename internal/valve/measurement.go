package valve

import (
	"cmp"
	"slices"

	"trigone/internal/units"
)

// Key names one value: what, where, when and in which role.
type Key struct {
	ID       ID
	Place    Place
	Occasion Occasion
	Role     Role
}

// Compare orders keys by id, occasion, place and role.
func (k Key) Compare(other Key) int {
	return cmp.Or(
		cmp.Compare(k.ID, other.ID),
		cmp.Compare(k.Occasion, other.Occasion),
		cmp.Compare(k.Place, other.Place),
		cmp.Compare(k.Role, other.Role),
	)
}

// String prints a key as a sentence part: leaf at place of occasion.
func (k Key) String() string {
	s := string(k.ID)
	if k.Place != Nowhere {
		s += " at " + string(k.Place)
	}
	if k.Occasion != "" {
		s += " of " + string(k.Occasion)
	}
	return s
}

// Context says how a value was measured; an empty word is not stated.
type Context struct {
	Method Method
	Load   Load
	Phase  CardiacPhase
	Path   string
	Plane  string
}

// Measurement is one measured, planned or aimed-at value as it was sent, in the
// unit of its leaf, or the reason why there is none.
type Measurement struct {
	Value   units.Maybe[float64]
	SD      units.Maybe[float64]
	Absent  AbsentReason
	Context Context
	// MethodItsOwn says that the method stands at the value itself, not at its study.
	MethodItsOwn bool
	StudyID      string // values of one study share it; the section's name if not stated
	Run          int    // pump run, 0: none
	Stage        Stage
	// Slip says that an open finding names it as a likely slip of typing: what is
	// computed of it waits until it is confirmed or corrected.
	Slip bool
}

// InputValue is a value that was read, as it was sent.
type InputValue struct {
	Key   Key
	Value float64
	Unit  units.Unit
}

// Measurements are the values of one case under their keys.
type Measurements map[Key]Measurement

// Keys gives all keys in order.
func (m Measurements) Keys() []Key {
	keys := make([]Key, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, Key.Compare)
	return keys
}

// Marked gives the measurements with the values under the given keys marked as
// likely slips.
func (m Measurements) Marked(slips []Key) Measurements {
	marked := make(Measurements, len(m))
	for k, v := range m {
		v.Slip = v.Slip || slices.Contains(slips, k)
		marked[k] = v
	}
	return marked
}

// Without gives the measurements without the values under the given keys.
func (m Measurements) Without(disputed []Key) Measurements {
	rest := make(Measurements, len(m))
	for k, v := range m {
		if !slices.Contains(disputed, k) {
			rest[k] = v
		}
	}
	return rest
}
