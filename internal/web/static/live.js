// Keeps a page that shows how things stand right within a second: a stream of the server says when something changed or
// is to change by the clock, and the page is fetched again. What somebody is filling in stays as it is. Without script
// the page shows what stood when it was loaded.
"use strict";
(() => {
  const mark = document.querySelector("[data-live]");
  if (!mark || !globalThis.EventSource) return;
  const SOONEST = 150; // what comes together is fetched together
  const SPACE = 700; // between two fetches
  const MINUTE = 60000; // words such as "in 5 min" are told anew
  let stream = null;
  let ahead = 0; // of the server's clock before ours, in ms
  let dues = new Map(); // deadlines of a check at a place
  let rest = []; // deadlines of points and clocks
  let fetched = Date.now();
  let planned = null;
  let touched = false;

  document.addEventListener("input", (e) => (touched = touched || e.target.closest("form") !== null));

  // busy says that somebody is filling something in.
  function busy() {
    const at = document.activeElement;
    return touched || !!document.querySelector("main details[open], .ways details[open]") || (at && at.closest("main form") !== null && !idle(at));
  }

  // idle is a field that waits for a scanner and holds nothing.
  function idle(at) {
    return at.hasAttribute("data-scan") && at.value === "";
  }

  function swap(from, to) {
    if (from && to && from.innerHTML !== to.innerHTML) {
      from.replaceChildren(...document.importNode(to, true).childNodes);
      return true;
    }
    return false;
  }

  function show(page) {
    swap(document.querySelector("nav.ways .count"), page.querySelector("nav.ways .count"));
    let changed = false;
    for (const piece of document.querySelectorAll("[data-piece]")) {
      changed = swap(piece, page.querySelector('[data-piece="' + piece.dataset.piece + '"]')) || changed;
    }
    if (busy()) return;
    if (document.querySelector("main form[data-stamp]:not([data-keep])")) {
      if (changed) location.reload(); // its forms are of how things stood before
      return;
    }
    const at = document.activeElement;
    const waits = !at || at === document.body || at.hasAttribute("data-scan"); // a scanner types where the focus is
    if (swap(document.querySelector("main"), page.querySelector("main"))) document.dispatchEvent(new Event("fresh"));
    if (waits) document.querySelector("main [data-scan]")?.focus();
  }

  async function fetchPage() {
    planned = null;
    fetched = Date.now();
    try {
      const res = await fetch(location.href, { headers: { Accept: "text/html" } });
      if (res.redirected) return location.reload(); // signed out
      if (res.ok) show(new DOMParser().parseFromString(await res.text(), "text/html"));
    } catch {
      // without network the page stays; the stream comes back by itself
    }
    next();
  }

  // plan fetches the page at a moment, or sooner where that is planned already.
  function plan(at) {
    const when = Math.max(at, fetched + SPACE);
    if (planned && planned.when <= when) return;
    if (planned) clearTimeout(planned.timer);
    planned = { when, timer: setTimeout(fetchPage, Math.max(0, when - Date.now())) };
  }

  // next plans for the next deadline.
  function next() {
    const now = Date.now() + ahead;
    let soonest = now + MINUTE;
    for (const list of [...dues.values(), rest]) {
      for (const at of list) if (at > now && at < soonest) soonest = at;
    }
    plan(soonest - ahead + 20);
  }

  const moments = (x, names) => names.map((n) => Date.parse(x[n])).filter((at) => at > 0);

  function take(event, whole) {
    const state = JSON.parse(event.data);
    ahead = Date.parse(state.time) - Date.now();
    if (whole) dues = new Map();
    for (const k of state.checks || []) dues.delete(k);
    for (const d of state.due || []) dues.set(d.check + "@" + d.place, moments(d, ["from", "due", "until"]));
    if (whole) rest = [];
    for (const p of state.points || []) rest.push(...moments(p, ["expires"]));
    for (const c of state.clocks || []) rest.push(...moments(c, ["warn_at", "limit_at"]));
    rest = rest.filter((at) => at > Date.now() + ahead);
    plan(Date.now() + SOONEST);
  }

  function open() {
    if (stream) return;
    stream = new EventSource(mark.dataset.live);
    stream.addEventListener("snapshot", (e) => take(e, true));
    stream.addEventListener("change", (e) => take(e, false));
    stream.onerror = () => {
      if (stream && stream.readyState === EventSource.CLOSED) { // refused: look once a minute
        stream = null;
        plan(Date.now() + MINUTE);
      }
    };
  }

  function close() {
    if (stream) stream.close();
    stream = null;
  }

  document.addEventListener("visibilitychange", () => (document.hidden ? close() : open()));
  addEventListener("pagehide", close);
  open();
})();
