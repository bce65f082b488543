// Verification of an exported record log (*.records.ndjson): the same checks in the same order and words as "linewarden
// verify". SHA-256 and Ed25519 are the browser's own. Nothing is sent anywhere.
"use strict";
(() => {
  const { Bad, Cursor, MAX_RECORD, invalid, binary, bytesOf, readable, inBytes, quote, clip, base64, hash, site } = globalThis.linewarden.canon;
  const MAX_LINE = 2 * MAX_RECORD + (16 << 10), FORMAT = "linewarden-records-1", LAST = '{"checkpoint":', BATCH = 512, SIGNED_BY = "\xe2\x80\x94 ";
  const sha256 = async (bytes) => new Uint8Array(await crypto.subtle.digest("SHA-256", bytes));
  const same = (a, b) => a.length === b.length && a.every((x, i) => x === b[i]);
  const b64 = (bytes) => btoa(binary(bytes));
  const joined = (...parts) => {
    const out = new Uint8Array(parts.reduce((n, p) => n + p.length, 0));
    let at = 0;
    for (const p of parts) {
      out.set(p, at);
      at += p.length;
    }
    return out;
  };
  const leafHash = (rec) => sha256(joined(Uint8Array.of(0), rec)); // RFC 6962, section 2.1
  const nodeHash = (a, b) => sha256(joined(Uint8Array.of(1), a, b));

  // Fault says what is damaged and where.
  class Fault extends Error {
    constructor(kind, seq, line, detail, to = 0) {
      let where = kind;
      if (kind === "record" && seq > 0) where = `record ${seq}`;
      else if (to > 0) where = `${kind}, somewhere from ${seq} to ${to}`;
      else if (seq > 0) where = `${kind}, record ${seq}`;
      if (line > 0) where += ` (line ${line})`;
      super(`${where}: ${detail}`);
      Object.assign(this, { kind, seq, to, line });
    }
  }

  const proved = {
    records: "every record is as it was when the checkpoint was signed",
    complete: "no record is missing from the first to the last",
    origin: "the checkpoint was signed with the key that you gave",
    since: "the log continues the earlier checkpoint that you gave",
  };
  const missing = {
    complete: "whether records outside this part were changed or are missing",
    origin: "key taken from the file: proves integrity, not origin; give the log's key to prove who signed",
    since: "whether whoever holds the key rewrote the log and signed it again; give an earlier checkpoint to prove that it was not",
  };

  // Tree is the right edge of the Merkle tree: by level, the full subtree that waits for its neighbour.
  class Tree {
    constructor() {
      this.size = 0;
      this.edge = [];
      this.waiting = [];
    }
    add(leaf) {
      this.waiting.push(leaf);
      this.size++;
    }
    async flush() {
      let list = this.waiting;
      this.waiting = [];
      for (let level = 0; list.length; level++) {
        if (this.edge[level]) list.unshift(this.edge[level]);
        this.edge[level] = list.length % 2 ? list[list.length - 1] : null;
        const pairs = [];
        for (let i = 0; i + 1 < list.length; i += 2) pairs.push(nodeHash(list[i], list[i + 1]));
        list = await Promise.all(pairs);
      }
    }
    async root() {
      await this.flush();
      let root = null;
      for (const node of this.edge) if (node) root = root ? await nodeHash(node, root) : node;
      return root || sha256(new Uint8Array(0));
    }
  }

  // rootFromProof follows an inclusion proof (RFC 9162, section 2.1.3.2); null where it fits no tree of this size.
  async function rootFromProof(proof, size, index, leaf) {
    const half = (n) => Math.floor(n / 2);
    let last = size - 1;
    for (const p of proof) {
      if (last === 0) return null;
      if (index % 2 === 1) leaf = await nodeHash(p, leaf);
      else if (index === last) {
        while (index % 2 === 0 && index !== 0) [index, last] = [half(index), half(last)];
        leaf = await nodeHash(p, leaf);
      } else leaf = await nodeHash(leaf, p);
      [index, last] = [half(index), half(last)];
    }
    return last === 0 ? leaf : null;
  }

  function parseOrigin(text) {
    const m = /^linewarden\/([^/]*)\/([0-9a-f]{32})$/.exec(text);
    return m && site(m[1]) ? { site: m[1], logID: m[2] } : null;
  }

  // readKey takes a verifier key in note form apart: name+hash+base64 of 1 and the public key (C2SP signed-note).
  async function readKey(key) {
    const [name, hash16, ...rest] = key.split("+"), raw = base64(rest.join("+"), false);
    const plain = invalid(quote(clip(key)) + " is not a verifier key");
    if (!name || !raw || raw.length === 0 || !/^[0-9a-fA-F]{8}$/.test(hash16 || "") || /[\s\u0085]/.test(readable(name))) throw plain;
    const sum = binary((await sha256(joined(bytesOf(name + "\n"), raw))).subarray(0, 4)), id = hash16.match(/../g).map((h) => String.fromCharCode(parseInt(h, 16))).join("");
    if (sum !== id || raw[0] !== 1 || raw.length !== 33) throw plain;
    if (!base64(key.slice(-44))) throw invalid(quote(clip(key)) + " is not an Ed25519 verifier key");
    const of = parseOrigin(name);
    if (!of || key !== `${name}+${hash16.toLowerCase()}+${b64(raw)}`) throw invalid(quote(clip(key)) + " is not a verifier key of a record log");
    return { ...of, name, id, key, raw: raw.subarray(1) };
  }

  const noCheckpoint = (what) => new Bad("not a signed checkpoint: " + what);

  // parseCheckpoint reads a signed checkpoint (C2SP tlog-checkpoint) and looks at everything but its signature.
  async function parseCheckpoint(note) {
    const cut = note.indexOf("\n\n");
    if (cut < 0) throw noCheckpoint("no blank line before the signature");
    const cp = { text: note.slice(0, cut) + "\n", next: "" }, line = note.slice(cut + 2);
    let lines = note.slice(0, cut).split("\n");
    if (lines.length === 4 && lines[3].startsWith("next key ")) {
      cp.next = lines[3].slice(9);
      await readKey(cp.next).catch((e) => {
        throw noCheckpoint("next key: " + e.message);
      });
      lines = lines.slice(0, 3);
    }
    if (lines.length !== 3) throw noCheckpoint(`the text has ${lines.length} lines instead of origin, size and root`);
    const of = parseOrigin(lines[0]);
    if (!of) throw noCheckpoint(`${quote(clip(lines[0]))} is not the origin of a record log`);
    if (!/^(0|[1-9]\d*)$/.test(lines[1]) || Number(lines[1]) > Number.MAX_SAFE_INTEGER) throw noCheckpoint(`${quote(clip(lines[1]))} is not a tree size`);
    Object.assign(cp, of, { origin: lines[0], size: Number(lines[1]) });
    try {
      cp.root = hash(lines[2]);
    } catch {
      throw noCheckpoint("the root is not the base64 of 32 bytes");
    }
    const named = line.startsWith(SIGNED_BY) ? line.slice(SIGNED_BY.length) : line, space = named.indexOf(" ");
    const raw = space < 0 ? null : base64(named.slice(space + 1).replace(/\n$/, ""));
    if (!raw || raw.length !== 68) throw noCheckpoint("the signature line is not one Ed25519 signature");
    Object.assign(cp, { keyName: named.slice(0, space), keyID: binary(raw.subarray(0, 4)), signature: raw.subarray(4) });
    if (note !== `${cp.text}\n${SIGNED_BY}${cp.keyName} ${b64(raw)}\n`) throw noCheckpoint("more or other than one signature line follows the text");
    return cp;
  }

  // ed25519 checks a signature; null: this browser cannot.
  async function ed25519(key, text, signature) {
    try {
      const k = await crypto.subtle.importKey("raw", key, { name: "Ed25519" }, false, ["verify"]);
      return await crypto.subtle.verify({ name: "Ed25519" }, k, signature, text);
    } catch (e) {
      if (e.name === "NotSupportedError" || e instanceof TypeError) return null;
      return false;
    }
  }

  // verifyCheckpoint checks the signature against keys. unchecked is set where the browser cannot.
  async function verifyCheckpoint(note, keys) {
    const cp = await parseCheckpoint(note);
    for (const text of keys) {
      const key = await readKey(text);
      if (key.name !== cp.keyName || key.id !== cp.keyID) continue;
      const good = await ed25519(key.raw, bytesOf(cp.text), cp.signature), bad = (what) => Object.assign(new Bad("signature of the checkpoint is bad: " + what), { kind: "signature" });
      if (good === false) throw bad(`size ${cp.size}`);
      if (cp.keyName !== cp.origin) throw bad(`the key is of ${quote(cp.keyName)}, the checkpoint of ${quote(cp.origin)}`);
      return { ...cp, unchecked: good === null };
    }
    const id = [...cp.keyID].map((c) => c.charCodeAt(0).toString(16).padStart(2, "0")).join("");
    throw Object.assign(new Bad(`checkpoint is signed with another key: key ${readable(clip(cp.keyName))}+${id}`), { kind: "other key" });
  }

  const headerFields = ["complete", "first", "format", "key", "last", "log_id", "site", "size"];

  async function parseHeader(line) {
    const c = new Cursor(line), h = {};
    let seen = 0;
    c.fields(headerFields, (name) => {
      seen++;
      if (name === "complete") {
        h.complete = c.word("true");
        if (!h.complete && !c.word("false")) throw c.bad("complete must be true or false");
      } else h[name] = ["first", "last", "size"].includes(name) ? c.integer() : c.filled();
    });
    c.end();
    if (seen !== headerFields.length) throw invalid("a member is missing");
    let key = null, bad = null;
    await readKey(h.key).then((k) => void (key = k), (e) => void (bad = e));
    if (h.format !== FORMAT) throw invalid(`format ${quote(inBytes([...readable(h.format)].slice(0, 60).join("")))} is not known here, only ${quote(FORMAT)}`);
    if (bad) throw bad;
    if (key.site !== h.site || key.logID !== h.log_id) throw invalid("the key is not one of this site and log");
    const range = `records ${h.first} to ${h.last} of ${h.size}`;
    if (h.first < 1 || h.last < h.first || h.size < h.last) throw invalid(range + " cannot be");
    if (h.complete !== (h.first === 1 && h.last === h.size)) throw invalid(`${range} do not fit complete=${h.complete}`);
    return h;
  }

  function parseLine(line) {
    const c = new Cursor(line), l = { proof: null };
    let seen = 0;
    c.fields(["leaf", "proof", "record"], (name) => {
      seen++;
      if (name === "leaf") l.leaf = hash(c.text());
      else if (name === "proof") {
        l.proof = [];
        if (!c.word("[]")) c.list(() => void l.proof.push(hash(c.text())));
      } else {
        l.record = c.raw();
        if (l.record.length === 0) throw c.bad("an empty string; a member without a value is left out");
      }
    });
    c.end();
    if (seen !== 3 && (seen !== 2 || l.proof)) throw invalid("leaf or record is missing");
    return { leaf: new Uint8Array(32), record: new Uint8Array(0), ...l };
  }

  async function readFounding(e) {
    if (e.kind !== "site.founded" || e.seq !== 1) throw invalid(`record ${e.seq} of kind ${quote(clip(e.kind))} is not a founding record`);
    const c = new Cursor(e.body || new Uint8Array(0)), f = { format: 0, key: "", log_id: "", name: "", site: "" };
    c.fields(["demo", "format", "key", "log_id", "name", "site"], (name) => {
      if (name === "demo") {
        if (!c.word("true") && !c.word("false")) throw c.bad("demo must be true or false");
      } else f[name] = name === "format" ? c.integer() : c.filled();
    });
    c.end();
    const key = await readKey(f.key).catch((bad) => {
      throw new Bad("founding: " + bad.message);
    });
    if (!site(f.site) || !/^[0-9a-f]{32}$/.test(f.log_id) || key.site !== f.site || key.logID !== f.log_id) {
      throw invalid(`founding: site ${quote(clip(f.site))} and log id ${quote(clip(f.log_id))} must be valid and those of the key`);
    }
    if (!f.name) throw invalid("founding: the name is missing or not valid UTF-8");
    if (f.format !== 1) throw invalid(`founding: log format ${f.format} is not known here, only 1`);
    if (f.site !== e.site || e.v !== f.format) throw invalid("founding: site or format differ from those of the envelope");
    return f;
  }

  async function readKeyChange(e) {
    const c = new Cursor(e.body || new Uint8Array(0)), k = { checkpoint: "", key: "", lost: false };
    c.fields(["checkpoint", "key", "lost"], (name) => {
      if (name !== "lost") k[name] = c.filled();
      else if (!(k.lost = c.word("true"))) throw c.bad("lost is true or left out");
    });
    c.end();
    await readKey(k.key);
    if (!k.checkpoint && !k.lost) throw invalid("a change of key without the old key's checkpoint must say that it is lost");
    return k;
  }

  globalThis.linewarden.evidence = { Fault, Tree, proved, missing, same, leafHash, rootFromProof, readKey, parseCheckpoint, verifyCheckpoint, parseHeader, parseLine, readFounding, readKeyChange, MAX_LINE, LAST, BATCH };
})();
