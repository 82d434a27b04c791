// One bench: what stands there, how well the model foretells it, what drifts, and fits that teach it.

import { chart } from "./charts.js";
import { fill, h, link, place, table } from "./dom.js";
import { ask, persist, post, show } from "./service.js";
import { digits, percent, told, unitOf, when, words } from "./units.js";

const id = new URLSearchParams(location.search).get("bench") ?? "", path = `/v1/benches/${encodeURIComponent(id)}`;
const signed = (ratio) => (ratio === null || ratio === undefined ? "–" : `${ratio > 0 ? "+" : ""}${digits(100 * ratio)} %`);

function tellBench({ revision, revised_at: stamp, bench }) {
  place("title").textContent = bench.name;
  place("revision").textContent = `Revision ${revision} of ${when(stamp)}${bench.fitted_from ? "; from a fit" : ""}. ${bench.notes}`;
  place("searchhere").href = `/new?bench=${encodeURIComponent(id)}`;
  const sum = (name) => bench.bank[name] + bench.switch[name] + bench.leads[name];
  const { calibration, limits } = bench;
  fill("about", table("What stands there", null, [
    ["stray inductance, bank, switch and leads", told(sum("inductance_henry"), "H")], ["resistance, bank, switch and leads", `${digits(1e3 * sum("resistance_ohm"))} mΩ`],
    ["switch", bench.switch.kind.replaceAll("_", " ")], ["flow stress over the library's", digits(calibration.flow_stress_ratio)], ["gap, effective minus built", told(calibration.gap_offset_m, "m")], ["resistivity over the library's", digits(calibration.resistivity_ratio)],
    ...Object.entries(limits).filter(([, value]) => value !== null).map(([name, value]) => [`limit of ${words(name)}`, told(value, unitOf(name))]),
  ]));
}

function tellComparison({ records, summary, remarks }) {
  fill("remarks", remarks.map((remark) => h("li", { class: "remark" }, remark)));
  if (!records.length) { fill("charts", h("p", {}, "No shot of this bench is recorded yet. Open the page of the shot that was fired and choose “record what was measured”.")); return; }
  const figures = summary.map((found) => ({ found, points: records.flatMap((record, index) => record.figures.filter((f) => f.name === found.name && f.difference_ratio !== null).map((f) => ({ x: index + 1, y: 100 * f.difference_ratio }))) }));
  fill("charts", figures.filter(({ points }) => points.length).map(({ found, points }) => chart({ title: `${words(found.name)}: measured minus predicted`, up: "%", across: "shot", height: 220, lines: [{ name: words(found.name), x: points.map((p) => p.x), y: points.map((p) => p.y) }, { name: "as predicted", x: [1, Math.max(records.length, 2)], y: [0, 0] }] })));
  fill("summary", table("Bias, scatter and drift over all records", ["figure", "records", "bias", "scatter", "drift a shot"], summary.map((found) => [words(found.name), String(found.records_count), `${signed(found.bias_ratio)}${found.bias_error_ratio ? ` ± ${percent(found.bias_error_ratio)}` : ""}`, percent(found.scatter_ratio), found.drift_per_shot_ratio === null ? "–" : `${signed(found.drift_per_shot_ratio)}${found.drift_flagged ? ": look at it" : ""}`])));
  const told_ = (record) => record.figures.map((f) => `${words(f.name)} ${told(f.measured, f.unit)} (${f.predicted === null ? "not predicted" : told(f.predicted, f.unit)})`).join(", ");
  fill("records", table("Records in the order they were fired: measured (predicted)", ["record", "fired", "figures"], records.map((record) => [link(`/record?record=${record.record_id}`, record.name || record.record_id), when(record.fired_at), told_(record)])));
}

async function look() {
  tellBench(await ask(path));
  tellComparison(await ask(`${path}/comparison`));
  const fits = (await ask("/v1/fits?limit=50")).items.filter((fit) => fit.links.bench === path);
  fill("fits", fits.length ? table("Fits of this bench, newest first", ["fit", "status", "records", "finished"], fits.map((fit) => [link(`/fit?fit=${fit.id}`, fit.name || fit.id), fit.status, String(fit.progress.records_count), when(fit.finished_at)])) : h("p", {}, "None yet."));
  const revisions = (await ask(`${path}/revisions?limit=50`)).items;
  fill("revisions", table("Revisions, latest first; none is ever overwritten", ["revision", "stored", "from"], revisions.map((found) => [link(`${path}/revisions/${found.revision}`, String(found.revision)), when(found.revised_at), found.bench.fitted_from ? link(`/fit?fit=${found.bench.fitted_from}`, "a fit") : "a description"])));
  return true;
}

place("fit").addEventListener("click", async () => {
  place("fit").disabled = true;
  try {
    const accepted = await post("/v1/fits", { bench: { id } });
    location.assign(`/fit?fit=${accepted.id}`);
  } catch (problem) {
    show(problem, null);
    place("fit").disabled = false;
  }
});
persist(look);
