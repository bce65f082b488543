// Light, dark or sunlight, as this device's person chose. It runs before anything is drawn, since a page that the tablet
// keeps may be older than the choice, and changes the mode at once, so that a form half filled in stays as it is. Without
// script the form goes to the server.
"use strict";
(() => {
  const modes = ["light", "dark", "sunlight"];
  const show = (mode) => {
    if (modes.includes(mode)) document.documentElement.dataset.mode = mode;
    else delete document.documentElement.dataset.mode;
    for (const b of document.querySelectorAll("form.modes button")) b.setAttribute("aria-pressed", String(b.value === (mode || "device")));
  };
  const kept = document.cookie.match(/(?:^|; )mode=(\w+)/);
  const mode = kept && modes.includes(kept[1]) ? kept[1] : "";
  show(mode);
  document.addEventListener("DOMContentLoaded", () => show(document.documentElement.dataset.mode || ""));
  document.addEventListener("submit", (e) => {
    if (!e.target.matches("form.modes") || !e.submitter) return;
    e.preventDefault();
    const chosen = e.submitter.value;
    const secure = location.protocol === "https:" ? "; Secure" : "";
    document.cookie = `mode=${chosen}; Path=/; Max-Age=${400 * 24 * 3600}; SameSite=Lax${secure}`;
    show(modes.includes(chosen) ? chosen : "");
  });
})();
