package casebook

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"trigone/internal/convert"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

// Keep says for how long is kept what is not kept for good; 0: for good.
type Keep struct {
	Quarantine, Requests, Accesses time.Duration
	// Sign signs where the access record is cut, with the key whose public half is Key;
	// nil: no line of it goes.
	Sign func(storage.AccessCut) storage.AccessCut
	Key  []byte
}

const methodRetention = "AdministrationService/RunRetention"

// What retention tells.
const (
	quarantineGoes  = "Bodies of submits that were filed or discarded, with the reasons given, from that decision on. That they came, and what became of them, stays."
	quarantineHeld  = " Submits that nobody has filed or discarded yet are never removed for their age: decide on them."
	requestsGo      = "From when a request was answered. One that is sent again after its row is gone is taken for a new one."
	accessesGo      = "The access record is one chain for every site of this server and is cut at its beginning, behind the last line before which all are old enough; counted are the lines of this site. The cut is signed, and verify-access goes on to prove what stays."
	accessesHeld    = " Line %d tells of a read in an emergency that nobody signed off: it stays, with all behind it, until a reviewer does (trigone access --sign-off %d)."
	accessesNoKey   = "Nothing goes: the server has no key to sign where the access record is cut (access_record.key), and without a signature nobody could tell it from a record that somebody shortened."
	keptForGood     = "Kept for good: the deployment file sets no time for it (retention.%s)."
	asOlderBackups  = " Backups that were made before still hold it: let them go with their own age."
	nothingExpired  = "Nothing is over its time."
	retentionDry    = "Nothing was removed: this is what would go."
	retentionPurge  = " The bytes may still lie in free pages of the file or in its log: ask once more with overwrite until overwritten is true."
	retentionBroken = "nothing was removed, so that what shows it does not go: %v; see it by trigoned verify-access"
)

// RunRetention removes what has been kept for its time.
func (b *Book) RunRetention(ctx context.Context, who Principal, req *trigonev1.RunRetentionRequest, keep Keep) (*trigonev1.RunRetentionResponse, error) {
	site, err := b.Admit(who, req)
	if err != nil {
		return nil, err
	}
	if err := RefuseFields(convert.Check(req)); err != nil {
		return nil, err
	}
	now := b.now().UTC()
	until := storage.Retention{Quarantine: keptUntil(now, keep.Quarantine), Requests: keptUntil(now, keep.Requests)}
	if keep.Sign != nil {
		until.Accesses = keptUntil(now, keep.Accesses)
	}
	for range attempts {
		e, err := b.Store.Expired(ctx, site, until)
		if err != nil {
			return nil, err
		}
		resp := &trigonev1.RunRetentionResponse{Outcomes: outcomes(keep, until, e)}
		if req.GetValidateOnly() {
			AccessOf(ctx).Tells("dry run")
			resp.Message = retentionDry
			return resp, nil
		}
		removes := e.Quarantine.Count+e.Requests.Count+e.Cut.Number > 0
		if removes {
			err := b.removeExpired(ctx, who, site, now, until, e, keep)
			if errors.Is(err, storage.ErrStale) {
				continue
			}
			if err != nil {
				return nil, err
			}
		} else {
			AccessOf(ctx).Tells("nothing was over its time")
		}
		if removes || req.GetOverwrite() {
			resp.Overwritten = b.Store.Purge(ctx) == nil // the answer says so; it is removed either way
		}
		resp.Message = removedSentence(e, removes, resp.GetOverwritten())
		return resp, nil
	}
	return nil, Refuse(Aborted, ReasonRace, "what is over its time changed %d times meanwhile; ask again", attempts)
}

func keptUntil(now time.Time, keep time.Duration) time.Time {
	if keep == 0 {
		return time.Time{}
	}
	return now.Add(-keep)
}

// removeExpired removes what was found in one transaction with the lines that say so.
func (b *Book) removeExpired(ctx context.Context, who Principal, site string, now time.Time, until storage.Retention, e storage.Expiry, keep Keep) error {
	access := AccessOf(ctx)
	line := access.ofWrite("")
	if line == nil {
		line = &storage.Access{Time: now, Site: site, Caller: who.Name, Method: methodRetention, Outcome: outcomeOK}
	}
	var lines []storage.Access
	if e.Quarantine.Count+e.Requests.Count > 0 {
		lines = append(lines, *line)
		lines[0].Detail = fmt.Sprintf("removed for their age: quarantined bodies %d, requests %d", e.Quarantine.Count, e.Requests.Count)
	}
	var mark *storage.AccessCut
	if e.Cut.Number > 0 {
		// What shows that lines were changed must not go as if it were whole.
		hash, err := b.Store.ProveAccesses(ctx, e.Cut.Number, [][]byte{keep.Key})
		if errors.Is(err, storage.ErrChain) {
			return Refuse(DataLoss, ReasonAccessRecord, retentionBroken, err)
		}
		if err != nil {
			return err
		}
		e.Cut.Hash = hash
		cut := keep.Sign(storage.AccessCut{AccessHead: e.Cut, Before: until.Accesses, Time: now, Site: site, Caller: who.Name})
		mark = &cut
		line.Detail, line.Concerns = storage.AccessRemoved, e.Cut.Number
		lines = append(lines, *line)
	}
	if err := b.Store.RemoveExpired(ctx, site, until, e, mark, lines); err != nil {
		return err
	}
	access.wrote()
	return nil
}

func outcomes(keep Keep, until storage.Retention, e storage.Expiry) []*trigonev1.RetentionOutcome {
	one := func(kind trigonev1.RetentionKind, key string, kept time.Duration, before time.Time, x storage.Expired, why string) *trigonev1.RetentionOutcome {
		if kept == 0 {
			why = fmt.Sprintf(keptForGood, key)
		}
		return &trigonev1.RetentionOutcome{
			Kind: kind, KeptDays: int32(kept / (24 * time.Hour)), Before: Timestamp(before), Explanation: why,
			Count: x.Count, OldestTime: Timestamp(x.Oldest), HeldCount: x.Held, OldestHeldTime: Timestamp(x.OldestHeld),
		}
	}
	bodies, lines := quarantineGoes, accessesGo
	if e.Quarantine.Held > 0 {
		bodies += quarantineHeld
	}
	if e.HeldBy > 0 {
		lines += fmt.Sprintf(accessesHeld, e.HeldBy, e.HeldBy)
	}
	if keep.Sign == nil {
		lines = accessesNoKey
	}
	return []*trigonev1.RetentionOutcome{
		one(trigonev1.RetentionKind_RETENTION_KIND_QUARANTINE_BODIES, "quarantine_days", keep.Quarantine, until.Quarantine, e.Quarantine, bodies),
		one(trigonev1.RetentionKind_RETENTION_KIND_REQUESTS, "request_days", keep.Requests, until.Requests, e.Requests, requestsGo),
		one(trigonev1.RetentionKind_RETENTION_KIND_ACCESS_LINES, "access_days", keep.Accesses, until.Accesses, e.Accesses, lines),
	}
}

func removedSentence(e storage.Expiry, removes, overwritten bool) string {
	var b strings.Builder
	if !removes {
		b.WriteString(nothingExpired)
		if overwritten {
			b.WriteString(" What was removed before is overwritten in the files.")
		}
		return b.String()
	}
	fmt.Fprintf(&b, "Removed: bodies of quarantined submits %d, earlier requests %d, lines of the access record at this site %d.", e.Quarantine.Count, e.Requests.Count, e.Accesses.Count)
	b.WriteString(asOlderBackups)
	if !overwritten {
		b.WriteString(retentionPurge)
	}
	return b.String()
}
