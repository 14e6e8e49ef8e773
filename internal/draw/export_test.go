package draw

// Room is the room that a shape takes at most.
type Room struct{ Left, Top, Right, Bottom float64 }

// RoomOf gives it.
func RoomOf(s Shape) Room {
	b := s.bounds()
	return Room{b.left, b.top, b.right, b.bottom}
}

// Overlaps says whether two rooms share more than their edges.
func (r Room) Overlaps(o Room) bool {
	const touch = 0.5
	return r.Left+touch < o.Right && o.Left+touch < r.Right && r.Top+touch < o.Bottom && o.Top+touch < r.Bottom
}
