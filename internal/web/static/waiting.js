// The page of reports that wait on this tablet: whose they are, how they stand, and why the server did not take one.
"use strict";
document.addEventListener("tablet", () => {
  const lw = globalThis.linewarden;
  const { word, make, queue, store } = lw;
  const list = document.getElementById("waiting-list");
  if (!list) return;

  // again has the author confirm an entry with the PIN and sends it in their session.
  async function again(entry, away) {
    let wrong = "";
    for (;;) {
      const who = await lw.askWho(wrong, entry.person || undefined);
      if (!who) return;
      if (away) entry.state = lw.AWAY;
      const r = away ? await putAway(entry, who) : await lw.confirm(entry, who);
      if (!r.wrong) {
        lw.dialog.close();
        return show();
      }
      wrong = r.wrong;
    }
  }

  // putAway takes an entry off the list for its author; it stays on the device.
  async function putAway(entry, who) {
    const owner = who.badge && (await lw.badgeOwner(who.badge));
    if (who.badge && (!owner || (entry.person && owner.id !== entry.person))) return { wrong: word("who.wrong-badge") };
    if (await lw.slip(who)) return { wrong: word("who.wrong-pin") };
    await store.put(entry);
    await lw.count();
    return {};
  }

  async function show() {
    const all = (await store.all()).filter((e) => e.state !== lw.AWAY);
    list.replaceChildren(...all.map((e) => {
      const li = make("li");
      const text = make("span");
      text.append(make("b", e.title), make("br"), make("span", e.name + (e.shown ? ": " + e.shown : "")), make("br"),
        make("span", word("waiting.by", { by: e.by || "–", time: lw.clock(e.stamp) }) + (e.unverified ? " · " + word("waiting.unverified") : ""), "quiet"));
      if (e.why) text.append(Object.assign(make("p", e.why, "problem"), {}));
      const side = make("div", "", "side");
      side.append(lw.mark({ waiting: "upcoming", refused: "outside", unconfirmed: "not-known" }[e.state], word("waiting." + e.state)));
      if (e.state !== lw.WAITING) {
        const b = Object.assign(make("button", word("waiting.confirm"), "btn"), { type: "button" });
        b.addEventListener("click", () => again(e, false));
        const away = Object.assign(make("button", word("waiting.put-away"), "btn"), { type: "button" });
        away.addEventListener("click", () => again(e, true));
        side.append(b, away);
      }
      li.append(text, side);
      return li;
    }));
    document.getElementById("waiting-none").hidden = all.length > 0;
  }
  document.addEventListener("queue", show);
  show();
});
