// Which shot is meant: a candidate of a design, a shot of a list, or a record, by the words in the page's address.

import { ask, askBlob, pause, post } from "./service.js";

const WAIT_MS = 500;
const KINDS = {
  design: { detail: (id, n) => `/v1/designs/${id}/candidates/${n}`, name: (id, n) => `candidate ${n}`, back: (id) => `/design?design=${id}` },
  list: { detail: (id, n) => `/v1/shot-lists/${id}/shots/${n}`, name: (id, n) => `shot ${n} of the list`, back: () => "/" },
};

export class Source {
  constructor(kind, id, number) { this.kind = kind; this.id = encodeURIComponent(id); this.number = encodeURIComponent(number); }
  get detail() { return KINDS[this.kind].detail(this.id, this.number); }
  get name() { return KINDS[this.kind].name(this.id, this.number); }
  get back() { return KINDS[this.kind].back(this.id); }
  get query() { return `${this.kind}=${this.id}&number=${this.number}`; }
  get spelled() { return `${this.kind}:${this.id}:${this.number}`; }

  // The whole answer: {candidate?, robustness?, confirmation?, result}. Throws what there is no shot for.
  async read() {
    let detail = await ask(this.detail);
    for (; ["waiting"].includes(detail.row?.state); detail = await ask(this.detail)) await pause(WAIT_MS);
    if (!detail.result?.summary) throw new Error(detail.candidate?.explanation ?? detail.result?.advice ?? "No shot was run for it.");
    return detail;
  }
}

export function sourceOf(query = new URLSearchParams(location.search)) {
  const kind = Object.keys(KINDS).find((name) => query.get(name) !== null);
  return kind ? new Source(kind, query.get(kind), query.get("number") ?? "") : new Source("design", "", "");
}

export function sourcesOf(query = new URLSearchParams(location.search)) {
  return query.getAll("shot").map((spelled) => spelled.split(":")).filter(([kind]) => kind in KINDS).map(([kind, id, number]) => new Source(kind, id, number));
}

// The sheet of a shot that is stored nowhere, opened from memory.
export async function openSheet(shot) {
  const sheet = await askBlob("/v1/shots/sheet?format=pdf", { method: "POST", body: JSON.stringify(shot), headers: { "Content-Type": "application/json", Accept: "application/pdf" } });
  location.assign(URL.createObjectURL(sheet));
}

// A shot that is stored nowhere yet: it is run as a list of one, and its page is opened.
export async function openShot(shot) {
  const made = await post("/v1/shot-lists", { name: "a shot to look at", shots: [shot] });
  location.assign(`/shot?list=${made.id}&number=0`);
}
