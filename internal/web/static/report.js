// What is typed into a form becomes the report that the server's interface takes. Nothing is judged here.
"use strict";
(() => {
  const lw = globalThis.linewarden;

  // amount gives a measured value of a field: {value: …} or {wrong: key}; neither where nothing was typed.
  function amount(get, name) {
    const typed = get(name).trim();
    if (!typed) return {};
    if (lw.ways(typed)) return { wrong: "form.two-ways" };
    const value = lw.number(typed);
    if (!value) return { wrong: "form.bad-number" };
    return { value: { value, unit: get(name + ".unit") } };
  }

  const shown = (text, unit) => (unit === "pH" ? text : text + " " + unit);

  // entry gives one quantity of a reading.
  function entry(get, quantity) {
    const name = "q." + quantity;
    const typed = get(name).trim();
    if (!typed) return {};
    const out = { quantity };
    const plain = { quantity, shown: typed };
    if (typed === "yes" || typed === "no") {
      out.read = typed === "yes";
      plain.yes_no = typed;
    } else {
      const a = amount(get, name);
      if (a.wrong) return a;
      out.read = a.value;
      Object.assign(plain, a.value, { shown: shown(a.value.value, a.value.unit) });
      const sign = get(name + ".sign");
      if (sign === "below" || sign === "above") {
        plain.sign = out.read.sign = sign === "below" ? "<" : ">";
        plain.shown = plain.sign + " " + plain.shown;
      }
      if (sign === "band") {
        if (lw.ways(get(name + ".high"))) return { wrong: "form.two-ways" };
        const high = lw.number(get(name + ".high"));
        if (!high) return { wrong: "form.bad-number" };
        out.read = { low: a.value.value, high, unit: a.value.unit };
        plain.high = high;
        plain.shown = shown(a.value.value + "–" + high, a.value.unit);
      }
    }
    for (const part of ["method", "instrument"]) if (get(name + "." + part)) out[part] = get(name + "." + part);
    const [sample, total] = [get(name + ".sample"), get(name + ".total")];
    if (sample || total) {
      if (!/^[1-9][0-9]*$/.test(sample) || !/^[1-9][0-9]*$/.test(total)) return { wrong: "form.bad-number" };
      out.dilution = { sample: Number(sample), total: Number(total) };
      plain.diluted = true;
    }
    const [lot, expiry] = [get(name + ".lot").trim(), get(name + ".expiry")];
    if (lot || expiry) out.reagent = { lot, ...(expiry && { expiry }) };
    return { value: out, plain };
  }

  // text adds the members of a report that are texts, where something was typed.
  function texts(report, get, names) {
    for (const [member, field] of Object.entries(names)) {
      const typed = get(field).trim();
      if (typed) report[member] = typed;
    }
  }

  // reading gives the report of a check: {path, report, entries, wrong: field to message key}.
  function reading({ check, place, quantities, required }, get) {
    const report = { check, place, entries: [] };
    const entries = [];
    const wrong = {};
    for (const q of quantities) {
      const e = entry(get, q);
      if (e.wrong) wrong["q." + q] = e.wrong;
      else if (e.value) {
        report.entries.push(e.value);
        entries.push(e.plain);
      } else if (required.includes(q)) wrong["q." + q] = "form.missing";
    }
    texts(report, get, { sample_point: "sample_point", note: "note", repeats: "repeats", late_reason: "late_reason" });
    const lots = get("lots").split(",").map((s) => s.trim()).filter(Boolean);
    if (lots.length) report.lots = lots;
    return { path: "/readings", report, entries, wrong };
  }

  const PATHS = { added: "/additions", filled: "/fillings", "part-replaced": "/part-replacements", drained: "/drains", cleaned: "/cleanings" };

  // bath gives the report of something done to the water of a place; null for an act that is not queued.
  function bath({ act, place, names, required }, get) {
    if (!PATHS[act]) return null;
    const report = { place };
    const entries = [];
    const wrong = {};
    for (const name of names) {
      const first = name.startsWith("first.");
      if (!first && !["amount", "level", "volume"].includes(name)) {
        if (required.includes(name) && !get(name).trim()) wrong[name] = "form.missing";
        continue;
      }
      const a = amount(get, name);
      if (a.wrong) wrong[name] = a.wrong;
      else if (!a.value) {
        if (required.includes(name)) wrong[name] = "form.missing";
      } else if (first) {
        const chemical = name.slice(6);
        const lot = get("firstlot." + chemical).trim();
        (report.first ||= []).push({ chemical, amount: a.value, ...(lot && { material_lot: lot }) });
      } else report[name] = a.value;
      if (a.value) entries.push({ quantity: name, shown: a.value.value + " " + a.value.unit });
    }
    texts(report, get, { chemical: "chemical", measure: "measure", material_lot: "material-lot", reason: "reason", water: "water", note: "note", late_reason: "late_reason" });
    return { path: PATHS[act], report, entries, wrong };
  }

  globalThis.linewarden = Object.assign(lw || {}, { reading, bath });
})();
