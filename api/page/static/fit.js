// A fit as it runs, what it changed, what it cannot tell, and the shot that would tell most.

import { bars } from "./charts.js";
import { fill, h, link, place, table } from "./dom.js";
import { ask, follow, persist, post, show } from "./service.js";
import { openShot } from "./source.js";
import { digits, percent, spoken, told, words } from "./units.js";

const id = new URLSearchParams(location.search).get("fit") ?? "", path = `/v1/fits/${encodeURIComponent(id)}`;
const ENDED = ["succeeded", "failed", "cancelled"];

function tellState({ status, failure }) {
  place("state").className = status === "failed" ? "verdict stop" : "verdict";
  place("state").textContent = [status, failure].filter(Boolean).join(": ");
  place("cancel").hidden = !["queued", "running"].includes(status);
  if (ENDED.includes(status)) place("progress").value = 1; else place("progress").removeAttribute("value");
}
const tellProgress = ({ records_count: records, model_shots_count: runs }) => { place("runs").textContent = `${records} ${records === 1 ? "record" : "records"}, ${runs} runs of the model`; };

function tellResult({ result }) {
  if (!result) return;
  place("result").hidden = false;
  fill("changes", bars("What is still uncertain, over what it was before the fit", result.quantities.map((one) => ({ name: words(one.name), value: one.kept_error_ratio, of: 1, told: percent(one.kept_error_ratio), kind: one.kept_error_ratio > 0.9 ? "rest" : "work" }))));
  fill("quantities", table("Bench and part, before and after", ["quantity", "stated", "fitted", "± (one standard deviation)"], result.quantities.map((one) => [words(one.name), told(one.stated, one.unit), told(one.value, one.unit), told(one.error, one.unit)])));
  const revision = result.makes_bench;
  fill("remarks", h("li", {}, spoken(result.statement)), ...result.inseparable.map((pair) => h("li", {}, `${words(pair.one)} and ${words(pair.other)} cannot be told apart (correlation ${digits(pair.correlation_ratio)}).`)), ...result.remarks.map((remark) => h("li", { class: "remark" }, spoken(remark))), h("li", {}, revision ? link(`/bench?bench=${revision.id}`, `It made revision ${revision.revision} of ${revision.name}.`) : "It made no revision."));
  fill("next", result.next_shots.length ? table("Inside the bench's limits, best first", ["no.", "charge voltage", "turns", "uncertainty left, in volume", ""], result.next_shots.map((one, index) => [String(index + 1), told(one.charge_voltage_v, "V"), String(one.turns_count), percent(one.volume_ratio), h("button", { type: "button", onclick: () => openShot(one.shot).catch((problem) => show(problem, null)) }, `Look at no. ${index + 1}`)])) : h("p", {}, "None inside the limits would tell more."));
  fill("misfits", table("In standard deviations; about 1 is as it should be", ["record", "measured", "misfit", "weight"], result.misfits.map((one) => [link(`/record?record=${one.record_id}`, one.record_name || one.record_id), words(one.measured), digits(one.misfit_ratio), one.weight_ratio < 0.999 ? `${percent(one.weight_ratio)}: weighed down` : "full"])));
}

async function look() {
  const fit = await ask(path);
  place("title").textContent = fit.name || `Fit of ${fit.provenance.bench.name}`;
  place("bench").href = `/bench?bench=${fit.provenance.bench.id}`;
  place("raw").href = path;
  tellState(fit);
  tellProgress(fit.progress);
  tellResult(fit);
  return fit;
}

place("cancel").addEventListener("click", async () => { try { await post(`${path}/cancel`, {}); } catch (problem) { show(problem, null); } });
const fit = await persist(look);
if (fit && !ENDED.includes(fit.status)) {
  await follow(`${path}/events`, (kind, data) => { if (kind === "status") tellState(data); else if (kind === "progress") tellProgress(data); }, look);
  await persist(look);
}
