// The line display. What the server says is put into the page; ages run on between two answers; a state is taken back
// when its time has passed, and all of them when the server is not heard any more. Times are the server's: the clock of
// the screen may be wrong, so only how long ago it was heard is measured here.
"use strict";
const main = document.querySelector("main[data-source]");
const lost = document.querySelector(".lost");
const out = document.querySelector(".out");

const LOST_AFTER = 10000; // ms without an answer until the page says so
const ASK_EVERY = 3000;
const GIVE_UP = 8000; // ms for one answer

let at = Number(main.dataset.at); // the server's clock when it was last heard
let heard = performance.now();
let heardOn = new Date();

const now = () => at + (performance.now() - heard);

// span writes a length of time in ms as the server does.
function span(ms) {
  const s = Math.floor(Math.abs(ms) / 1000);
  const two = (n) => String(n).padStart(2, "0");
  if (s < 60) return s + " s";
  if (s < 3600) return Math.floor(s / 60) + " min";
  if (s < 48 * 3600) return Math.floor(s / 3600) + " h " + two(Math.floor(s / 60) % 60);
  return Math.floor(s / 86400) + " d " + (Math.floor(s / 3600) % 24) + " h";
}

function write(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

// tick lets ages run on and takes back what no longer stands.
function tick() {
  const t = now();
  const silent = performance.now() - heard > LOST_AFTER;
  lost.hidden = !silent || !out.hidden;
  document.body.classList.toggle("silent", silent || !out.hidden);
  write(lost.querySelector("[data-heard]"), heardOn.toLocaleTimeString(document.documentElement.lang, { hour: "2-digit", minute: "2-digit", second: "2-digit" }));
  for (const e of main.querySelectorAll("[data-since]")) write(e, span(t - Number(e.dataset.since)));
  for (const e of main.querySelectorAll("[data-until-then]")) {
    write(e, span(Number(e.dataset.untilThen) - t));
    const word = e.parentElement.querySelector("i[data-past]");
    if (word) write(word, t > Number(e.dataset.untilThen) ? word.dataset.past : word.dataset.in);
  }
  for (const tile of main.querySelectorAll("[data-tile]")) {
    const ends = [tile, ...tile.querySelectorAll("[data-until]")].map((e) => Number(e.dataset.until || 0)).filter((x) => x > 0);
    tile.classList.toggle("stale", silent || !out.hidden || ends.some((x) => t > x));
  }
  const clock = main.querySelector("[data-clock]");
  if (clock) {
    try {
      write(clock, new Date(t).toLocaleTimeString(document.documentElement.lang, { timeZone: clock.dataset.clock, hour: "2-digit", minute: "2-digit", hour12: false }));
    } catch {
      // a screen that does not know the zone shows the time that the server wrote
    }
  }
}

function show(news) {
  at = news.at;
  heard = performance.now();
  heardOn = new Date();
  out.hidden = true;
  main.innerHTML = news.html; // written and escaped by the server, from the same template as the page
  tick();
}

// listen calls told with the news as they come: here by asking again and again. It is the one place to change where the
// server can send them by itself.
function listen(told) {
  const ask = async () => {
    try {
      const answer = await fetch(main.dataset.source, { cache: "no-store", redirect: "manual", signal: AbortSignal.timeout(GIVE_UP), headers: { Accept: "application/json" } });
      if (answer.type === "opaqueredirect" || answer.status === 401) out.hidden = false;
      else if (answer.ok) told(await answer.json());
    } catch {
      // not reached: tick says so when it lasts
    }
    setTimeout(ask, ASK_EVERY);
  };
  setTimeout(ask, ASK_EVERY);
}

setInterval(tick, 1000);
listen(show);
tick();
