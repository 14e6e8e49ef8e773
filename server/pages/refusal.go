package pages

import (
	"context"
	"errors"
	"net/http"
	"strconv"

	"go.uber.org/zap"

	"trigone/internal/casebook"
	"trigone/internal/words"
)

const problemView = "problem.html"

// problem is the page of a refusal. Its text never holds what was asked for.
type problem struct {
	Text string
	// SignIn says that one may sign in here; To is where one comes then.
	SignIn bool
	To     string
}

// answerTo gives status and title of a kind of refusal.
var answerTo = map[casebook.Kind]struct {
	status int
	title  string
}{
	casebook.Invalid:            {http.StatusBadRequest, "This cannot be answered"},
	casebook.NotFound:           {http.StatusNotFound, "Not found"},
	casebook.Unauthenticated:    {http.StatusUnauthorized, "Sign in"},
	casebook.PermissionDenied:   {http.StatusForbidden, "You may not see this"},
	casebook.Exhausted:          {http.StatusTooManyRequests, "Too much at once"},
	casebook.Aborted:            {http.StatusServiceUnavailable, "Ask again"},
	casebook.Unavailable:        {http.StatusServiceUnavailable, "Not now"},
	casebook.FailedPrecondition: {http.StatusConflict, "This cannot be shown"},
	casebook.DataLoss:           {http.StatusInternalServerError, "What is stored is damaged"},
}

// refusal is the one place where an error becomes a page.
func (f *Face) refusal(v *visit, err error) view {
	var refusal *casebook.Error
	switch {
	case errors.Is(err, errMethod):
		return view{title: "Not asked in this way", status: http.StatusMethodNotAllowed, content: problem{Text: "This address is a page, or takes a form; it was asked for otherwise."}}
	case errors.Is(err, errFault):
		return fault()
	case errors.Is(err, context.DeadlineExceeded), errors.Is(err, context.Canceled):
		return view{title: "Not now", status: http.StatusServiceUnavailable, content: problem{Text: "This took longer than a page may; ask again."}}
	}
	if !errors.As(err, &refusal) {
		f.config.Log.Error("fault", zap.Error(err))
		if refusal = casebook.StoreFault(err, true); refusal == nil {
			return fault()
		}
	}
	a, known := answerTo[refusal.Kind]
	if !known {
		f.config.Log.Error("fault", zap.Error(err))
		return fault()
	}
	p := problem{Text: words.Sentence(refusal.Message)}
	switch refusal.Kind {
	case casebook.NotFound:
		// One text for whatever is not there, so that it tells nothing of what is.
		p.Text = "There is nothing at this address, or nothing that you may see."
	case casebook.Unauthenticated:
		v.w.Header().Set("WWW-Authenticate", "Bearer")
		if p.SignIn = f.config.SignIn != nil; p.SignIn {
			p.To = f.way(v.r)
		}
	case casebook.Exhausted, casebook.Unavailable, casebook.Aborted:
		v.w.Header().Set("Retry-After", strconv.Itoa(max(1, int(refusal.RetryAfter.Seconds()))))
	}
	return view{title: a.title, status: a.status, content: p}
}

func fault() view {
	return view{title: "A fault of the service", status: http.StatusInternalServerError, content: problem{Text: "A fault of the service; its log tells more."}}
}
