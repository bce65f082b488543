package evidence

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"

	"golang.org/x/mod/sumdb/tlog"

	"linewarden/internal/record"
)

// Verify checks an export in one pass, with little memory whatever its length.
// What is wrong stands in Result.Fault; the error is for reading that failed
// and for options that cannot be used.
func Verify(ctx context.Context, in io.Reader, o VerifyOptions) (Result, error) {
	c, err := newChain(o)
	if err != nil {
		return Result{}, err
	}
	v := &verifier{ctx: ctx, o: o, chain: c, lines: lineReader{in: bufio.NewReaderSize(in, 1<<16)}}
	fault, err := v.run()
	if err != nil {
		return Result{}, fmt.Errorf("read the export: %w", err)
	}
	v.result.Fault = fault
	if fault != nil {
		v.result.Proved, v.result.NotProved = nil, nil
	}
	return v.result, nil
}

// verifier is one run over an export.
type verifier struct {
	ctx    context.Context
	o      VerifyOptions
	chain  *chain
	lines  lineReader
	header Header
	next   int64 // seq of the record that the next line should hold
	result Result
	// roots are the first two different roots that proofs lead to, each with the
	// first record that leads there.
	roots [2]struct {
		root tlog.Hash
		seq  int64
		line int64
	}
}

func (v *verifier) fault(kind FaultKind, seq int64, format string, args ...any) *Fault {
	return &Fault{Kind: kind, Seq: seq, Line: v.lines.line, Detail: fmt.Sprintf(format, args...)}
}

// read gives the next line; a fault where it is cut or too long.
func (v *verifier) read() (line string, fault *Fault, err error) {
	line, ended, err := v.lines.next()
	switch {
	case errors.Is(err, errLongLine):
		return "", v.damaged("the line is longer than a line can be"), nil
	case errors.Is(err, io.EOF):
		return "", v.fault(FaultCut, 0, "the file ends before the checkpoint; the last whole record is %d", v.next-1), nil
	case err != nil:
		return "", nil, err
	case !ended:
		c := record.NewStrictReader(line)
		if c.Value() == nil && c.End() != nil {
			return "", v.damaged("the line does not end with a line feed"), nil
		}
		return "", v.fault(FaultCut, 0, "the file ends within a line; the last whole record is %d", max(v.next-1, 0)), nil
	}
	return line, nil, nil
}

// damaged is a fault of the part that the line at hand should be.
func (v *verifier) damaged(format string, args ...any) *Fault {
	switch {
	case v.next == 0:
		return v.fault(FaultHeader, 0, format, args...)
	case v.next > v.header.Last:
		return v.fault(FaultCheckpoint, 0, format, args...)
	}
	return v.fault(FaultRecord, v.next, format, args...)
}

func (v *verifier) run() (*Fault, error) {
	line, fault, err := v.read()
	if fault != nil || err != nil {
		return fault, err
	}
	if v.header, err = parseHeader(line); err != nil {
		return v.damaged("%v", err), nil
	}
	h := v.header
	v.next = h.First
	v.result.Site, v.result.LogID, v.result.First = h.Site, h.LogID, h.First
	for {
		if err := v.ctx.Err(); err != nil {
			return nil, err
		}
		line, fault, err := v.read()
		if fault != nil || err != nil {
			return fault, err
		}
		if strings.HasPrefix(line, checkpointMember) {
			return v.last(line)
		}
		if fault := v.record(line); fault != nil {
			return fault, nil
		}
		v.result.Last = v.next
		v.next++
		v.o.progress(v.next-h.First, h.Last-h.First+1)
	}
}

// record checks one line with a record.
func (v *verifier) record(line string) *Fault {
	l, err := parseExportLine(line)
	if err != nil {
		return v.damaged("%v", err)
	}
	if record.LeafHash(l.record) != l.leaf {
		return v.damaged("record and leaf do not fit each other")
	}
	if v.next > v.header.Last {
		return v.fault(FaultHeader, 0, "there are more records than the header says")
	}
	if l.partly == v.header.Complete {
		return v.damaged("a proof stands in each record of a partial export, and in none of a complete one")
	}
	if v.header.Complete {
		return v.whole(l)
	}
	return v.part(l)
}

// whole checks a record of a complete export.
func (v *verifier) whole(l exportLine) *Fault {
	_, f := v.chain.add(l.record, "")
	if f != nil {
		f.Line = v.lines.line
		return f
	}
	if v.next == 1 && (v.chain.founding.Site != v.header.Site || v.chain.founding.LogID != v.header.LogID) {
		return &Fault{Kind: FaultHeader, Line: 1, Detail: "site or log id are not those of the founding record"}
	}
	return nil
}

// part checks a record of a partial export, but for the root its proof leads
// to, which is known at the end.
func (v *verifier) part(l exportLine) *Fault {
	e, err := record.DecodeString(l.record)
	switch {
	case err != nil:
		return v.damaged("it is not a record: %v", err)
	case e.Seq != v.next && v.next == v.header.First:
		return &Fault{Kind: FaultHeader, Line: 1, Detail: fmt.Sprintf("the header promises records from %d on, the first is %d", v.next, e.Seq)}
	case e.Seq != v.next:
		return v.damaged("record %d stands in its place", e.Seq)
	case e.Site != v.header.Site:
		return v.damaged("it is of site %q, not %q", e.Site, v.header.Site)
	case e.RecordedAt.Before(v.chain.recorded):
		return v.damaged("recorded_at is before that of the record before it")
	}
	v.chain.recorded = e.RecordedAt
	root, ok := rootFromProof(l.proof, v.header.Size, v.next-1, l.leaf)
	if !ok {
		root = tlog.Hash{} // No tree has this root, so the record fails at the end.
	}
	for i := range v.roots {
		r := &v.roots[i]
		if r.seq == 0 {
			r.root, r.seq, r.line = root, v.next, v.lines.line
		}
		if r.root == root {
			break
		}
	}
	return nil
}

// last checks the checkpoint line and everything that hangs on it.
func (v *verifier) last(line string) (*Fault, error) {
	note, fault := v.checkpointLine(line)
	if fault != nil {
		return fault, nil
	}
	key := v.header.Key
	if v.header.Complete && len(v.chain.eras) > 0 {
		key = v.chain.currentKey()
	}
	cp, _, err := record.VerifyCheckpoint(note, key)
	if fault := v.otherKey(key); fault != nil {
		return fault, nil
	}
	if err != nil {
		f := checkpointFault(err)
		f.Line = v.lines.line
		return f, nil
	}
	if fault := v.sizes(cp); fault != nil {
		return fault, nil
	}
	v.result.Checkpoint, v.result.Size, v.result.Root, v.result.Key = note, cp.Size, cp.Root, key
	if v.header.Complete {
		return v.lastWhole(cp), nil
	}
	return v.lastPart(cp), nil
}

// checkpointLine reads the last line and looks that it is the last.
func (v *verifier) checkpointLine(line string) (string, *Fault) {
	c := record.NewStrictReader(line)
	c.Word(checkpointMember)
	note, err := c.Text()
	if err == nil && !c.Word("}") {
		err = c.Errorf("%q is wanted", '}')
	}
	if err == nil {
		err = c.End()
	}
	if err != nil {
		return "", v.fault(FaultCheckpoint, 0, "%v", err)
	}
	if _, err := record.ParseCheckpoint(note); err != nil {
		return "", v.fault(FaultCheckpoint, 0, "%v", err)
	}
	at := v.lines.line
	if _, _, err := v.lines.next(); !errors.Is(err, io.EOF) {
		return "", v.fault(FaultCheckpoint, 0, "something stands after the checkpoint")
	}
	v.lines.line = at
	return note, nil
}

// otherKey says that the log is signed with another key than the caller's.
func (v *verifier) otherKey(key string) *Fault {
	if v.o.Key == "" {
		return nil
	}
	if v.header.Complete {
		return v.chain.origin(&Result{})
	}
	if key != v.o.Key {
		return v.fault(FaultOtherKey, 0, "the export is signed with another key than the one given")
	}
	return nil
}

// sizes compares the true checkpoint with what the file holds.
func (v *verifier) sizes(cp record.Checkpoint) *Fault {
	switch {
	case cp.Site != v.header.Site || cp.LogID != v.header.LogID:
		return &Fault{Kind: FaultHeader, Line: 1, Detail: "site or log id are not those of the checkpoint"}
	case v.next <= v.header.Last:
		return v.fault(FaultCut, v.next, "the header promises records up to %d, the file ends with %d", v.header.Last, v.next-1)
	case cp.Size > v.header.Size && v.header.Complete:
		return v.fault(FaultCut, v.next, "the checkpoint is over %d records, the file has %d", cp.Size, v.next-1)
	case cp.Size != v.header.Size:
		return &Fault{Kind: FaultHeader, Line: 1, Detail: fmt.Sprintf("the header says %d records, the checkpoint %d", v.header.Size, cp.Size)}
	}
	return nil
}

func (v *verifier) lastWhole(cp record.Checkpoint) *Fault {
	c := v.chain
	if c.tree.Root() != cp.Root {
		return &Fault{
			Kind: FaultReplaced, Seq: c.anchor + 1, To: c.tree.Size(),
			Detail: "the records fit their leaves but not the signed root: they were replaced after they were signed",
		}
	}
	if v.header.Key != c.currentKey() {
		return &Fault{Kind: FaultHeader, Line: 1, Detail: "the key is not the one that the records name"}
	}
	v.result.Proved = []Claim{ClaimRecords, ClaimComplete}
	return c.finish(&v.result)
}

func (v *verifier) lastPart(cp record.Checkpoint) *Fault {
	first := v.roots[0]
	if first.root == cp.Root {
		first = v.roots[1]
	}
	if first.seq != 0 {
		return &Fault{Kind: FaultRecord, Seq: first.seq, Line: first.line, Detail: "record and proof do not lead to the signed root"}
	}
	v.result.Proved, v.result.NotProved = []Claim{ClaimRecords}, []Claim{ClaimComplete}
	if v.o.Key != "" {
		v.result.Proved = append(v.result.Proved, ClaimOrigin)
		v.result.OriginTo = cp.Size
	} else {
		v.result.NotProved = append(v.result.NotProved, ClaimOrigin)
	}
	return v.sincePart(cp)
}

// sincePart compares a partial export with an earlier checkpoint, as far as
// that goes without the records between.
func (v *verifier) sincePart(cp record.Checkpoint) *Fault {
	s := v.chain.since
	if s == nil {
		v.result.NotProved = append(v.result.NotProved, ClaimSince)
		return nil
	}
	if f := v.chain.sinceKnown(cp.Site, cp.LogID, []string{v.result.Key}); f != nil {
		return f
	}
	switch {
	case s.Size > cp.Size:
		return &Fault{Kind: FaultCut, Detail: fmt.Sprintf("the checkpoint is over %d records, the earlier one was over %d", cp.Size, s.Size)}
	case s.Size < cp.Size:
		v.result.NotProved = append(v.result.NotProved, ClaimSince)
	case s.Root != cp.Root:
		return &Fault{Kind: FaultReplaced, Seq: 1, To: cp.Size, Detail: "the records are not those of the earlier checkpoint"}
	default:
		v.result.Proved = append(v.result.Proved, ClaimSince)
	}
	return nil
}
