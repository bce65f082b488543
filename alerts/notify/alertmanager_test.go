package notify

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"
)

func TestAlertmanagerPosts(t *testing.T) {
	var got [][]postable
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		var list []postable
		if err := json.NewDecoder(r.Body).Decode(&list); err != nil || r.URL.Path != "/am/api/v2/alerts" {
			t.Errorf("%s: %v", r.URL.Path, err)
		}
		got = append(got, list)
	}))
	defer srv.Close()
	now := time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	am, err := NewAlertmanager(srv.URL+"/am", func() time.Time { return now })
	if err != nil {
		t.Fatal(err)
	}
	m := sample()
	if err := am.Send(t.Context(), m); err != nil {
		t.Fatal(err)
	}
	first := got[0][0]
	if first.Labels["alertname"] != "LinewardenOutside" || first.Labels["severity"] != "critical" || !first.EndsAt.Equal(now.Add(standFor)) {
		t.Errorf("%+v", first)
	}
	if err := am.Stand(t.Context(), "plant", m.Items, true); err != nil {
		t.Fatal(err)
	}
	again := got[1]
	if len(again) != 2 || again[1].Labels["alertname"] != "LinewardenAlive" {
		t.Fatalf("%+v", again)
	}
	for k, v := range first.Labels {
		if again[0].Labels[k] != v {
			t.Errorf("label %s changed: another alert", k)
		}
	}
	if err := am.Stand(t.Context(), "plant", nil, false); err != nil || len(got) != 2 {
		t.Error("nothing open and not alive: nothing is posted")
	}
	if alertName("device-silent") != "LinewardenDeviceSilent" {
		t.Error(alertName("device-silent"))
	}
}
