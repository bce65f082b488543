// What falls due, on a tablet: time left counts down, and a check that is due flashes and sounds, without network too.
"use strict";
document.addEventListener("tablet", () => {
  const lw = globalThis.linewarden;
  const { word, make } = lw;
  const MINUTE = 60000;
  const RINGS = 30 * MINUTE; // how long after a due time the tablet rings

  function gap(ms) {
    const n = Math.round(Math.abs(ms) / MINUTE);
    if (n < 1) return word("gap.now");
    const span = n < 60 ? n + " min" : Math.floor(n / 60) + " h " + String(n % 60).padStart(2, "0") + " min";
    return word(ms > 0 ? "gap.in" : "gap.ago", { span });
  }

  // ringing lists what is due now and not logged on this device since: by the kit, and tests to be done again.
  async function ringing(now) {
    const kit = lw.kitNow();
    if (!kit) return [];
    const logged = (await lw.get("logged")) || {};
    const kept = await lw.get("kit-at");
    const list = kit.dues.filter((d) => {
      const at = Date.parse(d.at);
      const done = logged[d.key];
      return now >= at && now - at < RINGS && !(done && done.at > at - RINGS);
    });
    for (const [key, l] of Object.entries(logged)) {
      const sheet = kit.sheets[key];
      const [check, place] = key.split("@");
      // Once the server has told anew what is due, a test to be done again is among it.
      if (l.again && sheet && now >= l.again && now - l.again < RINGS && !(kept > l.at && kept > l.again)) list.push({ key, path: "/checks/" + check + "/" + place, title: sheet.title, name: sheet.name, at: new Date(l.again).toISOString() });
    }
    return list;
  }

  const bar = document.getElementById("ring");
  let sound = null;
  let muted = 0;
  addEventListener("pointerdown", () => (sound ||= new AudioContext()), { once: true });
  function beep() {
    if (!sound || Date.now() < muted) return;
    for (const [after, hertz] of [[0, 880], [0.25, 1175]]) {
      const o = sound.createOscillator();
      const g = sound.createGain();
      o.frequency.value = hertz;
      g.gain.setValueAtTime(0.25, sound.currentTime + after);
      g.gain.exponentialRampToValueAtTime(0.001, sound.currentTime + after + 0.2);
      o.connect(g).connect(sound.destination);
      o.start(sound.currentTime + after);
      o.stop(sound.currentTime + after + 0.22);
    }
  }

  let shown = "";
  async function look() {
    const now = Date.now() - (await lw.lastOffset());
    for (const t of document.querySelectorAll("[data-due]")) {
      const left = Date.parse(t.dataset.due) - now;
      t.querySelector("small").textContent = gap(left);
    }
    const waiting = await lw.store.all();
    for (const row of document.querySelectorAll(".row[data-key]")) {
      const mine = waiting.filter((e) => e.key === row.dataset.key && e.state !== lw.AWAY).pop();
      row.querySelector(".kept")?.remove();
      if (mine) row.querySelector(".what").append(make("span", word("device.logged-waiting", { time: lw.clock(mine.stamp) }), "kept"));
    }
    const list = await ringing(now);
    const here = list.map((d) => d.key).join(" ");
    if (here !== shown) {
      shown = here;
      bar.hidden = !list.length;
      bar.querySelector("ul").replaceChildren(...list.map((d) => {
        const li = make("li");
        li.append(Object.assign(make("a", d.title + " · " + d.name), { href: lw.root + d.path }));
        return li;
      }));
    }
    document.body.classList.toggle("ringing", list.length > 0 && Date.now() >= muted);
    if (list.length) beep();
  }
  document.getElementById("mute").addEventListener("click", () => {
    muted = Date.now() + 10 * MINUTE;
    look();
  });
  document.addEventListener("queue", look);
  setInterval(look, 5000);
  look();
});
