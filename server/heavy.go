package server

import (
	"context"
	"runtime"
	"time"

	"golang.org/x/sync/semaphore"
	"google.golang.org/grpc"

	trigonev1 "trigone/proto/trigone/v1"
)

// A kind of heavy call has a room of its own: one kind can keep its own callers
// waiting, never those of another. What a call calculates it does in turns with all
// others (casebook.Archive.Turn); searches have half of the processors for themselves.
const (
	explorations = "explorations"
	exports      = "exports"
	renderings   = "bundles and notes"
	searches     = "searches"
)

type room struct {
	size int64         // how much of the kind is in hand at once, by weight
	wait time.Duration // how long a call waits to get in before it is refused
}

// rooms: a stream keeps its place for as long as its client reads, the others keep
// theirs for a moment.
func rooms() map[string]room {
	return map[string]room{
		explorations: {4, 2 * time.Second},
		exports:      {2, 2 * time.Second},
		renderings:   {16, 5 * time.Second},
		searches:     {int64(max(runtime.GOMAXPROCS(0)/2, 1)), 20 * time.Second},
	}
}

// weighed is what a call takes of the room of its kind. A note may be a PDF, which
// carries its fonts.
type weighed struct {
	kind   string
	weight int64
}

var heavyMethods = map[string]weighed{
	trigonev1.PlanningService_ExplorePlans_FullMethodName:              {explorations, 1},
	trigonev1.ElectronicRecordService_ExportResources_FullMethodName:   {exports, 1},
	trigonev1.AuditService_ExtractTable_FullMethodName:                 {exports, 1},
	trigonev1.ElectronicRecordService_GetBundle_FullMethodName:         {renderings, 1},
	trigonev1.ElectronicRecordService_GetOperativeNote_FullMethodName:  {renderings, 2},
	trigonev1.ElectronicRecordService_SignOperativeNote_FullMethodName: {renderings, 2},
}

// heavy keeps the rooms.
type heavy struct {
	rooms map[string]room
	taken map[string]*semaphore.Weighted
	// limits bound what one identity takes of all rooms.
	limits *limits
}

func newHeavy(rooms map[string]room, limits *limits) *heavy {
	h := &heavy{rooms: rooms, limits: limits, taken: map[string]*semaphore.Weighted{}}
	for kind, r := range rooms {
		h.taken[kind] = semaphore.NewWeighted(r.size)
	}
	return h
}

// enter waits for room; the one that got in calls leave.
func (h *heavy) enter(ctx context.Context, w weighed) (leave func(), err error) {
	if w.weight == 0 {
		return func() {}, nil
	}
	waiting, cancel := context.WithTimeout(ctx, h.rooms[w.kind].wait)
	defer cancel()
	end, err := h.limits.of(callerOf(ctx)).heavyCall()
	if err != nil {
		return nil, err
	}
	taken := h.taken[w.kind]
	if err := taken.Acquire(waiting, w.weight); err != nil {
		end()
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		return nil, busy(w.kind)
	}
	return func() {
		taken.Release(w.weight)
		end()
	}, nil
}

// search lets a search of the REST face in.
func (h *heavy) search(ctx context.Context) (leave func(), err error) {
	return h.enter(ctx, weighed{searches, 1})
}

// export lets an export of the REST face in.
func (h *heavy) export(ctx context.Context) (leave func(), err error) {
	return h.enter(ctx, weighed{exports, 1})
}

func (h *heavy) unary(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
	leave, err := h.enter(ctx, heavyMethods[info.FullMethod])
	if err != nil {
		return nil, err
	}
	defer leave()
	return handler(ctx, req)
}

func (h *heavy) stream(srv any, stream grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
	leave, err := h.enter(stream.Context(), heavyMethods[info.FullMethod])
	if err != nil {
		return err
	}
	defer leave()
	return handler(srv, stream)
}
