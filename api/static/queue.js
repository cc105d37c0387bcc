// The entries of this device: written down at once, sent one after the other when there is signal, kept until the book has
// them. A refused one stays until somebody answers it: correct it and send it again, or drop it with a reason.
"use strict";
const HEARD_MS = 60 * 1000;
const FIRST_PAUSE_MS = 2000;
const LONGEST_PAUSE_MS = 2 * 60 * 1000;
const PATIENCE_MS = 30 * 1000;
const DROPPED_KEPT_MS = 30 * 24 * 3600 * 1000;
const SIGNED_IN = document.body.dataset.token !== undefined;
const PERSON = document.body.dataset.person;
const NOTICE = "BroadcastChannel" in self ? new BroadcastChannel("tallybench-queue") : null;

// --- the store: put down for good before anybody is told that it is --------------------------------------------------

let opened = null;

function store() {
  opened = opened || new Promise((done, fail) => {
    const asked = indexedDB.open("tallybench", 1);
    asked.onupgradeneeded = () => {
      const entries = asked.result.createObjectStore("entries", { keyPath: "place", autoIncrement: true });
      entries.createIndex("id", "id", { unique: true });
    };
    asked.onsuccess = () => done(asked.result);
    asked.onerror = () => fail(asked.error);
  });
  return opened;
}

async function inStore(mode, act) {
  const base = await store();
  return new Promise((done, fail) => {
    const turn = base.transaction("entries", mode, { durability: "strict" });
    const asked = act(turn.objectStore("entries"));
    turn.oncomplete = () => done(asked.result);
    turn.onabort = () => fail(turn.error);
  });
}

const all = () => inStore("readonly", (entries) => entries.getAll());
const put = (entry) => inStore("readwrite", (entries) => entries.put(entry));
const remove = (entry) => inStore("readwrite", (entries) => entries.delete(entry.place));

function newId() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = (bytes[6] & 0x0f) | 0x40;
  bytes[8] = (bytes[8] & 0x3f) | 0x80;
  const hex = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  return [hex.slice(0, 8), hex.slice(8, 12), hex.slice(12, 16), hex.slice(16, 20), hex.slice(20)].join("-");
}

// --- sending ---------------------------------------------------------------------------------------------------------

let token = null; // of the session as it is now: the page's own may be of an earlier one
let trouble = ""; // why nothing is sent just now
let pause = FIRST_PAUSE_MS;
let waiting = null; // the timer of the next attempt
let sending = null;
let again = false;

async function call(path, body) {
  const patience = new AbortController();
  const timer = setTimeout(() => patience.abort(), PATIENCE_MS);
  const asked = { redirect: "error", cache: "no-store", credentials: "same-origin", signal: patience.signal };
  if (body !== undefined) {
    Object.assign(asked, { method: "POST", body: JSON.stringify(body) });
    asked.headers = { "Content-Type": "application/json", "X-Token": token };
  }
  try {
    const response = await fetch(path, asked);
    const json = /json/.test(response.headers.get("Content-Type") || "");
    return { status: response.status, said: json ? await response.json() : null };
  } finally {
    clearTimeout(timer);
  }
}

async function hands() {
  const { status, said } = await call("/queue/hands");
  if (status === 200 && said && said.token) token = said.token;
  return status;
}

// What came of an attempt: sent, refused, or why it has to wait.
async function attempt(entry, second = false) {
  if (navigator.onLine === false) return { wait: "no-signal" };
  if (token === null) {
    const status = await hands();
    if (token === null) return { wait: waitingFor(status) };
  }
  if (!entry.tried) await put({ ...entry, tried: true });
  const { status, said } = await call("/queue", {
    id: entry.id, kind: entry.kind, occurred_at: entry.occurred_at, person: entry.person, fields: entry.fields,
  });
  if (status === 201 && said && said.id === entry.id) return { sent: said };
  if (status === 403 && !second) { // the session is another one since
    token = null;
    return attempt(entry, true);
  }
  const refused = status >= 400 && status < 500 && ![401, 403, 408, 425, 429].includes(status) && said && said.code;
  if (!refused) return { wait: waitingFor(status) };
  return { problems: said.problems && said.problems.length ? said.problems : [{ code: said.code, detail: said.detail }] };
}

function waitingFor(status) {
  if (status === 401) return "sign-in";
  return status === 403 ? "not-allowed" : status >= 500 ? "fault" : "no-signal";
}

// One tab at a time, and in it one entry at a time, in the order in which they were written down.
function flush() {
  if (!SIGNED_IN) return Promise.resolve();
  if (sending) {
    again = true;
    return sending;
  }
  clearTimeout(waiting);
  const work = () => sendAll().catch(() => { trouble = "no-signal"; });
  sending = (navigator.locks ? navigator.locks.request("tallybench-queue", work) : work()).then(() => {
    sending = null;
    if (trouble) {
      waiting = setTimeout(flush, pause * (0.75 + Math.random() / 2));
      pause = Math.min(pause * 2, LONGEST_PAUSE_MS);
    } else if (again) {
      again = false;
      return flush();
    }
    again = false;
    return heard();
  });
  return sending;
}

async function sendAll() {
  for (;;) {
    const entry = (await all()).find((each) => each.state === "waiting");
    if (!entry) break;
    let found;
    try {
      found = await attempt(entry);
    } catch {
      found = { wait: "no-signal" };
    }
    if (found.wait) {
      trouble = found.wait;
      await changed();
      return;
    }
    trouble = "";
    pause = FIRST_PAUSE_MS;
    if (found.sent) await remove(entry);
    else await put({ ...entry, state: "refused", problems: found.problems });
    await changed({ id: entry.id, sent: found.sent });
  }
  trouble = "";
  await changed();
}

// The server is told that this device is there, and how much it has not got from it.
async function heard() {
  const entries = (await all()).filter((each) => each.state !== "dropped");
  try {
    if (token === null && await hands() !== 200) return;
    const { status } = await call("/queue/heard", { waiting: entries.length });
    if (status === 403) token = null;
  } catch {
    // it is told with the next one
  }
}

// --- what is shown on every page ---------------------------------------------------------------------------------------

const outcomes = new Map(); // what the book said to entries that were taken on this page

async function changed(news) {
  if (NOTICE) NOTICE.postMessage({ ...news, trouble });
  await show(news);
}

async function show(news) {
  if (news && news.sent) outcomes.set(news.id, news.sent);
  const entries = await all();
  const open = entries.filter((entry) => entry.state === "waiting").length;
  const refused = entries.filter((entry) => entry.state === "refused").length;
  const words = [...(refused ? [`! ${refused} refused`] : []), ...(open ? [`${open} not sent yet`] : [])];
  const badge = document.getElementById("waiting");
  if (badge) {
    badge.textContent = words.join(", ");
    badge.hidden = words.length === 0;
  }
  const note = document.getElementById("waits");
  if (note) {
    note.textContent = `${open + refused} entries on this device are not in the book yet. They are kept, and sent once it is signed in.`;
    note.hidden = open + refused === 0;
  }
  for (const box of document.querySelectorAll("[data-taken]")) {
    const entry = entries.find((each) => each.id === box.dataset.taken);
    box.replaceChildren(...outcome(box.dataset.taken, entry, open));
  }
  const list = document.getElementById("queue");
  if (list && !list.querySelector("form")) list.replaceChildren(...listed(entries));
}

function made(name, given = {}, ...inside) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(given)) {
    if (key === "click" || key === "submit") element.addEventListener(key, value);
    else if (value === true) element.setAttribute(key, "");
    else if (value !== false && value !== undefined) element.setAttribute(key, value);
  }
  element.append(...inside);
  return element;
}

const link = (path, text, quiet = true) => made("a", { class: quiet ? "button quiet" : "button", href: path }, text);
const clock = (text) => new Date(text).toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit" });
const day = (text) => new Date(text).toLocaleDateString("en-GB", { weekday: "short", day: "numeric", month: "short" });

const WHY_NOT = {
  "sign-in": "This device has to be signed in again: what is written down is kept and sent after that.",
  "not-allowed": "The key of this device may not write any more. What is written down is kept: ask for another key.",
  fault: "The server does not answer as it should. It is tried again by itself.",
  "no-signal": "No signal. It is sent by itself when there is one.",
};

function whyNot() {
  const box = made("p", { class: trouble === "no-signal" ? "small" : "warn" }, WHY_NOT[trouble] || "");
  if (trouble === "sign-in") box.append(" ", link(`/sign-in?next=/queue`, "Sign in", false));
  return trouble ? [box] : [];
}

// What became of an entry that was taken on this page.
function outcome(id, entry, open) {
  const sent = outcomes.get(id);
  if (sent) {
    const lines = [made("p", {}, `✓ In the book: ${sent.said}.${sent.counted ? ` ${sent.counted}` : ""}`)];
    if (sent.count_first) lines.push(made("p", {}, "What the book lacked was counted first."));
    const changes = sent.changes.map((each) =>
      made("li", {}, `${each.batch}, ${each.what}: was `, made("b", {}, String(each.before)), ", now ", made("b", {}, String(each.after))));
    if (changes.length) lines.push(made("ul", { class: "changes" }, ...changes));
    if (sent.undo_until) lines.push(link(`/undo/${sent.id}`, `↶ Undo (until ${clock(sent.undo_until)})`));
    if (sent.batch) lines.push(link(`/batch/${encodeURIComponent(sent.batch)}`, `To ${sent.batch}`));
    return lines;
  }
  if (!entry) return [made("p", {}, "✓ In the book.")];
  if (entry.state === "refused") return refusal(entry);
  if (entry.state === "dropped") return [made("p", {}, "Dropped: it will not be sent.")];
  return [made("p", {}, made("b", {}, `${open} not sent yet.`)), ...whyNot()];
}

// --- the queue's own page, and how a refusal is answered ----------------------------------------------------------------

function about(entry) {
  const parts = entry.shown.parts.filter((part) => part.text).map((part) => `${part.label}: ${part.text}`);
  return [
    made("p", {}, made("b", {}, `${entry.shown.title}`), entry.shown.about ? ` · ${entry.shown.about}` : ""),
    made("p", { class: "small" }, `${day(entry.occurred_at)}, ${clock(entry.occurred_at)} · ${entry.person} · ${parts.join("; ")}`),
  ];
}

function listed(entries) {
  const refused = entries.filter((entry) => entry.state === "refused");
  const open = entries.filter((entry) => entry.state === "waiting");
  const dropped = entries.filter((entry) => entry.state === "dropped");
  const card = (entry, ...inside) => made("li", { class: "card" }, ...about(entry), ...inside);
  const found = [];
  if (!refused.length && !open.length) found.push(made("p", { class: "note" }, "✓ Everything that was written down here is in the book."));
  if (refused.length) {
    found.push(made("h2", {}, `! ${refused.length} refused: they need an answer`));
    found.push(made("ul", { class: "cards" }, ...refused.map((entry) => card(entry, ...refusal(entry)))));
  }
  if (open.length) {
    found.push(made("h2", {}, `${open.length} not sent yet`), ...whyNot(), made("button", { type: "button", click: flush }, "Send now"));
    found.push(made("ol", { class: "cards" }, ...open.map((entry) => card(entry, drop(entry)))));
  }
  if (dropped.length) {
    found.push(made("h2", {}, "Dropped"));
    found.push(made("ul", { class: "cards" }, ...dropped.map((entry) => card(entry, made("p", {}, `Dropped: ${entry.reason}`)))));
  }
  return found;
}

function refusal(entry) {
  const codes = entry.problems.map((problem) => problem.code);
  const box = made("div", { class: "alarm", role: "alert" }, made("p", {}, made("b", {}, "! The book did not take it.")));
  box.append(...entry.problems.map((problem) => made("p", {}, problem.detail)));
  const doubted = entry.problems.find((problem) => problem.code === "unlikely");
  const button = (text, act) => made("button", { type: "button", click: act }, text);
  if (doubted) box.append(button("It is right: send it", () => resend(entry, { confirmed: String(doubted.data.number) })));
  if (entry.problems.some((problem) => (problem.offer || []).length)) {
    box.append(button("They are there: count first, then send it", () => resend(entry, { count_first: "1" })));
  }
  if (!doubted) box.append(button("Send it again", () => resend(entry, {}, codes.includes("id-reused"))));
  const correct = made("button", { type: "button", class: "quiet" }, "Correct it");
  correct.addEventListener("click", () => correct.replaceWith(correction(entry, codes)));
  box.append(correct);
  return [box, drop(entry)];
}

// The fields as they were filled in, to fill in otherwise; where no signal is, too.
function correction(entry, codes) {
  const form = made("form", { class: "correct" });
  for (const part of entry.shown.parts) {
    const name = `c-${entry.place}-${part.name}`;
    const field = part.options
      ? made("select", { id: name, name: part.name }, ...part.options.map(([value, text]) =>
        made("option", { value, selected: value === part.value }, text)))
      : made("input", { id: name, name: part.name, value: part.value, inputmode: part.digits ? "numeric" : "text", autocomplete: "off" });
    form.append(made("label", { for: name }, part.label), field);
  }
  form.append(made("button", {}, "Send it as it is now"));
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const parts = entry.shown.parts.map((part) => filled(part, form.elements[part.name].value));
    const fields = { ...entry.fields };
    for (const part of parts) fields[part.name] = part.value;
    delete fields.confirmed;
    delete fields.count_first;
    form.remove();
    await resend({ ...entry, fields, shown: { ...entry.shown, parts } }, {}, codes.includes("id-reused"));
  });
  return form;
}

function filled(part, value) {
  const chosen = part.options ? part.options.find(([each]) => each === value) : null;
  return { ...part, value, text: chosen ? (value ? chosen[1] : "") : value };
}

// A refused entry was never written, so it keeps its id; unless that id is another entry's.
async function resend(entry, more, renamed = false) {
  await put({ ...entry, id: renamed ? newId() : entry.id, fields: { ...entry.fields, ...more }, state: "waiting", problems: [] });
  await changed();
  await flush();
}

const MAY_BE_THERE = "It was on its way when the signal went, so it may be in the book already: look at the card afterwards.";

function drop(entry) {
  const name = `d-${entry.place}`;
  const why = made("input", { id: name, name: "reason", required: true, maxlength: "200", autocomplete: "off" });
  const form = made("form", {}, made("label", { for: name }, "Why it is dropped"), why,
    ...(entry.state === "waiting" && entry.tried ? [made("p", { class: "warn" }, MAY_BE_THERE)] : []), made("button", { class: "quiet" }, "Drop it"));
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const reason = why.value.trim();
    if (!reason) return;
    form.remove();
    await alone(() => dropped(entry, reason));
    await changed();
    await heard();
  });
  const box = made("button", { type: "button", class: "quiet" }, "Drop it…");
  box.addEventListener("click", () => {
    box.replaceWith(form);
    why.focus();
  });
  return box;
}

// Not while it is being sent: it would be in the book, and said to be dropped.
async function dropped(entry, reason) {
  const now = (await all()).find((each) => each.place === entry.place);
  if (now) await put({ ...now, state: "dropped", reason, dropped_at: new Date().toISOString() });
}

const alone = (act) => (navigator.locks ? navigator.locks.request("tallybench-queue", act) : act());

// --- taking an entry from a form ------------------------------------------------------------------------------------------

const idOf = new WeakMap(); // two taps on one form are one entry

// What is missing, in words; the rest is for the book to judge.
function missing(form) {
  const tally = form.querySelector("[data-tally]");
  const given = (field) => field && field.value.trim() !== "";
  if (tally && form.dataset.kind !== "grade") {
    const name = tally.dataset.tally;
    if (!given(form.elements[name]) && !given(form.elements[`${name}.trays`])) return [form.elements[name], "Say how many."];
  }
  for (const select of form.querySelectorAll("select")) {
    if (!select.value) return [select, `${labelOf(select)}: choose one.`];
  }
  for (const radio of form.querySelectorAll("input[type=radio]")) {
    const other = form.elements[`${radio.name}.other`];
    if (!form.querySelector(`input[name="${radio.name}"]:checked`) && !given(other)) return [radio, `${groupOf(radio)}: choose one.`];
  }
  return null;
}

function groupOf(field) {
  const legend = field.closest("fieldset") && field.closest("fieldset").querySelector("legend");
  return legend ? legend.textContent.trim() : "";
}

function labelOf(field) {
  const label = field.labels && field.labels[0] ? field.labels[0].textContent.trim() : field.name;
  const group = field.closest(".tally") ? groupOf(field) : "";
  return group ? `${group} (${label.toLowerCase()})` : label;
}

// Every field that was there to be filled in, with what it was called and could have been.
function partsOf(form) {
  const parts = new Map();
  for (const field of form.elements) {
    if (!field.name || parts.has(field.name) || ["hidden", "submit", "button", "fieldset"].includes(field.type)) continue;
    if (field.type === "radio") {
      const all = [...form.querySelectorAll(`input[name="${field.name}"]`)];
      const options = [["", "–"], ...all.map((each) => [each.value, each.labels[0].textContent.trim()])];
      const chosen = all.find((each) => each.checked);
      parts.set(field.name, filled({ name: field.name, label: groupOf(field), options }, chosen ? chosen.value : ""));
    } else if (field.type === "checkbox") {
      const part = { name: field.name, label: labelOf(field), options: [["", "No"], [field.value, "Yes"]] };
      parts.set(field.name, filled(part, field.checked ? field.value : ""));
    } else if (field.options) {
      const options = [...field.options].map((option) => [option.value, option.text]);
      parts.set(field.name, filled({ name: field.name, label: labelOf(field), options }, field.value));
    } else {
      const digits = field.inputMode === "numeric";
      parts.set(field.name, filled({ name: field.name, label: labelOf(field), digits }, field.value.trim()));
    }
  }
  return [...parts.values()];
}

function entryOf(form, button) {
  if (!idOf.has(form)) idOf.set(form, newId());
  const fields = {};
  for (const [name, value] of new FormData(form)) {
    if (!["id", "token"].includes(name) && typeof value === "string") fields[name] = value.trim();
  }
  if (button && button.name) fields[button.name] = button.value;
  const line = document.querySelector("main .about");
  const title = document.querySelector("h1").textContent.trim();
  return {
    id: idOf.get(form),
    kind: form.dataset.kind || form.action.split("/").pop(),
    occurred_at: new Date().toISOString(),
    person: PERSON,
    fields,
    shown: { title, about: line ? line.textContent.replace(/\s+/g, " ").trim() : "", parts: partsOf(form) },
    state: "waiting",
    problems: [],
  };
}

// Acts that take their number away from where the plants stand: what will stand there can be said before it is sent.
const TAKING = ["lose", "move", "pick", "put-back", "give-out", "set-back", "pot-up"];

function foreseen(form) {
  const tally = form.querySelector("[data-tally][data-there]");
  if (!tally || !TAKING.includes(form.dataset.kind)) return [];
  const value = (end) => Number((form.elements[tally.dataset.tally + end] || { value: "" }).value.replace(/[\s,]/g, "")) || 0;
  const units = value(".trays") ? value(".trays") * value(".cells") - value(".gaps") + value("") : value("");
  const there = Number(tally.dataset.there);
  return [made("p", { class: "changes" }, "Was ", made("b", {}, String(there)), ", now ", made("b", {}, String(there - units)))];
}

async function take(form, button) {
  const entry = entryOf(form, button);
  const before = foreseen(form);
  try {
    await put(entry);
  } catch (error) {
    if (error && error.name === "ConstraintError") return; // the second tap
    const more = button && button.name ? [made("input", { type: "hidden", name: button.name, value: button.value })] : [];
    form.append(...more);
    form.submit(); // nothing can be kept here: it is sent as a plain form
    return;
  }
  shown(entry, before);
  await changed();
  await flush();
}

function shown(entry, before) {
  const heading = made("h1", { tabindex: "-1" }, "✓ Written down");
  const said = entry.shown.parts.filter((part) => part.text).map((part) => `${part.label}: ${part.text}`).join("; ");
  const box = made("div", { class: "note", role: "status" }, made("p", {}, made("b", {}, entry.shown.title), ` · ${entry.shown.about}`));
  box.append(made("p", { class: "small" }, said), ...before, made("div", { "data-taken": entry.id }));
  const next = made("div", { class: "acts" });
  if (entry.fields.batch) next.append(link(`/batch/${encodeURIComponent(entry.fields.batch)}`, `Back to ${entry.fields.batch}`, false));
  if (entry.fields.stock) next.append(link(`/stock/${encodeURIComponent(entry.fields.stock)}`, `Back to ${entry.fields.stock}`, false));
  next.append(link("/tag", "Next tag"), link("/queue", "Not sent yet"));
  document.getElementById("main").replaceChildren(heading, box, next);
  heading.focus();
  scrollTo(0, 0);
}

document.addEventListener("submit", (event) => {
  const form = event.target;
  if (!SIGNED_IN || !PERSON || !form.matches("form[data-entry]") || event.defaultPrevented) return;
  const button = event.submitter;
  if (button && button.name === "step") return;
  event.preventDefault();
  const fault = missing(form);
  const told = document.getElementById("missing") || made("p", { id: "missing", class: "alarm", role: "alert" });
  told.remove();
  if (fault) {
    told.textContent = fault[1];
    (fault[0].closest("fieldset") || fault[0]).before(told);
    fault[0].focus();
    return;
  }
  take(form, button);
});

// --- beginning ---------------------------------------------------------------------------------------------------------

if (NOTICE) {
  NOTICE.addEventListener("message", (event) => {
    trouble = event.data.trouble;
    show(event.data);
  });
}
addEventListener("online", () => { pause = FIRST_PAUSE_MS; flush(); });
addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
document.addEventListener("visibilitychange", () => { if (document.visibilityState === "visible") flush(); });

async function keepPages() {
  if (!("serviceWorker" in navigator)) return;
  if (!SIGNED_IN) {
    const there = await navigator.serviceWorker.getRegistration("/");
    if (there && there.active) there.active.postMessage({ forget: true });
    return;
  }
  const worker = (await navigator.serviceWorker.register("/sw.js").then(() => navigator.serviceWorker.ready)).active;
  const acts = [...document.querySelectorAll('main a[href^="/act/"]')].map((each) => each.getAttribute("href"));
  worker.postMessage({ keep: [location.pathname + location.search, "/tag", "/queue", ...acts] });
}

async function forgetDropped() {
  const old = (await all()).filter((entry) => entry.state === "dropped" && Date.now() - Date.parse(entry.dropped_at) > DROPPED_KEPT_MS);
  await Promise.all(old.map(remove));
}

if (SIGNED_IN || document.getElementById("waits")) {
  show().then(flush).then(forgetDropped).catch(() => {}); // no store: forms are sent as plain ones
  keepPages().catch(() => {});
}
if (SIGNED_IN) {
  setInterval(() => { if (!sending) heard(); }, HEARD_MS);
  if (navigator.storage && navigator.storage.persist) navigator.storage.persist().catch(() => {});
}
