// Canonical JSON (RFC 8785) of a record log, read byte by byte: whatever is not byte for byte that form is refused, in
// the words of the program's own reader. Texts are kept as bytes, one character a byte.
"use strict";
(() => {
  class Bad extends Error {}
  const encoder = new TextEncoder(), loose = new TextDecoder("utf-8", { ignoreBOM: true });
  const NOT = "not canonical JSON", INVALID = "invalid record", MAX = 2 ** 53 - 1, DEEP = 32, MAX_RECORD = 1 << 20;

  function binary(bytes) {
    let out = "";
    for (let i = 0; i < bytes.length; i += 8192) out += String.fromCharCode.apply(null, bytes.subarray(i, i + 8192));
    return out;
  }
  const bytesOf = (text) => Uint8Array.from(text, (c) => c.charCodeAt(0));
  const readable = (text) => loose.decode(bytesOf(text));
  const inBytes = (text) => binary(encoder.encode(text));

  // runeAt gives how many bytes the UTF-8 character at i has, 0 where there is none (RFC 3629, section 4).
  function runeAt(s, i) {
    const a = s[i], b = s[i + 1], tail = (n) => s[i + n] >= 0x80 && s[i + n] <= 0xbf;
    if (a < 0x80) return 1;
    if (a >= 0xc2 && a <= 0xdf) return tail(1) ? 2 : 0;
    if (a >= 0xe0 && a <= 0xef) {
      return b >= (a === 0xe0 ? 0xa0 : 0x80) && b <= (a === 0xed ? 0x9f : 0xbf) && tail(2) ? 3 : 0;
    }
    return a >= 0xf0 && a <= 0xf4 && b >= (a === 0xf0 ? 0x90 : 0x80) && b <= (a === 0xf4 ? 0x8f : 0xbf) && tail(2) && tail(3) ? 4 : 0;
  }

  const shorts = { 7: "\\a", 8: "\\b", 9: "\\t", 10: "\\n", 11: "\\v", 12: "\\f", 13: "\\r", 34: '\\"', 92: "\\\\" };
  const hex = (n, width) => n.toString(16).padStart(width, "0");

  // quote writes a text in double quotes as the program's messages do, with what cannot be read escaped.
  function quote(text) {
    const s = bytesOf(text);
    let out = '"';
    for (let i = 0; i < s.length; ) {
      const n = runeAt(s, i);
      if (n === 0) {
        out += "\\x" + hex(s[i++], 2);
        continue;
      }
      const c = loose.decode(s.subarray(i, i + n)), p = c.codePointAt(0);
      i += n;
      if (shorts[p]) out += shorts[p];
      else if (p === 32 || /[\p{L}\p{M}\p{N}\p{P}\p{S}]/u.test(c)) out += c;
      else if (p < 32 || p === 127) out += "\\x" + hex(p, 2);
      else out += p < 0x10000 ? "\\u" + hex(p, 4) : "\\U" + hex(p, 8);
    }
    return out + '"';
  }

  const clip = (text) => (text.length > 60 ? text.slice(0, 60) + inBytes("…") : text);
  const invalid = (what) => new Bad(INVALID + ": " + what);

  // base64 decodes into bytes, or gives null; strictly no bit may be left over. Line ends are passed over.
  function base64(text, strictly = true) {
    const t = text.replace(/[\r\n]/g, "");
    if (t.length % 4 || !/^[A-Za-z0-9+/]*={0,2}$/.test(t)) return null;
    try {
      const raw = atob(t);
      return strictly && btoa(raw) !== t ? null : bytesOf(raw);
    } catch {
      return null;
    }
  }

  function hash(text) {
    const raw = text.length === 44 ? base64(text) : null;
    if (!raw || raw.length !== 32) throw invalid(quote(clip(text)) + " is not the base64 of 32 bytes");
    return raw;
  }

  function time(text) {
    const m = /^(\d{4})-(\d\d)-(\d\d)T(\d\d):(\d\d):(\d\d)\.(\d{3})Z$/.exec(text);
    const n = m && m.slice(1).map(Number);
    const leap = n && (n[0] % 4 === 0 && n[0] % 100 !== 0 || n[0] % 400 === 0);
    const days = n && [31, leap ? 29 : 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31][n[1] - 1];
    if (!n || n[0] < 1 || !days || n[2] < 1 || n[2] > days || n[3] > 23 || n[4] > 59 || n[5] > 59 || text === "0001-01-01T00:00:00.000Z") {
      throw invalid(quote(clip(text)) + " is not a UTC time such as 2026-01-02T03:04:05.678Z");
    }
    return text;
  }

  function uuid(text) {
    if (text.length !== 36 || [8, 13, 18, 23].some((i) => text[i] !== "-")) throw invalid(quote(clip(text)) + " is not a UUID");
    const digits = text.slice(0, 8) + text.slice(9, 13) + text.slice(14, 18) + text.slice(19, 23) + text.slice(24);
    if (!/^[0-9a-f]{32}$/.test(digits)) throw invalid(quote(clip(text)) + " is not a UUID in lower case");
    if (/^0+$/.test(digits)) throw invalid("a UUID of zeros stands for none");
    return text;
  }

  // compare orders two texts by their UTF-16 code units (RFC 8785, section 3.2.3).
  function compare(a, b) {
    const x = readable(a), y = readable(b);
    return x < y ? -1 : x > y ? 1 : 0;
  }

  // Cursor walks over bytes.
  class Cursor {
    constructor(s) {
      this.s = s;
      this.i = 0;
    }
    bad(what) {
      return new Bad(`${NOT}: byte ${this.i}: ${what}`);
    }
    end() {
      if (this.i !== this.s.length) throw this.bad("text after the end of the value");
    }
    take(c) {
      if (this.s[this.i] !== c.charCodeAt(0)) return false;
      this.i++;
      return true;
    }
    word(w) {
      for (let k = 0; k < w.length; k++) if (this.s[this.i + k] !== w.charCodeAt(k)) return false;
      this.i += w.length;
      return true;
    }
    want(c) {
      if (!this.take(c)) throw this.bad(`'${c}' is wanted`);
    }
    integer() {
      const start = this.i, negative = this.take("-"), first = this.i;
      let n = 0;
      for (; this.s[this.i] >= 48 && this.s[this.i] <= 57; this.i++) {
        if (n > (MAX - (this.s[this.i] - 48)) / 10) throw this.bad("a number is 2^53 or more in magnitude");
        n = n * 10 + this.s[this.i] - 48;
      }
      const digits = this.i - first;
      if (digits === 0 || digits > 1 && this.s[first] === 48 || negative && n === 0) {
        this.i = start;
        throw this.bad("an integer is wanted");
      }
      if (this.s[this.i] === 46 || this.s[this.i] === 69 || this.s[this.i] === 101) throw this.bad("a number has a fraction or an exponent");
      return negative ? -n : n;
    }
    // span skips a string and gives where its text stands, and whether it has escapes.
    span() {
      this.want('"');
      const s = this.s, from = this.i;
      let escaped = false;
      while (this.i < s.length) {
        const b = s[this.i];
        if (b === 34) return [from, this.i++, escaped];
        if (b === 92) {
          escaped = true;
          this.escape();
        } else if (b < 32) throw this.bad("a control character stands in a string");
        else if (b < 128) this.i++;
        else {
          const n = runeAt(s, this.i);
          if (!n) throw this.bad("a string is not valid UTF-8");
          this.i += n;
        }
      }
      throw this.bad("a string has no end");
    }
    // escape takes only the escapes that the canonical form uses.
    escape() {
      const s = this.s, i = this.i, digit = (b) => (b >= 48 && b <= 57 ? b - 48 : b >= 97 && b <= 102 ? b - 87 : -1);
      if (i + 1 < s.length && '"\\btnfr'.includes(String.fromCharCode(s[i + 1]))) {
        this.i += 2;
        return;
      }
      if (i + 6 > s.length || s[i + 1] !== 117 || s[i + 2] !== 48 || s[i + 3] !== 48 || s[i + 4] > 49 || s[i + 4] < 48 || digit(s[i + 5]) < 0) {
        throw this.bad("an escape that the canonical form does not use");
      }
      if ([8, 9, 10, 12, 13].includes(digit(s[i + 4]) * 16 + digit(s[i + 5]))) throw this.bad("an escape that has a short form");
      this.i += 6;
    }
    // raw reads a string and gives its bytes.
    raw() {
      const [from, to, escaped] = this.span();
      return escaped ? unescape(this.s.subarray(from, to)) : this.s.subarray(from, to);
    }
    text() {
      return binary(this.raw());
    }
    filled() {
      const t = this.text();
      if (t === "") throw this.bad("an empty string; a member without a value is left out");
      return t;
    }
    value(depth = 0) {
      const b = this.s[this.i];
      if (this.i >= this.s.length) throw this.bad("the text ends too early");
      if (b === 34) this.span();
      else if (b === 123) this.object(depth + 1);
      else if (b === 91) this.array(depth + 1);
      else if (b === 45 || b >= 48 && b <= 57) this.integer();
      else if (!this.word("true") && !this.word("false") && !this.word("null")) throw this.bad("a JSON value is wanted");
    }
    array(depth) {
      if (depth > DEEP) throw this.bad(`nested deeper than ${DEEP}`);
      this.i++;
      if (this.take("]")) return;
      for (;;) {
        this.value(depth);
        if (this.take("]")) return;
        this.want(",");
      }
    }
    object(depth) {
      if (depth > DEEP) throw this.bad(`nested deeper than ${DEEP}`);
      this.i++;
      if (this.take("}")) return;
      for (let last = null; ; ) {
        const name = this.text();
        if (last !== null && compare(last, name) >= 0) throw this.bad(`member ${quote(clip(name))} stands out of order or twice`);
        last = name;
        this.want(":");
        this.value(depth);
        if (this.take("}")) return;
        this.want(",");
      }
    }
    // fields reads an object whose members stand in the order of known, each at most once.
    fields(known, read) {
      this.want("{");
      if (this.take("}")) return;
      for (let next = 0; ; ) {
        const [from, to] = this.span(), name = binary(this.s.subarray(from, to)), index = known.indexOf(name, next);
        if (index < 0) throw this.bad(`member ${quote(clip(name))} is unknown, out of order or stands twice`);
        next = index + 1;
        this.want(":");
        read(name);
        if (this.take("}")) return;
        this.want(",");
      }
    }
    list(read) {
      this.want("[");
      for (;;) {
        read();
        if (this.take("]")) return;
        this.want(",");
      }
    }
  }

  function unescape(s) {
    const out = new Uint8Array(s.length), short = { 98: 8, 116: 9, 110: 10, 102: 12, 114: 13 };
    let n = 0;
    for (let i = 0; i < s.length; i++) {
      if (s[i] !== 92) out[n++] = s[i];
      else if (s[++i] === 117) {
        out[n++] = parseInt(String.fromCharCode(s[i + 3], s[i + 4]), 16);
        i += 4;
      } else out[n++] = short[s[i]] || s[i];
    }
    return out.subarray(0, n);
  }

  const site = (text) => /^[a-z0-9-]{1,40}$/.test(text);
  const envelope = ["about", "amends", "at", "at_known", "body", "by", "command", "command_hash", "device", "findings", "id", "kind", "late_reason", "recorded_at", "seq", "server_clock", "site", "until", "v"];

  // decode reads the bytes of a record and checks its form.
  function decode(s) {
    if (s.length > MAX_RECORD) throw new Bad(`too large for the record log: record of ${s.length} bytes is over ${MAX_RECORD}`);
    const c = new Cursor(s), e = { v: 0, seq: 0, about: [], findings: [] };
    const read = {
      about: () => c.list(() => void e.about.push(c.filled())),
      body: () => {
        if (s[c.i] !== 123) throw c.bad("the body must be an object");
        const from = c.i;
        c.value(1);
        e.body = s.subarray(from, c.i);
      },
      by: () => {
        e.by = 0;
        c.fields(["id", "known", "name", "role"], () => void (e.by += c.filled().length));
      },
      device: () => {
        e.device = {};
        let offset = false;
        c.fields(["clock", "id", "offset_ms"], (name) => {
          if (name === "clock") time(c.text());
          else if (name === "id") e.device.id = c.filled();
          else offset = [c.integer()];
        });
        if (!offset) throw c.bad("device has no offset_ms");
      },
      findings: () => c.list(() => finding(c, e)),
      command_hash: () => void hash(c.text()),
      seq: () => void (e.seq = c.integer()),
      v: () => void (e.v = c.integer()),
    };
    for (const name of ["amends", "command", "id"]) read[name] = () => void (e[name] = uuid(c.text()));
    for (const name of ["at", "recorded_at", "server_clock", "until"]) read[name] = () => void (e[name] = time(c.text()));
    for (const name of ["at_known", "kind", "late_reason", "site"]) read[name] = () => void (e[name] = c.filled());
    c.fields(envelope, (name) => read[name]());
    c.end();
    check(e);
    return e;
  }

  function finding(c, e) {
    const f = {};
    e.findings.push(f);
    c.fields(["code", "data"], (name) => {
      if (name === "code") {
        f.code = c.filled();
        return;
      }
      const ahead = new Cursor(c.s);
      ahead.i = c.i;
      ahead.value(3);
      c.want("{");
      for (;;) { // an object of strings
        c.text();
        c.want(":");
        c.text();
        if (c.take("}")) return;
        c.want(",");
      }
    });
  }

  function check(e) {
    if (e.v < 1) throw invalid("v must be at least 1");
    if (!site(e.site || "")) throw invalid(`site ${quote(clip(e.site || ""))}: a site id is 1 to 40 of a-z, 0-9 and hyphen`);
    if (e.seq < 1) throw invalid("seq must be at least 1");
    if (!e.id) throw invalid("id is missing");
    if (!e.kind || !e.at_known) throw invalid("kind or at_known is missing");
    if (!e.at || !e.recorded_at) throw invalid("at or recorded_at is missing");
    if (e.device && !e.device.id) throw invalid("device id is missing or not valid UTF-8");
    if (e.by === 0) throw invalid("by is empty");
    e.about.forEach((key, i) => {
      if (i > 0 && e.about[i - 1] >= key) throw invalid(`about must be sorted keys without doubles, found ${quote(clip(key))}`);
    });
    if (e.findings.some((f) => !f.code)) throw invalid("a finding has no code");
  }

  (globalThis.linewarden ||= {}).canon = { Bad, Cursor, MAX_RECORD, invalid, binary, bytesOf, readable, inBytes, quote, clip, base64, hash, site, decode };
})();
