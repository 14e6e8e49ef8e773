package handover

import (
	"cmp"
	"context"
	"encoding/hex"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"trigone/fhirmap"
	"trigone/internal/casebook"
	"trigone/internal/convert"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

const (
	// chunkBytes is the size of a chunk; only a line that is longer by itself makes
	// a larger one.
	chunkBytes = 256 << 10
	// changesAtOnce is how many changes are read at a time; progress is told after
	// each such page.
	changesAtOnce = 200
)

// ExportResources hands the resources of every case that changed to send, one case
// at a time, so that the memory it takes does not grow with the record. It ends
// with ctx or with the first error of send.
//
// It follows the order of changes. A case is sent where its newest change stands:
// at an older one it is passed over, because the newer one is still to come. What
// is committed while it runs lengthens the way; at its end the case of every change
// passed was sent as it was then or later, and the token names the last change.
// A case that is written while it runs may be sent twice, the newer one later.
func (d *Desk) ExportResources(ctx context.Context, who casebook.Principal, req *trigonev1.ExportResourcesRequest, send func(*trigonev1.ExportResourcesResponse) error) error {
	site, err := d.archive.Admit(who, req)
	if err != nil {
		return err
	}
	if err := casebook.RefuseFields(append(convert.Check(req), unknownTypes(req.GetResourceTypes())...)); err != nil {
		return err
	}
	types := slices.Clone(req.GetResourceTypes())
	slices.Sort(types)
	types = slices.Compact(types)
	// A token belongs to a site and to the types asked for: an export of other types
	// that began there would miss what was passed over before.
	question, err := d.archive.Question("ExportResources", &trigonev1.ExportResourcesRequest{Parent: "sites/" + site, ResourceTypes: types})
	if err != nil {
		return err
	}
	begin, err := d.archive.Position("since", req.GetSince(), question)
	if err != nil {
		return err
	}
	e := d.export(ctx, site, types, send)
	if err := e.from(begin); err != nil {
		return err
	}
	return e.all(func() (string, error) { return d.archive.Token(question, e.mark()) })
}

// ExportSince hands over the resources of every case that changed at a time or later,
// of these types or, with none, of all. Its end has no token.
func (d *Desk) ExportSince(ctx context.Context, who casebook.Principal, types []string, since time.Time, send func(*trigonev1.ExportResourcesResponse) error) error {
	site, err := d.archive.Admit(who, nil)
	if err != nil {
		return err
	}
	types = slices.Clone(types)
	slices.Sort(types)
	e := d.export(ctx, site, slices.Compact(types), send)
	if err := e.fromTime(since); err != nil {
		return err
	}
	return e.all(func() (string, error) { return "", nil })
}

func (d *Desk) export(ctx context.Context, site string, types []string, send func(*trigonev1.ExportResourcesResponse) error) *export {
	return &export{
		desk: d, ctx: ctx, site: site, types: types, out: send,
		buffers: map[string]*buffer{}, counts: map[string]int64{},
	}
}

// fromTime begins behind the changes before the first one at a time or later.
func (e *export) fromTime(since time.Time) error {
	for !since.IsZero() {
		changes, err := e.desk.archive.Store.Changes(e.ctx, e.site, e.last.Number, changesAtOnce)
		if err != nil || len(changes) == 0 {
			return err
		}
		for _, c := range changes {
			if !c.Time.Before(since) {
				return nil
			}
			e.last = c
		}
	}
	return nil
}

// all walks to the end, and tells it.
func (e *export) all(token func() (string, error)) error {
	d := e.desk
	began := d.now()
	if err := e.walk(); err != nil {
		return err
	}
	end := &trigonev1.ExportEnd{TransactionTime: casebook.Timestamp(began.UTC())}
	var err error
	if end.NextSince, err = token(); err != nil {
		return err
	}
	for _, typ := range slices.Sorted(maps.Keys(e.counts)) {
		end.Counts = append(end.Counts, &trigonev1.ResourceCount{ResourceType: typ, Count: e.counts[typ]})
	}
	return e.send(&trigonev1.ExportResourcesResponse{Content: &trigonev1.ExportResourcesResponse_End{End: end}})
}

func unknownTypes(types []string) []convert.Violation {
	var list []convert.Violation
	known := fhirmap.ResourceTypes()
	for i, typ := range types {
		if !slices.Contains(known, typ) {
			list = append(list, convert.Violation{
				Path:    fmt.Sprintf("resource_types[%d]", i),
				Message: "is no type that this service makes; it makes " + strings.Join(known, ", "),
			})
		}
	}
	return list
}

// export is one export under way.
type export struct {
	desk  *Desk
	ctx   context.Context
	site  string
	types []string // sorted; empty: all
	out   func(*trigonev1.ExportResourcesResponse) error

	last    storage.Change // the change that everything before, and it, is done with
	buffers map[string]*buffer
	counts  map[string]int64
	done    int64
	// total is the number of writes on the way less those that a newer write of
	// their case outdid: it falls to the number of cases.
	total int64
}

// buffer holds lines of one type that were not sent yet.
type buffer struct {
	lines []byte
	count int32
}

func (e *export) wants(typ string) bool {
	_, found := slices.BinarySearch(e.types, typ)
	return found || len(e.types) == 0
}

// print identifies a change, so that a token of a record that was set back to an
// older copy is noticed.
func (e *export) print(c storage.Change) string {
	return hex.EncodeToString(e.desk.archive.KeyedHash([]byte(c.CaseUID), []byte(c.QuarantineID), []byte(c.Kind),
		[]byte(strconv.FormatInt(c.CaseVersion, 10)), []byte(strconv.FormatInt(c.Time.UnixNano(), 10)))[:8])
}

// mark writes where the export stands.
func (e *export) mark() string {
	if e.last.Number == 0 {
		return "0:"
	}
	return strconv.FormatInt(e.last.Number, 10) + ":" + e.print(e.last)
}

// from begins behind a mark.
func (e *export) from(mark string) error {
	if mark == "" || mark == "0:" {
		return nil
	}
	number, hash, ok := strings.Cut(mark, ":")
	n, err := strconv.ParseInt(number, 10, 64)
	if !ok || err != nil {
		return fmt.Errorf("position of a token: %q", mark)
	}
	rows, err := e.desk.archive.Store.Changes(e.ctx, e.site, n-1, 1)
	if err != nil {
		return err
	}
	if len(rows) == 0 || rows[0].Number != n || e.print(rows[0]) != hash {
		return casebook.Refuse(casebook.FailedPrecondition, casebook.ReasonOtherRecord,
			"the record does not hold the change that this token names: it was set back to an older copy since; export everything, without since")
	}
	e.last = rows[0]
	return nil
}

// follow calls write with the first change of every write of a case behind the
// mark, and with every one of the mapping, until none follows, and page after every page of changes; it gives the
// last change.
func (e *export) follow(write func(storage.Change) error, page func() error) (last storage.Change, err error) {
	last = e.last
	var before storage.Change
	for {
		changes, err := e.desk.archive.Store.Changes(e.ctx, e.site, last.Number, changesAtOnce)
		if err != nil || len(changes) == 0 {
			return last, err
		}
		for _, c := range changes {
			// The changes of one write stand in a row; a quarantined submit is no case's.
			first := c.CaseUID != "" && (c.CaseUID != before.CaseUID || c.CaseVersion != before.CaseVersion)
			if before, last = c, c; !first && c.Kind != storage.ChangeMappingChanged {
				continue
			}
			if err := write(c); err != nil {
				return last, err
			}
		}
		if err := page(); err != nil {
			return last, err
		}
	}
}

// measure counts the writes on the way. Where resources are made by another mapping
// or with other codes of the site since the mark, every case is on it.
func (e *export) measure() error {
	mapped := false
	count := func() (err error) {
		e.total = 0
		_, err = e.follow(func(c storage.Change) error {
			if c.CaseUID == "" {
				mapped = true
				return nil
			}
			e.total++
			return nil
		}, e.ctx.Err)
		return err
	}
	if err := count(); err != nil || !mapped || e.last.Number == 0 {
		return err
	}
	e.last = storage.Change{}
	return count()
}

func (e *export) walk() error {
	if err := e.measure(); err != nil {
		return err
	}
	if err := e.progress(); err != nil {
		return err
	}
	measured, passed := e.total, int64(0)
	last, err := e.follow(func(c storage.Change) error {
		if c.CaseUID == "" {
			return nil // of the mapping: measured
		}
		if passed++; passed > measured {
			e.total++ // committed since it was measured
		}
		return e.one(c)
	}, e.progress)
	if err != nil {
		return err
	}
	e.last = last
	for _, typ := range slices.Sorted(maps.Keys(e.buffers)) {
		if err := e.flush(typ); err != nil {
			return err
		}
	}
	return e.progress()
}

// one sends a case at a change, unless a newer write of it is still to come.
func (e *export) one(at storage.Change) error {
	list, current, err := e.desk.resourcesAt(e.ctx, e.site, at.CaseUID, at.CaseVersion)
	switch {
	case err != nil:
		return fmt.Errorf("export of case %s: %w", at.CaseUID, err)
	case !current:
		e.total--
		return nil
	}
	e.done++
	casebook.AccessOf(e.ctx).Case(at.CaseUID)
	for _, r := range list {
		if e.wants(r.Type) {
			if err := e.line(r.Type, r.JSON); err != nil {
				return err
			}
		}
	}
	return nil
}

// resourcesAt gives the resources of a case if it is still in that version.
func (d *Desk) resourcesAt(ctx context.Context, site, uid string, version int64) (list []fhirmap.Resource, current bool, err error) {
	c, err := d.archive.Store.Case(ctx, site, uid)
	if err != nil || c.Version != version {
		return nil, false, err
	}
	list, now, err := d.resources(ctx, c, d.withoutStaff, false)
	return list, err == nil && now.Version == version, err
}

// line adds a line to those of its type.
func (e *export) line(typ string, text []byte) error {
	b := e.buffers[typ]
	if b == nil {
		b = &buffer{}
		e.buffers[typ] = b
	}
	if len(b.lines)+len(text)+1 > chunkBytes {
		if err := e.flush(typ); err != nil {
			return err
		}
	}
	b.lines = append(append(b.lines, text...), '\n')
	b.count++
	e.counts[typ]++
	return nil
}

// flush sends the lines of a type that wait.
func (e *export) flush(typ string) error {
	b := e.buffers[typ]
	if b.count == 0 {
		return nil
	}
	chunk := &trigonev1.ResourceChunk{ResourceType: typ, Ndjson: string(b.lines), Count: b.count}
	b.lines, b.count = b.lines[:0], 0
	return e.send(&trigonev1.ExportResourcesResponse{Content: &trigonev1.ExportResourcesResponse_Chunk{Chunk: chunk}})
}

func (e *export) progress() error {
	return e.send(&trigonev1.ExportResourcesResponse{Content: &trigonev1.ExportResourcesResponse_Progress{
		Progress: &trigonev1.ExportProgress{CasesDone: e.done, CasesTotal: e.total},
	}})
}

// send sends one answer, unless nobody waits for it any more.
func (e *export) send(r *trigonev1.ExportResourcesResponse) error {
	if err := e.ctx.Err(); err != nil {
		return err
	}
	if err := e.out(r); err != nil {
		return cmp.Or(e.ctx.Err(), err)
	}
	return nil
}
