package ledger

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"slices"
	"strings"
	"unicode"

	"google.golang.org/protobuf/proto"

	"trigone/internal/casebook"
	"trigone/internal/convert"
	"trigone/internal/repair"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

// labels are what an implant is found by. A case is filed under each under a number
// of its own, which follow those of groupKinds, by a hash of what the label says: a
// lot or a serial number itself stands in no row, and none of them is a word that
// ListCaseFacts takes. The first that a request names is looked up.
var labels = []struct {
	number int
	field  string
	of     func(d *trigonev1.Device) []string
	asked  func(r *trigonev1.FindImplantsRequest) string
}{
	{37, "serial_number", serials, (*trigonev1.FindImplantsRequest).GetSerialNumber},
	{36, "lot_number", lots, (*trigonev1.FindImplantsRequest).GetLotNumber},
	{34, "model", func(d *trigonev1.Device) []string { return []string{d.GetModel()} }, (*trigonev1.FindImplantsRequest).GetModel},
	{33, "maker", func(d *trigonev1.Device) []string { return []string{d.GetMaker()} }, (*trigonev1.FindImplantsRequest).GetMaker},
	{35, "size", func(d *trigonev1.Device) []string { return []string{d.GetSize()} }, (*trigonev1.FindImplantsRequest).GetSize},
}

func lots(d *trigonev1.Device) []string {
	return []string{d.GetLotNumber(), repair.LotInCarrier(d.GetUniqueDeviceIdentification())}
}

func serials(d *trigonev1.Device) []string {
	return []string{d.GetSerialNumber(), repair.SerialInCarrier(d.GetUniqueDeviceIdentification())}
}

// folded is what texts of labels are compared by: people type capitals, spaces and
// hyphens as they come.
func folded(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsSpace(r) || r == '-' {
			return -1
		}
		return unicode.ToUpper(r)
	}, text)
}

// labelGroup files a case under a text of a label; not for an empty one.
func labelGroup(number int, text string) (g storage.Group, ok bool) {
	plain := folded(text)
	sum := sha256.Sum256([]byte(plain))
	return storage.Group{Kind: number, Word: hex.EncodeToString(sum[:12])}, plain != ""
}

// implantGroups files a case under what the labels of its implants say, each once.
func implantGroups(op *trigonev1.Operation) []storage.Group {
	var list []storage.Group
	for _, d := range implanted(op) {
		for _, label := range labels {
			for _, text := range label.of(d) {
				if g, ok := labelGroup(label.number, text); ok && !slices.Contains(list, g) {
					list = append(list, g)
				}
			}
		}
	}
	return list
}

// implanted gives the devices that are or were in the patient.
func implanted(op *trigonev1.Operation) []*trigonev1.Device {
	return slices.DeleteFunc(slices.Clone(op.GetDevices()), func(d *trigonev1.Device) bool {
		return d.GetFate() == trigonev1.DeviceFate_DEVICE_FATE_NOT_IMPLANTED
	})
}

// FindImplants finds in whom an implant is.
func (l *Ledger) FindImplants(ctx context.Context, who casebook.Principal, req *trigonev1.FindImplantsRequest) (*trigonev1.FindImplantsResponse, error) {
	sites, err := l.archives.Admit(who, req)
	if err != nil {
		return nil, err
	}
	if err := casebook.RefuseFields(convert.Check(req)); err != nil {
		return nil, err
	}
	var filter storage.FactsFilter
	for _, label := range labels {
		if g, ok := labelGroup(label.number, label.asked(req)); ok {
			filter.Groups = []storage.Group{g}
			break
		}
	}
	if filter.Groups == nil {
		return nil, casebook.RefuseField("serial_number", "say what is looked for: maker, model, size, lot_number or serial_number")
	}
	question := proto.CloneOf(req)
	question.PageToken, question.PageSize, question.Parent = "", 0, ""
	asked, after, err := l.page("FindImplants", question, req.GetPageToken())
	if err != nil {
		return nil, err
	}
	rows, next, err := l.archives.Store().Facts(ctx, sites, filter, after, casebook.PageSize(req.GetPageSize()))
	if err != nil {
		return nil, notBuilt(err, trigonev1.Basis_BASIS_STORED)
	}
	resp := &trigonev1.FindImplantsResponse{}
	if resp.Invented, err = l.archives.Invented(ctx); err != nil {
		return nil, err
	}
	if resp.NextPageToken, err = l.archives.Tokens().Token(asked, next); err != nil {
		return nil, err
	}
	for _, row := range rows {
		casebook.AccessOf(ctx).At(row.Site).Case(row.CaseUID)
		archive := l.archives.At(row.Site)
		c, err := archive.Store.Case(ctx, row.Site, row.CaseUID)
		if err != nil {
			return nil, err
		}
		folder, err := archive.Load(ctx, c)
		if err != nil {
			return nil, err
		}
		file, err := folder.File()
		if err != nil {
			return nil, err
		}
		for _, d := range implanted(file.GetOperation()) {
			if !matches(d, req) {
				continue
			}
			found := &trigonev1.Implant{
				CaseName: archive.CaseName(row.CaseUID), ExternalIdentifier: casebook.IdentifierMessage(c.ExternalIdentifier),
				IncisionTime: file.GetOperation().GetIncisionTime(), Device: d, Place: placeOf(d, file),
			}
			found.VitalStatus, found.StatusOn = lastKnown(file.GetFollowUps())
			resp.Implants = append(resp.Implants, found)
		}
	}
	erased, err := l.erased(ctx, sites)
	resp.ErasedCaseCount = int32(erased)
	return resp, err
}

// matches says whether a device is what is looked for in all that is asked.
func matches(d *trigonev1.Device, req *trigonev1.FindImplantsRequest) bool {
	for _, label := range labels {
		want := folded(label.asked(req))
		if want != "" && !slices.ContainsFunc(label.of(d), func(text string) bool { return folded(text) == want }) {
			return false
		}
	}
	return true
}

// placeOf says whether a device is still there: by its own fate, else by that of the
// step it belongs to.
func placeOf(d *trigonev1.Device, file *trigonev1.CaseFile) trigonev1.ImplantPlace {
	fate := d.GetFate()
	if fate == trigonev1.DeviceFate_DEVICE_FATE_UNSPECIFIED {
		for _, s := range file.GetOperation().GetSteps() {
			if s.GetId() != d.GetStepId() {
				continue
			}
			switch s.GetFate() {
			case trigonev1.StepFate_STEP_FATE_TAKEN_DOWN:
				fate = trigonev1.DeviceFate_DEVICE_FATE_REMOVED
			case trigonev1.StepFate_STEP_FATE_IN_PLACE:
				fate = trigonev1.DeviceFate_DEVICE_FATE_IN_PLACE
			}
		}
	}
	switch fate {
	case trigonev1.DeviceFate_DEVICE_FATE_REMOVED:
		return trigonev1.ImplantPlace_IMPLANT_PLACE_REMOVED
	case trigonev1.DeviceFate_DEVICE_FATE_EXPLANTED:
		return trigonev1.ImplantPlace_IMPLANT_PLACE_EXPLANTED
	case trigonev1.DeviceFate_DEVICE_FATE_IN_PLACE:
		if slices.ContainsFunc(file.GetFollowUps(), func(u *trigonev1.FollowUp) bool { return len(u.GetReinterventions()) > 0 }) {
			return trigonev1.ImplantPlace_IMPLANT_PLACE_LATER_INTERVENTION
		}
		return trigonev1.ImplantPlace_IMPLANT_PLACE_IN_PLACE
	}
	return trigonev1.ImplantPlace_IMPLANT_PLACE_UNSPECIFIED
}

// lastKnown gives what is last known of a patient: a death goes before everything.
func lastKnown(list []*trigonev1.FollowUp) (status trigonev1.VitalStatus, on string) {
	for _, u := range list {
		day := u.GetStatusKnownOn()
		if u.GetVitalStatus() == trigonev1.VitalStatus_VITAL_STATUS_DEAD {
			return u.GetVitalStatus(), cmp.Or(u.GetDiedOn(), day)
		}
		if u.GetVitalStatus() != trigonev1.VitalStatus_VITAL_STATUS_UNSPECIFIED && day >= on {
			status, on = u.GetVitalStatus(), day
		}
	}
	return status, on
}
