// The run over an export, in one pass and with little memory, and the page that shows what came of it.
"use strict";
(() => {
  const { Cursor, readable, inBytes, quote, base64, decode } = globalThis.linewarden.canon;
  const { Fault, Tree, proved, missing, same, leafHash, rootFromProof, readKey, parseCheckpoint, verifyCheckpoint, parseHeader, parseLine, readFounding, readKeyChange, MAX_LINE, LAST, BATCH } = globalThis.linewarden.evidence;

  // lines gives the lines of a file, read chunk by chunk: [bytes, ended], or null where a line is too long.
  async function* lines(chunks) {
    let rest = [], held = 0;
    const whole = (last) => {
      const out = new Uint8Array(held + last.length);
      let at = 0;
      for (const p of [...rest, last]) {
        out.set(p, at);
        at += p.length;
      }
      rest = [];
      held = 0;
      return out;
    };
    for await (const chunk of chunks) {
      let from = 0;
      for (let to; (to = chunk.indexOf(10, from)) >= 0; from = to + 1) {
        if (held + to - from + 1 > MAX_LINE) return void (yield null);
        yield [held ? whole(chunk.subarray(from, to)) : chunk.subarray(from, to), true];
      }
      if (from < chunk.length) {
        rest.push(chunk.slice(from));
        held += chunk.length - from;
        if (held > MAX_LINE) return void (yield null);
      }
    }
    if (held) yield [whole(new Uint8Array(0)), false];
  }

  // Run is one run over an export.
  class Run {
    constructor(options) {
      Object.assign(this, { o: options, line: 0, next: 0, tree: new Tree(), eras: [], anchor: 0, recorded: "", roots: [], founding: { site: "", log_id: "" } });
      this.result = { proved: [], missing: [], lostAt: [], originTo: 0, first: 0, last: 0, unchecked: false };
    }
    // options reads the key and the earlier checkpoint; one that cannot be used is no fault of the file.
    async options() {
      const { key, since } = this.o;
      if (key) await readKey(key).catch((e) => {
        throw new Error("the key given: " + e.message);
      });
      if (!since) return;
      const bare = since.trim().split(/\s+/), root = bare.length === 2 && base64(bare[1]);
      if (root && root.length === 32 && /^[1-9]\d*$/.test(bare[0])) this.since = { size: Number(bare[0]), root };
      else {
        this.since = await parseCheckpoint(since).catch((e) => {
          throw new Error("the earlier checkpoint: " + e.message);
        });
        this.since.note = since;
      }
    }
    fault(kind, seq, detail) {
      return new Fault(kind, seq, this.line, detail);
    }
    // damaged is a fault of the part that the line at hand should be.
    damaged(detail) {
      if (this.next === 0) return this.fault("header", 0, detail);
      if (this.next > this.header.last) return this.fault("checkpoint", 0, detail);
      return this.fault("record", this.next, detail);
    }
    whole(got) {
      if (!got) throw this.damaged("the line is longer than a line can be");
      if (got[1]) return got[0];
      const c = new Cursor(got[0]);
      let more = false;
      try {
        c.value();
        more = c.i !== got[0].length;
      } catch { /* cut within */ }
      if (more) throw this.damaged("the line does not end with a line feed");
      throw this.fault("cut short", 0, `the file ends within a line; the last whole record is ${Math.max(this.next - 1, 0)}`);
    }
    async run(chunks, progress) {
      const all = lines(chunks);
      let batch = [], got, ahead = 0; // lines read ahead of the one at hand
      for (;;) {
        got = await all.next();
        ahead++;
        const begins = !got.done && got.value && got.value[1] && new Cursor(got.value[0]).word(LAST), plain = !got.done && got.value && got.value[1] && !begins;
        if (this.line === 0 && ahead === 1) {
          await this.first(got);
          ahead = 0;
          continue;
        }
        if (plain) batch.push(got.value[0]);
        if (!plain || batch.length === BATCH) {
          await this.records(batch);
          if (progress) await progress(this.next - this.header.first, this.header.last - this.header.first + 1);
          [batch, ahead] = [[], 0];
        }
        if (plain) continue;
        this.line++;
        if (got.done) throw this.fault("cut short", 0, `the file ends before the checkpoint; the last whole record is ${this.next - 1}`);
        await this.last(this.whole(got.value), all);
        return this.result;
      }
    }
    async first(got) {
      this.line = 1;
      if (got.done) throw this.fault("cut short", 0, "the file ends before the checkpoint; the last whole record is -1");
      const line = this.whole(got.value);
      try {
        this.header = await parseHeader(line);
      } catch (e) {
        throw this.damaged(e.message);
      }
      this.next = this.header.first;
      Object.assign(this.result, { site: this.header.site, first: this.header.first, last: 0 });
    }
    // records checks lines that should hold a record each.
    async records(batch) {
      const parsed = [];
      for (const line of batch) {
        try {
          parsed.push(parseLine(line));
        } catch (e) {
          parsed.push(e);
          break; // nothing after it is looked at
        }
      }
      const leaves = await Promise.all(parsed.map((l) => (l.record ? leafHash(l.record) : null)));
      for (const [i, l] of parsed.entries()) {
        this.line++;
        if (!l.record) throw this.damaged(l.message);
        if (!same(leaves[i], l.leaf)) throw this.damaged("record and leaf do not fit each other");
        if (this.next > this.header.last) throw this.fault("header", 0, "there are more records than the header says");
        if (!!l.proof === this.header.complete) throw this.damaged("a proof stands in each record of a partial export, and in none of a complete one");
        await (this.header.complete ? this.add(l) : this.part(l));
        this.result.last = this.next++;
      }
      await this.tree.flush();
    }
    // add takes the next record of a complete export.
    async add(l) {
      const seq = this.tree.size + 1, bad = (detail) => this.fault("record", seq, detail);
      let e;
      try {
        e = decode(l.record);
      } catch (err) {
        throw bad("it is not a record: " + err.message);
      }
      if (e.seq !== seq) throw bad(`record ${e.seq} stands in its place`);
      if (e.recorded_at < this.recorded) throw bad(`recorded_at ${e.recorded_at} is before that of the record before it`);
      this.recorded = e.recorded_at;
      if (seq === 1) {
        this.founding = await readFounding(e).catch((err) => {
          throw bad("it does not found a log: " + err.message);
        });
        this.eras = [{ seq: 1, key: this.founding.key, lost: false, kept: 0 }];
      } else if (e.kind === "site.founded") throw bad("a log is founded once, by its first record");
      if (e.kind === "key.changed") await this.changeKey(e).catch((err) => {
        throw bad(err.message);
      });
      this.tree.add(l.leaf);
      await this.compareSince();
      if (seq === 1 && (this.founding.site !== this.header.site || this.founding.log_id !== this.header.log_id)) {
        throw new Fault("header", 0, 1, "site or log id are not those of the founding record");
      }
    }
    key() {
      return this.eras.length ? this.eras[this.eras.length - 1].key : "";
    }
    async changeKey(e) {
      const k = await readKeyChange(e), next = { seq: e.seq, key: k.key, lost: k.lost, kept: 0 }, size = this.tree.size;
      if (k.checkpoint) {
        const cp = await verifyCheckpoint(k.checkpoint, [this.key()]).catch((err) => {
          throw new Error("the old key's last checkpoint: " + err.message);
        });
        this.result.unchecked ||= cp.unchecked;
        next.kept = cp.size;
        if (cp.size > size || cp.logID !== this.founding.log_id || cp.site !== this.founding.site) throw new Error("the old key's last checkpoint is not one of the records before it");
        if (cp.size === size && !same(cp.root, await this.tree.root())) throw new Error("the records before it are not those of the old key's last checkpoint");
        if (!k.lost && (cp.size !== size || cp.next !== k.key)) throw new Error("the old key's last checkpoint does not hand over to the new key");
        if (cp.size === size) this.anchor = size;
      }
      const of = await readKey(k.key);
      if (of.site !== this.founding.site || of.logID !== this.founding.log_id) throw new Error("the new key is of another log");
      this.eras.push(next);
    }
    async compareSince() {
      if (!this.since || this.since.size !== this.tree.size) return;
      await this.sinceKnown(this.founding.site, this.founding.log_id, [...(this.o.key ? [this.o.key] : []), ...this.eras.map((e) => e.key)]);
      if (!same(this.since.root, await this.tree.root())) {
        throw new Fault("records replaced", this.anchor + 1, this.line, `the first ${this.since.size} records are not those of the earlier checkpoint`, this.tree.size);
      }
      this.anchor = this.tree.size;
    }
    // sinceKnown looks that the earlier checkpoint is one of this log.
    async sinceKnown(site, logID, keys, line = this.header.complete ? this.line : 0) {
      if (!this.since.note) return;
      const bad = (detail) => new Fault("earlier checkpoint", 0, line, detail);
      if (this.since.site !== site || this.since.logID !== logID) throw bad(`it is of ${quote(`linewarden/${this.since.site}/${this.since.logID}`)}, not of ${quote(`linewarden/${site}/${logID}`)}`);
      const cp = await verifyCheckpoint(this.since.note, keys).catch((e) => {
        throw bad("it cannot be trusted: " + e.message);
      });
      this.result.unchecked ||= cp.unchecked;
    }
    // part checks a record of a partial export, but for the root that its proof leads to.
    async part(l) {
      let e;
      try {
        e = decode(l.record);
      } catch (err) {
        throw this.damaged("it is not a record: " + err.message);
      }
      if (e.seq !== this.next && this.next === this.header.first) throw new Fault("header", 0, 1, `the header promises records from ${this.next} on, the first is ${e.seq}`);
      if (e.seq !== this.next) throw this.damaged(`record ${e.seq} stands in its place`);
      if (e.site !== this.header.site) throw this.damaged(`it is of site ${quote(e.site)}, not ${quote(this.header.site)}`);
      if (e.recorded_at < this.recorded) throw this.damaged("recorded_at is before that of the record before it");
      this.recorded = e.recorded_at;
      const root = (await rootFromProof(l.proof, this.header.size, this.next - 1, l.leaf)) || new Uint8Array(32); // no tree has this root
      if (this.roots.length < 2 && !this.roots.some((r) => same(r.root, root))) this.roots.push({ root, seq: this.next, line: this.line });
    }
    // last checks the checkpoint line and everything that hangs on it.
    async last(line, all) {
      const note = await this.checkpointLine(line, all), complete = this.header.complete;
      const key = complete && this.eras.length ? this.key() : this.header.key;
      let cp, err;
      await verifyCheckpoint(note, [key]).then((c) => void (cp = c), (e) => void (err = e));
      if (this.o.key && complete) this.origin({ proved: [], missing: [] });
      if (this.o.key && !complete && key !== this.o.key) throw this.fault("other key", 0, "the export is signed with another key than the one given");
      if (err) throw this.fault(err.kind || "checkpoint", 0, err.message);
      this.result.unchecked ||= cp.unchecked;
      this.sizes(cp);
      Object.assign(this.result, { checkpoint: note, size: cp.size, key });
      await (complete ? this.lastWhole(cp) : this.lastPart(cp));
    }
    async checkpointLine(line, all) {
      const c = new Cursor(line), bad = (what) => this.fault("checkpoint", 0, what);
      let note;
      try {
        c.word(LAST);
        note = c.text();
        if (!c.word("}")) throw c.bad("'}' is wanted");
        c.end();
        await parseCheckpoint(note);
      } catch (e) {
        throw bad(e.message);
      }
      if (!(await all.next()).done) {
        this.line++;
        throw bad("something stands after the checkpoint");
      }
      return note;
    }
    sizes(cp) {
      const h = this.header;
      if (cp.site !== h.site || cp.logID !== h.log_id) throw new Fault("header", 0, 1, "site or log id are not those of the checkpoint");
      if (this.next <= h.last) throw this.fault("cut short", this.next, `the header promises records up to ${h.last}, the file ends with ${this.next - 1}`);
      if (cp.size > h.size && h.complete) throw this.fault("cut short", this.next, `the checkpoint is over ${cp.size} records, the file has ${this.next - 1}`);
      if (cp.size !== h.size) throw new Fault("header", 0, 1, `the header says ${h.size} records, the checkpoint ${cp.size}`);
    }
    async lastWhole(cp) {
      if (!same(await this.tree.root(), cp.root)) {
        throw new Fault("records replaced", this.anchor + 1, 0, "the records fit their leaves but not the signed root: they were replaced after they were signed", this.tree.size);
      }
      if (this.header.key !== this.key()) throw new Fault("header", 0, 1, "the key is not the one that the records name");
      const r = this.result;
      r.proved = ["records", "complete"];
      r.lostAt = this.eras.filter((e) => e.lost).map((e) => e.seq);
      if (!this.since) r.missing.push("since");
      else if (this.since.size > this.tree.size) {
        await this.sinceKnown(this.founding.site, this.founding.log_id, [...(this.o.key ? [this.o.key] : []), ...this.eras.map((e) => e.key)], 0);
        throw new Fault("cut short", this.tree.size + 1, 0, `there are ${this.tree.size} records, the earlier checkpoint was over ${this.since.size}`);
      } else r.proved.push("since");
      this.origin(r);
    }
    // origin finds how far the given key speaks for the log.
    origin(r) {
      if (!this.o.key) return void r.missing.push("origin");
      const i = this.eras.findIndex((e) => e.key === this.o.key);
      if (i < 0) throw new Fault("other key", 0, 0, "the key given is none of this log's keys: the log was signed with another key");
      r.originTo = this.tree.size;
      const lost = this.eras.slice(i + 1).find((e) => e.lost);
      if (lost) r.originTo = lost.kept;
      (lost ? r.missing : r.proved).push("origin");
    }
    async lastPart(cp) {
      const first = this.roots.find((r) => !same(r.root, cp.root)), r = this.result;
      if (first) throw new Fault("record", first.seq, first.line, "record and proof do not lead to the signed root");
      r.proved = ["records"];
      r.missing = ["complete"];
      (this.o.key ? r.proved : r.missing).push("origin");
      if (this.o.key) r.originTo = cp.size;
      const s = this.since;
      if (!s) return void r.missing.push("since");
      await this.sinceKnown(cp.site, cp.logID, [r.key]);
      if (s.size > cp.size) throw new Fault("cut short", 0, 0, `the checkpoint is over ${cp.size} records, the earlier one was over ${s.size}`);
      if (s.size < cp.size) r.missing.push("since");
      else if (!same(s.root, cp.root)) throw new Fault("records replaced", 1, 0, "the records are not those of the earlier checkpoint", cp.size);
      else r.proved.push("since");
    }
  }

  const asGiven = (text) => inBytes(text || "");

  // verify checks an export. It gives { fault } or { lines }, in the words of the command line; an error is for options that
  // cannot be used and for a file that cannot be read.
  async function verify(chunks, { key = "", since = "" } = {}, progress = null) {
    const run = new Run({ key: asGiven(key), since: asGiven(since) });
    await run.options();
    try {
      const r = await run.run(chunks, progress);
      const say = [`records ${r.first} to ${r.last} of ${r.size} of site ${r.site} are whole`];
      for (const c of r.proved) say.push("proved: " + proved[c]);
      for (const c of r.missing) say.push("not proved: " + missing[c]);
      for (const seq of r.lostAt) say.push(`record ${seq} says that the key before it was lost: origin is proved up to record ${r.originTo} only`);
      return { lines: say, unchecked: r.unchecked, checkpoint: readable(r.checkpoint) };
    } catch (e) {
      if (e instanceof Fault) return { fault: e.message, kind: e.kind, seq: e.seq };
      throw e;
    }
  }

  // chunksOf reads a file a megabyte at a time.
  async function* chunksOf(file, size = 1 << 20) {
    for (let at = 0; at < file.size; at += size) yield new Uint8Array(await file.slice(at, at + size).arrayBuffer());
  }

  globalThis.linewarden.verify = { verify, chunksOf };
})();
