// What is typed while there is no network stays on the phone, and goes in once there
// is one again. Everything else works without this file.
"use strict";
(() => {
  const place = "shedbook-later";
  const kept = () => { try { return JSON.parse(localStorage.getItem(place)) || [] } catch { return [] } };
  const keep = (list) => localStorage.setItem(place, JSON.stringify(list));
  const fresh = () => Array.from(crypto.getRandomValues(new Uint8Array(20)), (b) => b.toString(16).padStart(2, "0")).join("");
  const now = () => Date.now();

  // send posts a form; undefined where there is no network.
  const send = async (to, fields) => {
    const wait = new AbortController();
    const timer = setTimeout(() => wait.abort(), 20000);
    try {
      return await fetch(to, { method: "POST", body: new URLSearchParams(fields), credentials: "same-origin", signal: wait.signal });
    } catch {
      return undefined;
    } finally {
      clearTimeout(timer);
    }
  };

  // Of each that waits: to, fields, when it was typed, and wrong once it was refused.
  const tell = (note) => {
    const p = document.getElementById("waiting");
    if (!p) return;
    const list = kept(), refused = list.filter((x) => x.wrong);
    p.textContent = "";
    const say = (text) => { const s = document.createElement("span"); s.textContent = text + " "; p.append(s) };
    const button = (text, act) => {
      const b = document.createElement("button");
      b.type = "button";
      b.textContent = text;
      b.addEventListener("click", act);
      p.append(b, " ");
    };
    if (note) say(note);
    const waits = list.length - refused.length;
    if (waits) {
      say(waits === 1 ? "1 record waits on this phone for the network." : waits + " records wait on this phone for the network.");
      button("Send now", () => flush());
    }
    if (refused.length) {
      say(refused.length === 1 ? "1 record was not taken." : refused.length + " records were not taken.");
      button("Look at it", () => look(refused[0]));
    }
    p.hidden = !p.textContent;
  };

  const age = (x) => [...x.fields.filter(([name]) => name !== "age"), ["age", String(Math.max(0, Math.round((now() - x.typed) / 1000)))]];
  const ref = (x) => (x.fields.find(([name]) => name === "ref") || [])[1];
  const drop = (x) => keep(kept().filter((y) => ref(y) !== ref(x)));

  // flush sends what waits, one behind the other. A form that went in already is
  // known by its ref, and is not recorded twice.
  let busy = false;
  const flush = async () => {
    if (busy) return;
    busy = true;
    let sent = 0;
    for (const x of kept().filter((x) => !x.wrong)) {
      const answer = await send(x.to, age(x));
      if (!answer || answer.status >= 500 || answer.status === 401) break;
      if (answer.ok) {
        drop(x);
        sent++;
      } else {
        keep(kept().map((y) => (ref(y) === ref(x) ? { ...y, wrong: true } : y)));
      }
    }
    busy = false;
    tell(sent ? (sent === 1 ? "1 record went in." : sent + " records went in.") : "");
  };

  // look sends a form that was not taken once more, and shows what is said of it.
  const look = async (x) => {
    const answer = await send(x.to, age(x));
    if (!answer) return;
    if (answer.ok || answer.status === 422 || answer.status === 409) drop(x);
    await follow(answer);
  };

  const follow = async (answer) => {
    if (answer.redirected) {
      location.assign(answer.url);
      return;
    }
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    document.title = page.title;
    document.body.replaceWith(document.adoptNode(page.body));
    scrollTo(0, 0);
    ready(false);
  };

  const ready = (anew) => {
    for (const form of document.querySelectorAll("form[data-later]")) {
      const own = form.querySelector("input[name=ref]");
      if (anew && !document.querySelector("[role=alert]")) own.value = fresh(); // the page may be one that was kept
      form.addEventListener("submit", async (event) => {
        event.preventDefault();
        if (form.dataset.busy) return;
        form.dataset.busy = "1";
        const fields = [...new FormData(form, event.submitter).entries()];
        const answer = await send(form.action, fields);
        delete form.dataset.busy;
        if (answer && answer.status < 500) {
          await follow(answer);
          return;
        }
        const before = fields.find(([name]) => name === "age");
        keep([...kept(), { to: form.getAttribute("action"), fields, typed: now() - (before ? 1000 * before[1] : 0) }]);
        form.reset();
        own.value = fresh();
        tell("There is no network. What you typed is kept on this phone, and goes in by itself later.");
        scrollTo(0, 0);
      });
    }
    tell("");
  };

  addEventListener("pageshow", (event) => { if (event.persisted) ready(true) });
  addEventListener("online", flush);
  setInterval(() => { if (kept().some((x) => !x.wrong)) flush() }, 15000);
  ready(true);
  flush();
  if (isSecureContext && "serviceWorker" in navigator && navigator.serviceWorker) navigator.serviceWorker.register("/worker.js").catch(() => {});
})();
