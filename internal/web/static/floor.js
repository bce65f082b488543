// The pages of an enrolled tablet: every report is written down on the device first, its author confirms it with a PIN,
// and it is sent when the server can be reached.
"use strict";
(async () => {
  const lw = globalThis.linewarden;
  const { device, root, api, store } = lw;
  if (!device) return;
  const $ = (id) => document.getElementById(id);
  const page = document.body.dataset;
  let kit = await lw.get("kit");
  const word = (key, pairs = {}) => Object.entries(pairs).reduce((s, [k, v]) => s.replaceAll("{" + k + "}", v), (kit && kit.words[key]) || key);
  const make = (tag, text, name) => Object.assign(document.createElement(tag), { textContent: text || "", className: name || "" });
  const clock = (ms) => new Date(ms).toLocaleTimeString(page.lang, { hour: "2-digit", minute: "2-digit", hourCycle: "h23", timeZone: kit.zone });
  const mark = (code, text) => {
    const m = $("marks").content.querySelector(`[data-code="${code}"]`).firstElementChild.cloneNode(true);
    m.querySelector("span").textContent = text;
    return m;
  };

  // --- the queue

  const queue = new lw.Queue({
    store, now: Date.now, offset: lw.offset, net: lw.deliver, reason: page.wordLate,
    changed: () => count(),
    delivered: () => location.pathname === root + "/" && !document.querySelector("dialog[open]") && location.reload(),
  });
  async function count() {
    const n = await queue.count();
    const badge = $("waiting-badge");
    const open = n.waiting + n.unconfirmed;
    badge.hidden = !open && !n.refused;
    badge.textContent = [open === 1 && word("device.waiting-one"), open > 1 && word("device.waiting-many", { n: open }), n.refused > 0 && word("device.refused-count", { n: n.refused })].filter(Boolean).join(" · ");
    badge.classList.toggle("grave", n.refused > 0);
    document.dispatchEvent(new CustomEvent("queue"));
  }
  // One tab sends at a time.
  const send = () => navigator.locks.request("linewarden-send", { ifAvailable: true }, (lock) => lock && queue.flush());

  // --- the kit, and the pages that are kept

  async function refresh() {
    const now = Date.now();
    const age = now - ((await lw.get("kit-at")) || 0);
    if (kit && kit.lang === page.lang && age >= 0 && age < 2 * 60 * 1000) return;
    const r = await lw.ask(root + "/device/kit");
    if (!r.ok) return;
    kit = await r.json();
    await lw.set("kit", kit);
    await lw.offset();
    const pages = await caches.open("linewarden");
    for (const path of kit.assets) if (!(await pages.match(path))) await pages.add(path);
    const stale = (await pages.keys()).map((k) => new URL(k.url).pathname).filter((p) => p.startsWith("/static/") && !kit.assets.includes(p));
    for (const path of stale) await pages.delete(path);
    for (const path of kit.pages) {
      const fresh = await lw.ask(root + path + "?device=1");
      if (fresh.ok && !fresh.redirected) await pages.put(root + path, fresh);
    }
    await lw.set("kit-at", now);
    document.body.dataset.kept = kit.pages.length;
  }

  // --- who it is

  let leaving = false;

  // handOver gets the grant of a session that was opened by the sign-in page.
  async function handOver() {
    if (!page.person || (await lw.get("granted")) === page.form) return;
    const { status, answer } = await lw.post("/session/grant", "{}", page.form);
    if (leaving || status !== 201) return;
    await lw.keep(answer, page.personName);
    if (leaving) return;
    await lw.set("current", page.person);
    await lw.set("granted", page.form);
  }

  const dialog = $("who");
  // askWho resolves to {person, name, signIn, pin}, or null where the author left.
  async function askWho(wrong, only, shown) {
    $("who-shown").textContent = shown || "";
    $("who-shown").hidden = !shown;
    const now = Date.now() - (await lw.lastOffset());
    const people = new Map((await lw.grants()).filter((g) => lw.covers(g, now)).map((g) => [g.person, g.name]));
    if (page.person) people.set(page.person, page.personName);
    const before = (await lw.get("current")) || page.person || [...people.keys()].pop();
    const first = only || (people.has(before) ? before : "");
    const box = $("who-people");
    box.replaceChildren();
    const choose = (id) => {
      dialog.dataset.person = id;
      $("who-name-field").hidden = id !== "";
      for (const b of box.children) b.setAttribute("aria-pressed", String(b.value === id));
      (id === "" ? $("who-name") : $("who-pin")).focus();
    };
    for (const [id, name] of people) {
      if (only && id !== only) continue;
      const b = Object.assign(make("button", name, "btn"), { type: "button", value: id });
      b.addEventListener("click", () => choose(id));
      box.append(b);
    }
    if (!only) {
      const other = Object.assign(make("button", word("who.other"), "btn"), { type: "button", value: "" });
      other.addEventListener("click", () => choose(""));
      box.append(other);
    }
    $("who-pin").value = $("who-name").value = "";
    $("who-wrong").textContent = wrong || "";
    $("who-wrong").hidden = !wrong;
    if (!dialog.open) dialog.showModal();
    choose(first);
    return new Promise((ok) => {
      const form = dialog.querySelector("form");
      let stop = () => {};
      const checking = (value) => {
        $("who-wrong").hidden = false;
        $("who-wrong").textContent = word("who.checking");
        end(value);
      };
      $("who-camera-line").hidden = !lw.hasCamera();
      $("who-camera").onclick = async () => {
        try {
          stop = await lw.watchCamera($("who-video"), (badge) => checking({ badge }));
          if (!form.onsubmit) stop(); // it was left meanwhile
        } catch {
          $("who-wrong").hidden = false;
          $("who-wrong").textContent = word("who.no-camera");
        }
      };
      const end = (value) => {
        form.onsubmit = $("who-leave").onclick = $("who-camera").onclick = dialog.oncancel = null;
        stop();
        ok(value);
      };
      form.onsubmit = (e) => {
        e.preventDefault();
        const badge = lw.isBadge($("who-pin").value) || lw.isBadge($("who-name").value); // a scanner types where the cursor stands
        if (badge) return checking({ badge });
        const pin = $("who-pin").value.trim();
        if (!pin) return $("who-pin").focus();
        const person = dialog.dataset.person;
        if (!person && !$("who-name").value.trim()) return $("who-name").focus();
        checking({ person, name: people.get(person) || $("who-name").value, signIn: $("who-name").value.trim(), pin });
      };
      $("who-leave").onclick = dialog.oncancel = (e) => {
        e.preventDefault();
        dialog.close();
        end(null);
      };
    });
  }

  // signIn has the server check a PIN or a badge; null: the server cannot be reached.
  async function signIn(who) {
    try {
      const r = who.badge ? await lw.post("/session/badge", JSON.stringify({ badge: who.badge }))
        : await lw.post("/session/pin", JSON.stringify({ ...(who.person ? { person: who.person } : { name: who.signIn }), pin: who.pin }));
      if (r.status >= 500) return null;
      if (r.status === 200) {
        const { person, grant } = r.answer;
        await lw.keep(grant, person.name);
        await lw.set("current", person.id);
        await lw.set("granted", r.answer.form_token);
        if (who.badge) await lw.keepBadge(who.badge, person);
        else await lw.set("pins", { ...(await lw.get("pins")), [person.id]: await lw.hint(person.id, who.pin) });
      } else if (who.badge && r.status === 401) await lw.forgetBadge(who.badge);
      return r;
    } catch {
      return null;
    }
  }

  // slip says whether a PIN is known not to be the person's, as far as the tablet can tell.
  async function slip(who) {
    if (who.badge) return false;
    const known = ((await lw.get("pins")) || {})[who.person];
    return known !== undefined && known !== (await lw.hint(who.person, who.pin));
  }

  // confirm has the author of an entry confirm it, and sends it: {done: "sent" | "kept" | "refused", …} or {wrong}.
  async function confirm(entry, who) {
    const session = await signIn(who);
    if (session && session.status !== 200) {
      return { wrong: session.status === 401 && session.problem.code === "sign-in" ? word(who.badge ? "who.wrong-badge" : "who.wrong-pin") : session.problem.detail };
    }
    if (!session && who.badge) {
      const owner = await lw.badgeOwner(who.badge);
      if (!owner) return { wrong: word("who.badge-offline") };
      who = { ...who, person: owner.id, name: owner.name };
    }
    const now = Date.now() - (await lw.lastOffset());
    const at = entry.typed || entry.stamp - (await lw.lastOffset());
    const person = session ? session.answer.person : { id: who.person, name: who.name };
    const grant = lw.pickGrant(await lw.grants(), person.id, at, now);
    if (!grant) return { wrong: word("who.no-grant") };
    if (!session) {
      if (!lw.covers(grant, at)) return { wrong: word("who.not-covered") };
      if (await slip(who)) return { wrong: word("who.wrong-pin") };
    }
    Object.assign(entry, { person: person.id, by: person.name, grant: grant.token, state: lw.WAITING, unverified: !session && (await lw.get("current")) !== person.id });
    await queue.add(entry);
    if (!session) return { done: "kept" };
    try {
      const r = await lw.post(entry.path, await queue.body(entry), session.answer.form_token);
      if (await queue.settle(entry, r)) return r.answer ? { done: "sent", answer: r.answer } : { done: "refused", problem: r.problem };
    } catch {
      // it waits
    }
    return { done: "kept" };
  }

  // --- forms

  const reportOf = (form) => {
    const data = new FormData(form);
    const value = (name) => (data.get(name) || "").toString();
    const { check, place, act } = form.dataset;
    const fields = [...form.elements].filter((f) => f.name);
    const names = [...new Set(fields.map((f) => f.name))];
    const required = names.filter((n) => fields.some((f) => f.name === n && f.required));
    if (act) return lw.bath({ act, place, names: names.filter((n) => !n.includes(".unit")), required }, value);
    const quantities = form.dataset.quantities.split(" ");
    return lw.reading({ check, place, quantities, required: quantities.filter((q) => required.includes("q." + q)) }, value);
  };

  function showWrong(form, wrong) {
    form.querySelectorAll(".wrong").forEach((w) => w.remove());
    form.querySelectorAll("[aria-invalid]").forEach((f) => f.removeAttribute("aria-invalid"));
    for (const [name, key] of Object.entries(wrong)) {
      const f = form.querySelector(`[name="${CSS.escape(name)}"]`);
      f.setAttribute("aria-invalid", "true");
      const told = Object.assign(make("div", word(key, { typed: f.value.trim() }), "wrong"), { role: "alert" });
      f.closest(".field").querySelector("label, legend").after(told);
      if (key === "form.two-ways") told.append(choice(f, told));
    }
    const first = form.querySelector("[aria-invalid]");
    if (first) first.focus();
    return !!first;
  }

  // choice lets the author say which number a comma means; the field then holds it with a point or without.
  function choice(field, told) {
    const bar = make("div", "", "btns");
    for (const [i, way] of (lw.ways(field.value) || []).entries()) {
      const b = Object.assign(make("button", way + " (" + word(i ? "form.thousands" : "form.decimals") + ")", "btn"), { type: "button" });
      b.addEventListener("click", () => {
        field.value = way;
        field.removeAttribute("aria-invalid");
        told.remove();
        field.focus();
      });
      bar.append(b);
    }
    return bar;
  }

  async function save(form) {
    const made = reportOf(form);
    if (showWrong(form, made.wrong)) return;
    const stamp = Date.parse(form.elements.namedItem("opened").value) || Date.now();
    const key = form.dataset.act ? "" : form.dataset.check + "@" + form.dataset.place;
    const entry = { id: lw.uuid7(Date.now()), device, path: made.path, report: made.report, stamp, key, state: lw.UNCONFIRMED, title: form.dataset.title, name: form.dataset.name, shown: made.entries.map((e) => (e.shown === "yes" || e.shown === "no" ? page["word" + (e.shown === "yes" ? "Yes" : "No")] : e.shown)).join(" · ") };
    await queue.add(entry);
    let wrong = "";
    for (;;) {
      const who = await askWho(wrong, "", [entry.title, entry.shown].filter(Boolean).join(" · "));
      if (!who) {
        await store.remove(entry.id);
        return count();
      }
      const r = await confirm(entry, who);
      if (r.wrong) {
        wrong = r.wrong;
        continue;
      }
      dialog.close();
      if (r.done === "sent") return location.assign(root + (r.answer.kind === "reading" ? "/readings/" + r.answer.id + "?saved=1" : "/records/" + r.answer.id));
      if (r.done === "refused") {
        await store.remove(entry.id);
        await count();
        const p = Object.assign(make("p", r.problem.detail, "problem"), { role: "alert" });
        form.before(p);
        return p.scrollIntoView({ block: "center" });
      }
      return result(form, entry, made);
    }
  }

  // result shows, without network, what the device can say.
  async function result(form, entry, made) {
    const sheet = kit && kit.sheets[entry.key];
    const out = make("section", "", "result");
    out.id = "result";
    const verdict = sheet && lw.judge(sheet, made.entries);
    if (verdict) {
      out.append(make("p"));
      const big = mark(verdict.worst, word("device.verdict-" + verdict.worst));
      big.className = "mark big";
      out.firstChild.append(big);
    }
    out.append(Object.assign(make("p", word(entry.unverified ? "who.unverified" : "device.saved-offline", { by: entry.by }), "note"), { role: "status" }));
    const acted = ((await lw.get("acted")) || {})[entry.report.place] > (await lw.get("kit-at"));
    if (verdict) advise(out, sheet, verdict, made, acted);
    if (form.dataset.act) await lw.set("acted", { ...(await lw.get("acted")), [entry.report.place]: Date.now() });
    const again = Object.assign(make("a", word(entry.key ? "device.again-form" : "device.saved"), "btn main"), { href: entry.key ? location.pathname : root + "/" });
    const bar = make("div", "", "btns");
    bar.append(again, Object.assign(make("a", page.wordBackToList, "btn"), { href: root + "/" }));
    out.append(bar);
    for (const e of [...document.querySelectorAll("main > .note, main > .problem")]) e.remove(); // they belong to the form
    form.replaceWith(out);
    out.tabIndex = -1;
    out.focus();
    scrollTo(0, 0);
    const logged = (await lw.get("logged")) || {};
    if (entry.key) await lw.set("logged", { ...logged, [entry.key]: { at: entry.stamp, again: verdict && ["outside", "act"].includes(verdict.worst) ? Date.now() + sheet.retest * 60000 : 0 } });
  }

  function advise(out, sheet, verdict, made, acted) {
    if (verdict.gas) out.append(make("p", sheet.floor_text, "note grave"));
    const table = make("ul", "", "steps");
    for (const r of verdict.rows) {
      const li = make("li");
      const left = make("span");
      left.append(make("b", r.label + " " + r.value), make("br"), make("span", r.text, "quiet"));
      li.append(left, mark(r.verdict, word("device.verdict-" + r.verdict)));
      table.append(li);
    }
    for (const l of sheet.later) {
      const li = make("li");
      li.append(make("span", l.text), mark("not-evaluated", word("device.not-judged")));
      table.append(li);
    }
    out.append(table, make("p", word("device.first-judgement"), "quiet small"));
    if (sheet.previous) out.append(make("p", word("device.previous", { value: sheet.previous, at: sheet.previous_at })));
    const bad = sheet.points.filter((p) => verdict.rows.some((r) => r.point === p.point && ["outside", "act"].includes(r.verdict)));
    if (!bad.length) return;
    const todo = make("section", "", "note do");
    todo.append(make("h2", word("device.todo")));
    for (const p of bad) {
      todo.append(make("p", p.instructions));
      const list = make("ul");
      for (const f of p.fixes) list.append(make("li", f));
      todo.append(list);
    }
    if (sheet.procedure) todo.append(doseLine(sheet, made, acted));
    todo.append(make("p", word("device.again-by", { time: clock(Date.now() + sheet.retest * 60000), n: sheet.retest })));
    const warn = make("aside", "", "note warn");
    const list = make("ul");
    for (const c of sheet.cautions) list.append(make("li", c));
    warn.append(make("h2", word("device.cautions")), list);
    out.append(todo, warn);
  }

  // doseLine says how much to add, where the server sent that along and nothing was done to the bath since.
  function doseLine(sheet, made, acted) {
    const table = sheet.dose;
    const amount = acted ? null : lw.dose(table, made.entries, Date.now());
    if (amount === null) return make("p", word("device.no-dose") + " " + sheet.procedure);
    if (amount === "0") return make("p", word("device.dose-none", { product: table.product }));
    return make("p", word("device.dose", { amount: amount + " " + table.amount_unit, product: table.product }) + " " + word("device.dose-once"), "amount");
  }

  for (const form of document.querySelectorAll("form[data-report]")) {
    form.noValidate = true;
    form.addEventListener("submit", (e) => {
      // A time typed by hand goes the way of the desk while there is network: it may lie before this sign-in.
      if (form.elements.namedItem("at").value && page.person) return;
      e.preventDefault();
      if (!dialog.open) save(form).catch((err) => alert(String(err)));
    });
  }

  // --- signing out

  const out = document.querySelector("form[action$='/sign-out']");
  if (out) {
    out.addEventListener("submit", async (e) => {
      if (out.dataset.ended) return;
      e.preventDefault();
      leaving = true;
      await lw.endGrants(page.person);
      out.dataset.ended = "yes";
      if (navigator.onLine) return out.submit();
      await lw.set("sign-out", true);
      location.assign(root + "/");
    });
  }
  // lateSignOut ends a session that was left without network.
  async function lateSignOut() {
    if (!(await lw.get("sign-out"))) return;
    const r = await lw.read(await lw.ask(api + "/session"));
    if (r.status === 200) await lw.ask(api + "/session", { method: "DELETE", headers: { "X-Form-Token": r.answer.form_token } });
    if (r.status === 200 || r.status === 401) await lw.set("sign-out", false);
  }

  // --- begin

  Object.assign(lw, { queue, word, make, mark, clock, askWho, confirm, slip, dialog, count, send, kitNow: () => kit });
  if ("serviceWorker" in navigator) navigator.serviceWorker.register(root + "/sw.js", { scope: root + "/" });
  async function tick() {
    try {
      await lateSignOut();
      await handOver();
      await send();
      await refresh();
    } catch {
      // no network: later
    }
    await count();
  }
  addEventListener("online", tick);
  setInterval(tick, Number(page.every || 15) * 1000);
  await count();
  document.dispatchEvent(new CustomEvent("tablet"));
  await tick();
  document.body.dataset.ready = "yes";
})();
