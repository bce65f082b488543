package haccp

import (
	"strconv"
	"strings"
)

// ImportedID returns the id of an imported reading: of site, check, place, time, values and its occurrence
// among identical rows, whatever the file.
func ImportedID(site, check, place string, r *ImportRow) string {
	parts := []string{"imported", site, check, place, strconv.FormatInt(r.At.UnixMilli(), 10), strconv.FormatInt(r.Occurrence, 10)}
	for _, v := range r.Values {
		parts = append(parts, v.Quantity, string(v.Value.AppendJSON(nil)), v.Method)
	}
	return uuid5(parts...)
}

// importRows decides a batch of rows of a file. Rows already recorded, from whatever file, add nothing.
func (d *deciding) importRows(_ []Finding) error {
	ask, ok := d.cmd.Ask.(*Import)
	if !ok {
		return wrongAsk(d.cmd)
	}
	if n := len(ask.Rows); n == 0 || n > MaxImportRows {
		return invalid("rows", "too-many", "an import command has 1 to %d rows, this one %d", MaxImportRows, n)
	}
	if len(ask.File) != 64 || strings.Trim(ask.File, "0123456789abcdef") != "" {
		return invalid("file", "bad-hash", "file is not a SHA-256 in hex")
	}
	seen := map[string]bool{}
	for i := range ask.Rows {
		id := ImportedID(d.Site.Site, ask.Check, ask.Place, &ask.Rows[i])
		if d.facts.ByID[id] != nil || seen[id] {
			continue
		}
		seen[id] = true
		if err := d.importRow(ask, &ask.Rows[i], id, i); err != nil {
			return err
		}
	}
	if err := d.open(); err != nil {
		return err
	}
	if n := len(d.events); n > MaxRecords {
		return invalid("rows", "too-many-records", "these rows lead to %d records with the cases they open, a command holds at most %d: send fewer rows at once", n, MaxRecords)
	}
	return nil
}

func (d *deciding) importRow(ask *Import, row *ImportRow, id string, i int) error {
	was := d.cmd
	defer func() { d.cmd = was }()
	if row.Occurrence < 1 || row.Row < 1 {
		return invalid(rowField(i), "bad-row", "row %d, occurrence %d: both are counted from 1", row.Row, row.Occurrence)
	}
	own := *was
	own.At, own.AtKnown, own.Kind = row.At, AtImported, KindReading
	d.cmd = &own
	if err := d.checkTime(); err != nil {
		return within(rowField(i), err)
	}
	r := &Reading{Check: ask.Check, Place: ask.Place, Mode: "device",
		From: &ImportedFrom{File: ask.File, Occurrence: row.Occurrence, Row: row.Row}}
	for _, v := range row.Values {
		r.Entries = append(r.Entries, Entry{Quantity: v.Quantity, Method: v.Method, Read: v.Value})
	}
	j, err := d.judged(r, d.timeFindings())
	if err != nil {
		return within(rowField(i), asValues(err))
	}
	return d.emit(&Event{Kind: KindReading, ID: id, At: row.At, AtKnown: AtImported, About: readingAbout(j.body),
		Findings: j.findings, Body: j.body})
}

func rowField(i int) string { return "rows[" + strconv.Itoa(i) + "]" }

// asValues names the members of a row where a refusal names those of a reading.
func asValues(err error) error {
	if r, ok := err.(*Refusal); ok { //nolint:errorlint // a refusal is never wrapped here
		own := *r
		own.Field = strings.Replace(strings.Replace(r.Field, "entries", "values", 1), "].read", "].value", 1)
		return &own
	}
	return err
}

// within puts the field of an outer list in front of a refusal's own.
func within(field string, err error) error {
	if r, ok := err.(*Refusal); ok { //nolint:errorlint // a refusal is never wrapped here
		own := *r
		own.Field = strings.TrimSuffix(field+"."+r.Field, ".")
		return &own
	}
	return err
}

// CheckImported checks one row by itself, as the import will: it returns why the row cannot be kept.
func (s *State) CheckImported(ask *Import, row *ImportRow) error {
	d := &deciding{State: s, cmd: &Command{Kind: KindReading, At: row.At, AtKnown: AtImported}, now: s.LastRecorded}
	r := &Reading{Check: ask.Check, Place: ask.Place, Mode: "device"}
	for _, v := range row.Values {
		r.Entries = append(r.Entries, Entry{Quantity: v.Quantity, Method: v.Method, Read: v.Value})
	}
	_, err := d.checkReading(r)
	return asValues(err)
}
