// Keeps pages for when there is no network, and keeps what is entered then. The server puts
// VERSION and FILES before this text (src/web/offline.rs).
"use strict";
const FILES_CACHE = "files-" + VERSION;
const PAGES_CACHE = "pages";
const STATE = "/kept/state";
// Pages that open without a network: those of who is signed in, as they were seen last.
const KEPT_PAGES = [/^\/$/, /^\/shelf$/, /^\/instruments\/[^/]+$/, /^\/check-in(\/[^/]+)?$/, /^\/collimations\/[^/]+$/,
  /^\/instruments\/[^/]+\/(star-test|collimation)$/, /^\/instruments\/[^/]+\/logbook(\/[^/]+)?$/, /^\/my-loans$/, /^\/pictures\/donut\.png$/];
// What is entered without a network and sent later, once.
const KEPT_FORMS = [/^\/check-in\/[^/]+$/, /^\/collimations\/[^/]+\/(ready|shade|side|look|mark|corners|tension|go|stage|back|end)$/,
  /^\/instruments\/[^/]+\/star-test\/(eye|frames)$/, /^\/instruments\/[^/]+\/logbook\/[^/]+$/, /^\/instruments\/[^/]+\/photos$/];
const has = (list, url) => list.some((one) => one.test(url.pathname));

// ---- the store of what is to be sent: an entry for each form, in order ----
function store() {
  return new Promise((done, failed) => {
    const open = indexedDB.open("tubewright", 1);
    open.onupgradeneeded = () => open.result.createObjectStore("unsent", { keyPath: "id", autoIncrement: true });
    open.onsuccess = () => done(open.result);
    open.onerror = () => failed(open.error);
  });
}
const onceOf = (entry) => (entry.fields.find(([name]) => name === "once") || [])[1];
// The same form kept before, by a page that was sending its files, makes way.
async function keep(entry) {
  const db = await store();
  const once = onceOf(entry);
  await new Promise((done, failed) => {
    const write = db.transaction("unsent", "readwrite");
    const kept = write.objectStore("unsent");
    kept.getAll().onsuccess = (found) => {
      for (const one of found.target.result) if (once && onceOf(one) === once) kept.delete(one.id);
      kept.add(entry);
    };
    write.oncomplete = done;
    write.onerror = () => failed(write.error);
  });
  db.close();
}

// ---- who is signed in, and which display is chosen; kept beside the pages ----
async function state() {
  const kept = await (await caches.open(PAGES_CACHE)).match(STATE);
  return kept ? kept.json() : { person: "", display: "" };
}
async function setState(change) {
  const now = { ...(await state()), ...change };
  await (await caches.open(PAGES_CACHE)).put(STATE, new Response(JSON.stringify(now)));
}
async function forget(person) {
  const { display } = await state();
  await caches.delete(PAGES_CACHE);
  await setState({ person, display });
}

self.addEventListener("install", (event) => {
  event.waitUntil((async () => {
    await (await caches.open(FILES_CACHE)).addAll(FILES);
    await self.skipWaiting();
  })());
});
self.addEventListener("activate", (event) => {
  event.waitUntil((async () => {
    for (const name of await caches.keys()) if (name.startsWith("files-") && name !== FILES_CACHE) await caches.delete(name);
    await self.clients.claim();
  })());
});
self.addEventListener("message", (event) => {
  if (typeof event.data?.display === "string") event.waitUntil(setState({ display: event.data.display }));
});

self.addEventListener("fetch", (event) => {
  const url = new URL(event.request.url);
  if (url.origin !== location.origin) return;
  if (event.request.method === "GET") {
    if (url.pathname.startsWith("/static/")) event.respondWith(fileOf(event.request));
    else if (event.request.mode === "navigate" || has(KEPT_PAGES, url)) event.respondWith(pageOf(event, url));
  } else if (event.request.method === "POST" && event.request.mode === "navigate") {
    if (url.pathname === "/sign-out") event.respondWith(signOut(event.request));
    else if (has(KEPT_FORMS, url)) event.respondWith(send(event.request, url));
  }
});

async function fileOf(request) {
  const kept = await caches.match(request, { cacheName: FILES_CACHE });
  return kept || fetch(request);
}

// The network first. A page seen is kept for its person; when another signs in, or nobody is
// signed in any more, the pages kept are forgotten.
async function pageOf(event, url) {
  let answer;
  try {
    answer = await fetch(event.request);
  } catch {
    return withoutNetwork(url);
  }
  if (answer.ok && has(KEPT_PAGES, url) && !answer.redirected) event.waitUntil(keepPage(url, answer.clone()));
  return answer;
}
async function keepPage(url, answer) {
  const pages = await caches.open(PAGES_CACHE);
  if (!(answer.headers.get("content-type") || "").startsWith("text/html")) return pages.put(url.pathname + url.search, answer);
  const text = await answer.text();
  const person = (text.match(/<meta name="person" content="([^"]*)">/) || [])[1] || "";
  if (person !== (await state()).person) await forget(person);
  if (!person) return undefined;
  const headers = { "content-type": "text/html; charset=utf-8", "content-security-policy": answer.headers.get("content-security-policy") || "", "x-kept": new Date().toISOString() };
  return (await caches.open(PAGES_CACHE)).put(url.pathname + url.search, new Response(text, { headers }));
}

const safe = (text) => text.replace(/[&<>"]/g, (c) => ({ "&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;" }[c]));
async function withoutNetwork(url) {
  const pages = await caches.open(PAGES_CACHE);
  const kept = (await pages.match(url.pathname + url.search)) || (await pages.match(url.pathname));
  if (!kept) return blank("No network", "This page was not opened on this phone before, so it is not kept here.", 503);
  if (!kept.headers.get("x-kept")) return kept;
  const { display } = await state();
  const when = new Date(kept.headers.get("x-kept")).toLocaleString("en-GB", { day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" });
  let text = await kept.text();
  // Each form anew its own, so that two entries from one kept page are two.
  text = text.replace(/name="once" value="[^"]*"/g, () => `name="once" value="${crypto.randomUUID()}"`);
  if (display) text = text.replace(/<html([^>]*) data-display="[^"]*"/, `<html$1 data-display="${safe(display)}"`);
  const note = `<p class="notice notice-offline" role="status">No network. This page is as it was on ${safe(when)}.</p>`;
  text = text.replace(/(<main[^>]*>)/, (_, main) => main + note);
  return new Response(text, { headers: kept.headers });
}
// A page of our own, in the chosen display.
async function blank(title, words, status, more = "") {
  const { display } = await state();
  const styles = FILES.filter((f) => /\/(palette|style|forms|parts)\.css/.test(f)).map((f) => `<link rel="stylesheet" href="${f}">`).join("");
  const script = ["pieces", "offline", "script"].map((name) => FILES.find((f) => f.includes("/" + name + ".js"))).map((f) => `<script src="${f}" defer></script>`).join("");
  return new Response(`<!DOCTYPE html><html lang="en-GB" data-display="${safe(display || "day")}"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1"><title>${safe(title)}</title>${styles}${script}</head><body><main class="page" id="main"><h1>${safe(title)}</h1><p>${safe(words)}</p><p><a class="key key-main" href="/shelf">Shelf</a>${more}</p></main></body></html>`,
    { status, headers: { "content-type": "text/html; charset=utf-8", "content-security-policy": "default-src 'none'; style-src 'self'; script-src 'self'; font-src 'self'; connect-src 'self'; form-action 'self'" } });
}

// A form: sent, or kept to be sent when there is a network. It carries its own mark ("once"),
// so that one that did arrive is not done twice.
async function send(request, url) {
  const copy = request.clone();
  try {
    return await fetch(request);
  } catch {
    const fields = [...(await copy.formData()).entries()];
    const { person } = await state();
    await keep({ path: url.pathname, fields, person, at: new Date().toISOString(), refused: "" });
    const back = request.referrer ? new URL(request.referrer).pathname : "/shelf";
    const inSession = url.pathname.startsWith("/collimations/");
    return blank("Kept on this phone", inSession
      ? "No network. What you entered is kept and sent when there is one. The next advice comes then."
      : "No network. What you entered is kept and sent once when there is one.", 200, ` <a class="key key-plain" href="${safe(back)}">Back</a>`);
  }
}
async function signOut(request) {
  const answer = await fetch(request);
  await forget("");
  return answer;
}
