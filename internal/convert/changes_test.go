package convert

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

func TestFieldChanges(t *testing.T) {
	list := func(n int, last int) string {
		var s []string
		for i := range n - 1 {
			s = append(s, fmt.Sprint(i))
		}
		return strings.Join(append(s, fmt.Sprint(last)), ",")
	}
	contour := func(n, last int) string {
		return `{"study":{"annulus":{"shape":{"contourMm":[` + list(n, last) + `]}}}}`
	}
	for _, row := range []struct {
		why           string
		message       proto.Message
		before, after string // "" is no message
		want          []string
	}{
		{"equal", &trigonev1.Identity{}, `{"ageYears":61}`, `{"ageYears":61}`, nil},
		{"a number", &trigonev1.Identity{}, `{"ageYears":61}`, `{"ageYears":62}`, []string{"age_years: 61 -> 62"}},
		{"a zero is no absence", &trigonev1.Identity{}, `{}`, `{"heightCm":0}`, []string{"height_cm: nil -> 0"}},
		{"a word", &trigonev1.Identity{}, `{"sex":"SEX_FEMALE"}`, `{"sex":"SEX_MALE"}`, []string{"sex: female -> male"}},
		{"a text withdrawn", &trigonev1.Identity{}, `{"heightOn":"2026-01-01"}`, `{}`, []string{"height_on: 2026-01-01 -> nil"}},
		{"nothing before", &trigonev1.Identity{}, ``, `{"ageYears":61}`, []string{"age_years: nil -> 61"}},
		{"a time", &trigonev1.Plan{}, `{"signedTime":"2026-03-01T07:00:00Z"}`, `{"signedTime":"2026-03-01T07:00:00.5Z"}`,
			[]string{"signed_time: 2026-03-01T07:00:00Z -> 2026-03-01T07:00:00.5Z"}},
		{"entries by their id, one new, one gone, in another order", &trigonev1.Plan{},
			`{"steps":[{"id":"a"},{"id":"b","lesionIds":["x"]},{"id":"c"}]}`, `{"steps":[{"id":"d"},{"id":"b"},{"id":"a"}]}`, []string{
				"steps[d].id: nil -> d", "steps[b].lesion_ids: [x] -> nil", "steps[c].id: c -> nil", "steps: in the order a, b -> in the order b, a",
			}},
		{"entries without ids by their place", &trigonev1.Leaflets{},
			`{"heights":[{"segment":"SEGMENT_P2"}]}`, `{"heights":[{"segment":"SEGMENT_P2","leafletHeight":{"mm":14}},{"segment":"SEGMENT_P1"}]}`,
			[]string{"heights[0].leaflet_height.mm: nil -> 14", "heights[1].segment: nil -> p1"}},
		{"an empty message", &trigonev1.Plan{}, `{}`, `{"indication":{}}`, []string{"indication: nil -> {}"}},
		{"few numbers", &trigonev1.Assessment{}, contour(3, 2), contour(3, 7), []string{"study.annulus.shape.contour_mm: [0, 1, 2] -> [0, 1, 7]"}},
		{"many numbers", &trigonev1.Assessment{}, contour(30, 2), contour(30, 7), []string{"study.annulus.shape.contour_mm: 30 entries -> 30 entries, 1 of which differ"}},
	} {
		read := func(text string) proto.Message {
			if text == "" {
				return nil
			}
			m := row.message.ProtoReflect().New().Interface()
			if err := protojson.Unmarshal([]byte(text), m); err != nil {
				t.Fatal(err)
			}
			return m
		}
		var got []string
		for _, c := range FieldChanges(read(row.before), read(row.after)) {
			got = append(got, c.Path+": "+orNil(c.Old)+" -> "+orNil(c.New))
		}
		if !slices.Equal(got, row.want) {
			t.Errorf("%s:\n got %q\nwant %q", row.why, got, row.want)
		}
	}
}

func orNil(s *string) string {
	if s == nil {
		return "nil"
	}
	return *s
}

// Two messages differ if and only if a change is told.
func TestFieldChangesAreThereWhenMessagesDiffer(t *testing.T) {
	var all []proto.Message
	for _, name := range testdata.Names(testdata.Cases) {
		file, err := testdata.Read(testdata.Cases, name)
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range Sections(file) {
			all = append(all, s)
		}
	}
	compared := 0
	for i, a := range all {
		for _, b := range all[i:min(len(all), i+12)] {
			if a.ProtoReflect().Descriptor() != b.ProtoReflect().Descriptor() {
				continue
			}
			compared++
			if n := len(FieldChanges(a, b)); (n == 0) != proto.Equal(a, b) {
				t.Fatalf("%d changes, equal %v", n, proto.Equal(a, b))
			}
		}
	}
	if compared < 200 {
		t.Errorf("only %d pairs were compared", compared)
	}
}
