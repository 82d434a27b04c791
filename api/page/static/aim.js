// The next shot of a campaign: how to set it, what is expected of it, and what to do then.

import { bars, chart } from "./charts.js";
import { fill, h, link, place, table } from "./dom.js";
import { ask, clear, persist, post, show } from "./service.js";
import { openSheet, openShot, sourceOf } from "./source.js";
import { told, words } from "./units.js";

const source = sourceOf(), query = new URLSearchParams(location.search);

function tellFigures(answer) {
  const rows = [["charge to", told(answer.charge_voltage_v, "V")], ["expected diameter", `${told(answer.predicted_outer_diameter_m, "m")} ± ${told(2 * answer.predicted_error_m, "m")}`], ["aimed at", told(answer.aimed_at_m, "m")], ["highest safe voltage", told(answer.highest_safe_voltage_v, "V")], ["aimed with", `${answer.bench.name}, revision ${answer.bench.revision}`]];
  if (answer.latest) rows.push(["latest such record", link(`/record?record=${answer.latest.record_id}`, `${answer.latest.name || answer.latest.record_id}: ${told(answer.latest.final_outer_diameter_m, "m")}`)]);
  fill("figures", table("The next shot", null, rows));
}

function tellNext(answer) {
  const bench = `/bench?bench=${answer.bench.id}`;
  const look = h("button", { type: "button", onclick: () => openShot(answer.shot).catch((problem) => show(problem, null)) }, "Look at this shot");
  const sheet = h("button", { type: "button", onclick: () => openSheet(answer.shot).catch((problem) => show(problem, null)) }, "Its sheet as PDF");
  const record = source.kind === "design" ? link(`/record?${source.query}&bench=${answer.bench.id}&voltage=${answer.charge_voltage_v}`, "Fired: record what was measured") : null;
  fill("next", answer.state === "fire" ? [look, sheet, record] : [look, link(bench, answer.state === "fit_first" ? "Fit the bench" : "The bench")]);
}

async function aim() {
  const body = { shot_of: { design_id: decodeURIComponent(source.id), number: Number(source.number) }, final_outer_diameter_m: place("target").value / 1e3, tolerance_m: place("tolerance").value / 1e3 };
  place("state").textContent = "The shot is being aimed; it takes some seconds …";
  const answer = await post(`/v1/benches/${encodeURIComponent(place("bench").value)}/aim`, body);
  place("state").className = ["out_of_reach", "no_safe_shot"].includes(answer.state) ? "verdict stop" : "verdict";
  place("state").textContent = `${answer.statement} ${answer.expected ? answer.expected.verdict.statement : ""}`;
  place("answer").hidden = !answer.shot;
  if (!answer.shot) return;
  tellFigures(answer);
  tellNext(answer);
  const { series, ratings } = answer.expected;
  const line = (name, column, scale) => ({ name, x: series.time_s.map((t) => t * 1e6), y: series[column].map((v) => v * scale) });
  fill("charts", ratings.length ? bars("How much of each limit is used; the line is the limit", ratings.map((r) => ({ name: words(r.name), value: Math.max(0, 1 - r.margin_ratio), of: 1, told: `${told(r.value, r.unit)} of ${told(r.limit, r.unit)}`, kind: r.exceeded ? "over" : "" }))) : null,
    series ? chart({ title: "Expected coil current", up: "kA", across: "µs", lines: [line("current", "current_a", 1e-3)] }) : null, series ? chart({ title: "Expected outer diameter", up: "mm", across: "µs", lines: [line("diameter", "outer_diameter_m", 1e3)] }) : null);
}

async function prepare() {
  const benches = (await ask("/v1/benches?limit=100")).items, { request, provenance } = await ask(`/v1/designs/${source.id}`);
  fill("bench", benches.map((found) => h("option", { value: found.id }, `${found.bench.name}, revision ${found.revision}`)));
  place("bench").value = query.get("bench") ?? provenance.bench?.id ?? benches[0]?.id ?? "";
  place("target").value = Number((1e3 * (request.target.final_outer_diameter_m ?? request.target.shrink_ratio * request.workpiece.outer_diameter_m)).toPrecision(6));
  place("tolerance").value = 1e3 * request.target.tolerance_m;
  place("title").textContent = `The next shot: ${request.name || "design"}, candidate ${source.number}`;
  return true;
}

place("form").addEventListener("submit", async (event) => {
  event.preventDefault();
  clear();
  try { await aim(); } catch (problem) { place("state").textContent = "It could not be aimed."; show(problem, null); }
});
await persist(prepare);
