// One shot: what to build, what is predicted, what it may do, and what follows from changing it.

import { bars, chart, flow } from "./charts.js";
import { fill, h, later, link, place } from "./dom.js";
import { beforeAndAfter, throughTime } from "./section.js";
import { ask, clear, persist, post, show } from "./service.js";
import { openSheet, sourceOf } from "./source.js";
import { digits, percent, told, unitOf, words } from "./units.js";

const MICRO = 1e6, source = sourceOf();
let current = null, whole = null, asking = 0;

const cell = (content, kind = "td") => h(kind, { class: typeof content === "string" && /^[-−]?[\d.]/.test(content) ? "number" : null, scope: kind === "th" ? "row" : null }, content ?? "");
const row = (cells) => h("tr", {}, cells.map((content, index) => cell(content, index ? "td" : "th")));
function table(id, caption, head, rows) {
  fill(id, h("caption", {}, caption), head ? h("thead", {}, h("tr", {}, head.map((name) => h("th", { scope: "col" }, name)))) : null, h("tbody", {}, rows.map(row)));
}

function tellVerdict({ verdict, status, advice }) {
  place("verdict").className = verdict.not_to_be_fired ? "verdict stop" : "verdict";
  place("verdict").textContent = verdict.statement + (status === "completed" ? "" : ` ${advice}`);
}

function tellBuild({ shot }) {
  const { coil, bank, workpiece: part, insulation } = shot;
  table("build", "Coil, bank and part, as set", null, [
    ["charge voltage", told(bank.charge_voltage_v, "V")],
    ["capacitance", `${told(bank.capacitance_farad, "F")} in ${bank.capacitors_count}`],
    ["stored energy", told(0.5 * bank.capacitance_farad * bank.charge_voltage_v ** 2, "J")],
    ["turns", `${coil.turns_count} in ${coil.layers_count} ${coil.layers_count === 1 ? "layer" : "layers"}, pitch ${told(coil.pitch_m, "m")}`],
    ["wire", coil.wire_diameter_m ? `${told(coil.wire_diameter_m, "m")} bare` : `strip ${told(coil.strip_width_m, "m")} by ${told(coil.strip_thickness_m, "m")}`],
    ["gap, metal to metal", told(shot.gap_m, "m")],
    ["former wall", insulation.former_wall_m ? told(insulation.former_wall_m, "m") : "not stated"],
    ["part", `${part.shape}, ${told(part.outer_diameter_m, "m")} across, ${told(part.thickness_m, "m")} thick, ${part.layers.map((l) => (typeof l.material === "string" ? l.material.replaceAll("_", " ") : "own metal")).join(" / ")}`],
  ]);
}

function tellFigures({ shot, summary, numerical_error: error, warnings }, { robustness }) {
  const bored = shot.workpiece.inner_diameter_m > 0;
  const known = Object.entries(summary).filter(([name, value]) => value !== null && (bored || name !== "final_inner_diameter_m")), sizes = ([name]) => name.startsWith("final_");
  const rows = [...known.filter(sizes), ...known.filter((one) => !sizes(one))].map(([name, value]) => [words(name), told(value, unitOf(name))]);
  if (error) rows.splice(1, 0, ["final diameter, error of mesh and step", `± ${told(error.final_outer_diameter_m, "m")}`]);
  if (robustness) rows.splice(1, 0, ["final diameter, from shot to shot", `± ${told(robustness.spread_m, "m")} (one standard deviation)`]);
  fill("warnings", warnings.map((warning) => h("li", { class: "remark" }, warning.statement)));
  fill("figures", rows.map(([name, value]) => h("div", {}, h("dt", {}, name), h("dd", {}, value))));
}

const CHARTS = [
  ["Coil current", "kA", [["coil current", "current_a", 1e-3]]],
  ["Bank voltage", "kV", [["bank", "bank_voltage_v", 1e-3]]],
  ["Field", "T", [["gap", "gap_field_tesla", 1], ["centre", "centre_field_tesla", 1]]],
  ["Diameters", "mm", [["outer", "outer_diameter_m", 1e3], ["bore of the coil", "coil_inner_diameter_m", 1e3]]],
  ["Inward force", "kN", [["force", "force_n", 1e-3]]],
  ["Temperature", "°C", [["part, hottest place", "workpiece_temperature_k", 1], ["coil, hottest place", "coil_temperature_k", 1]]],
];

function linesOf({ series }, lines, more = "") {
  return lines.map(([name, column, scale]) => ({ name: name + more, x: series.time_s.map((t) => t * MICRO), y: series[column].map((v) => v * scale - (column.endsWith("_k") ? 273.15 : 0)) }));
}

function tellCharts(result, beside) {
  const burst = result.summary.burst_time_s;
  const moments = [...(burst ? [{ at: burst * MICRO, name: "burst" }] : []), { at: result.summary.time_to_peak_s * MICRO, name: "peak" }];
  fill("charts", CHARTS.map(([title, up, lines]) => chart({ title, up, across: "µs", moments, lines: [...linesOf(result, lines), ...(beside ? linesOf(beside, lines, ", changed") : [])] })));
}

const ENERGY = [["coil_heat_j", "heat of the coil", "heat"], ["workpiece_heat_j", "heat of the part", "heat"], ["stray_resistance_j", "strays", "heat"], ["damping_resistor_j", "damping resistor", "heat"], ["switch_drop_j", "switch", "heat"], ["crowbar_j", "crowbar", "heat"], ["workpiece_plastic_work_j", "shaping the part", "work"], ["workpiece_elastic_j", "spring of the part", "work"], ["workpiece_motion_j", "moving part", "work"], ["coil_plastic_work_j", "stretching the coil", "work"], ["coil_elastic_j", "spring of the coil", "work"], ["coil_motion_j", "flying coil", "rest"], ["arc_j", "arcs", "rest"], ["magnetic_j", "field at the end", "rest"], ["left_in_bank_j", "left in the bank", "rest"], ["residual_j", "not accounted for", "rest"]];

function tellBalance({ ratings, energy }) {
  const large = ([name]) => Math.abs(energy[name]) > 5e-3 * energy.bank_j;
  const small = ENERGY.filter((part) => !large(part)).reduce((sum, [name]) => sum + energy[name], 0);
  const parts = ENERGY.filter(large).map(([name, label, kind]) => ({ name: label, value: energy[name], kind }));
  if (small) parts.push({ name: "all the rest", value: small, kind: "rest" });
  const shown = [flow("Where the bank's energy goes", { name: "bank", value: energy.bank_j }, parts)];
  const limits = ratings.map((r) => ({ name: words(r.name), value: Math.max(0, 1 - r.margin_ratio), of: 1, told: `${told(r.value, r.unit)} of ${told(r.limit, r.unit)}`, kind: r.exceeded ? "over" : "" }));
  if (limits.length) shown.unshift(bars("How much of each stated limit is used; the line is the limit", limits));
  fill("balance", shown);
}

function tellStray({ robustness, confirmation }) {
  place("strayhead").hidden = !robustness;
  if (!robustness) return;
  const shares = robustness.ranking.map((one) => ({ name: words(one.spread), value: one.total_ratio, of: 1, told: percent(one.total_ratio) }));
  fill("stray",
    h("p", {}, `Of shots that stray as stated, ${percent(robustness.chance_ratio)} ± ${percent(robustness.chance_error_ratio)} land within the tolerance; their diameters scatter by ${told(robustness.spread_m, "m")}. A trim of ${digits(100 * robustness.voltage_trim_ratio)} % of the voltage would centre them (${percent(robustness.trimmed_chance_ratio)}).`),
    confirmation ? h("p", {}, `The finest mesh gives ${told(confirmation.final_outer_diameter_m, "m")}, with an error of ${told(confirmation.numerical_error_m, "m")} of mesh and step.`) : null,
    h("div", { class: "charts" }, bars("What makes the scatter: share of the variance", shares)));
}

function tellSafety({ hazards, bench_load: load, faults, checklist }) {
  table("hazards", "Estimates for planning; each errs as it says", ["what", "value", "what follows", "errs"], [...hazards.estimates, ...load].map((one) => [one.name.replaceAll("_", " "), told(one.value, one.unit), one.statement, one.errs]));
  table("faults", "Figures before anything has failed", ["fault", "current", "what happens", "what it demands"], faults.map((one) => [one.name.replaceAll("_", " "), one.peak_current_a === null ? "not known" : told(one.peak_current_a, "A"), one.statement, one.demands]));
  const stages = Map.groupBy ? Map.groupBy(checklist, (item) => item.stage) : grouped(checklist);
  fill("checklist", [...stages].flatMap(([stage, items]) => [h("h3", {}, stage.replaceAll("_", " ")), h("ol", { class: "steps" }, items.map((item) => h("li", {}, h("label", {}, h("input", { type: "checkbox" }), ` ${item.action}`))))]));
}
const grouped = (items) => items.reduce((found, item) => found.set(item.stage, [...(found.get(item.stage) ?? []), item]), new Map());

const SLIDERS = [
  ["charge voltage", (s) => s.bank.charge_voltage_v, (s, v) => { s.bank.charge_voltage_v = v; }, "V", 0.7, 1.2],
  ["gap", (s) => s.gap_m, (s, v) => { s.gap_m = v; }, "m", 0.7, 1.6],
  ["turns", (s) => s.coil.turns_count, (s, v) => { s.coil.turns_count = Math.round(v); }, "1", 0.5, 1.6],
  ["capacitance", (s) => s.bank.capacitance_farad, (s, v) => { s.bank.capacitance_farad = v; }, "F", 0.5, 1.6],
];

function addSliders() {
  const run = later(runChanged, 250);
  fill("change", SLIDERS.map(([name, read, , unit, low, high]) => {
    const stored = read(current.shot), whole = unit === "1";
    const shown = h("output", {}), input = h("input", { type: "range", "aria-label": name, min: whole ? Math.max(1, Math.round(low * stored)) : low, max: whole ? Math.round(high * stored) : high, step: whole ? 1 : 0.005 });
    input.value = whole ? stored : 1;
    input.read = () => (whole ? Number(input.value) : stored * input.value);
    const tell = () => { shown.textContent = ` ${told(input.read(), unit)}`; };
    input.addEventListener("input", () => { tell(); run(); });
    tell();
    return h("label", {}, name, shown, input);
  }), h("button", { type: "button", onclick: () => { addSliders(); tellCharts(current, null); fill("changes"); place("changed").textContent = "Back at the stored shot."; } }, "Back to the stored shot"));
}

const CHANGES = ["final_outer_diameter_m", "peak_current_a", "peak_gap_field_tesla", "burst_time_s", "debris_energy_j", "peak_workpiece_temperature_k"];

async function runChanged() {
  const shot = structuredClone(current.shot), turn = (asking += 1), inputs = place("change").querySelectorAll("input");
  SLIDERS.forEach(([, , write], index) => write(shot, inputs[index].read()));
  try {
    const result = await post("/v1/shots", shot);
    if (turn !== asking) return;
    clear();
    place("changed").textContent = `${result.verdict.statement}${result.status === "completed" ? "" : ` ${result.advice}`}`;
    tellCharts(current, result.series ? result : null);
    if (!result.summary) { fill("changes"); return; }
    const rows = CHANGES.map((name) => [words(name), told(current.summary[name], unitOf(name)), told(result.summary[name], unitOf(name))]);
    fill("changes", h("table", {}, h("caption", {}, "The stored shot and the changed one"), h("thead", {}, h("tr", {}, ["", "stored", "changed"].map((head) => h("th", { scope: "col" }, head)))), h("tbody", {}, rows.map(row))));
  } catch (problem) {
    if (turn !== asking) return;
    place("changed").textContent = "This change cannot be run.";
    show(problem, runChanged);
  }
}

async function tellThroughTime(shot) {
  const frames = await post("/v1/shots/section?frames_count=24", shot);
  if (frames.frames.length) place("section").append(throughTime(frames).figure);
}

function tellLinks() {
  fill("links", link(source.back, "← back"), link(`/explain?${source.query}`, "Explain it to others"), source.kind === "design" ? [link(`${source.detail}/sheet?format=html`, "Shot sheet to print"), link(`${source.detail}/sheet?format=pdf`, "Shot sheet as PDF"), link(`/record?${source.query}`, "Record what was measured"), link(`/aim?${source.query}`, "Aim it step by step")] : null, source.kind === "design" ? link(`${source.detail}/series`, "Series as CSV") : h("button", { type: "button", onclick: () => openSheet(current.shot).catch((problem) => show(problem, null)) }, "Shot sheet as PDF"));
}

async function load() {
  const detail = await source.read();
  whole = detail;
  current = detail.result;
  place("title").textContent = `${source.name[0].toUpperCase()}${source.name.slice(1)}: ${told(current.summary.final_outer_diameter_m, "m")} with ${told(current.shot.bank.charge_voltage_v, "V")}`;
  fill("cautions", current.hazards.cautions.map((text) => h("li", {}, text)));
  tellLinks();
  tellVerdict(current);
  tellBuild(current);
  tellFigures(current, detail);
  tellCharts(current, null);
  tellBalance(current);
  tellStray(detail);
  tellSafety(current);
  addSliders();
  fill("section", beforeAndAfter(current));
  place("input").textContent = JSON.stringify(current.shot, null, 1);
  place("provenance").textContent = `${source.spelled}; model ${current.provenance.model_version}, data ${current.provenance.material_data_version}, input ${current.provenance.input_sha256}.`;
  place("shot").hidden = false;
  return current.shot;
}

place("copy").addEventListener("click", async () => {
  try { await navigator.clipboard.writeText(place("input").textContent); place("copied").textContent = "Copied."; } catch { place("copied").textContent = "The browser does not allow it; select the text below."; }
});
// What no round of the search has computed for this candidate is asked for: its size is never shown without its scatter.
async function tellMissingStray() {
  if (source.kind !== "design" || whole.robustness) return;
  try {
    whole = { ...whole, robustness: await ask(`${source.detail}/robustness`) };
  } catch (problem) {
    if (problem.status === 404) return;
    throw problem;
  }
  tellStray(whole);
  tellFigures(current, whole);
}

const shot = await persist(load);
if (shot) { await persist(() => tellThroughTime(shot)); await persist(tellMissingStray); }
else place("verdict").textContent = "The shot is not shown.";
