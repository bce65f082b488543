import test from "node:test";
import assert from "node:assert/strict";
import { readFile } from "node:fs/promises";
import { load } from "./load.mjs";

const lw = await load("judge.js");
const { sheet, cases } = JSON.parse(await readFile(new URL("judge.json", import.meta.url), "utf8"));

// What the tablet says of a value is what package haccp says of it: judge.json is written from there.
test("the tablet judges direct limits as the server does", () => {
  assert.ok(cases.length >= 90);
  const seen = new Set();
  for (const c of cases) {
    const { rows } = lw.judge(sheet, c.entries.map((e) => ({ ...e, shown: e.value })));
    assert.deepEqual(Object.fromEntries(rows.map((r) => [r.quantity + " " + r.text, r.verdict])), c.verdicts, JSON.stringify(c.entries));
    rows.forEach((r) => seen.add(r.verdict));
  }
  assert.deepEqual([...seen].sort(), ["act", "inside", "outside"]);
});

test("not known is never shown as good", () => {
  const one = (more) => lw.judge({ limits: [{ quantity: "ph", kind: "critical", unit: "pH", min: "6.5", max: "7.0" }], later: [], ...more.sheet }, more.entries).worst;
  const ph = (more) => [{ quantity: "ph", value: "6.75", unit: "pH", ...more }];
  assert.equal(one({ entries: ph() }), "inside");
  assert.equal(one({ entries: ph({ sign: "<" }) }), "not-evaluated");
  assert.equal(one({ entries: ph({ high: "6.9" }) }), "not-evaluated");
  assert.equal(one({ entries: ph({ unit: "mV" }) }), "not-evaluated");
  assert.equal(one({ entries: [] }), "not-evaluated");
  assert.equal(one({ sheet: { later: [{ kind: "critical", text: "HOCl" }] }, entries: ph() }), "not-evaluated");
  assert.equal(one({ sheet: { later: [{ kind: "operating", text: "HOCl" }] }, entries: ph() }), "inside");
  assert.equal(one({ sheet: { later: [{ kind: "critical", text: "HOCl" }] }, entries: ph({ value: "6.4" }) }), "outside");
});

test("below the pH floor the gas comes first", () => {
  const ph = (value) => lw.judge(sheet, [{ quantity: "ph", value, unit: "pH" }]).gas;
  assert.deepEqual(["6.19", "6.2", "6.20"].map(ph), [true, false, false]);
});
