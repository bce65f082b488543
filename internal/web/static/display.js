// The line display. What the server says is put into the page; ages run on between two answers; a state is taken back
// when its time has passed, and all of them when the server is not heard any more. Times are the server's: the clock of
// the screen may be wrong, so only how long ago it was heard is measured here.
"use strict";
const main = document.querySelector("main[data-source]");
const lost = document.querySelector(".lost");
const out = document.querySelector(".out");

const LOST_AFTER = 10000; // ms without an answer until the page says so
const ASK_EVERY = 3000; // ms, where the stream of changes is not to be had
const SIGN_OF_LIFE = 6000; // ms, while it is: a network that died says nothing
const SOONEST = 150; // ms: what comes together is asked for together
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

// listen calls told with the news as they come. The stream of changes says when there are some, and they are asked for
// then; without it, and as a sign of life, they are asked for again and again.
function listen(told) {
  let stream = null;
  let planned = null; // the next time of asking
  let when = Infinity;
  let asking = false;
  let again = false; // something changed while an answer was on its way

  // plan asks after a time, or sooner where that is planned already.
  function plan(wait) {
    const at = performance.now() + wait;
    if (when <= at) return;
    clearTimeout(planned);
    when = at;
    planned = setTimeout(ask, wait);
  }

  async function ask() {
    when = Infinity;
    if (asking) {
      again = true;
      return;
    }
    asking = true;
    again = false;
    try {
      const answer = await fetch(main.dataset.source, { cache: "no-store", redirect: "manual", signal: AbortSignal.timeout(GIVE_UP), headers: { Accept: "application/json" } });
      if (answer.type === "opaqueredirect" || answer.status === 401) out.hidden = false;
      else if (answer.ok) told(await answer.json());
    } catch {
      // not reached: tick says so when it lasts
    }
    asking = false;
    plan(again ? SOONEST : stream && stream.readyState === EventSource.OPEN ? SIGN_OF_LIFE : ASK_EVERY);
  }

  function open() {
    if (stream || !globalThis.EventSource) return;
    stream = new EventSource(main.dataset.stream);
    for (const name of ["snapshot", "change"]) stream.addEventListener(name, () => plan(SOONEST));
    stream.onerror = () => {
      if (stream && stream.readyState === EventSource.CLOSED) { // refused: it is tried again, and asked meanwhile
        stream = null;
        setTimeout(open, 30000);
      }
      plan(SOONEST);
    };
  }

  addEventListener("pagehide", () => {
    if (stream) stream.close();
    stream = null;
  });
  addEventListener("pageshow", open);
  addEventListener("online", () => plan(SOONEST));
  open();
  plan(ASK_EVERY);
}

setInterval(tick, 1000);
listen(show);
tick();
