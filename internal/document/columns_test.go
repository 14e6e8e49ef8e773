package document

import "testing"

func TestShare(t *testing.T) {
	for _, tt := range []struct {
		why         string
		needs, want []int
		width       int
	}{
		{"enough for all", []int{3, 5}, []int{3, 5}, 20},
		{"the wide one gives", []int{3, 50}, []int{3, 17}, 20},
		{"two wide ones give alike", []int{2, 50, 60}, []int{2, 9, 9}, 20},
	} {
		got := share(tt.needs, tt.width)
		for i := range got {
			if got[i] != tt.want[i] {
				t.Errorf("%s: %v, want %v", tt.why, got, tt.want)
				break
			}
		}
	}
}
