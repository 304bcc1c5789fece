// Field pages from the network where it answers, else the copy that was kept when they were opened.
"use strict";
const KEPT = "field-1", PATIENCE_MS = 4000, MOST = 24;
const isField = (path) => /^\/sites\/\d+\/nights\/[\d-]+\/field$/.test(path);
const isAsset = (path) => /^\/static\/\w+\/field\.(css|js)$/.test(path);

addEventListener("install", () => skipWaiting());
addEventListener("activate", (event) => event.waitUntil(clients.claim()));
addEventListener("fetch", (event) => {
  const { origin, pathname } = new URL(event.request.url);
  if (event.request.method !== "GET" || origin !== location.origin) return;
  if (isField(pathname) || isAsset(pathname)) event.respondWith(answer(event.request, pathname));
});

async function answer(request, path) {
  const cache = await caches.open(KEPT);
  const kept = await cache.match(path);
  try {
    const fresh = await (kept ? soon(fetch(request)) : fetch(request));
    if (fresh.ok) await keep(cache, path, fresh.clone());
    else if (fresh.status < 500) await cache.delete(path); // signed out, or no longer theirs
    else if (kept) return kept;
    return fresh;
  } catch (gone) {
    if (kept) return kept;
    throw gone;
  }
}

async function keep(cache, path, fresh) {
  await cache.delete(path);
  await cache.put(path, fresh);
  const paths = await cache.keys();
  await Promise.all(paths.slice(0, -MOST).map((each) => cache.delete(each)));
}

function soon(answering) {
  const late = new Promise((_, refuse) => setTimeout(refuse, PATIENCE_MS, new Error("no answer yet")));
  return Promise.race([answering, late]);
}
