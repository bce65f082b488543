package web

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/control"
	"linewarden/internal/plant"
)

// historyRow is one change of a report: who, when, why, and old beside new.
type historyRow struct {
	ID, Kind, By, Reason string
	Seq                  int64
	Recorded             time.Time
	Changes              []changed
}

// SeqText is the number of the record.
func (h historyRow) SeqText() string { return strconv.FormatInt(h.Seq, 10) }

type changed struct{ What, Old, New string }

// standing is a report as it stands after all that changed it.
type standing struct {
	event    *haccp.Event
	body     any
	voided   bool
	accepted bool
	rows     []historyRow
}

// stand reads a report and what changed it: amendments, voids and accepted times carry its at and about.
func (s *Server) stand(ctx context.Context, f *Frame, id string) (*standing, string, error) {
	bytes, e, err := s.site.ByID(ctx, id)
	if err != nil {
		return nil, "", err
	}
	st := &standing{event: e, body: e.Body}
	if len(e.About) == 0 {
		return st, bytes, nil
	}
	found, _, err := s.site.Find(ctx, plant.Query{About: e.About[0], From: e.At, To: e.At.Add(time.Millisecond)})
	if err != nil {
		return nil, "", err
	}
	for _, x := range found {
		if x.Amends == id {
			st.add(f, x)
		}
	}
	return st, bytes, nil
}

func (st *standing) add(f *Frame, x *haccp.Event) {
	row := historyRow{ID: x.ID, Kind: x.Kind, By: x.By.Name, Seq: x.Seq, Recorded: x.RecordedAt}
	switch b := x.Body.(type) {
	case *haccp.Amended:
		row.Reason, row.Changes = b.Reason, diff(f, st.body, b.New)
		st.body = b.New
	case *haccp.Voided:
		row.Reason, st.voided = b.Reason, true
	case *haccp.TimeAccepted:
		row.Reason, st.accepted = b.Reason, true
	}
	st.rows = append(st.rows, row)
}

// diff lists what differs between two bodies, in the order of the names.
func diff(f *Frame, was, now any) []changed {
	a, b := plainOf(f, was), plainOf(f, now)
	names := map[string]bool{}
	for k := range a {
		names[k] = true
	}
	for k := range b {
		names[k] = true
	}
	var out []changed
	for _, k := range slices.Sorted(maps.Keys(names)) {
		if a[k] != b[k] {
			out = append(out, changed{k, orDash(a[k]), orDash(b[k])})
		}
	}
	return out
}

func orDash(s string) string {
	if s == "" {
		return "–"
	}
	return s
}

// plainOf gives what a body says as names and texts. A reading is worded; other bodies give their members.
func plainOf(f *Frame, body any) map[string]string {
	out := map[string]string{}
	if r, ok := body.(*haccp.Reading); ok {
		for i := range r.Entries {
			e := &r.Entries[i]
			out[f.Word("quantity", e.Quantity)] = e.Result().String()
			if e.Instrument != "" {
				out[f.T("form.instrument")+", "+f.Word("quantity", e.Quantity)] = e.Instrument
			}
		}
		for _, v := range r.Verdicts {
			out[f.pointName(v.Point)+": "+v.Limit] = f.Word("verdict", v.Verdict)
		}
		put(out, f.T("form.note"), r.Note)
		put(out, f.T("check.sample-point"), r.SamplePoint)
		put(out, f.T("check.lots"), strings.Join(r.Lots, ", "))
		return out
	}
	b, err := json.Marshal(body)
	if err != nil {
		return map[string]string{"": err.Error()}
	}
	var v any
	if err := json.Unmarshal(b, &v); err != nil {
		return map[string]string{"": string(b)}
	}
	flatten(out, "", v)
	return out
}

func put(m map[string]string, name, text string) {
	if text != "" {
		m[name] = text
	}
}

// flatten writes the members of a JSON value as paths; a measured value stays one text.
func flatten(out map[string]string, path string, v any) {
	switch x := v.(type) {
	case map[string]any:
		if value, ok := x["value"].(string); ok {
			unit, _ := x["unit"].(string)
			sign, _ := x["sign"].(string)
			out[path] = strings.TrimSpace(sign + " " + value + " " + unit)
			return
		}
		for k, y := range x {
			flatten(out, strings.TrimPrefix(path+"."+k, "."), y)
		}
	case []any:
		for i, y := range x {
			flatten(out, path+"["+strconv.Itoa(i+1)+"]", y)
		}
	case nil:
	default:
		out[path] = fmt.Sprint(x)
	}
}

// What is a line of facts: a name and its text.
type What struct{ What, Text string }

// facts gives a body as lines, in the order of the names.
func facts(f *Frame, body any) []What {
	m := plainOf(f, body)
	out := make([]What, 0, len(m))
	for _, k := range slices.Sorted(maps.Keys(m)) {
		if t := m[k]; t != "" && len(t) < 4000 {
			out = append(out, What{k, t})
		}
	}
	return out
}

// worstOf is the worst verdict of a reading.
func worstOf(r *haccp.Reading) string { return control.Worst(r.Verdicts) }
