// What this device keeps of our pages for where there is no signal: the shell, the tag page, the queue, and the batch cards
// and forms last seen. The network comes first; a kept page says of when it is. Nothing that is posted is kept, and when
// the device changes hands or is signed out, all pages are forgotten. The queue of entries itself is not this file's.
"use strict";
const SHELL = "shell-1";
const PAGES = "pages-1";
const ASSETS = ["pages.css", "queue.js", "acts.js", "scan.js", "icon.svg", "icon-192.png", "manifest.json"];
const KEPT = /^\/(tag|queue|(batch|stock|act)\/[^/]+)$/;
const MOST_PAGES = 400;
const PATIENCE_MS = 4000;
const FRESH_MS = 10 * 60 * 1000;
const POLICY = "default-src 'none'; style-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'";
const BANNER_BEFORE = '<main id="main">';
let hands = 0; // counts changes of hands: what was asked for before one is not kept after it

self.addEventListener("install", (event) => {
  const all = caches.open(SHELL).then((shell) => Promise.all(ASSETS.map((name) => shell.add(`/static/${name}`).catch(() => 0))));
  event.waitUntil(all.then(() => self.skipWaiting()));
});

self.addEventListener("activate", (event) => {
  const old = caches.keys().then((names) => names.filter((name) => name !== SHELL && name !== PAGES));
  event.waitUntil(old.then((names) => Promise.all(names.map((name) => caches.delete(name)))).then(() => self.clients.claim()));
});

self.addEventListener("message", (event) => {
  if (event.data.forget) event.waitUntil(forget());
  if (event.data.keep) event.waitUntil(keepAll(event.data.keep));
});

self.addEventListener("fetch", (event) => {
  const request = event.request;
  const url = new URL(request.url);
  if (url.origin !== self.location.origin) return;
  if (request.method === "POST" && (url.pathname === "/who" || url.pathname === "/sign-out")) {
    event.respondWith(otherHands(request, url));
  } else if (request.method === "GET" && url.pathname.startsWith("/static/")) {
    event.respondWith(asset(request));
  } else if (request.method === "GET" && request.mode === "navigate") {
    event.respondWith(navigated(event, url));
  }
});

async function otherHands(request, url) {
  await forget();
  try {
    return await fetch(request);
  } catch {
    return noSignal(url);
  } finally {
    await forget();
  }
}

async function forget() {
  hands += 1;
  await caches.delete(PAGES);
}

function inTime(promise, ms) {
  return Promise.race([promise, new Promise((_, fail) => setTimeout(() => fail(new Error("no answer in time")), ms))]);
}

async function asset(request) {
  const shell = await caches.open(SHELL);
  const asked = fetch(request).then(async (response) => {
    if (response.ok) await shell.put(request, response.clone());
    return response;
  });
  const kept = await shell.match(request);
  if (!kept) return asked;
  return inTime(asked, PATIENCE_MS).catch(() => kept);
}

async function navigated(event, url) {
  const before = hands;
  const kept = await copyOf(url);
  try {
    const response = await (kept ? inTime(fetch(event.request), PATIENCE_MS) : fetch(event.request));
    if (kept && response.status >= 502) return kept();
    if (response.ok && url.pathname === "/sign-in") event.waitUntil(forget());
    else event.waitUntil(keep(url, response.clone(), before));
    return response;
  } catch {
    return kept ? kept() : noSignal(url);
  }
}

async function keep(url, response, before) {
  const html = (response.headers.get("Content-Type") || "").startsWith("text/html");
  if (!response.ok || response.redirected || !html || !KEPT.test(url.pathname)) return "";
  const body = await response.text();
  if (hands !== before) return "";
  const headers = new Headers(response.headers);
  headers.delete("Content-Encoding");
  headers.set("X-Kept-At", String(Date.now()));
  const pages = await caches.open(PAGES);
  await pages.put(url.pathname + url.search, new Response(body, { headers }));
  const all = await pages.keys();
  await Promise.all(all.slice(0, Math.max(0, all.length - MOST_PAGES)).map((old) => pages.delete(old)));
  return body;
}

// Pages that will be wanted where there is no signal, one after the other; a choice of places leads on to its forms.
async function keepAll(paths) {
  const before = hands;
  const wanted = [...new Set(paths)];
  for (let place = 0; place < wanted.length && place < 60 && hands === before; place += 1) {
    const url = new URL(wanted[place], self.location.origin);
    const kept = await (await caches.open(PAGES)).match(url.pathname + url.search);
    if (!KEPT.test(url.pathname) || (kept && Date.now() - keptAt(kept) < FRESH_MS)) continue;
    try {
      const body = await keep(url, await fetch(url, { credentials: "same-origin" }), before);
      if (!url.pathname.startsWith("/act/")) continue;
      for (const [, found] of body.matchAll(/href="(\/act\/[^"]+)"/g)) {
        const path = found.replaceAll("&amp;", "&");
        if (!wanted.includes(path)) wanted.push(path);
      }
    } catch {
      return;
    }
  }
}

function keptAt(response) {
  return Number(response.headers.get("X-Kept-At"));
}

// A function that makes the kept copy of a page, or null where there is none.
async function copyOf(url) {
  const pages = await caches.open(PAGES);
  const found = await pages.match(url.pathname + url.search);
  if (found) return () => bannered(found);
  const number = url.pathname.startsWith("/t/") ? url.pathname.slice(3) : url.pathname === "/tag" ? url.searchParams.get("number") : "";
  if (number) {
    const card = await cardOf(pages, number);
    if (card) return () => Response.redirect(card, 303);
  }
  const bare = url.pathname === "/tag" || url.pathname === "/queue" ? await pages.match(url.pathname) : undefined;
  return bare ? () => bannered(bare, number ? ` The card of ${number} was not kept on this device.` : "") : null;
}

// The kept card of a number as somebody keys it in: case and hyphens do not matter, and the year may be left out.
async function cardOf(pages, text) {
  const tight = (word) => decodeURIComponent(word.slice(word.lastIndexOf("/") + 1)).toUpperCase().replace(/[^0-9A-Z]/g, "");
  const wanted = tight(text);
  const paths = (await pages.keys()).map((request) => new URL(request.url).pathname).filter((path) => path.startsWith("/batch/"));
  const same = (path) => tight(path) === wanted || tight(path).slice(3) === wanted || tight(path).slice(2) === wanted;
  return wanted ? paths.reverse().find(same) : undefined;
}

function escaped(text) {
  return text.replace(/[&<>"']/g, (sign) => `&#${sign.charCodeAt(0)};`);
}

function when(ms) {
  const at = new Date(ms);
  const time = `${String(at.getHours()).padStart(2, "0")}:${String(at.getMinutes()).padStart(2, "0")}`;
  return at.toDateString() === new Date().toDateString() ? time : `${time} on ${at.toLocaleDateString("en-GB")}`;
}

async function bannered(kept, more = "") {
  const banner = `<p class="warn" role="status" id="no-signal"><b>As of ${when(keptAt(kept))}, no signal.</b>${escaped(more)}</p>`;
  const body = (await kept.text()).replace(BANNER_BEFORE, `${BANNER_BEFORE}\n${banner}`);
  return new Response(body, { headers: kept.headers });
}

function noSignal(url) {
  const body = `<!doctype html><html lang="en"><head><meta charset="utf-8"><title>No signal · Tallybench</title>
<meta name="viewport" content="width=device-width, initial-scale=1"><link rel="stylesheet" href="/static/pages.css"></head>
<body>${BANNER_BEFORE}<h1>No signal</h1><p class="warn" role="status">This page was not kept on this device, so it has to wait
until there is signal. What you wrote down is kept.</p><p><a class="button" href="/tag">Tag</a> <a class="button quiet"
href="/queue">Not sent yet</a> <a class="button quiet" href="${escaped(url.pathname + url.search)}">Try again</a></p></main></body></html>`;
  return new Response(body, { status: 503, headers: { "Content-Type": "text/html; charset=utf-8", "Content-Security-Policy": POLICY } });
}
