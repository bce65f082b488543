// The page of verification: a file is chosen, read and judged here.
"use strict";
(() => {
  const { verify, chunksOf } = globalThis.linewarden.verify, $ = (id) => document.getElementById(id), form = $("verify");
  let turn = 0;
  const show = (kind, lines, file, checkpoint = "") => {
    for (const box of document.querySelectorAll("[data-result]")) box.hidden = box.dataset.result !== kind;
    $("lines").replaceChildren(...lines.map((text) => Object.assign(document.createElement("li"), { textContent: text })));
    [$("name").textContent, $("size").textContent] = file ? [file.name, `${file.size} bytes`] : ["", ""];
    $("checkpoint").textContent = checkpoint;
    $("checkpoint").hidden = !checkpoint;
    $("said").hidden = lines.length === 0;
  };
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const file = $("file").files[0], mine = ++turn;
    if (!file) return;
    show("", [], null);
    $("running").hidden = false;
    let kind, lines, checkpoint = "", last = performance.now();
    const progress = async (done, total) => {
      $("bar").value = total > 0 ? done / total : 0;
      $("count").textContent = `${done} / ${total} ${form.dataset.records}`;
      if (performance.now() - last > 50) {
        await new Promise((go) => setTimeout(go)); // the page stays at hand meanwhile
        last = performance.now();
      }
      if (mine !== turn) throw new Error("stopped");
    };
    const note = (text) => text.replace(/\r\n/g, "\n").trim();
    const options = { key: note($("key").value), since: $("since").value.trim() ? note($("since").value) + "\n" : "" };
    try {
      if (!globalThis.crypto || !crypto.subtle) throw new Error(form.dataset.insecure);
      const r = await verify(chunksOf(file), options, progress);
      kind = r.fault ? "fault" : r.unchecked ? "unchecked" : "whole";
      lines = r.fault ? [r.fault] : r.unchecked ? [] : r.lines;
      for (const word of document.querySelectorAll("[data-kind]")) word.hidden = word.dataset.kind !== r.kind;
      checkpoint = r.checkpoint || "";
    } catch (e) {
      if (mine !== turn) return;
      [kind, lines] = ["error", [e.message]];
    }
    if (mine !== turn) return;
    $("running").hidden = true;
    show(kind, lines, file, checkpoint);
    $("result").focus();
  });
})();
