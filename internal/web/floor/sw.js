// The service worker: pages and files that a tablet keeps, for when the network or the server is away. The pages fill
// the store themselves (floor.js); what is sent is never touched here.
"use strict";
const STORE = "linewarden";
const PATIENCE = 4000; // ms until a kept page is shown in place of one that does not come
const root = new URL(self.registration.scope).pathname.replace(/\/$/, "");

self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (e) => e.waitUntil(self.clients.claim()));

async function kept(path) {
  const store = await caches.open(STORE);
  return store.match(path);
}

// A page comes from the server if it answers in time; else the kept one, else one that says so.
async function page(request) {
  const url = new URL(request.url);
  const spare = (await kept(url.pathname)) || (await kept(root + "/device/offline"));
  if (!spare) return fetch(request);
  const late = new Promise((ok) => setTimeout(ok, PATIENCE));
  try {
    const fresh = await Promise.race([fetch(request), late]);
    if (fresh && ![502, 503, 504].includes(fresh.status)) return fresh;
  } catch {
    // no network
  }
  return spare;
}

async function file(request) {
  const url = new URL(request.url);
  return (await kept(url.pathname)) || fetch(request);
}

self.addEventListener("fetch", (e) => {
  const url = new URL(e.request.url);
  if (e.request.method !== "GET" || url.origin !== self.location.origin) return;
  if (e.request.mode === "navigate") e.respondWith(page(e.request));
  else if (url.pathname.startsWith("/static/")) e.respondWith(file(e.request));
});
