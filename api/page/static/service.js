// Asks the service, with the access key of this tab if one is needed, and tells what went wrong in its own words.

import { h, place } from "./dom.js";

const KEY = "shotwright-access-key";
const AGAIN_MS = [500, 1000, 2000, 4000];

export class Trouble extends Error {
  constructor(words, status, errors = []) { super(words); this.status = status; this.errors = errors; }
  get passes() { return [0, 429, 500, 502, 503, 504].includes(this.status); }
}

function withKey(headers = {}) {
  const key = sessionStorage.getItem(KEY);
  return { Accept: "application/json", ...(key ? { Authorization: `Bearer ${key}` } : {}), ...headers };
}

async function reach(path, options) {
  try {
    return await fetch(path, { ...options, headers: withKey(options.headers) });
  } catch (problem) {
    if (problem.name === "AbortError") throw problem;
    throw new Trouble("The service does not answer. It is asked again by itself; check that it runs.", 0);
  }
}

async function refused(answer) {
  const body = await answer.json().catch(() => ({}));
  const errors = body.errors ?? [];
  const fields = errors.map((e) => `${e.pointer ?? ""}: ${e.detail}`).join("; ");
  return new Trouble([body.title, body.detail, fields].filter(Boolean).join(". ") || `HTTP ${answer.status}`, answer.status, errors);
}

export async function askText(path, options = {}) {
  const answer = await reach(path, options);
  if (answer.ok) return answer.text();
  throw await refused(answer);
}

export async function askBlob(path, options) {
  const answer = await reach(path, options);
  if (answer.ok) return answer.blob();
  throw await refused(answer);
}

export async function ask(path, options = {}) { return JSON.parse((await askText(path, options)) || "null"); }

export function post(path, body, options = {}) {
  return ask(path, { ...options, method: "POST", body: JSON.stringify(body), headers: { "Content-Type": "application/json", ...(options.headers ?? {}) } });
}

// A form for the key, when the service asks for one; the key stays in this tab.
function keyForm(again) {
  return h("form", { onsubmit: (event) => { event.preventDefault(); sessionStorage.setItem(KEY, new FormData(event.target).get("key")); again(); } },
    h("label", {}, "Access key ", h("input", { name: "key", type: "password", autocomplete: "off", required: true })), " ",
    h("button", {}, "Use it in this tab"));
}

export function show(problem, again, where = place("trouble")) {
  where.hidden = false;
  where.replaceChildren(h("p", {}, problem.message));
  if (problem.status === 401) where.append(keyForm(() => { clear(where); again(); }));
  else if (again && !problem.passes) where.append(h("button", { type: "button", onclick: () => { clear(where); again(); } }, "Try again"));
}
export function clear(where = place("trouble")) { where.hidden = true; where.replaceChildren(); }

export function tellConnection(lost) {
  place("connection").hidden = !lost;
  place("connection").textContent = lost ? "The connection to the service is lost; what is shown is the last that is known. It is tried again by itself." : "";
}

// Does `work` until it has once come through; what passes by itself is shown and tried again.
export async function persist(work) {
  for (let turn = 0; ; turn += 1) {
    try {
      const found = await work();
      clear();
      tellConnection(false);
      return found;
    } catch (problem) {
      show(problem, () => persist(work));
      if (!(problem instanceof Trouble) || !problem.passes) { tellConnection(false); if (!(problem instanceof Trouble)) console.error(problem); return null; }
      tellConnection(problem.status === 0);
      await pause(AGAIN_MS[Math.min(turn, AGAIN_MS.length - 1)]);
    }
  }
}

export const pause = (ms) => new Promise((done) => { setTimeout(done, ms); });

// Follows the events of a job until it ends: `heard(kind, data)` for each. A lost connection is told, and taken up where it
// broke; `back()` then reads what no event has told.
export async function follow(path, heard, back) {
  let last = "", lost = false;
  for (let turn = 0; ; turn += 1) {
    try {
      const answer = await reach(path, { headers: { Accept: "text/event-stream", ...(last ? { "Last-Event-ID": last } : {}) } });
      if (!answer.ok) throw await refused(answer);
      tellConnection(false);
      if (lost) await back();
      lost = false;
      for await (const event of eventsOf(answer.body)) {
        turn = 0;
        last = event.id || last;
        if (event.data) await heard(event.event, JSON.parse(event.data));
        if (event.event === "end") return;
      }
    } catch (problem) {
      if (!(problem instanceof Trouble)) throw problem;
      if (!problem.passes) { show(problem, () => follow(path, heard, back)); return; }
      lost = true;
      tellConnection(true);
    }
    await pause(AGAIN_MS[Math.min(turn, AGAIN_MS.length - 1)]);
  }
}

async function* eventsOf(body) {
  const reader = body.pipeThrough(new TextDecoderStream()).getReader();
  let text = "";
  for (;;) {
    const { value, done } = await reader.read().catch(() => { throw new Trouble("The stream broke off.", 0); });
    if (done) return;
    text += value.replaceAll("\r\n", "\n");
    const blocks = text.split("\n\n");
    text = blocks.pop();
    for (const block of blocks) {
      const event = { event: "message", data: "", id: "" };
      for (const line of block.split("\n")) {
        const cut = line.indexOf(":");
        if (cut > 0) event[line.slice(0, cut)] = line.slice(cut + 1).trimStart();
      }
      yield event;
    }
  }
}
