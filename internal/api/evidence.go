package api

import (
	"bufio"
	"context"
	"slices"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/internal/access"
	"linewarden/internal/api/intake"
	"linewarden/internal/plant"
	"linewarden/internal/record"
)

// Record is a record as it is stored.
type Record struct {
	Seq    int64  `json:"seq"`
	Leaf   string `json:"leaf" doc:"Leaf hash (RFC 6962), base64."`
	Record string `json:"record" doc:"The exact canonical bytes (RFC 8785) that were hashed."`
	// ChangedSince marks a signature, where the record is asked for by its number.
	ChangedSince int64 `json:"changed_since,omitempty" doc:"Of a signed review or part, asked for by its number: the newest record that changed what the signature covers, since it was given."`
}

// Records is a page of records.
type Records struct {
	Records []Record   `json:"records"`
	Next    int64      `json:"next,omitempty" doc:"from of the next page; missing after the last."`
	Head    haccp.Head `json:"head"`
}

func (q *call) listRecords() (Records, error) {
	from, err := q.whole("from", 1, 1, 1<<52)
	if err != nil {
		return Records{}, err
	}
	limit, err := q.whole("limit", 50, 1, maxPage)
	if err != nil {
		return Records{}, err
	}
	head := q.api.Site.Head()
	out := Records{Records: []Record{}, Head: headOf(head)}
	last := min(from+limit-1, head.Size)
	if from > last {
		return out, nil
	}
	err = q.api.Evidence.Records(q.UserContext(), from, last, func(seq int64, rec string) error {
		out.Records = append(out.Records, Record{Seq: seq, Leaf: record.LeafHash(rec).String(), Record: rec})
		return nil
	})
	if last < head.Size {
		out.Next = last + 1
	}
	return out, err
}

func (q *call) getRecord() (Record, error) {
	seq, ok := intake.ParseInteger(q.Params("seq"))
	if !ok || seq < 1 {
		return Record{}, q.refused("seq", "bad-integer", "the number of a record is a whole number from 1")
	}
	rec, e, err := q.api.Site.Record(q.UserContext(), seq)
	if err != nil {
		return Record{}, err
	}
	return Record{seq, record.LeafHash(rec).String(), rec, q.api.Site.View().ChangedSince(e)}, nil
}

// Checkpoint is the signed head of the log.
type Checkpoint struct {
	Checkpoint string     `json:"checkpoint" doc:"Signed note (C2SP). Keep it elsewhere: it shows any later change of what it covers."`
	Head       haccp.Head `json:"head"`
	Key        string     `json:"key"`
}

func (q *call) checkpoint() (Checkpoint, error) {
	note, err := q.api.Evidence.Checkpoint(q.UserContext())
	if err != nil {
		return Checkpoint{}, err
	}
	cp, err := record.ParseCheckpoint(note)
	if err != nil {
		return Checkpoint{}, err
	}
	return Checkpoint{note, haccp.Head{Root: cp.Root.String(), Size: cp.Size}, q.api.Evidence.Key()}, nil
}

func (q *call) inclusion() (plant.Inclusion, error) {
	seq, err := q.whole("seq", 0, 1, 1<<52)
	if err != nil {
		return plant.Inclusion{}, err
	}
	if seq == 0 {
		return plant.Inclusion{}, intake.Missing("seq", "seq, the number of the record,")
	}
	size, err := q.whole("size", 0, 1, 1<<52)
	if err != nil {
		return plant.Inclusion{}, err
	}
	return q.api.Evidence.Inclusion(q.UserContext(), seq, size)
}

func (q *call) consistency() (plant.Consistency, error) {
	from, err := q.whole("from", 0, 1, 1<<52)
	if err != nil {
		return plant.Consistency{}, err
	}
	if from == 0 {
		return plant.Consistency{}, intake.Missing("from", "from, the smaller size,")
	}
	to, err := q.whole("to", 0, 1, 1<<52)
	if err != nil {
		return plant.Consistency{}, err
	}
	return q.api.Evidence.Consistency(q.UserContext(), from, to)
}

// export streams records in the export format. An export that breaks off lacks its last line, and verify
// says so.
func (q *call) export() error {
	first, err := q.whole("from", 1, 1, 1<<52)
	if err != nil {
		return err
	}
	last, err := q.whole("to", 0, 1, 1<<52)
	if err != nil {
		return err
	}
	head := q.api.Site.Head().Size
	if first > head || last > head || (last > 0 && last < first) {
		return q.refused("to", "no-size", "the log does not have these records")
	}
	q.Set(fiber.HeaderContentType, "application/x-ndjson")
	q.Set(fiber.HeaderContentDisposition, `attachment; filename="`+q.api.Site.View().Site.Site+`.records.ndjson"`)
	evidence, logger := q.api.Evidence, q.api.Logger
	q.Context().SetBodyStreamWriter(func(w *bufio.Writer) {
		if err := evidence.Export(context.Background(), w, first, last); err != nil {
			logger.Error("export broke off", "error", err)
		}
	})
	return nil
}

// evidenceRoutes lists what shows that nothing was changed.
func (a *API) evidenceRoutes() []route {
	whole := func(name, doc string, required bool) query {
		return query{name: name, kind: "integer", doc: doc, required: required}
	}
	export := get("/export/records", "Records in the export format, to be checked with verify or with a few lines in any language.", access.ExportRecords,
		func(*call) (nothing, error) { return nothing{}, nil }, whole("from", "First record; left out: 1.", false), whole("to", "Last record; left out: the last.", false)).
		answering("application/x-ndjson")
	export.run = func(q *call) error { return q.export() }
	return []route{
		get("/records", "Records as they are stored.", access.ReadRecords, (*call).listRecords,
			whole("from", "Number of the first; left out: 1.", false), whole("limit", "Records in a page, 1 to 200.", false)),
		get("/records/:seq", "One record as it is stored.", access.ReadRecords, (*call).getRecord),
		get("/checkpoint", "The signed head of the log.", access.ReadRecords, (*call).checkpoint),
		get("/proofs/inclusion", "Proof that a record is in the log (RFC 6962).", access.ReadRecords, (*call).inclusion,
			whole("seq", "Number of the record.", true), whole("size", "Size of the log; left out: now.", false)),
		get("/proofs/consistency", "Proof that a smaller log is the beginning of a larger one (RFC 6962).", access.ReadRecords, (*call).consistency,
			whole("from", "The smaller size.", true), whole("to", "The larger size; left out: now.", false)),
		export,
	}
}

// table lists every route.
func (a *API) table() []route {
	all := slices.Concat(a.sessionRoutes(), a.siteRoutes(), a.reportRoutes(), a.caseRoutes(), a.alertRoutes(), a.handoverRoutes(), a.evidenceRoutes(), a.groupRoutes(), a.lotRoutes(),
		a.supplyRoutes(), a.tracingRoutes(),
		a.laboratoryRoutes(),
		a.streamRoutes(),
		a.deliveryRoutes(),
	)
	for i := range all {
		all[i].delivered = all[i].method == "POST" && slices.Contains(deliverable, all[i].path)
	}
	return all
}
