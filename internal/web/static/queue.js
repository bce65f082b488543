// Reports that wait on this device until the server has them. The rules: a report is written down before anything is
// sent; it keeps its id, its time, its person and that person's delivery grant; what was sent once is sent again to the
// byte; it leaves the device only when the server says that it is recorded. Storage, network and clock come in from outside.
"use strict";
(() => {
  const WAITING = "waiting"; // to be sent
  const UNCONFIRMED = "unconfirmed"; // its person has not confirmed it with a PIN yet
  const REFUSED = "refused"; // the server does not take it; it goes back to its author
  const AWAY = "put-away"; // its author has read that and put it away

  // uuid7 makes an id that begins with the time (RFC 9562, 5.7), so that ids stand in the order of their making.
  function uuid7(ms, random) {
    const b = random || crypto.getRandomValues(new Uint8Array(16));
    let t = ms;
    for (let i = 5; i >= 0; i--) {
      b[i] = t % 256;
      t = Math.floor(t / 256);
    }
    b[6] = 0x70 | (b[6] & 0x0f);
    b[8] = 0x80 | (b[8] & 0x3f);
    const hex = [...b].map((x) => x.toString(16).padStart(2, "0")).join("");
    return [hex.slice(0, 8), hex.slice(8, 12), hex.slice(12, 16), hex.slice(16, 20), hex.slice(20)].join("-");
  }

  const iso = (ms) => new Date(ms).toISOString();

  // freeze gives the body of an entry as it is sent, for ever. stamp is the device's clock when the thing happened,
  // offset how far that clock is ahead of the server's.
  function freeze(entry, offset, recordedLate) {
    const body = { id: entry.id, ...entry.report, at: iso(entry.stamp - offset), at_known: "device" };
    if (entry.typed) {
      body.at = iso(entry.typed);
      body.at_known = "typed";
    }
    body.device = { id: entry.device, clock: iso(entry.stamp), offset_ms: Math.round(offset) };
    if (recordedLate && !body.late_reason) body.late_reason = recordedLate;
    return JSON.stringify(body);
  }

  // covers says whether a grant covers a moment of the server's clock.
  const covers = (grant, at) => !!grant && at >= Date.parse(grant.from) && at <= Date.parse(grant.to);

  // pickGrant gives the grant of a person that covers a moment, or else is live now; the newest first. live: whether
  // one may log now, without the server.
  function pickGrant(grants, person, at, now) {
    const own = grants.filter((g) => g.person === person && covers(g, now)).sort((a, b) => Date.parse(b.from) - Date.parse(a.from));
    return own.find((g) => covers(g, at)) || own[0] || null;
  }

  // A Queue sends what waits. store: all(), put(entry), remove(id) in the order of entry.n; net(entry, body) resolves
  // to {status, problem, answer} or throws where the server cannot be reached; clock() resolves to the offset.
  class Queue {
    constructor({ store, net, offset, now, changed, delivered, reason, lateAfter }) {
      Object.assign(this, { store, net, offset, now, changed, delivered, reason });
      this.lateAfter = lateAfter || 15 * 60 * 1000;
      this.busy = null;
    }

    // add writes a report down. It must not be sent before this has ended.
    async add(entry) {
      await this.store.put(entry);
      this.changed && this.changed();
    }

    async count() {
      const all = await this.store.all();
      const n = (state) => all.filter((e) => e.state === state).length;
      return { waiting: n(WAITING), unconfirmed: n(UNCONFIRMED), refused: n(REFUSED) };
    }

    // body gives the bytes of an entry, and keeps them before they are sent for the first time.
    async body(entry) {
      if (!entry.sent) {
        const offset = await this.offset();
        const late = this.now() - entry.stamp > this.lateAfter ? this.reason : "";
        entry.sent = freeze(entry, offset, late);
        await this.store.put(entry);
      }
      return entry.sent;
    }

    // flush sends what waits, in order, until the server cannot be reached. One run at a time.
    flush() {
      if (!this.busy) this.busy = this.run().finally(() => (this.busy = null));
      return this.busy;
    }

    async run() {
      for (const entry of (await this.store.all()).filter((e) => e.state === WAITING)) {
        let r;
        try {
          r = await this.net(entry, await this.body(entry));
        } catch {
          return false;
        }
        if (!(await this.settle(entry, r))) return false;
      }
      return true;
    }

    // settle does what an answer asks for; false: the server is to be asked again later.
    async settle(entry, { status, problem, answer }) {
      if (status === 200 || status === 201) {
        await this.store.remove(entry.id);
        this.delivered && this.delivered(entry, answer);
      } else if (status >= 400 && status < 500 && ![408, 425, 429].includes(status)) {
        entry.state = REFUSED;
        entry.why = (problem && problem.detail) || String(status);
        entry.code = (problem && problem.code) || "";
        await this.store.put(entry);
      } else {
        return false;
      }
      this.changed && this.changed();
      return true;
    }
  }

  globalThis.linewarden = Object.assign(globalThis.linewarden || {}, { Queue, uuid7, freeze, covers, pickGrant, WAITING, UNCONFIRMED, REFUSED, AWAY });
})();
