package server

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/goccy/go-yaml"
	"google.golang.org/protobuf/types/known/emptypb"

	trigonev1 "trigone/proto/trigone/v1"
)

// fetch gives what is at an address of the operations listener.
func fetch(t *testing.T, running *Running, path string) (int, string) {
	t.Helper()
	resp, err := http.Get("http://" + running.OperationsAddr() + path)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, string(text)
}

func metricsOf(t *testing.T, running *Running) string {
	t.Helper()
	code, text := fetch(t, running, pathMetrics)
	if code != http.StatusOK {
		t.Fatalf("metrics: %d %s", code, text)
	}
	return text
}

// series counts the lines of metrics of ours.
func series(text string) (n int) {
	for line := range strings.Lines(text) {
		if strings.HasPrefix(line, "trigone_") {
			n++
		}
	}
	return n
}

// A store that is taken away leaves the service live and not ready, until it is back.
func TestLiveIsNotReady(t *testing.T) {
	_, _, running := startWith(t, Options{OperationsListen: "127.0.0.1:0"})
	if live, _ := fetch(t, running, pathLive); live != http.StatusOK {
		t.Errorf("live: %d", live)
	}
	if ready, _ := fetch(t, running, pathReady); ready != http.StatusOK {
		t.Errorf("ready: %d", ready)
	}
	away := running.storePath + ".away"
	if err := os.Rename(running.storePath, away); err != nil {
		t.Fatal(err)
	}
	live, _ := fetch(t, running, pathLive)
	ready, says := fetch(t, running, pathReady)
	told := metricsOf(t, running)
	if err := os.Rename(away, running.storePath); err != nil {
		t.Fatal(err)
	}
	if live != http.StatusOK || ready != http.StatusServiceUnavailable || strings.Contains(says, running.storePath) || !strings.Contains(told, "\ntrigone_ready 0\n") {
		t.Errorf("without its store: live %d, ready %d %s", live, ready, says)
	}
	if ready, _ := fetch(t, running, pathReady); ready != http.StatusOK || !strings.Contains(metricsOf(t, running), "\ntrigone_ready 1\n") {
		t.Errorf("with its store again: %d", ready)
	}
	var version map[string]string
	if _, text := fetch(t, running, pathVersion); json.Unmarshal([]byte(text), &version) != nil || version["version"] != Version() {
		t.Errorf("version: %s", text)
	}
}

// Nothing but what is meant is served there, and only on loopback.
func TestOperationsServeNothingElse(t *testing.T) {
	_, _, running := startWith(t, Options{OperationsListen: "127.0.0.1:0", HTTPListen: "127.0.0.1:0"})
	for _, path := range []string{"/", "/fhir/Procedure", "/debug/pprof/", "/metrics/x", "/trigone.v1.RecordService/GetCase"} {
		if code, _ := fetch(t, running, path); code != http.StatusNotFound {
			t.Errorf("%s: %d", path, code)
		}
	}
	resp, err := http.Get("http://" + running.RESTAddr() + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	// There the page of the catalogue stands at that address.
	text, err := io.ReadAll(resp.Body)
	if err = errors.Join(err, resp.Body.Close()); err != nil || strings.Contains(string(text), "trigone_ready") {
		t.Errorf("metrics beside FHIR: %v", err)
	}
	if _, err := Start(t.Context(), Options{Listen: "127.0.0.1:0", OperationsListen: "0.0.0.0:0", StorePath: t.TempDir() + "/s.db"}); err == nil {
		t.Error("metrics are served to other machines")
	}
}

// However much nonsense is asked for, the number of series stays: a label is a name of
// the contract, a route or a code, never what a caller wrote.
func TestSeriesAreBounded(t *testing.T) {
	conn, _, running := startWith(t, Options{OperationsListen: "127.0.0.1:0", HTTPListen: "127.0.0.1:0"})
	random := rand.New(rand.NewPCG(1, 2))
	flood := func(rounds int) {
		for range rounds {
			word := fmt.Sprintf("w%x", random.Uint64())
			for _, path := range []string{"/fhir/" + word, "/fhir/Procedure/" + word, "/" + word, "/fhir/Procedure?" + word + "=1", "/fhir/" + word + "/" + word} {
				req, err := http.NewRequestWithContext(t.Context(), []string{"GET", strings.ToUpper(word)}[random.IntN(2)], "http://"+running.RESTAddr()+path, nil)
				if err != nil {
					t.Fatal(err)
				}
				resp, err := http.DefaultClient.Do(req)
				if err != nil {
					t.Fatal(err)
				}
				_ = resp.Body.Close()
			}
			_ = conn.Invoke(t.Context(), "/trigone.v1."+word+"/"+word, &emptypb.Empty{}, &emptypb.Empty{})
			_ = conn.Invoke(t.Context(), "/trigone.v1.RecordService/"+word, &emptypb.Empty{}, &emptypb.Empty{})
			_, _ = trigonev1.NewRecordServiceClient(conn).GetCase(t.Context(), &trigonev1.GetCaseRequest{Case: &trigonev1.CaseReference{Name: "sites/harbour/cases/" + word}})
		}
	}
	flood(10)
	before := series(metricsOf(t, running))
	flood(100)
	text := metricsOf(t, running)
	if after := series(text); after > before+3 || before > 300 || !strings.Contains(text, `trigone_calls_total{method="RecordService/GetCase",outcome="NotFound"}`) {
		t.Errorf("%d series, after ten times as much nonsense %d", before, after)
	}
	if m := regexp.MustCompile(`w[0-9a-f]{12,}`).FindString(text); m != "" {
		t.Errorf("a label holds what a caller wrote: %s", m)
	}
}

// Every metric that an alert rule reads is there, and every rule says what to do.
func TestAlertRulesReadWhatIsThere(t *testing.T) {
	conn, _, running := startWith(t, Options{OperationsListen: "127.0.0.1:0"})
	submitted(t, conn, "core-only")
	var file struct {
		Groups []struct {
			Rules []struct {
				Alert, Expr string
				Annotations map[string]string
			}
		}
	}
	if err := yaml.UnmarshalWithOptions(AlertRules, &file); err != nil {
		t.Fatal(err)
	}
	text := metricsOf(t, running)
	rules := file.Groups[0].Rules
	for _, r := range rules {
		if len(r.Annotations["summary"]) < 40 {
			t.Errorf("%s does not say what to do", r.Alert)
		}
		for _, name := range regexp.MustCompile(`trigone_[a-z_]+`).FindAllString(r.Expr, -1) {
			if !strings.Contains(text, "\n"+name) {
				t.Errorf("%s reads %s, which is not there", r.Alert, name)
			}
		}
		for _, code := range regexp.MustCompile(`outcome=~?"([A-Za-z|]+)"`).FindAllStringSubmatch(r.Expr, -1) {
			for _, one := range strings.Split(code[1], "|") {
				known := false
				for _, is := range codeOf {
					known = known || is.String() == one
				}
				if !known && one != "Internal" {
					t.Errorf("%s reads outcome %s, which no call has", r.Alert, one)
				}
			}
		}
	}
	if len(rules) < 8 {
		t.Errorf("%d rules", len(rules))
	}
}

// Lines of the access record are told in figures as they are written.
func TestFiguresOfTheAccessRecord(t *testing.T) {
	conn, _, running := startWith(t, Options{OperationsListen: "127.0.0.1:0"})
	name := submitted(t, conn, "core-only")
	for range 5 {
		if _, err := trigonev1.NewRecordServiceClient(conn).GetCase(t.Context(), &trigonev1.GetCaseRequest{Case: &trigonev1.CaseReference{Name: name}}); err != nil {
			t.Fatal(err)
		}
	}
	want := "\ntrigone_access_lines_written_total 6\n" // with that of the start; the submit's is in its own write
	for deadline := time.Now().Add(5 * time.Second); !strings.Contains(metricsOf(t, running), want); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatal(metricsOf(t, running))
		}
	}
}
