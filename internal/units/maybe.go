package units

// Maybe is a value that may be absent. Its zero value is absent, so a struct
// field nobody filled reads as absent and never as a measured 0.
type Maybe[T any] struct {
	value   T
	present bool
}

// Some gives a present value.
func Some[T any](v T) Maybe[T] { return Maybe[T]{value: v, present: true} }

// None gives an absent value.
func None[T any]() Maybe[T] { return Maybe[T]{} }

// Get gives the value and whether it is present; an absent one gives T's zero
// and false.
func (m Maybe[T]) Get() (T, bool) { return m.value, m.present }

// IsSome tells whether a value is present.
func (m Maybe[T]) IsSome() bool { return m.present }

// IsNone tells whether the value is absent.
func (m Maybe[T]) IsNone() bool { return !m.present }

// OrElse gives the value, or the other one where it is absent. It is meant for
// a stated default; a missing measurement has none.
func (m Maybe[T]) OrElse(other T) T {
	if m.present {
		return m.value
	}
	return other
}

// Or gives the first present one of the two.
func (m Maybe[T]) Or(other Maybe[T]) Maybe[T] {
	if m.present {
		return m
	}
	return other
}
