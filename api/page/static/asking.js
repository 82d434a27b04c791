// A page that asks for something: a form from the API's schema, checked by the API while one types, told in words before it is sent.

import { fill, h, later, place } from "./dom.js";
import { formOf, Schemas } from "./form.js";
import { ask, clear, persist, post, show } from "./service.js";

const AT_ONCE_MS = 350;

// `whole` and `onBench` name the schemas without and with a bench; `path` is what is posted to, `path`/check what tells it in words.
export function askingPage({ whole, onBench, path, first, open, withoutBench, tell, draftOf, send }) {
  let schemas = null, form = null, asking = 0, draft = {};
  const benchId = () => place("bench").value;
  const body = () => ({ ...form.value(), ...(benchId() ? { bench_id: benchId() } : {}) });

  function draw() {
    const own = benchId();
    form = formOf(schemas, schemas.named(own ? onBench : whole), { value: own ? withoutBench(draft) : draft, first, open, leave: own ? ["/bench_id", "/bench_revision"] : [] });
    fill("form", form.element);
    check();
  }

  function refuse(problem) {
    place("send").disabled = true;
    const rest = form.showErrors(problem.errors ?? []);
    if (problem.status !== 422) { fill("summary", h("p", {}, "It could not be checked.")); show(problem, check); if (problem.passes) setTimeout(check, 2000); return; }
    const count = problem.errors.length;
    fill("summary", h("p", {}, `Not yet: ${count} ${count === 1 ? "field needs" : "fields need"} a look.`), rest.map((error) => h("p", { class: "remark" }, `${error.pointer ?? ""} ${error.detail}`)));
  }

  async function check() {
    const turn = (asking += 1), asked = body();
    place("json").value = JSON.stringify(asked, null, 1);
    try {
      const said = await post(`${path}/check`, asked);
      if (turn !== asking) return;
      form.showErrors([]);
      clear();
      draft = { ...draft, ...asked };
      fill("summary", tell(said));
      place("send").disabled = false;
    } catch (problem) {
      if (turn === asking) refuse(problem);
    }
  }

  async function start() {
    const document_ = await ask("/openapi.json"), benches = (await ask("/v1/benches?limit=100")).items;
    schemas = new Schemas(document_);
    place("bench").append(...benches.map((found) => h("option", { value: found.id }, found.bench.name)));
    const query = new URLSearchParams(location.search), wanted = query.get("bench");
    if (benches.some((found) => found.id === wanted)) place("bench").value = wanted;
    const example = document_.paths[path].post.requestBody.content["application/json"].schema.examples[0];
    draft = JSON.parse(JSON.stringify(await draftOf(query, example), (_, value) => (value === null ? undefined : value)));
    draw();
    return true;
  }

  const checkSoon = later(check, AT_ONCE_MS);
  place("form").addEventListener("input", () => { place("send").disabled = true; checkSoon(); });
  place("form").addEventListener("submit", async (event) => {
    event.preventDefault();
    if (place("send").disabled) return;
    place("send").disabled = true;
    try { await send(body()); } catch (problem) { refuse(problem); if (problem.status === 422) return; show(problem, null); place("send").disabled = false; }
  });
  place("bench").addEventListener("change", () => { draft = { ...draft, ...form.value() }; draw(); });
  place("take").addEventListener("click", () => {
    try {
      const { bench_id: own, ...rest } = JSON.parse(place("json").value);
      place("bench").value = own ?? "";
      draft = rest;
      draw();
    } catch (problem) {
      fill("summary", h("p", {}, `That is no JSON: ${problem.message}`));
    }
  });
  persist(start);
}
