// Counts the clocks of lots down between two looks at the server. Near its limit and past it a clock changes its shape,
// word and colour by itself. Times are the server's: the clock of the tablet may be wrong.
"use strict";
(() => {
  let head = null;
  let at = 0; // the server's clock when the board was made, in ms
  let seen = 0; // ours then

  const two = (n) => String(n).padStart(2, "0");

  // span writes a length of time in ms as the server does.
  function span(ms) {
    const s = Math.floor(Math.abs(ms) / 1000);
    if (s < 600) return two(Math.floor(s / 60)) + ":" + two(s % 60);
    if (s < 3600) return Math.floor(s / 60) + " min";
    if (s < 48 * 3600) return Math.floor(s / 3600) + " h " + two(Math.floor(s / 60) % 60);
    return Math.floor(s / 86400) + " d " + (Math.floor(s / 3600) % 24) + " h";
  }

  function tick() {
    const now = document.querySelector("[data-now]");
    if (!now) return;
    if (now !== head || Number(now.dataset.now) !== at) {
      head = now;
      at = Number(now.dataset.now);
      seen = performance.now();
    }
    const t = at + (performance.now() - seen);
    for (const clock of document.querySelectorAll(".clock[data-start]")) {
      const limit = Number(clock.dataset.limit);
      let mark = "open";
      let text = head.dataset.runs.replace("#", span(t - Number(clock.dataset.start)));
      if (limit > 0) {
        const word = t > limit ? "over" : t >= Number(clock.dataset.warn) ? "near" : "left";
        mark = { over: "outside", near: "act", left: "open" }[word];
        text = head.dataset[word].replace("#", span(limit - t));
      }
      if (!clock.classList.contains(mark)) clock.className = "clock " + mark;
      const shown = clock.querySelector("[data-text]");
      if (shown.textContent !== text) shown.textContent = text;
    }
  }

  // What was just done is told once.
  if (/[?&](moved|unknown)=/.test(location.search)) history.replaceState(null, "", location.pathname);
  setInterval(tick, 500);
  tick();
})();
