package fhirrest

import (
	"bytes"
	"cmp"
	"context"
	"slices"
	"sync"
	"time"

	"github.com/klauspost/compress/zstd"

	"trigone/fhirmap"
	"trigone/internal/casebook"
	"trigone/internal/handover"
)

// shelf keeps the cases of the site in the order in which they were opened, and as
// many of them rendered and ready to be searched as fit: what is searched as it is,
// the texts packed. It follows the site's changes, so that a case is rendered again
// only when it was written.
type shelf struct {
	desk *handover.Desk
	zone *time.Location
	most int // bytes that are kept

	pack   *zstd.Encoder
	unpack *zstd.Decoder

	// turn lets one case be rendered at a time: searches that come together wait
	// for the same case instead of rendering it twice.
	turn chan struct{}

	mu      sync.Mutex
	after   int64 // number of the last change followed
	order   []*folder
	folders map[string]*folder
	kept    map[*folder]bool
	bytes   int
}

// folder is one case. Number and uid never change; the rest is the shelf's mutex's.
type folder struct {
	number int64 // of the case's first change
	uid    string

	version int64 // that the case has at least
	content *content
}

// content is a case, rendered.
type content struct {
	uid     string
	version int64 // of the case
	history int64 // the history number, version of every resource
	changed time.Time
	byType  map[string][]record // by id
	packed  []byte              // the texts of all, one behind the other
	bytes   int
}

func (c *content) record(typ, id string) (record, bool) {
	list := c.byType[typ]
	at, found := slices.BinarySearchFunc(list, id, func(r record, id string) int { return cmp.Compare(r.id, id) })
	if !found {
		return record{}, false
	}
	return list[at], true
}

// packWindow holds the texts of a case or two; more would only take memory.
const packWindow = 1 << 20

func newShelf(desk *handover.Desk, zone *time.Location, most int) (*shelf, error) {
	pack, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithWindowSize(packWindow))
	if err != nil {
		return nil, err
	}
	unpack, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(0))
	if err != nil {
		return nil, err
	}
	return &shelf{
		desk: desk, zone: zone, most: most, pack: pack, unpack: unpack, turn: make(chan struct{}, 1),
		folders: map[string]*folder{}, kept: map[*folder]bool{},
	}, nil
}

// texts gives the texts of a case, in which each record knows its place; into is
// written over.
func (s *shelf) texts(c *content, into []byte) ([]byte, error) {
	return s.unpack.DecodeAll(c.packed, into[:0])
}

// followed is how many changes are read at once.
const followed = 1000

// refresh takes up what changed.
func (s *shelf) refresh(ctx context.Context) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	for {
		list, next, err := s.desk.CaseVersions(ctx, casebook.PrincipalOf(ctx), s.after, followed)
		if err != nil {
			return err
		}
		if next == s.after {
			return nil
		}
		s.after = next
		for _, c := range list {
			f, known := s.folders[c.UID]
			if !known {
				f = &folder{number: c.Number, uid: c.UID}
				s.folders[c.UID] = f
				s.order = append(s.order, f)
			}
			f.version = max(f.version, c.Version)
		}
	}
}

// from gives the cases whose number is at least this one, in order. The slice is
// not written to again: cases are only ever added behind it.
func (s *shelf) from(number int64) []*folder {
	s.mu.Lock()
	defer s.mu.Unlock()
	at, _ := slices.BinarySearchFunc(s.order, number, func(f *folder, n int64) int { return cmp.Compare(f.number, n) })
	return s.order[at:len(s.order):len(s.order)]
}

func (s *shelf) current(f *folder) *content {
	s.mu.Lock()
	defer s.mu.Unlock()
	if f.content != nil && f.content.version >= f.version {
		return f.content
	}
	return nil
}

// open gives a case as it stands, rendered.
func (s *shelf) open(ctx context.Context, f *folder) (*content, error) {
	if c := s.current(f); c != nil {
		return c, nil
	}
	select {
	case s.turn <- struct{}{}:
		defer func() { <-s.turn }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	if c := s.current(f); c != nil {
		return c, nil
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	rendered, err := s.desk.CaseResources(ctx, casebook.PrincipalOf(ctx), f.uid)
	if err != nil {
		return nil, err
	}
	c, err := s.prepare(rendered)
	if err != nil {
		return nil, err
	}
	c.uid = f.uid
	s.keep(f, c)
	return c, nil
}

// valueBytes is what one resource's searched values take beside its text, measured
// over the invented cases.
const valueBytes = 1600

// prepare makes a rendered case ready to be searched.
func (s *shelf) prepare(rendered handover.CaseResources) (*content, error) {
	c := &content{version: rendered.Version, history: rendered.HistoryNumber, changed: rendered.ChangedTime, byType: map[string][]record{}}
	reader := newReader(s.zone)
	var texts []byte
	for _, r := range rendered.Resources {
		t := typeNamed(r.Type)
		if t == nil {
			continue // a type that this face does not serve
		}
		x, err := reader.read(t, r)
		if err != nil {
			return nil, err
		}
		x.at, x.length = len(texts), len(r.JSON)
		texts = append(texts, r.JSON...)
		c.byType[t.name] = append(c.byType[t.name], x)
		c.bytes += valueBytes
	}
	for _, list := range c.byType {
		slices.SortFunc(list, func(a, b record) int { return cmp.Compare(a.id, b.id) })
	}
	c.packed = bytes.Clone(s.pack.EncodeAll(texts, nil)) // without the room it was made in
	c.bytes += len(c.packed)
	return c, nil
}

// keep puts a rendered case on the shelf. Where there is no room, cases in no
// particular order make some: the oldest would be the very ones that the next
// search begins with.
func (s *shelf) keep(f *folder, c *content) {
	s.mu.Lock()
	defer s.mu.Unlock()
	f.version = max(f.version, c.version)
	s.drop(f)
	for other := range s.kept {
		if s.bytes+c.bytes <= s.most {
			break
		}
		s.drop(other)
	}
	if s.bytes+c.bytes <= s.most {
		f.content, s.kept[f] = c, true
		s.bytes += c.bytes
	}
}

func (s *shelf) drop(f *folder) {
	if s.kept[f] {
		s.bytes -= f.content.bytes
		f.content = nil
		delete(s.kept, f)
	}
}

// candidates gives the cases whose resource ids begin like this one: by one look
// into the store, whatever the id is. Two cases may begin alike.
func (s *shelf) candidates(ctx context.Context, prefix int64) ([]*folder, error) {
	uids, known, err := s.desk.CasesOf(ctx, casebook.PrincipalOf(ctx), prefix)
	if err != nil {
		return nil, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	var list []*folder
	if !known { // until the store has built its index
		for _, f := range s.order {
			if fhirmap.CasePrefix(f.uid) == prefix {
				list = append(list, f)
			}
		}
		return list, nil
	}
	for _, uid := range uids {
		if f := s.folders[uid]; f != nil {
			list = append(list, f)
		}
	}
	return list, nil
}

// warm opens every case, so that the first search need not; it ends with ctx. A
// case that cannot be opened is left to those who ask for it.
func (s *shelf) warm(ctx context.Context) {
	if s.refresh(ctx) != nil {
		return
	}
	for _, f := range s.from(0) {
		if ctx.Err() != nil || s.full() {
			return
		}
		_, _ = s.open(ctx, f)
	}
}

func (s *shelf) full() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.bytes*10 > s.most*9
}

// find gives one resource as it stands. A case that begins like the id counts only
// if it has the whole of it.
func (s *shelf) find(ctx context.Context, typ, id string) (record, *content, error) {
	prefix, ok := fhirmap.PrefixOf(id)
	if !ok {
		return record{}, nil, notFound()
	}
	if err := s.refresh(ctx); err != nil {
		return record{}, nil, err
	}
	list, err := s.candidates(ctx, prefix)
	if err != nil {
		return record{}, nil, err
	}
	for _, f := range list {
		c, err := s.open(ctx, f)
		if err != nil {
			return record{}, nil, err
		}
		if r, found := c.record(typ, id); found {
			casebook.AccessOf(ctx).Case(f.uid)
			return r, c, nil
		}
	}
	return record{}, nil, notFound()
}
