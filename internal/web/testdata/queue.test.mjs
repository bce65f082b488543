import test from "node:test";
import assert from "node:assert/strict";
import { load } from "./load.mjs";

const lw = await load("queue.js");

// memory is a store like the device's: it outlives the queue, and what is in it is a copy.
function memory() {
  const rows = new Map();
  let n = 0;
  return {
    rows,
    all: async () => [...rows.values()].map((r) => structuredClone(r)).sort((a, b) => a.n - b.n),
    put: async (e) => {
      e.n ||= ++n;
      rows.set(e.id, structuredClone(e));
    },
    remove: async (id) => void rows.delete(id),
  };
}

const T0 = Date.parse("2026-03-02T12:00:00Z");

// server records like the real one: once an id; other content or another person under an id is a conflict.
function server() {
  const s = { recorded: [], seen: [], down: false, lose: 0, say: null };
  s.net = async (entry, body) => {
    if (s.down) throw new Error("no network");
    s.seen.push({ grant: entry.grant, unverified: !!entry.unverified, body });
    const told = s.say && s.say(entry);
    if (told) return told;
    const { id } = JSON.parse(body);
    const before = s.recorded.find((r) => r.id === id);
    let status = 201;
    if (before) status = before.body === body && before.grant === entry.grant ? 200 : 409;
    else s.recorded.push({ id, grant: entry.grant, body });
    if (s.lose-- > 0) throw new Error("the answer was lost");
    return { status, problem: status > 201 ? { detail: "id used", code: "id-used" } : null, answer: { id } };
  };
  return s;
}

function world({ store = memory(), srv = server(), offset = 0 } = {}) {
  const w = { store, srv, now: T0, drift: offset, delivered: [] };
  w.queue = new lw.Queue({ store, net: srv.net, now: () => w.now, reason: "no network", delivered: (e, a) => w.delivered.push(a.id),
    offset: async () => {
      if (srv.down) throw new Error("no network");
      return w.drift;
    } });
  w.entry = (more = {}) => ({ id: lw.uuid7(w.now), device: "t1", path: "/readings", report: { check: "bath-test", place: "bath-1" }, stamp: w.now, grant: "g-ana", person: "ana", state: lw.WAITING, ...more });
  return w;
}

test("ten reports of an hour without network arrive once each, in order, with their own times", async () => {
  const w = world();
  w.srv.down = true;
  for (let i = 0; i < 10; i++) {
    await w.queue.add(w.entry());
    w.now += 6 * 60 * 1000;
    assert.equal(await w.queue.flush(), false);
  }
  assert.equal((await w.queue.count()).waiting, 10);
  w.srv.down = false;
  // The tab was killed: another queue over the same store sends.
  const again = world({ store: w.store, srv: w.srv });
  again.now = w.now;
  assert.equal(await again.queue.flush(), true);
  assert.equal((await again.queue.count()).waiting, 0);
  assert.equal(w.srv.recorded.length, 10);
  w.srv.recorded.forEach((r, i) => {
    const b = JSON.parse(r.body);
    assert.equal(b.at, new Date(T0 + i * 6 * 60 * 1000).toISOString());
    assert.equal(b.at_known, "device");
    assert.equal(b.late_reason, i < 8 ? "no network" : undefined); // 15 minutes and more ago
  });
});

test("an answer that is lost leads to the same bytes again, whatever the clock says then", async () => {
  const w = world({ offset: 3000 });
  w.srv.lose = 2;
  await w.queue.add(w.entry());
  assert.equal(await w.queue.flush(), false);
  w.drift = 3007;
  w.now += 3600 * 1000;
  assert.equal(await w.queue.flush(), false);
  assert.equal(await w.queue.flush(), true);
  assert.equal(w.srv.recorded.length, 1);
  assert.equal(new Set(w.srv.seen.map((s) => s.body)).size, 1);
  assert.deepEqual(w.delivered, [w.srv.recorded[0].id]);
  assert.equal(w.store.rows.size, 0);
});

test("a clock that is off is corrected before sending, and the record says so", async () => {
  const w = world({ offset: 90 * 60 * 1000 });
  await w.queue.add(w.entry());
  await w.queue.flush();
  const b = JSON.parse(w.srv.recorded[0].body);
  assert.deepEqual([b.at, b.device], [new Date(T0 - 90 * 60 * 1000).toISOString(), { id: "t1", clock: new Date(T0).toISOString(), offset_ms: 5400000 }]);
});

test("nothing is sent before the offset of the clock is known", async () => {
  const w = world();
  await w.queue.add(w.entry());
  w.queue.offset = async () => { throw new Error("no network"); };
  assert.equal(await w.queue.flush(), false);
  assert.equal(w.srv.seen.length, 0);
  assert.equal([...w.store.rows.values()][0].sent, undefined);
});

test("each report goes under its own author's grant", async () => {
  const w = world();
  await w.queue.add(w.entry());
  await w.queue.add(w.entry({ grant: "g-bo", person: "bo", unverified: true }));
  await w.queue.add(w.entry());
  await w.queue.flush();
  assert.deepEqual(w.srv.seen.map((s) => [s.grant, s.unverified]), [["g-ana", false], ["g-bo", true], ["g-ana", false]]);
});

test("a refused report stays with its reason and does not hold up the others", async () => {
  const w = world();
  const bad = w.entry({ place: "nowhere" });
  w.srv.say = (e) => e.place === "nowhere" && { status: 422, problem: { detail: "there is no such place", code: "unknown-place" } };
  await w.queue.add(bad);
  await w.queue.add(w.entry());
  assert.equal(await w.queue.flush(), true);
  assert.deepEqual(await w.queue.count(), { waiting: 0, unconfirmed: 0, refused: 1 });
  assert.equal([...w.store.rows.values()][0].why, "there is no such place");
  await w.queue.flush();
  assert.equal(w.srv.seen.length, 2, "a refused report is not sent again by itself");
});

for (const status of [408, 425, 429, 500, 502, 503]) {
  test(`status ${status} keeps all and their order`, async () => {
    const w = world();
    await w.queue.add(w.entry());
    await w.queue.add(w.entry());
    w.srv.say = () => ({ status, problem: { detail: "later" } });
    assert.equal(await w.queue.flush(), false);
    assert.equal(w.srv.seen.length, 1);
    assert.equal((await w.queue.count()).waiting, 2);
  });
}

test("a report that nobody confirmed is not sent", async () => {
  const w = world();
  await w.queue.add(w.entry({ state: lw.UNCONFIRMED, grant: undefined }));
  await w.queue.flush();
  assert.equal(w.srv.seen.length, 0);
  assert.equal((await w.queue.count()).unconfirmed, 1);
});

test("two runs at one time send once", async () => {
  const w = world();
  await w.queue.add(w.entry());
  await Promise.all([w.queue.flush(), w.queue.flush(), w.queue.flush()]);
  assert.equal(w.srv.seen.length, 1);
});

test("a typed time goes as typed", async () => {
  const w = world({ offset: 5000 });
  await w.queue.add(w.entry({ typed: T0 - 60000 }));
  await w.queue.flush();
  const b = JSON.parse(w.srv.recorded[0].body);
  assert.deepEqual([b.at, b.at_known], [new Date(T0 - 60000).toISOString(), "typed"]);
});

test("grants: live, of the person, the one that covers the moment", () => {
  const grant = (token, person, from, to) => ({ token, person, from: new Date(T0 + from).toISOString(), to: new Date(T0 + to).toISOString() });
  const list = [grant("old", "ana", -9000, -1000), grant("first", "ana", -8000, 9000), grant("second", "ana", -2000, 9000), grant("bo", "bo", -9000, 9000)];
  assert.equal(lw.pickGrant(list, "ana", T0 - 1000, T0).token, "second");
  assert.equal(lw.pickGrant(list, "ana", T0 - 5000, T0).token, "first");
  assert.equal(lw.pickGrant(list, "cy", T0, T0), null);
  assert.equal(lw.pickGrant(list, "ana", T0, T0 + 9001), null);
  assert.equal(lw.covers(list[0], T0 - 1000), true);
  assert.equal(lw.covers(list[0], T0 - 999), false);
});

// RFC 9562 (2024), appendix A.6: the example of a UUIDv7 (from memory).
test("ids are of the form and time of RFC 9562", () => {
  const random = Uint8Array.from([0, 0, 0, 0, 0, 0, 0x0c, 0xc3, 0x18, 0xc4, 0xdc, 0x0c, 0x0c, 0x07, 0x39, 0x8f]);
  assert.equal(lw.uuid7(0x017f22e279b0, random), "017f22e2-79b0-7cc3-98c4-dc0c0c07398f");
  assert.match(lw.uuid7(T0), /^[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$/);
  assert.ok(lw.uuid7(T0) < lw.uuid7(T0 + 1));
});
