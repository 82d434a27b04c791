// The benches there are, and the form to describe one, made from the schema of the API.

import { fill, h, link, place, table } from "./dom.js";
import { formOf, Schemas } from "./form.js";
import { ask, clear, persist, post, show } from "./service.js";
import { told, when } from "./units.js";

const OPEN = ["/name", "/bank", "/switch", "/leads", "/capacitance", "/wires", "/limits/peak_current_a", "/bank/inductance_henry", "/bank/resistance_ohm", "/switch/kind", "/switch/inductance_henry", "/switch/resistance_ohm", "/leads/inductance_henry", "/leads/resistance_ohm", "/capacitance/low_farad", "/capacitance/high_farad"];
let form = null;

const bank = ({ capacitance, capacitors }) => (capacitance ? (capacitance.low_farad === capacitance.high_farad ? told(capacitance.low_farad, "F") : `${told(capacitance.low_farad, "F")} to ${told(capacitance.high_farad, "F")}`) : capacitors ? `${capacitors.low_count} to ${capacitors.high_count} of ${told(capacitors.each_farad, "F")}` : "–");

async function look() {
  const { items } = await ask("/v1/benches?limit=100");
  fill("benches", items.length
    ? table("Benches, newest first", ["bench", "revision", "bank", "to", "energy to", "revised"], items.map(({ id, revision, revised_at: stamp, bench }) => [link(`/bench?bench=${id}`, bench.name), String(revision), bank(bench), told(bench.limits.charge_voltage_v, "V"), told(bench.limits.stored_energy_j, "J"), when(stamp)]))
    : h("p", {}, "None yet. Describe the first one below."));
  if (form) return true;
  const document_ = await ask("/openapi.json"), schemas = new Schemas(document_);
  const example = document_.paths["/v1/benches"].post.requestBody.content["application/json"].schema.examples?.[0] ?? {};
  form = formOf(schemas, schemas.named("BenchDescription"), { value: { ...example, name: "", notes: "" }, leave: ["/fitted_from"], open: OPEN });
  fill("form", form.element);
  place("describe").open = !items.length;
  return true;
}

place("form").addEventListener("submit", async (event) => {
  event.preventDefault();
  try {
    const made = await post("/v1/benches", form.value());
    clear();
    location.assign(`/bench?bench=${made.id}`);
  } catch (problem) {
    const rest = form.showErrors(problem.errors ?? []);
    place("sent").textContent = problem.status === 422 ? `Not yet: ${problem.errors.length} to look at. ${rest.map((error) => error.detail).join(" ")}` : "";
    if (problem.status !== 422) show(problem, null);
  }
});
persist(look);
