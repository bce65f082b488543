// What a device can say about a value before the server has judged it: direct limits, digit by digit, without a
// floating-point number; no chemistry. The server's verdict counts.
"use strict";
(() => {
  const NUMBER = /^-?(0|[1-9][0-9]*)(\.[0-9]+)?$/;

  // number gives a typed number as the server takes it, or "": a decimal comma becomes a point.
  function number(typed) {
    const s = typed.trim().replace(",", ".");
    const digits = s.replace(/[-.]/g, "");
    return NUMBER.test(s) && digits.length <= 18 && !/^-0(\.0+)?$/.test(s) ? s : "";
  }

  // ways gives the two numbers that a comma before three digits can mean; null where there are none.
  function ways(typed) {
    const m = /^(-?[1-9][0-9]{0,2}),([0-9]{3})$/.exec(typed.trim());
    return m && [m[1] + "." + m[2], m[1] + m[2]];
  }

  // compare gives -1, 0 or 1 for two decimal strings.
  function compare(a, b) {
    const sign = (s) => (s.startsWith("-") ? -1 : 1);
    if (sign(a) !== sign(b)) return /[1-9]/.test(a + b) ? sign(a) : 0;
    const [aw, af = ""] = a.replace("-", "").split(".");
    const [bw, bf = ""] = b.replace("-", "").split(".");
    const whole = Math.max(aw.length, bw.length);
    const part = Math.max(af.length, bf.length);
    const x = aw.padStart(whole, "0") + af.padEnd(part, "0");
    const y = bw.padStart(whole, "0") + bf.padEnd(part, "0");
    return x === y ? 0 : (x < y ? -1 : 1) * sign(a);
  }

  const RANK = { inside: 0, "not-evaluated": 1, act: 2, outside: 3 };

  // judgeBound gives the verdict of one value on one limit of a sheet.
  function judgeBound(bound, entry) {
    const out = bound.kind === "operating" ? "act" : "outside";
    if (bound.yes_no) return entry.yes_no ? (entry.yes_no === bound.yes_no ? "inside" : out) : "not-evaluated";
    if (!entry.value || entry.sign || entry.high || entry.diluted || entry.unit !== bound.unit) return "not-evaluated";
    const low = bound.min && compare(entry.value, bound.min) < 0;
    const high = bound.max && compare(entry.value, bound.max) > 0;
    return low || high ? out : "inside";
  }

  // judge holds the entries of a form against a sheet: one row a limit on something measured, and the worst of them.
  function judge(sheet, entries) {
    const rows = [];
    for (const bound of sheet.limits) {
      const entry = entries.find((e) => e.quantity === bound.quantity);
      if (entry) rows.push({ ...bound, value: entry.shown, verdict: judgeBound(bound, entry) });
    }
    const open = sheet.later.some((l) => l.kind !== "operating") || !rows.length; // not known is never shown as good
    let worst = open ? "not-evaluated" : "inside";
    for (const r of rows) if (RANK[r.verdict] > RANK[worst]) worst = r.verdict;
    const ph = sheet.floor && entries.find((e) => e.quantity === sheet.floor.quantity);
    const gas = !!ph && !!ph.value && !ph.sign && compare(ph.value, sheet.floor.min) < 0;
    return { rows, worst, gas };
  }

  // dose looks up how much of a product one addition may be: the first row whose value is not below the measured one.
  // null: no dose without the server.
  function dose(table, entries, now) {
    if (!table || now > Date.parse(table.until)) return null;
    const entry = entries.find((e) => e.quantity === table.quantity);
    const ph = entries.find((e) => e.quantity === "ph");
    const plain = (e) => e && e.value && !e.sign && !e.high && !e.diluted;
    if (!plain(entry) || !plain(ph) || entry.unit !== table.unit) return null;
    if (compare(ph.value, table.ph_min) < 0 || compare(ph.value, table.ph_max) > 0) return null;
    if (compare(entry.value, table.least) < 0) return null;
    const row = table.rows.find(([value]) => compare(entry.value, value) <= 0);
    return row ? row[1] : null;
  }

  globalThis.linewarden = Object.assign(globalThis.linewarden || {}, { number, ways, compare, judge, judgeBound, dose });
})();
