// Two to four shots side by side; what differs from the first is marked.

import { chart } from "./charts.js";
import { fill, h, link, place } from "./dom.js";
import { persist } from "./service.js";
import { sourcesOf } from "./source.js";
import { digits, percent, told, unitOf, words } from "./units.js";

const SAME = 1e-3, MICRO = 1e6;
const INPUTS = [
  ["charge voltage", (r) => r.shot.bank.charge_voltage_v, "V"], ["capacitance", (r) => r.shot.bank.capacitance_farad, "F"],
  ["stored energy", (r) => 0.5 * r.shot.bank.capacitance_farad * r.shot.bank.charge_voltage_v ** 2, "J"], ["turns", (r) => r.shot.coil.turns_count, "1"],
  ["layers", (r) => r.shot.coil.layers_count, "1"], ["wire", (r) => r.shot.coil.wire_diameter_m ?? r.shot.coil.strip_thickness_m, "m"], ["pitch", (r) => r.shot.coil.pitch_m, "m"],
  ["gap", (r) => r.shot.gap_m, "m"], ["part", (r) => `${r.shot.workpiece.shape} of ${r.shot.workpiece.layers.map((l) => (typeof l.material === "string" ? l.material.replaceAll("_", " ") : "own metal")).join(" / ")}`], ["part across", (r) => r.shot.workpiece.outer_diameter_m, "m"], ["part thick", (r) => r.shot.workpiece.thickness_m, "m"],
];

function marked(values, unit) {
  const [first] = values;
  return values.map((value, index) => {
    if (typeof value === "string" || value === null || value === undefined) return h("td", { class: index && value !== first ? "differs" : null }, value ?? "–", index && value !== first ? h("span", { class: "sign" }, " ≠") : "");
    if (unit === "K" && index && Math.abs(value - first) >= 1) return h("td", { class: "number differs" }, told(value, unit), h("span", { class: "sign" }, ` ${value > first ? "▲" : "▼"} ${digits(Math.abs(value - first))} K`));
    const change = first ? value / first - 1 : value === first ? 0 : Infinity, differs = index > 0 && Math.abs(change) > SAME;
    const sign = differs ? h("span", { class: "sign" }, Number.isFinite(change) ? ` ${change > 0 ? "▲" : "▼"} ${digits(100 * Math.abs(change))} %` : " ≠") : "";
    return h("td", { class: `number${differs ? " differs" : ""}` }, unit === "%" ? percent(value) : told(value, unit), sign);
  });
}

const rowOf = (name, values, unit) => h("tr", {}, h("th", { scope: "row" }, name), marked(values, unit));

async function load() {
  const sources = sourcesOf();
  if (sources.length < 2 || sources.length > 4) throw new Error("Two to four shots are compared: choose them in the table of a design.");
  const results = (await Promise.all(sources.map((source) => source.read()))).map((detail) => detail.result);
  const names = Object.keys(results[0].summary).filter((name) => results.some((r) => r.summary[name] !== null));
  fill("links", link(sources[0].back, "Choose others"));
  fill("rows", h("table", {}, h("caption", {}, "What is set, and what is predicted"),
    h("thead", {}, h("tr", {}, h("td", {}), sources.map((source) => h("th", { scope: "col" }, link(`/shot?${source.query}`, source.name))))),
    h("tbody", {}, h("tr", {}, h("th", { scope: "row" }, "verdict"), results.map((r) => h("td", { class: r.verdict.not_to_be_fired ? "differs" : null }, r.verdict.not_to_be_fired ? "not to be fired" : "no rated limit exceeded"))),
      INPUTS.map(([name, read, unit]) => rowOf(name, results.map(read), unit)), names.map((name) => rowOf(words(name), results.map((r) => r.summary[name]), unitOf(name))),
      results[0].ratings.map((rating) => rowOf(`margin to ${words(rating.name)}`, results.map((r) => r.ratings.find((one) => one.name === rating.name)?.margin_ratio ?? null), "%")))));
  const lines = (column, scale) => results.map((r, index) => ({ name: sources[index].name, x: r.series.time_s.map((t) => t * MICRO), y: r.series[column].map((v) => v * scale) }));
  fill("charts", [["Coil current", "kA", "current_a", 1e-3], ["Outer diameter", "mm", "outer_diameter_m", 1e3], ["Field in the gap", "T", "gap_field_tesla", 1], ["Inward force", "kN", "force_n", 1e-3]].map(([title, up, column, scale]) => chart({ title, up, across: "µs", lines: lines(column, scale) })));
  return true;
}
if (!(await persist(load))) place("rows").textContent = "Nothing is compared.";
