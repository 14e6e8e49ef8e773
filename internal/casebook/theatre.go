package casebook

import (
	"context"
	"errors"
	"fmt"

	"google.golang.org/protobuf/proto"

	"trigone/internal/convert"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

// SubmitTheatreCount keeps what the list of the theatres says of a month. The counts
// before it are kept too, and the newest stands.
func (b *Book) SubmitTheatreCount(ctx context.Context, who Principal, req *trigonev1.SubmitTheatreCountRequest) (*trigonev1.SubmitTheatreCountResponse, error) {
	site, err := b.Admit(who, req)
	if err != nil {
		return nil, err
	}
	now := b.now().UTC()
	zone, err := b.Zone(ctx)
	if err != nil {
		return nil, err
	}
	if err := RefuseFields(append(convert.Check(req), theatreFaults(req.GetCount(), now.In(zone).Format("2006-01"))...)); err != nil {
		return nil, err
	}
	month := req.GetCount().GetMonth()
	content := &trigonev1.TheatreCount{Rows: req.GetCount().GetRows()}
	message, err := proto.MarshalOptions{Deterministic: true}.Marshal(content)
	if err != nil {
		return nil, fmt.Errorf("the count of a theatre list cannot be written: %w", err)
	}
	for range attempts {
		stands, err := b.Store.TheatreCounts(ctx, site, month, month+"~")
		if err != nil {
			return nil, err
		}
		next := storage.TheatreCount{Month: month, Revision: 1, Received: now, Caller: who.Name, Message: message}
		if len(stands) > 0 {
			if string(stands[0].Message) == string(message) {
				count, err := TheatreCountMessage(stands[0])
				return &trigonev1.SubmitTheatreCountResponse{Count: count, Unchanged: true}, err
			}
			next.Revision = stands[0].Revision + 1
		}
		var lines []storage.Access
		access := AccessOf(ctx)
		if line := access.ofWrite(""); line != nil {
			lines = append(lines, *line)
		}
		err = b.Store.PutTheatreCount(ctx, site, next, lines)
		if errors.Is(err, storage.ErrStale) {
			continue
		}
		if err != nil {
			return nil, err
		}
		access.wrote()
		count, err := TheatreCountMessage(next)
		return &trigonev1.SubmitTheatreCountResponse{Count: count}, err
	}
	return nil, Refuse(Aborted, ReasonRace, "the count of %s was changed %d times meanwhile; read what stands, and submit again", month, attempts)
}

// theatreFaults gives what makes a count none: a month that has not begun, no rows at
// all, a kind of which two rows speak. present is the month that it is.
func theatreFaults(c *trigonev1.TheatreCount, present string) (list []convert.Violation) {
	switch {
	case c.GetMonth() == "":
		list = append(list, convert.Violation{Path: "count.month", Message: "is missing; give the month that was counted, as 2026-03"})
	case c.GetMonth() > present:
		list = append(list, convert.Violation{Path: "count.month", Message: "is a month that has not begun; give one up to " + present})
	}
	if len(c.GetRows()) == 0 {
		list = append(list, convert.Violation{Path: "count.rows", Message: "is empty; a month without operations has one row with count 0"})
	}
	type kind struct {
		aetiology trigonev1.Aetiology
		procedure trigonev1.TheatreProcedure
	}
	first := map[kind]int{}
	for i, r := range c.GetRows() {
		path := fmt.Sprintf("count.rows[%d]", i)
		if r.GetProcedure() == trigonev1.TheatreProcedure_THEATRE_PROCEDURE_UNSPECIFIED {
			list = append(list, convert.Violation{Path: path + ".procedure", Message: "is missing; say REPAIR, REPLACEMENT or OTHER"})
		}
		k := kind{r.GetAetiology(), r.GetProcedure()}
		if before, ok := first[k]; ok {
			list = append(list, convert.Violation{Path: path, Message: fmt.Sprintf("speaks of the same kind as rows[%d]; give one row a kind, with all of its operations", before)})
		} else {
			first[k] = i
		}
	}
	return list
}

// TheatreCountMessage gives a count as the contract has it.
func TheatreCountMessage(c storage.TheatreCount) (*trigonev1.TheatreCount, error) {
	out := &trigonev1.TheatreCount{}
	if err := proto.Unmarshal(c.Message, out); err != nil {
		return nil, fmt.Errorf("the count of the theatre list of %s cannot be read: %w", c.Month, err)
	}
	out.Month, out.Revision, out.ReceivedTime, out.Caller = c.Month, c.Revision, Timestamp(c.Received), c.Caller
	return out, nil
}
