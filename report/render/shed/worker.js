// Keeps the fleet and the forms for a start without a network. It runs only where
// the page is encrypted, or at this computer.
"use strict";
const shelf = "shedbook-1";
const forms = ["run", "overheat", "topup", "clean", "level", "refill", "bleed", "service"].map((k) => "/record/" + k);
const always = ["/", "/shed.css", "/shed.js", ...forms];

const put = async (path, answer) => {
  if (answer.ok && !answer.redirected) await (await caches.open(shelf)).put(path, answer);
};
const fill = () => Promise.all(always.map((path) => fetch(path, { credentials: "same-origin" }).then((a) => put(path, a)).catch(() => {})));

addEventListener("install", (event) => event.waitUntil(fill().then(() => skipWaiting())));
addEventListener("activate", (event) => event.waitUntil(clients.claim()));

addEventListener("fetch", (event) => {
  const at = new URL(event.request.url);
  if (event.request.method !== "GET" || at.origin !== location.origin) return;
  const kept = at.pathname.startsWith("/record/") || at.pathname.startsWith("/m/") || always.includes(at.pathname);
  if (!kept) return;
  const key = at.pathname + at.search;
  event.respondWith((async () => {
    try {
      const answer = await fetch(event.request);
      if (answer.redirected && new URL(answer.url).pathname === "/pair" || answer.type === "opaqueredirect") {
        await caches.delete(shelf); // this phone may not come in any more
      } else {
        event.waitUntil(put(key, answer.clone()));
        if (at.pathname === "/") event.waitUntil(fill());
      }
      return answer;
    } catch (gone) {
      const store = await caches.open(shelf);
      const page = (await store.match(key)) || (await store.match(at.pathname));
      if (page) return page;
      throw gone;
    }
  })());
});
