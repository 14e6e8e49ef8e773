package pages

import (
	"testing"
	"time"
)

// Sessions end by themselves, and a value of a cookie that was replaced counts for no
// longer than the requests that were on their way.
func TestSessions(t *testing.T) {
	now := time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
	s := newSessions(func() time.Time { return now })
	wait := func(d time.Duration) { now = now.Add(d) }
	first := s.begin("token", "somebody")
	if s.token(first) != "token" || s.token("") != "" || s.token(first+"x") != "" {
		t.Error("not the session of its cookie, or that of another")
	}
	if s.turn(first) != "" {
		t.Error("a value is replaced at once")
	}
	wait(turnTime + time.Second)
	second := s.turn(first)
	if second == "" || second == first || s.turn(first) != "" {
		t.Fatal("a value is not replaced once")
	}
	if s.token(first) != "token" || s.token(second) != "token" {
		t.Error("both values count while requests are on their way")
	}
	wait(graceTime + time.Second)
	if s.token(first) != "" || s.token(second) != "token" {
		t.Error("the earlier value counts on, or the new one does not")
	}
	s.end(second)
	if s.token(second) != "" {
		t.Error("signed out, and the session goes on")
	}

	silent := s.begin("token", "somebody")
	wait(idleTime + time.Second)
	if s.token(silent) != "" {
		t.Error("of an idle session the cookie counts")
	}
	busy := s.begin("token", "somebody")
	for range int(sessionTime/(idleTime/2)) + 1 {
		wait(idleTime / 2)
		s.token(busy)
	}
	if s.token(busy) != "" {
		t.Error("a session has no end")
	}

	all := map[int]string{}
	for i := range mostSessions + 1 {
		wait(time.Second)
		all[i] = s.begin("token", "somebody")
	}
	other := s.begin("token of another", "another")
	if s.token(all[0]) != "" || s.token(all[1]) != "token" || s.token(other) == "" || len(s.list) != mostSessions+1 {
		t.Errorf("%d sessions are kept", len(s.list))
	}
}

// Signing out ends every value of the session, the earlier ones too.
func TestSignOutEndsAllValues(t *testing.T) {
	now := time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
	s := newSessions(func() time.Time { return now })
	first := s.begin("token", "somebody")
	now = now.Add(turnTime + time.Second)
	second := s.turn(first)
	s.end(first)
	if s.token(first) != "" || s.token(second) != "" {
		t.Error("a value counts on")
	}
}
