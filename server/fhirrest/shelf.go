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

// shelf keeps the cases that were rendered last, as many as fit: what is searched as
// it is, the texts packed. A case that was written since is rendered again.
type shelf struct {
	desk *handover.Desk
	zone *time.Location
	most int // bytes that are kept

	pack   *zstd.Encoder
	unpack *zstd.Decoder

	// turn lets one case be rendered at a time: searches that come together wait
	// for the same case instead of rendering it twice.
	turn chan struct{}

	mu    sync.Mutex
	kept  map[string]*content // by uid
	bytes int
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

// part gives the resource of a type by the part of its id.
func (c *content) part(typ string, part int64) (record, bool) {
	list := c.byType[typ]
	at, found := slices.BinarySearchFunc(list, part, func(r record, part int64) int { return cmp.Compare(r.part, part) })
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
		kept: map[string]*content{},
	}, nil
}

// texts gives the texts of a case, in which each record knows its place; into is
// written over.
func (s *shelf) texts(c *content, into []byte) ([]byte, error) {
	return s.unpack.DecodeAll(c.packed, into[:0])
}

// current gives a case that is kept in this version or a newer one.
func (s *shelf) current(uid string, version int64) *content {
	s.mu.Lock()
	defer s.mu.Unlock()
	if c := s.kept[uid]; c != nil && c.version >= version {
		return c
	}
	return nil
}

// open gives a case, rendered in the version it was met in or a newer one.
func (s *shelf) open(ctx context.Context, of handover.NumberedCase) (*content, error) {
	if c := s.current(of.UID, of.Version); c != nil {
		return c, nil
	}
	select {
	case s.turn <- struct{}{}:
		defer func() { <-s.turn }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	if c := s.current(of.UID, of.Version); c != nil {
		return c, nil
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	rendered, err := s.desk.CaseResources(ctx, casebook.PrincipalOf(ctx), of.UID)
	if err != nil {
		return nil, err
	}
	c, err := s.prepare(rendered)
	if err != nil {
		return nil, err
	}
	s.keep(c)
	return c, nil
}

// valueBytes is what one resource's searched values take beside its text, measured
// over the invented cases.
const valueBytes = 1600

// prepare makes a rendered case ready to be searched.
func (s *shelf) prepare(rendered handover.CaseResources) (*content, error) {
	c := &content{uid: rendered.UID, version: rendered.Version, history: rendered.HistoryNumber, changed: rendered.ChangedTime, byType: map[string][]record{}}
	reader := newReader(s.zone)
	reader.inside = s.desk.Inside
	var texts []byte
	slices.SortFunc(rendered.Resources, func(a, b fhirmap.Resource) int { return cmp.Compare(a.ID, b.ID) })
	parts := partsOf(rendered.Resources)
	for i, r := range rendered.Resources {
		t := typeNamed(r.Type)
		if t == nil {
			continue // a type that this face does not serve
		}
		x, err := reader.read(t, r)
		if err != nil {
			return nil, err
		}
		x.at, x.length, x.part = len(texts), len(r.JSON), parts[i]
		texts = append(texts, r.JSON...)
		c.byType[t.name] = append(c.byType[t.name], x)
		c.bytes += valueBytes
	}
	c.packed = bytes.Clone(s.pack.EncodeAll(texts, nil)) // without the room it was made in
	c.bytes += len(c.packed)
	return c, nil
}

// keep puts a rendered case on the shelf. Where there is no room, cases in no
// particular order make some.
func (s *shelf) keep(c *content) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.drop(c.uid)
	for other := range s.kept {
		if s.bytes+c.bytes <= s.most {
			break
		}
		s.drop(other)
	}
	if s.bytes+c.bytes <= s.most {
		s.kept[c.uid] = c
		s.bytes += c.bytes
	}
}

func (s *shelf) drop(uid string) {
	if c := s.kept[uid]; c != nil {
		s.bytes -= c.bytes
		delete(s.kept, uid)
	}
}

// find gives one resource as it stands. A case that begins like the id counts only
// if it has the whole of it.
func (s *shelf) find(ctx context.Context, typ, id string) (record, *content, error) {
	prefix, ok := fhirmap.PrefixOf(id)
	if !ok {
		return record{}, nil, notFound()
	}
	finder, err := s.desk.Finder(casebook.PrincipalOf(ctx))
	if err != nil {
		return record{}, nil, err
	}
	uids, err := finder.CasesOfPrefix(ctx, prefix)
	if err != nil {
		return record{}, nil, err
	}
	cases, err := finder.Cases(ctx, nil, uids)
	if err != nil {
		return record{}, nil, err
	}
	for _, of := range cases {
		c, err := s.open(ctx, of)
		if err != nil {
			return record{}, nil, err
		}
		if r, found := c.record(typ, id); found {
			casebook.AccessOf(ctx).Case(of.UID)
			return r, c, nil
		}
	}
	return record{}, nil, notFound()
}
