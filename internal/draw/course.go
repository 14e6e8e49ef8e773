package draw

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"trigone/internal/picture"
	"trigone/internal/repair"
	"trigone/internal/valve"
	"trigone/internal/words"
)

const courseTitle = "The course"

// Columns of the course: the axis, the times, what happened, how much it leaks.
const (
	courseAxis  = 30.0
	courseTimes = 56.0
	courseTexts = 124.0
	courseMeter = 344.0
)

// beforeIncision is how long before incision a time still belongs to theatre, as the
// echo before bypass does.
const beforeIncision = 3 * time.Hour

// happening is something that happened at a time.
type happening struct {
	at    float64 // days from the operation, or minutes from incision
	label string
	text  string
	grade repair.Grade
}

// stretch is a bar beside the minutes: bypass or clamp.
type stretch struct {
	from, to float64
	clamp    bool
}

// course is what happened, in three parts with an axis each.
type course struct {
	*reader
	zone                   *time.Location
	zero                   time.Time
	before, theatre, after []happening
	bars                   []stretch
	untimed                []string
}

// Course draws what happened on a broken axis: days before the operation, minutes in
// theatre from incision, days after it, with the regurgitation at each examination.
// With Subject.Clock theatre has the clock's times.
func Course(s Subject) picture.Picture {
	r := s.reader()
	o := r.Case.Operation
	switch {
	case o == nil:
		return picture.NotDrawn(NameCourse, courseTitle, "no operation is recorded yet, from which days are counted")
	case o.IncisionTime.IsZero():
		return picture.NotDrawn(NameCourse, courseTitle, "the time of incision is not recorded, from which days and minutes are counted")
	}
	c := &course{reader: r, zone: s.Zone, zero: o.IncisionTime}
	if c.zone == nil {
		c.zone = time.UTC
	}
	c.studies()
	c.plans()
	c.inTheatre(o)
	c.followUps()
	d := newSheet(NameCourse, courseTitle)
	said := []string{}
	parts := []struct {
		name string
		list []happening
	}{{"Days before the operation", c.before}, {"In theatre, minutes from incision", c.theatre}, {"Days after the operation", c.after}}
	if s.Clock {
		parts[1].name = "In theatre, by the clock"
		if s.Zone == nil {
			parts[1].name += " (UTC)"
		}
	}
	first := true
	for i, p := range parts {
		if len(p.list) == 0 {
			continue
		}
		if !first {
			d.breakAxis()
		}
		first = false
		var bars []stretch
		if i == 1 {
			bars = c.bars
		}
		said = append(said, p.name+": "+d.span(p.name, p.list, bars)+".")
		d.MayBreak()
	}
	d.Y += 6
	var remarks []string
	if len(c.bars) > 0 {
		remarks = append(remarks, "Bars beside the axis: hollow on bypass, filled aorta closed.")
	}
	remarks = append(remarks, "Each part of the axis has its own scale. Squares: grade of regurgitation within its scheme.")
	if len(c.untimed) > 0 {
		remarks = append(remarks, "Without a time: "+strings.Join(c.untimed, "; ")+".")
	}
	for _, text := range remarks {
		d.Y += 2
		d.Say(text, picture.Grey)
	}
	return d.Done(append(said, remarks...)...)
}

// said gives a word of the contract's enum as it is said.
func said(enum, word string) string {
	if text, ok := words.Spoken(enum + "_" + strings.ToUpper(word)); ok {
		return text
	}
	return words.Spaced(word)
}

// days counts days of the calendar from the operation.
func (c *course) days(t time.Time) float64 {
	day := func(t time.Time) time.Time {
		y, m, d := t.In(c.zone).Date()
		return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
	}
	return math.Round(day(t).Sub(day(c.zero)).Hours() / 24)
}

func dayLabel(days float64) string {
	switch {
	case days < 0:
		return fmt.Sprintf("%g d before", -days)
	case days == 0:
		return "same day"
	}
	return fmt.Sprintf("day %g", days)
}

// add puts something that happened where its time lies.
func (c *course) add(t time.Time, text string, grade repair.Grade) {
	if t.IsZero() {
		c.untimed = append(c.untimed, text)
		return
	}
	minutes := math.Round(t.Sub(c.zero).Minutes())
	days := c.days(t)
	switch {
	case t.After(c.zero.Add(-beforeIncision)) && t.Before(c.zero.Add(24*time.Hour)):
		label := fmt.Sprintf("%g min", minutes)
		if c.Clock {
			label = t.In(c.zone).Format("15:04")
		}
		c.theatre = append(c.theatre, happening{minutes, label, text, grade})
	case t.Before(c.zero):
		c.before = append(c.before, happening{days, dayLabel(days), text, grade})
	default:
		c.after = append(c.after, happening{days, dayLabel(days), text, grade})
	}
}

// addDay is add for a day of the calendar.
func (c *course) addDay(on, text string, grade repair.Grade) {
	day, err := time.ParseInLocation(time.DateOnly, on, c.zone)
	if err != nil {
		c.untimed = append(c.untimed, text)
		return
	}
	days := c.days(day)
	list := &c.after
	if days < 0 {
		list = &c.before
	}
	*list = append(*list, happening{days, dayLabel(days), text, grade})
}

func leak(s *repair.Study) string {
	switch {
	case s.Grade.Known() && s.Grade.Value == "none":
		return "no regurgitation"
	case s.Grade.Known():
		return s.Grade.String() + " regurgitation"
	case s.HasRegurgitation:
		return "regurgitation not graded"
	}
	return ""
}

func (c *course) studies() {
	for i := range c.Case.Studies {
		s := &c.Case.Studies[i]
		switch s.Kind {
		case repair.Assessment:
			name := "assessment"
			if s.Modality != "" {
				name = said("ASSESSMENT_KIND", s.Modality)
			}
			c.add(s.Time, sentence(name, leak(s)), s.Grade)
		case repair.Result:
			name := "echo"
			if s.Stage != "" {
				name += " " + stageText(s.Stage, s.Run)
			}
			parts := []string{leak(s)}
			if s.MotionOpen() {
				parts = append(parts, "systolic anterior motion")
			}
			if s.Decision != "" {
				parts = append(parts, said("RESULT_DECISION", s.Decision))
			}
			c.add(s.Time, sentence(name, parts...), s.Grade)
		}
	}
}

// sentence says what was done and what was found.
func sentence(name string, found ...string) string {
	found = slices.DeleteFunc(found, func(s string) bool { return s == "" })
	if len(found) == 0 {
		return words.Capital(name)
	}
	return words.Capital(name) + ": " + strings.Join(found, ", ")
}

func (c *course) plans() {
	for _, p := range c.Case.Plans {
		which := ""
		if len(c.Case.Plans) > 1 {
			which = fmt.Sprintf(", revision %d", p.Revision)
		}
		if !p.Plan.SignedTime.IsZero() {
			c.add(p.Plan.SignedTime, "Plan signed"+which, repair.Grade{})
		}
		if !p.Received.IsZero() && p.Received.Year() > 1 {
			c.add(p.Received, "Plan received"+which, repair.Grade{})
		}
	}
}

func (c *course) inTheatre(o *repair.Operation) {
	none := repair.Grade{}
	minutes := func(t time.Time) float64 { return math.Round(t.Sub(c.zero).Minutes()) }
	c.add(o.IncisionTime, "Incision", none)
	timed := func(t time.Time, text string) {
		if !t.IsZero() {
			c.add(t, text, none)
		}
	}
	timed(o.FirstLeafletCutTime, "First cut into a leaflet")
	for _, r := range o.Runs {
		name := fmt.Sprintf("Run %d", r.Number)
		why := ""
		if r.Reason != "" {
			why = ", for " + said("RUN_REASON", r.Reason)
		}
		if r.BypassStart.IsZero() && r.BypassEnd.IsZero() {
			c.untimed = append(c.untimed, name+" on bypass"+why)
		}
		timed(r.BypassStart, name+": on bypass"+why)
		timed(r.BypassEnd, name+": off bypass")
		for _, b := range []struct {
			from, to time.Time
			clamp    bool
		}{{r.BypassStart, r.BypassEnd, false}, {r.ClampStart, r.ClampEnd, true}} {
			if !b.from.IsZero() && b.to.After(b.from) {
				c.bars = append(c.bars, stretch{minutes(b.from), minutes(b.to), b.clamp})
			}
		}
	}
	for _, t := range o.SalineTests {
		if t.Performed == valve.No {
			continue
		}
		found := ""
		if t.Leak != "" {
			found = said("SALINE_LEAK", t.Leak)
		}
		c.add(t.Time, sentence("saline test", found), none)
	}
	for _, t := range o.InkTests {
		if t.Performed != valve.No {
			c.add(t.Time, "Ink test", none)
		}
	}
	if o.Converted() {
		c.untimed = append(c.untimed, "converted to replacement")
	}
	if o.LeftTheatreAlive == valve.No {
		c.add(o.EndTime, "Died in theatre", none)
	} else {
		timed(o.EndTime, "End of the operation")
	}
}

func (c *course) followUps() {
	none := repair.Grade{}
	for _, s := range c.Case.OfKind(repair.FollowUp) {
		name := "follow-up"
		if s.FollowUpKind != "" && s.FollowUpKind != "other" {
			name = said("FOLLOW_UP_KIND", s.FollowUpKind)
		}
		found := leak(&s)
		if s.EchoNotDoneReason != "" && found == "" && s.VitalStatus == "" {
			found = "no echo, " + said("ECHO_NOT_DONE_REASON", s.EchoNotDoneReason)
		}
		if s.VitalStatus == "lost" {
			c.addDay(s.StatusKnownOn, sentence(name, "lost to follow-up"), none)
		}
		echo := s.EchoOn
		if echo == "" && !s.Time.IsZero() {
			echo = s.Time.In(c.zone).Format(time.DateOnly)
		}
		switch {
		case found != "":
			c.addDay(cmp.Or(echo, s.StatusKnownOn), sentence(name, found), s.Grade)
		case s.VitalStatus == "alive" || s.VitalStatus == "":
			c.addDay(cmp.Or(s.StatusKnownOn, echo), sentence(name, map[bool]string{true: "alive", false: ""}[s.VitalStatus == "alive"]), none)
		}
		if s.DiedOn != "" || s.VitalStatus == "dead" {
			c.addDay(s.DiedOn, "Died", none)
		}
		for _, r := range s.Reinterventions {
			c.addDay(r.On, sentence("re-intervention on the mitral valve", said("REINTERVENTION_KIND", r.Kind)), none)
		}
		for _, e := range s.Complications {
			c.addDay(e.On, sentence("complication", said("COMPLICATION_KIND", e.Kind)), none)
		}
		for _, e := range s.Readmissions {
			c.addDay(e.On, sentence("readmission", spaced(e.Kind)), none)
		}
	}
}

// span draws one part of the course: an axis of its own scale, each thing in a row
// with a line to its place on the axis; it says the rows.
func (d *sheet) span(name string, list []happening, bars []stretch) string {
	slices.SortStableFunc(list, func(a, b happening) int { return cmp.Compare(a.at, b.at) })
	list = slices.CompactFunc(list, func(a, b happening) bool { return a.label == b.label && a.text == b.text })
	d.Y += 6 + picture.LineStep
	d.Add(picture.Text{X: courseTimes, Y: d.Y - 3, Text: name, Size: picture.TextSize, Anchor: picture.Start, Bold: true, Tone: picture.Ink})
	d.Y += 3
	top := d.Y + 7
	low, high := list[0].at, list[len(list)-1].at
	for _, b := range bars {
		low, high = min(low, b.from), max(high, b.to)
	}
	var rows []float64
	var parts []string
	type written struct {
		h happening
		y float64
	}
	var texts []written
	for _, h := range list {
		d.Y += picture.LineStep
		rows = append(rows, d.Y-7)
		texts = append(texts, written{h, d.Y - 3})
		lines := picture.Wrapped(h.text, picture.TextSize, courseMeter-6-courseTexts, false)
		for i, l := range lines {
			if i > 0 {
				d.Y += picture.LineStep - 1
			}
			d.Add(picture.Text{X: courseTexts, Y: d.Y - 3, Text: l, Size: picture.TextSize, Anchor: picture.Start, Tone: picture.Ink})
		}
		parts = append(parts, h.label+" "+strings.ToLower(h.text[:1])+h.text[1:])
	}
	bottom := max(d.Y-7, top+18)
	y := func(at float64) float64 {
		if high == low {
			return top
		}
		return top + (at-low)/(high-low)*(bottom-top)
	}
	for _, b := range bars {
		r := picture.Rectangle{X: 8, Y: y(b.from), W: 8, H: max(y(b.to)-y(b.from), 1), Style: picture.Style{Line: picture.Ink, Width: 1, Fill: picture.White}}
		if b.clamp {
			r.X, r.W, r.Fill = 18, 6, picture.Blue
		}
		d.Add(r)
	}
	d.Add(picture.Line(courseAxis, top, courseAxis, bottom, picture.Style{Line: picture.Ink, Width: 1.6}))
	for i, t := range texts {
		d.Add(picture.Text{X: courseTimes, Y: t.y, Text: t.h.label, Size: picture.SmallText, Anchor: picture.Start, Tone: picture.Grey})
		d.Add(picture.Polyline(picture.Style{Line: picture.Grey, Width: 0.8}, picture.At(courseAxis, y(t.h.at)), picture.At(courseTimes-10, rows[i]), picture.At(courseTimes-4, rows[i])))
		d.Add(picture.Circle{X: courseAxis, Y: y(t.h.at), R: 2.2, Style: picture.Style{Line: picture.Ink, Width: 1, Fill: picture.Ink}})
		d.meter(t.h.grade, rows[i])
	}
	d.Y = max(d.Y, bottom) + 2
	return strings.Join(parts, "; ")
}

// meter draws how high a grade is within its scheme: a square for each step above
// none, filled up to the grade.
func (d *sheet) meter(g repair.Grade, y float64) {
	rank, ok := g.Rank()
	if !ok {
		return
	}
	steps := len(gradesOf[g.Scheme]) - 1
	group := picture.Group{Title: g.String()}
	for i := range steps {
		style := picture.Style{Line: picture.Ink, Width: 0.9, Fill: picture.White}
		if i < rank {
			style.Fill = picture.Ink
		}
		group.Shapes = append(group.Shapes, picture.Rectangle{X: courseMeter + float64(i)*7, Y: y - 2.5, W: 5, H: 5, Style: style})
	}
	d.Add(group)
}

// breakAxis draws that the axis goes on with another scale.
func (d *sheet) breakAxis() {
	y := d.Y + 2
	d.Add(picture.Polyline(picture.Style{Line: picture.Ink, Width: 1.2}, picture.At(courseAxis, y), picture.At(courseAxis+5, y+3), picture.At(courseAxis-5, y+7), picture.At(courseAxis, y+10)))
	d.Y += 8
}
