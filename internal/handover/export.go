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
	return Desks{d}.ExportResources(ctx, who, req, send)
}

// Desks are those of the sites of one export, by name.
type Desks []*Desk

// ExportResources hands over the resources of one site after the other, each by its own
// mapping and with its own consent; a token holds where it stands in the changes of each.
func (l Desks) ExportResources(ctx context.Context, who casebook.Principal, req *trigonev1.ExportResourcesRequest, send func(*trigonev1.ExportResourcesResponse) error) error {
	archives := make(casebook.Archives, len(l))
	for i, d := range l {
		archives[i] = d.archive
	}
	sites, err := archives.Admit(who, req)
	if err != nil {
		return err
	}
	if err := casebook.RefuseFields(append(convert.Check(req), unknownTypes(req.GetResourceTypes())...)); err != nil {
		return err
	}
	types := slices.Clone(req.GetResourceTypes())
	slices.Sort(types)
	types = slices.Compact(types)
	// A token belongs to the sites and to the types asked for: an export of other types
	// that began there would miss what was passed over before.
	tokens := archives.Tokens()
	question, err := tokens.Question("ExportResources", &trigonev1.ExportResourcesRequest{Parent: "sites/" + strings.Join(sites, " "), ResourceTypes: types})
	if err != nil {
		return err
	}
	begin, err := tokens.Position("since", req.GetSince(), question)
	if err != nil {
		return err
	}
	e := newExport(ctx, types, send)
	for _, d := range l {
		e.passages = append(e.passages, &passage{export: e, desk: d, site: d.archive.Policy.Settings.Site})
	}
	if begin != "" {
		marks := strings.Split(begin, " ")
		for i, p := range e.passages {
			if err := p.from(marks[i]); err != nil {
				return err
			}
		}
	}
	return e.all(l[0], func() (string, error) {
		var marks []string
		for _, p := range e.passages {
			marks = append(marks, p.mark())
		}
		return tokens.Token(question, strings.Join(marks, " "))
	})
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
	e := newExport(ctx, slices.Compact(types), send)
	p := &passage{export: e, desk: d, site: site, since: since}
	e.passages = append(e.passages, p)
	if err := p.fromTime(since); err != nil {
		return err
	}
	return e.all(d, func() (string, error) { return "", nil })
}

func newExport(ctx context.Context, types []string, send func(*trigonev1.ExportResourcesResponse) error) *export {
	return &export{ctx: ctx, types: types, out: send, buffers: map[string]*buffer{}, counts: map[string]int64{}}
}

// fromTime begins behind the changes before the first one at a time or later.
func (p *passage) fromTime(since time.Time) error {
	for !since.IsZero() {
		changes, err := p.desk.archive.Store.Changes(p.ctx, p.site, p.last.Number, changesAtOnce)
		if err != nil || len(changes) == 0 {
			return err
		}
		for _, c := range changes {
			if !c.Time.Before(since) {
				return nil
			}
			p.last = c
		}
	}
	return nil
}

// all walks to the end, and tells it.
func (e *export) all(of *Desk, token func() (string, error)) error {
	began := of.now()
	if err := e.walk(); err != nil {
		return err
	}
	end := &trigonev1.ExportEnd{TransactionTime: casebook.Timestamp(began.UTC())}
	var err error
	if end.NextSince, err = token(); err != nil {
		return err
	}
	if end.Invented, err = of.archive.Invented(e.ctx); err != nil {
		return err
	}
	for _, typ := range slices.Sorted(maps.Keys(e.counts)) {
		end.Counts = append(end.Counts, &trigonev1.ResourceCount{ResourceType: typ, Count: e.counts[typ]})
	}
	return e.send(&trigonev1.ExportResourcesResponse{Content: &trigonev1.ExportResourcesResponse_End{End: end}})
}

func unknownTypes(types []string) []convert.Violation {
	var list []convert.Violation
	known := append(fhirmap.ResourceTypes(), fhirmap.TypeAuditEvent)
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
	ctx   context.Context
	types []string // sorted; empty: all
	out   func(*trigonev1.ExportResourcesResponse) error

	passages []*passage
	buffers  map[string]*buffer
	counts   map[string]int64
}

// passage is the way of an export through the changes of one site.
type passage struct {
	*export
	desk *Desk
	site string

	last     storage.Change // the change that everything before, and it, is done with
	lastLine storage.Access // likewise of the access record, where that is asked for
	// since leaves out lines from before.
	since time.Time
	done  int64
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
func (p *passage) print(c storage.Change) string {
	return hex.EncodeToString(p.desk.archive.KeyedHash([]byte(c.CaseUID), []byte(c.QuarantineID), []byte(c.Kind),
		[]byte(strconv.FormatInt(c.CaseVersion, 10)), []byte(strconv.FormatInt(c.Time.UnixNano(), 10)))[:8])
}

// mark writes where it stands, in the changes and, where it is asked for, in the access
// record.
func (p *passage) mark() string {
	mark := "0:"
	if p.last.Number != 0 {
		mark = strconv.FormatInt(p.last.Number, 10) + ":" + p.print(p.last)
	}
	if p.accesses() && p.lastLine.Number != 0 {
		mark += "/" + strconv.FormatInt(p.lastLine.Number, 10) + ":" + printOf(p.lastLine)
	}
	return mark
}

// printOf identifies a line of the access record.
func printOf(line storage.Access) string {
	return hex.EncodeToString(line.Hash[:min(8, len(line.Hash))])
}

// accesses says whether the access record is asked for: it is nothing of a case, and
// never in an export of all.
func (e *export) accesses() bool { return slices.Contains(e.types, fhirmap.TypeAuditEvent) }

// ofCases says whether anything of cases is asked for.
func (e *export) ofCases() bool { return !e.accesses() || len(e.types) > 1 }

// from begins behind a mark.
func (p *passage) from(mark string) error {
	mark, line, _ := strings.Cut(mark, "/")
	if err := p.fromLine(line); err != nil {
		return err
	}
	if mark == "0:" {
		return nil
	}
	number, hash, ok := strings.Cut(mark, ":")
	n, err := strconv.ParseInt(number, 10, 64)
	if !ok || err != nil {
		return fmt.Errorf("position of a token: %q", mark)
	}
	rows, err := p.desk.archive.Store.Changes(p.ctx, p.site, n-1, 1)
	if err != nil {
		return err
	}
	if len(rows) == 0 || rows[0].Number != n || p.print(rows[0]) != hash {
		return casebook.Refuse(casebook.FailedPrecondition, casebook.ReasonOtherRecord,
			"the record does not hold the change that this token names: it was set back to an older copy since; export everything, without since")
	}
	p.last = rows[0]
	return nil
}

// fromLine begins behind a line of the access record.
func (p *passage) fromLine(mark string) error {
	if mark == "" {
		return nil
	}
	number, hash, ok := strings.Cut(mark, ":")
	n, err := strconv.ParseInt(number, 10, 64)
	if !ok || err != nil {
		return fmt.Errorf("position of a token: %q", mark)
	}
	lines, err := p.desk.archive.Store.AccessesAfter(p.ctx, p.site, n-1, 1)
	if err != nil {
		return err
	}
	if len(lines) == 0 || lines[0].Number != n || printOf(lines[0]) != hash {
		return casebook.Refuse(casebook.FailedPrecondition, casebook.ReasonOtherRecord,
			"the access record does not hold the line that this token names: it was set back to an older copy, or the line is older than lines are kept; export everything, without since")
	}
	p.lastLine = lines[0]
	return nil
}

// walkLines hands over the lines of the access record.
func (p *passage) walkLines() error {
	for {
		lines, err := p.desk.archive.Store.AccessesAfter(p.ctx, p.site, p.lastLine.Number, changesAtOnce)
		if err != nil || len(lines) == 0 {
			return err
		}
		for _, a := range lines {
			p.lastLine = a
			if a.Time.Before(p.since) {
				continue
			}
			r, err := p.desk.of.AuditEvent(fhirmap.AccessLine{
				Number: a.Number, Time: a.Time, Site: a.Site, Caller: a.Caller, Method: a.Method, CaseUID: a.CaseUID, Cases: a.Cases, Outcome: a.Outcome,
				RequestID: a.RequestID, Concerns: a.Concerns, Emergency: a.Detail == storage.AccessEmergency, Service: a.Caller == storage.AccessSelf, Hash: a.Hash,
			})
			if err != nil {
				return err
			}
			if err := p.line(r.Type, r.JSON); err != nil {
				return err
			}
		}
		if err := p.progress(); err != nil {
			return err
		}
	}
}

// follow calls write with the first change of every write of a case behind the
// mark, and with every one of the mapping, until none follows, and page after every page of changes; it gives the
// last change.
func (p *passage) follow(write func(storage.Change) error, page func() error) (last storage.Change, err error) {
	last = p.last
	var before storage.Change
	for {
		changes, err := p.desk.archive.Store.Changes(p.ctx, p.site, last.Number, changesAtOnce)
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
func (p *passage) measure() error {
	mapped := false
	count := func() (err error) {
		p.total = 0
		_, err = p.follow(func(c storage.Change) error {
			if c.CaseUID == "" {
				mapped = true
				return nil
			}
			p.total++
			return nil
		}, p.ctx.Err)
		return err
	}
	if err := count(); err != nil || !mapped || p.last.Number == 0 {
		return err
	}
	p.last = storage.Change{}
	return count()
}

func (e *export) walk() error {
	for _, p := range e.passages {
		if !e.ofCases() {
			break
		}
		if err := p.measure(); err != nil {
			return err
		}
	}
	if err := e.progress(); err != nil {
		return err
	}
	for _, p := range e.passages {
		if e.ofCases() {
			if err := p.walk(); err != nil {
				return err
			}
		}
		if e.accesses() {
			if err := p.walkLines(); err != nil {
				return err
			}
		}
	}
	for _, typ := range slices.Sorted(maps.Keys(e.buffers)) {
		if err := e.flush(typ); err != nil {
			return err
		}
	}
	return e.progress()
}

func (p *passage) walk() error {
	measured, passed := p.total, int64(0)
	last, err := p.follow(func(c storage.Change) error {
		if c.CaseUID == "" {
			return nil // of the mapping: measured
		}
		if passed++; passed > measured {
			p.total++ // committed since it was measured
		}
		return p.one(c)
	}, p.progress)
	p.last = last
	return err
}

// one sends a case at a change, unless a newer write of it is still to come.
func (p *passage) one(at storage.Change) error {
	list, current, err := p.desk.resourcesAt(p.ctx, p.site, at.CaseUID, at.CaseVersion)
	switch {
	case err != nil:
		return fmt.Errorf("export of case %s: %w", at.CaseUID, err)
	case !current:
		p.total--
		return nil
	}
	p.done++
	casebook.AccessOf(p.ctx).At(p.site).Case(at.CaseUID)
	for _, r := range list {
		if p.wants(r.Type) {
			if err := p.line(r.Type, r.JSON); err != nil {
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
	now := &trigonev1.ExportProgress{}
	for _, p := range e.passages {
		now.CasesDone += p.done
		now.CasesTotal += p.total
	}
	return e.send(&trigonev1.ExportResourcesResponse{Content: &trigonev1.ExportResourcesResponse_Progress{Progress: now}})
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
