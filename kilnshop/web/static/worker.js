"use strict";
// Keeps the pages of readings and weights opened on this phone and what they need, so that they open again without a connection.
// Nothing else is kept, and signing out empties it.
const KEPT = "kilnshop-door";
const PAGES = /^\/(charges\/\d+\/(readings\/new|samples)|door\/[-\w]+)\/$/;
const PATIENCE = 8000;

const newestOrKept = async (request) => {
  const cache = await caches.open(KEPT);
  const kept = await cache.match(request, { ignoreSearch: true, ignoreVary: true });
  const newest = fetch(request).then(async (answer) => {
    if (answer.ok && !answer.redirected) await cache.put(request.url, answer.clone());
    return answer;
  });
  if (!kept) return newest;
  const late = new Promise((done) => setTimeout(done, PATIENCE, kept));
  return Promise.race([newest, late]).catch(() => kept);
};

self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));
self.addEventListener("fetch", (event) => {
  const { method, mode, url } = event.request;
  const address = new URL(url);
  if (address.origin !== self.location.origin) return;
  if (method === "POST" && address.pathname === "/sign-out/") event.waitUntil(caches.delete(KEPT));
  if (method !== "GET") return;
  if ((mode === "navigate" && PAGES.test(address.pathname)) || address.pathname.startsWith("/static/")) {
    event.respondWith(newestOrKept(event.request));
  }
});
