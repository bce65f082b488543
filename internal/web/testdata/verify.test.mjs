import test from "node:test";
import assert from "node:assert/strict";
import { createHash } from "node:crypto";
import { readFile } from "node:fs/promises";
import { load } from "./load.mjs";

// The answers are those of the program's own verification (go test ./internal/web/verifying -update), to the frozen logs
// of testdata/records/v1 as they are and damaged in many ways.
const { verify } = (await load("canon.js", "evidence.js", "verify.js")).verify;
const cases = JSON.parse(await readFile(new URL("verify.json", import.meta.url), "utf8"));
const files = {};
for (const name of cases.files) files[name] = new Uint8Array(await readFile(new URL("../../../testdata/records/v1/" + name, import.meta.url)));

// inPieces hands a file over in pieces of a size, so that lines are cut anywhere.
async function* inPieces(bytes, size) {
  for (let at = 0; at < bytes.length; at += size) yield bytes.slice(at, at + size);
}

const answer = async (bytes, options, size = 1 << 20) => {
  try {
    const r = await verify(inPieces(bytes, size), options);
    return r.fault || r.lines.join("\n");
  } catch (e) {
    return "error: " + e.message;
  }
};

function edited(c) {
  const b = [...files[c.file]];
  for (const [at, out, put] of c.edits || []) b.splice(at, out, ...Buffer.from(put || "", "base64"));
  const all = Uint8Array.from(b);
  if (!c.fill) return all;
  const at = all.indexOf(10) + 1, out = new Uint8Array(all.length + c.fill).fill(0x78);
  out.set(all.subarray(0, at));
  out.set(all.subarray(at), at + c.fill);
  return out;
}

for (const c of cases.cases) {
  test(`${c.name}`, async () => {
    for (const size of [1 << 20, 97]) assert.equal(await answer(edited(c), { key: c.key, since: c.since }, size), c.want);
  });
}

for (const f of cases.flips) {
  test(`every ${f.step} byte of ${f.file} from ${f.from}`, async () => {
    const sum = createHash("sha256"), seen = [];
    for (let at = f.from; at < f.to; at += f.step) {
      const b = files[f.file].slice();
      b[at] = f.puts[at % f.puts.length] === -1 ? b[at] ^ 1 : f.puts[at % f.puts.length] === -2 ? b[at] ^ 0x80 : f.puts[at % f.puts.length];
      const said = await answer(b, {});
      seen.push(`${at}: ${said}`);
      sum.update(said + "\n");
    }
    assert.equal(sum.digest("hex"), f.sum, seen.join("\n"));
  });
}

test("a file of many records tells how far it is", async () => {
  let last = 0;
  const r = await verify(inPieces(files["plant.records.ndjson"], 4096), {}, (done, total) => {
    assert.ok(done >= last && done <= total);
    last = done;
  });
  assert.ok(!r.fault && last > 500, `${last} ${r.fault}`);
});

test("without Ed25519 in the browser nothing is called proved", async () => {
  const had = crypto.subtle.importKey;
  crypto.subtle.importKey = async () => {
    throw new DOMException("no such algorithm", "NotSupportedError");
  };
  try {
    const r = await verify(inPieces(files["good.records.ndjson"], 1 << 20));
    assert.equal(r.unchecked, true);
  } finally {
    crypto.subtle.importKey = had;
  }
});
