import test from "node:test";
import assert from "node:assert/strict";
import { load } from "./load.mjs";

const lw = await load("queue.js", "judge.js", "report.js");
const form = (values) => (name) => values[name] || "";

test("numbers as the server takes them", () => {
  for (const [typed, want] of [["6.75", "6.75"], ["6,75", "6.75"], [" 120 ", "120"], ["0.50", "0.50"], ["-3.0", "-3.0"], ["007", ""], ["1e3", ""], ["1.", ""],
    [".5", ""], ["-0", ""], ["1,2,3", ""], ["1234567890123456789", ""], ["abc", ""], ["", ""]]) {
    assert.equal(lw.number(typed), want, typed);
  }
});

test("a comma before three digits is asked about, never guessed", () => {
  for (const [typed, want] of [["1,234", ["1.234", "1234"]], ["-12,500", ["-12.500", "-12500"]], ["0,125", null], ["1234,567", null], ["6,85", null], ["1.234", null], ["1,2345", null], ["1,234,567", null]]) {
    assert.deepEqual(lw.ways(typed), want, typed);
  }
  const r = lw.reading({ check: "c", place: "p", quantities: ["salt", "ph"], required: [] }, form({ "q.salt": "1,250", "q.salt.unit": "kg", "q.ph": "6.5", "q.ph.unit": "pH", "q.ph.sign": "band", "q.ph.high": "7,000" }));
  assert.deepEqual([r.wrong, r.report.entries], [{ "q.salt": "form.two-ways", "q.ph": "form.two-ways" }, []]);
});

test("decimals are compared digit by digit", () => {
  for (const [a, b, want] of [["6.5", "6.50", 0], ["6.49", "6.5", -1], ["100", "99.99", 1], ["-1", "1", -1], ["-2", "-1", -1], ["0", "-0.0", 0], ["0.1", "0.10000000000000001", -1],
    ["9", "10", -1], ["123456789012345678", "123456789012345677", 1]]) {
    assert.equal(Math.sign(lw.compare(a, b)), want, a + " to " + b);
  }
});

test("a reading with everything", () => {
  const r = lw.reading({ check: "bath-test", place: "bath-1", quantities: ["free_chlorine", "ph", "yes_no", "turbidity"], required: ["free_chlorine", "ph"] }, form({
    "q.free_chlorine": "2,10", "q.free_chlorine.unit": "mg/L", "q.free_chlorine.sample": "2", "q.free_chlorine.total": "100", "q.free_chlorine.method": "kit", "q.free_chlorine.lot": "R-7", "q.free_chlorine.expiry": "2027-01-31",
    "q.ph": "6.5", "q.ph.unit": "pH", "q.ph.sign": "band", "q.ph.high": "7.0", "q.yes_no": "yes", lots: "L-1, L-2,", note: " foam ", sample_point: "outlet" }));
  assert.deepEqual(r.wrong, {});
  assert.equal(r.path, "/readings");
  assert.deepEqual(r.report, { check: "bath-test", place: "bath-1", lots: ["L-1", "L-2"], note: "foam", sample_point: "outlet", entries: [
    { quantity: "free_chlorine", read: { value: "2.10", unit: "mg/L" }, method: "kit", dilution: { sample: 2, total: 100 }, reagent: { lot: "R-7", expiry: "2027-01-31" } },
    { quantity: "ph", read: { low: "6.5", high: "7.0", unit: "pH" } }, { quantity: "yes_no", read: true }] });
});

test("what is missing or no number is named, and the rest is kept", () => {
  const r = lw.reading({ check: "c", place: "p", quantities: ["free_chlorine", "ph"], required: ["free_chlorine", "ph"] }, form({ "q.ph": "6.7.5", "q.ph.unit": "pH" }));
  assert.deepEqual(r.wrong, { "q.free_chlorine": "form.missing", "q.ph": "form.bad-number" });
});

test("fillings, additions and drains", () => {
  const names = ["water", "level", "level.unit", "first.salt", "first.salt.unit", "firstlot.salt", "note"];
  const filled = lw.bath({ act: "filled", place: "bath-1", names: names.filter((n) => !n.includes(".unit")), required: ["water"] }, form({ water: "municipal", level: "62", "level.unit": "cm", "first.salt": "36", "first.salt.unit": "kg", "firstlot.salt": "S-3" }));
  assert.deepEqual(filled.report, { place: "bath-1", level: { value: "62", unit: "cm" }, first: [{ chemical: "salt", amount: { value: "36", unit: "kg" }, material_lot: "S-3" }], water: "municipal" });
  const added = lw.bath({ act: "added", place: "bath-1", names: ["chemical", "amount", "material-lot"], required: ["chemical", "amount"] }, form({ amount: "250", "amount.unit": "mL" }));
  assert.deepEqual([added.path, added.wrong], ["/additions", { chemical: "form.missing" }]);
  assert.equal(lw.bath({ act: "drained", place: "b", names: ["note"], required: [] }, form({})).path, "/drains");
  assert.equal(lw.bath({ act: "out-of-service", place: "b", names: [], required: [] }, form({})), null);
});

test("no dose where anything stands against it", () => {
  const table = { quantity: "free_chlorine", unit: "mg/L", least: "5", ph_min: "6.5", ph_max: "7.0", until: "2026-03-02T12:30:00Z", rows: [["80", "300"], ["90.5", "250"], ["120", "100"]] };
  const now = Date.parse("2026-03-02T12:10:00Z");
  const sample = (cl, ph, more = {}) => [{ quantity: "free_chlorine", value: cl, unit: "mg/L", ...more }, { quantity: "ph", value: ph, unit: "pH" }];
  assert.equal(lw.dose(table, sample("80", "6.75"), now), "300");
  assert.equal(lw.dose(table, sample("80.01", "6.75"), now), "250");
  assert.equal(lw.dose(table, sample("120", "6.5"), now), "100");
  for (const [why, entries, at] of [["above the table", sample("121", "6.75"), now], ["too old", sample("80", "6.75"), now + 3600000], ["low pH", sample("80", "6.49"), now], ["high pH", sample("80", "7.01"), now],
    ["near zero", sample("4.9", "6.75"), now], ["below range", sample("80", "6.75", { sign: "<" }), now], ["diluted", sample("80", "6.75", { diluted: true }), now], ["other unit", sample("80", "6.75", { unit: "ppm" }), now], ["no pH", sample("80", "6.75").slice(0, 1), now]]) {
    assert.equal(lw.dose(table, entries, at), null, why);
  }
  assert.equal(lw.dose(null, sample("80", "6.75"), now), null);
});
