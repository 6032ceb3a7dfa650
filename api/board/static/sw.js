// Lets the board open at a bedside without a network: its own files are taken
// from the service, and from the last good answer where there is none. Nothing
// under /fhir passes through here.

const CACHE = 'tidemark-board';
const FILES = ['./', 'board.css', 'app.js', 'call.js', 'chart.js', 'concern.js', 'dom.js', 'drain.js', 'draw.js', 'fhir.js', 'handover.js', 'outbox.js', 'place.js', 'settings.js', 'settings.json', 'signin.js', 'wall.js', 'ward.js', 'words.js', 'zone.js', 'vendor/oidc-client-ts.js', 'icon.svg', 'board.webmanifest'];

self.addEventListener('install', (e) => { e.waitUntil(caches.open(CACHE).then((c) => c.addAll(FILES)).then(() => self.skipWaiting())); });
self.addEventListener('activate', (e) => { e.waitUntil(self.clients.claim()); });
self.addEventListener('fetch', (e) => {
  const url = new URL(e.request.url);
  if (e.request.method !== 'GET' || url.origin !== location.origin || !url.href.startsWith(self.registration.scope)) return;
  e.respondWith((async () => {
    const cache = await caches.open(CACHE);
    try {
      const res = await fetch(e.request);
      if (res.ok) await cache.put(url.pathname, res.clone());
      return res;
    } catch {
      return (await cache.match(url.pathname)) ?? Response.error();
    }
  })());
});
