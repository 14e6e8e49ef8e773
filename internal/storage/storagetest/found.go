package storagetest

import (
	"fmt"
	"slices"
	"testing"

	"trigone/internal/storage"
)

// searched names the versions of the suite's rows for searches.
func searched(version int64) storage.ProjectionVersion {
	return storage.ProjectionVersion{Name: storage.ProjectionSearch, Version: version}
}

// foundRows are rows of a case under two leads; content tells writes apart.
func foundRows(content string, parts ...int64) storage.Rows {
	rows := storage.Rows{Shapes: []storage.Shape{
		{Number: 1 << 46, Lead: 7, Type: "Observation", Content: []byte("often")}, {Number: 3, Lead: 9, Type: "Procedure", Content: []byte("rarely")},
	}}
	for _, p := range parts {
		f := storage.Found{Lead: 7, Part: p, Shape: 1 << 46, Content: []byte(content)}
		if p%5 == 0 {
			f.Lead, f.Shape = 9, 3
		}
		rows.Found = append(rows.Found, f)
	}
	return rows
}

func bringing(w storage.Write, version int64, rows storage.Rows) storage.Write {
	w.Projected = []storage.Projected{{Name: storage.ProjectionSearch, Version: version, Rows: rows}}
	return w
}

// resourcesAreFound: rows come in the order of cases and parts, page by page, and are
// those of the last write; shapes come in the order of their arrival, each once.
func resourcesAreFound(t *testing.T, open func() storage.Store) {
	s, ctx := open(), t.Context()
	defer func() { _ = s.Close() }()
	_, _, err := s.FoundShapes(ctx, 0)
	wantError(t, "no rows stand", err, storage.ErrNotProjected)
	_, err = s.Found(ctx, site, []storage.FoundRange{{Lead: 7}}, 1)
	wantError(t, "no rows stand", err, storage.ErrNotProjected)
	must(s.DeclareProjections(ctx, []storage.ProjectionVersion{searched(1)}))
	const high = 1<<44 - 3
	for i, uid := range []string{"z", "a", "m"} { // the order of opening is none of uids
		w := plain(uid)
		w.Case.ChangedTime = after(10 * i)
		mustAppend(t, s, bringing(w, 1, foundRows("first", 4, 1, 5, high)))
	}
	all := func(lead int64, batch int) (list []storage.FoundRow) {
		t.Helper()
		r := storage.FoundRange{Lead: lead}
		for {
			page := must(s.Found(ctx, site, []storage.FoundRange{r, {Lead: 8}}, batch))
			if len(page) != 2 || len(page[1]) != 0 {
				t.Fatalf("a lead that nobody has: %v", page)
			}
			list = append(list, page[0]...)
			if len(page[0]) < batch {
				return list
			}
			r.After = page[0][batch-1].FoundPlace
		}
	}
	cases := must(s.NumberedCases(ctx, site, nil, []string{"m", "a", "z", "none"}))
	if len(cases) != 3 || cases[0].UID != "z" || cases[1].UID != "a" || cases[2].UID != "m" || cases[0].Version != 1 || !cases[2].ChangedTime.Equal(after(20)) {
		t.Fatalf("%+v", cases)
	}
	var want []storage.FoundRow
	for _, c := range cases {
		for _, part := range []int64{1, 4, high} {
			want = append(want, storage.FoundRow{FoundPlace: storage.FoundPlace{Case: c.Number, Part: part}, Shape: 1 << 46, Content: []byte("first")})
		}
	}
	for _, batch := range []int{1, 2, 3, 100} {
		wantEqual(t, fmt.Sprint("rows, by ", batch), all(7, batch), want)
	}
	wantEqual(t, "of another site", must(s.Found(ctx, "ferry", []storage.FoundRange{{Lead: 7}}, 9))[0], []storage.FoundRow(nil))
	of, shapes, err := s.FoundShapes(ctx, 0)
	if err != nil || of.Version != 1 || len(shapes) != 2 || shapes[0].Number != 1<<46 || shapes[1].Type != "Procedure" || string(shapes[1].Content) != "rarely" || shapes[1].Lead != 9 {
		t.Fatalf("%+v, %+v, %v", of, shapes, err)
	}
	if _, rest, err := s.FoundShapes(ctx, shapes[0].Order); err != nil || len(rest) != 1 || rest[0].Order != shapes[1].Order {
		t.Errorf("behind the first: %+v, %v", rest, err)
	}
	wantEqual(t, "of a case", must(s.FoundOf(ctx, site, cases[1].Number, []int64{9, 7, 8})), []storage.FoundRow{
		want[3], want[4], {FoundPlace: storage.FoundPlace{Case: cases[1].Number, Part: 5}, Shape: 3, Content: []byte("first")}, want[5],
	})
	wantEqual(t, "of a case, under one lead", len(must(s.FoundOf(ctx, site, cases[1].Number, []int64{9}))), 1)
	wantEqual(t, "of no case", must(s.FoundOf(ctx, site, 99, []int64{9, 7})), []storage.FoundRow(nil))

	// The next write replaces them: one stays, one says something else, one is new.
	rows := foundRows("first", 1)
	rows.Found = append(rows.Found, foundRows("second", 4, 6).Found...)
	w := bringing(next(t, s, "a"), 1, rows)
	w.Case.ChangedTime = after(50)
	mustAppend(t, s, w)
	place := func(part int64) storage.FoundPlace { return storage.FoundPlace{Case: cases[1].Number, Part: part} }
	second := []storage.FoundRow{
		want[3], {FoundPlace: place(4), Shape: 1 << 46, Content: []byte("second")}, {FoundPlace: place(6), Shape: 1 << 46, Content: []byte("second")},
	}
	wantEqual(t, "after another write", all(7, 10), slices.Concat(want[:3], second, want[6:]))
	wantEqual(t, "under a lead it no longer has", len(all(9, 10)), 2)
	w = bringing(next(t, s, "a"), 1, storage.Rows{})
	w.Projected[0].Unchanged = true
	mustAppend(t, s, w)
	wantEqual(t, "left as they were", all(7, 10), slices.Concat(want[:3], second, want[6:]))

	changed, whole, err := s.CasesChanged(ctx, site, after(20), 5)
	if err != nil || !whole || len(changed) != 2 || changed[0].UID != "a" || changed[1].UID != "m" {
		t.Errorf("changed since: %+v, %v, %v", changed, whole, err)
	}
	if changed, whole, err = s.CasesChanged(ctx, site, start, 2); err != nil || whole || len(changed) != 2 {
		t.Errorf("more than asked for: %+v, %v, %v", changed, whole, err)
	}

	for name, bad := range map[string]storage.Rows{
		"a row without its shape":    {Found: foundRows("x", 1).Found},
		"a row under another lead":   {Found: []storage.Found{{Lead: 8, Part: 1, Shape: 3}}, Shapes: foundRows("x").Shapes},
		"a row twice":                {Found: foundRows("x", 1, 1).Found, Shapes: foundRows("x").Shapes},
		"a shape twice":              {Shapes: append(foundRows("x").Shapes, foundRows("x").Shapes...)},
		"a shape without a type":     {Shapes: []storage.Shape{{Number: 1, Content: []byte("x")}}},
		"groups among the resources": {Groups: []storage.Group{{Kind: 1, Word: "a"}}},
	} {
		wantError(t, name, s.Append(ctx, site, bringing(next(t, s, "a"), 1, bad)), nil)
	}
}

// rowsOfSearchesAreBuilt: another version is built beside the one that stands, and
// who writes it need not bring the former one: then the case has no rows in it.
func rowsOfSearchesAreBuilt(t *testing.T, open func() storage.Store) {
	s, ctx := open(), t.Context()
	defer func() { _ = s.Close() }()
	must(s.DeclareProjections(ctx, []storage.ProjectionVersion{searched(1)}))
	for _, uid := range []string{"a", "b", "c"} {
		mustAppend(t, s, bringing(plain(uid), 1, foundRows("one", 1, 2)))
	}
	wantError(t, "before it is listed", s.Append(ctx, site, bringing(next(t, s, "a"), 2, foundRows("two", 1))), storage.ErrProjection)
	p := must(s.BeginProjection(ctx, searched(2)))
	wantError(t, "by a program that does not know it", s.Append(ctx, site, bringing(next(t, s, "a"), 1, foundRows("one", 1))), storage.ErrProjection)
	mustAppend(t, s, bringing(next(t, s, "b"), 2, foundRows("two", 3)))
	contents := func() (list []string) {
		for _, r := range must(s.Found(ctx, site, []storage.FoundRange{{Lead: 7}}, 100))[0] {
			list = append(list, fmt.Sprint(string(r.Content), r.Part))
		}
		return list
	}
	wantEqual(t, "what stands meanwhile", contents(), []string{"one1", "one2", "one1", "one2"})
	var rows []storage.CaseRows
	cases := must(s.CasesToProject(ctx, p.ID, 10))
	for _, c := range cases {
		rows = append(rows, storage.CaseRows{Site: c.Site, UID: c.UID, Version: 1, Rows: foundRows("two", 4)})
	}
	if err := s.Project(ctx, p.ID, rows, cases[len(cases)-1].Cursor); err != nil {
		t.Fatal(err)
	}
	if err := s.FinishProjection(ctx, p.ID); err != nil {
		t.Fatal(err)
	}
	wantEqual(t, "once it stands", contents(), []string{"two4", "two3", "two4"})
	if of, shapes, err := s.FoundShapes(ctx, 0); err != nil || of.ID != p.ID || of.Version != 2 || len(shapes) != 2 {
		t.Errorf("%+v, %+v, %v", of, shapes, err)
	}
	wantError(t, "by a program of before", s.Append(ctx, site, bringing(next(t, s, "a"), 1, foundRows("one", 1))), storage.ErrProjection)
}

// casesOfPatients: those who have or had an identifier, until it is erased.
func casesOfPatients(t *testing.T, open func() storage.Store) {
	s, ctx := opened(t, open), t.Context()
	who := func(system, value string) storage.Identifier { return storage.Identifier{System: system, Value: value} }
	for uid, patients := range map[string][]storage.Identifier{
		"a": {who("urn:harbour", "1")}, "b": {who("urn:harbour", "2"), who("urn:harbour", "1")}, "c": {who("urn:ferry", "1")}, "d": {who("urn:harbour", "11")}, "e": nil,
	} {
		w := plain(uid)
		if len(patients) > 0 {
			w.Case.Patient, w.Case.FormerPatients = patients[0], patients[1:]
		}
		mustAppend(t, s, w)
	}
	wantEqual(t, "in a system", must(s.CasesOfPatient(ctx, site, who("urn:harbour", "1"))), []string{"a", "b"})
	wantEqual(t, "in any", must(s.CasesOfPatient(ctx, site, who("", "1"))), []string{"a", "b", "c"})
	wantEqual(t, "nobody", must(s.CasesOfPatient(ctx, site, who("urn:harbour", "3"))), []string(nil))
	wantEqual(t, "at another site", must(s.CasesOfPatient(ctx, "ferry", who("", "1"))), []string(nil))
	if err := s.EraseIdentifying(ctx, site, "a"); err != nil {
		t.Fatal(err)
	}
	wantEqual(t, "after an erasure", must(s.CasesOfPatient(ctx, site, who("urn:harbour", "1"))), []string{"b"})
}

// TouchedBySearch holds the cost of what a search reads against the size of a store, as
// Touched does for lists.
func TouchedBySearch(t *testing.T, place func(t *testing.T) (s storage.Store, touched func(read func()) int)) {
	const few, many = 500, 4000
	reads := map[string]func(*testing.T, storage.Store){
		"a page of a lead": func(t *testing.T, s storage.Store) {
			page := must(s.Found(t.Context(), site, []storage.FoundRange{{Lead: 7, After: storage.FoundPlace{Case: 100}}}, 20))
			wantEqual(t, "rows of a page", len(page[0]), 20)
		},
		"the rows of a case": func(t *testing.T, s storage.Store) {
			wantEqual(t, "rows of a case", len(must(s.FoundOf(t.Context(), site, 100, []int64{7, 9}))), 3)
		},
		"cases by their numbers": func(t *testing.T, s storage.Store) {
			wantEqual(t, "cases", len(must(s.NumberedCases(t.Context(), site, []int64{3, 400}, []string{"case-00100"}))), 3)
		},
		"what changed last": func(t *testing.T, s storage.Store) {
			list, all, err := s.CasesChanged(t.Context(), site, start, 10)
			wantEqual(t, "changed", []any{len(list), all, err}, []any{10, false, nil})
		},
		"the cases of a patient": func(t *testing.T, s storage.Store) {
			wantEqual(t, "cases", must(s.CasesOfPatient(t.Context(), site, storage.Identifier{Value: "patient-00100"})), []string{"case-00100"})
		},
	}
	costs := map[string][2]int{}
	for i, cases := range []int{few, many} {
		s, touched := place(t)
		must(s.DeclareProjections(t.Context(), []storage.ProjectionVersion{searched(1)}))
		const writers = 64
		wantNone(t, together(writers, func(first int) error {
			for n := first; n < cases; n += writers {
				w := bringing(plain(fmt.Sprintf("case-%05d", n)), 1, foundRows("x", 1, 2, 5))
				w.Case.ChangedTime, w.Case.Patient.Value = after(n), fmt.Sprintf("patient-%05d", n)
				if err := s.Append(t.Context(), site, w); err != nil {
					return err
				}
			}
			return nil
		}))
		for name, read := range reads {
			read(t, s) // statements and schema are read once
			c := costs[name]
			c[i] = touched(func() { read(t, s) })
			costs[name] = c
		}
	}
	for name, c := range costs {
		t.Logf("%-24s %6d at %d cases, %6d at %d", name, c[0], few, c[1], many)
		if c[0] < 1 || c[1] >= 2*c[0] {
			t.Errorf("%s touches %d at %d cases and %d at %d: want less than twice", name, c[0], few, c[1], many)
		}
	}
}
