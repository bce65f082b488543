// What an enrolled tablet holds: its store, its people, its clock, and the way to the server.
"use strict";
(() => {
  const lw = globalThis.linewarden;
  const { device, root = "", api } = document.body.dataset;
  if (!device) return;

  const request = (r) => new Promise((ok, no) => ((r.onsuccess = () => ok(r.result)), (r.onerror = () => no(r.error))));
  let opened = null;
  function db() {
    if (!opened) {
      const r = indexedDB.open("linewarden", 1);
      r.onupgradeneeded = () => {
        r.result.createObjectStore("queue", { keyPath: "id" }).createIndex("n", "n");
        r.result.createObjectStore("meta");
      };
      opened = request(r);
    }
    return opened;
  }
  // within runs one transaction and ends when it is durable.
  async function within(name, mode, act) {
    const t = (await db()).transaction(name, mode, { durability: "strict" });
    const done = new Promise((ok, no) => ((t.oncomplete = ok), (t.onerror = t.onabort = () => no(t.error))));
    const out = await act(t.objectStore(name));
    await done;
    return out;
  }

  const store = {
    all: () => within("queue", "readonly", (s) => request(s.index("n").getAll())),
    put: (entry) =>
      within("queue", "readwrite", async (s) => {
        if (!entry.n) {
          const last = await request(s.index("n").openCursor(null, "prev"));
          entry.n = last ? last.value.n + 1 : 1;
        }
        await request(s.put(entry));
      }),
    remove: (id) => within("queue", "readwrite", (s) => request(s.delete(id))),
  };
  const get = (key) => within("meta", "readonly", (s) => request(s.get(key)));
  const set = (key, value) => within("meta", "readwrite", (s) => request(s.put(value, key)));

  const PATIENCE = 10000; // ms for one request
  const ask = (path, options = {}) => fetch(path, { cache: "no-store", signal: AbortSignal.timeout(PATIENCE), ...options });

  // offset measures how far this device's clock is ahead of the server's, in ms; it throws without network.
  async function offset() {
    const sent = Date.now();
    const r = await ask(root + "/device/clock");
    if (!r.ok) throw new Error("no clock");
    const { now } = await r.json();
    const value = Math.round((sent + Date.now()) / 2 - Date.parse(now));
    await set("offset", value);
    return value;
  }
  const lastOffset = async () => (await get("offset")) || 0;

  async function read(r) {
    const body = await r.json().catch(() => null);
    return { status: r.status, problem: r.ok ? null : body, answer: r.ok ? body : null };
  }
  const headers = (more) => ({ "Content-Type": "application/json", "Accept-Language": document.documentElement.lang, ...more });

  // deliver sends an entry under its own grant, without the cookies of whoever is signed in.
  const deliver = async (entry, body) =>
    read(await ask(api + entry.path, { method: "POST", credentials: "omit", body,
      headers: headers({ Authorization: "Delivery " + entry.grant, ...(entry.unverified && { "Linewarden-Unverified": "yes" }) }) }));

  // post sends something in a session.
  const post = async (path, body, form) => read(await ask(api + path, { method: "POST", body, headers: headers(form && { "X-Form-Token": form }) }));

  // hint is one byte of a slow hash of a PIN: it catches a slip of the finger, and tells nobody the PIN.
  async function hint(person, pin) {
    const key = await crypto.subtle.importKey("raw", new TextEncoder().encode(pin), "PBKDF2", false, ["deriveBits"]);
    const salt = new TextEncoder().encode(device + " " + person);
    const bits = await crypto.subtle.deriveBits({ name: "PBKDF2", hash: "SHA-256", salt, iterations: 200000 }, key, 8);
    return new Uint8Array(bits)[0];
  }

  const grants = async () => (await get("grants")) || [];
  let turn = Promise.resolve(); // of what changes the grants
  const inTurn = (f) => (turn = turn.catch(() => {}).then(f));
  // keep adds a grant; those that cover nothing any more go: each entry carries its own.
  const keep = (grant, name) => inTurn(() => add(grant, name));
  async function add(grant, name) {
    const now = Date.now() - (await lastOffset());
    const list = (await grants()).filter((g) => Date.parse(g.to) > now && g.token !== grant.token);
    await set("grants", [...list, { ...grant, name }]);
  }
  // endGrants has a person's grants cover nothing from now on, as a sign-out does at the server.
  const endGrants = (person) => inTurn(() => endAll(person));
  async function endAll(person) {
    const now = new Date(Date.now() - (await lastOffset())).toISOString();
    await set("grants", (await grants()).map((g) => (g.person === person && g.to > now ? { ...g, to: now } : g)));
    await set("current", null);
  }

  Object.assign(lw, { device, root, api, store, get, set, ask, offset, lastOffset, deliver, post, read, headers, hint, grants, keep, endGrants });
})();
