// One design as it goes on, by its events: state, progress, the trade-off as a chart to click, every candidate as a table.

import { scatter } from "./charts.js";
import { fill, h, later, link, place, table } from "./dom.js";
import { rowsIn } from "./rows.js";
import { ask, follow, persist, post, show } from "./service.js";
import { percent, told, unitOf, words } from "./units.js";

const id = new URLSearchParams(location.search).get("design");
const path = `/v1/designs/${encodeURIComponent(id)}`;
const PAGE = 1000, MOST_COMPARED = 4, CALM_MS = 400;
const shotOf = (row) => `/shot?design=${encodeURIComponent(id)}&number=${row.number}`;
const chosen = new Set();
const trials = new Map();
let cursor = null, front = [], design = null, following = false;

const COLUMNS = [
  { head: "no.", key: "number", spell: (r) => [link(shotOf(r), `${r.number}${r.recommended ? " ★" : ""}`)] },
  { head: "compare", spell: (r) => { const box = h("input", { type: "checkbox", "aria-label": `compare candidate ${r.number}`, onchange: (event) => choose(r.number, event.target) }); box.checked = chosen.has(r.number); return box; } },
  { head: "turns", key: "turns_count", spell: (r) => `${r.turns_count}${r.layers_count > 1 ? ` in ${r.layers_count}` : ""}` },
  { head: "wire", key: "wire_diameter_m", spell: (r) => `${r.wire.replaceAll("_", " ")}` },
  { head: "gap", key: "gap_m", spell: (r) => told(r.gap_m, "m") },
  { head: "capacitance", key: "capacitance_farad", spell: (r) => told(r.capacitance_farad, "F") },
  { head: "voltage", key: "charge_voltage_v", spell: (r) => told(r.charge_voltage_v, "V") },
  { head: "energy", key: "stored_energy_j", spell: (r) => told(r.stored_energy_j, "J") },
  { head: "current", key: "peak_current_a", spell: (r) => told(r.peak_current_a, "A") },
  { head: "diameter", key: "final_outer_diameter_m", spell: (r) => told(r.final_outer_diameter_m, "m") },
  { head: "margin", key: "margin_ratio", spell: (r) => percent(r.margin_ratio) },
  { head: "lands", key: "chance_ratio", spell: (r) => percent(r.chance_ratio) },
  { head: "why not", key: "reason", spell: (r) => (r.feasible ? "" : h("span", { title: r.explanation }, (r.reason ?? "").replaceAll("_", " "))) },
];
const rows = rowsIn(place("rows"), "Candidates; the one with a star is recommended", COLUMNS, { sorted: "stored_energy_j" });

function choose(number, box) {
  if (box.checked && chosen.size >= MOST_COMPARED) { box.checked = false; place("count").textContent = `At most ${MOST_COMPARED} are compared.`; return; }
  if (box.checked) chosen.add(number); else chosen.delete(number);
  place("compare").disabled = chosen.size < 2;
}

// All trials that are new since last time, page by page; what was read once stays as it was.
async function readTrials() {
  for (;;) {
    const page = await ask(`${path}/candidates?limit=${PAGE}${cursor ? `&cursor=${encodeURIComponent(cursor)}` : ""}`);
    for (const row of page.items) trials.set(row.number, row);
    if (!page.next_cursor) return;
    cursor = page.next_cursor;
  }
}

function tellRows() {
  const asked = new FormData(place("filter")), only = asked.get("only");
  const all = only === "front" ? front : [...trials.values()].filter((row) => only === "all" || row.feasible).map((row) => front.find((one) => one.number === row.number) ?? row);
  const found = all.filter((row) => (!asked.get("wire") || row.wire === asked.get("wire")) && (!asked.get("turns") || row.turns_count === Number(asked.get("turns"))) && (!asked.get("voltage") || row.charge_voltage_v <= 1e3 * Number(asked.get("voltage"))));
  rows.tell(found);
  place("count").textContent = `${found.length} of ${all.length} candidates are shown.`;
}

async function tellFront() {
  front = (await ask(`${path}/candidates?only=front&limit=200`)).items;
  await readTrials();
  const at = (row) => ({ x: row.stored_energy_j / 1e3, y: row.charge_voltage_v / 1e3 });
  const points = front.map((row) => ({ ...at(row), href: shotOf(row), chosen: row.recommended, name: `candidate ${row.number}: ${told(row.stored_energy_j, "J")}, ${told(row.charge_voltage_v, "V")}, margin ${percent(row.margin_ratio)}` }));
  const numbers = new Set(front.map((row) => row.number));
  const cloud = [...trials.values()].filter((row) => row.feasible && !numbers.has(row.number)).map(at);
  fill("front", points.length ? scatter({ title: "Charge voltage over stored energy: open a point. Small dots are other feasible trials", across: "kJ", up: "kV", points, cloud }) : h("p", {}, "Nothing feasible yet."));
  const wires = [...new Set([...trials.values()].map((row) => row.wire))].sort(), select = place("filter").elements.wire;
  if (select.options.length !== wires.length + 1) { const kept = select.value; select.replaceChildren(h("option", { value: "" }, "any"), ...wires.map((wire) => h("option", { value: wire }, wire.replaceAll("_", " ")))); select.value = kept; }
  tellRows();
}
const tellFrontSoon = later(() => persist(tellFront), CALM_MS);

function tellProgress({ finished_trials_count: done, budget_trials_count: total, feasible_trials_count: feasible, queue_place: queue }) {
  place("progress").max = total ?? Math.max(done, 1);
  place("progress").value = done;
  place("trials").textContent = `${done}${total ? ` of ${total}` : ""} trials, ${feasible} feasible${queue ? `, place ${queue} in the queue` : ""}`;
}

function tellState({ status, ending, failure }) {
  place("state").className = status === "failed" ? "verdict stop" : "verdict";
  place("state").textContent = [status, ending, failure].filter(Boolean).join(": ");
  place("cancel").hidden = !["queued", "running"].includes(status);
  place("continue").hidden = status !== "succeeded";
}

function limiting({ limiting: found }) {
  if (!found) return null;
  const misses = found.misses.map((miss) => h("li", {}, `${miss.trials_count} trials: ${miss.reason.replaceAll("_", " ")}`));
  return [h("strong", {}, found.advice), h("ul", {}, misses), found.nearest ? link(shotOf(found.nearest), `The trial that came closest is no. ${found.nearest.number}`) : null];
}

function tellAsked({ request, provenance }) {
  const { workpiece: part, target, limits, bench } = request;
  const stated = Object.entries(limits).filter(([, value]) => value !== null).map(([name, value]) => [`limit of ${words(name)}`, told(value, unitOf(name))]);
  fill("asked", table("Part, target and limits", null, [
    ["part", `${part.shape}, ${told(part.outer_diameter_m, "m")} across, ${told(part.thickness_m, "m")} thick, ${part.layers.map((l) => (typeof l.material === "string" ? l.material.replaceAll("_", " ") : "own metal")).join(" / ")}`],
    ["target", `${target.final_outer_diameter_m ? told(target.final_outer_diameter_m, "m") : percent(target.shrink_ratio)} ± ${told(target.tolerance_m, "m")}`],
    ["bench", provenance.bench ? link(`/bench?bench=${provenance.bench.id}`, `${provenance.bench.name}, revision ${provenance.bench.revision}`) : `described with the design; switch ${bench.switch.kind.replaceAll("_", " ")}`],
    ...stated]), h("p", {}, link(`/new?like=${encodeURIComponent(id)}`, "Ask for another one like it")));
}

async function look() {
  design = await ask(path);
  place("title").textContent = design.name || `Design ${design.id}`;
  tellState(design);
  tellProgress(design.progress);
  const one = design.recommended?.candidate ?? design.best;
  place("best").hidden = !one;
  if (one) { place("best").href = shotOf(one); place("best").textContent = design.recommended ? "Open the recommended shot" : "Open the best so far"; }
  fill("reason", ...[design.recommended ? `Recommended is candidate ${one.number}: ${design.recommended.reason}` : limiting(design) ?? (design.best ? `Best so far: ${told(design.best.stored_energy_j, "J")} at ${told(design.best.charge_voltage_v, "V")}.` : "")].flat());
  place("csv").href = `${path}/export?format=csv`;
  place("json").href = `${path}/export`;
  place("raw").href = path;
  if (!place("continue").elements.trials.value) place("continue").elements.trials.value = 2 * Math.max(design.progress.finished_trials_count, 60);
  tellAsked(design);
  await tellFront();
}

async function heard(kind, data) {
  if (kind === "progress") tellProgress(data);
  else if (kind === "status") tellState(data);
  else if (kind === "candidate" || kind === "front") tellFrontSoon();
}

async function watch() {
  if (following || !(await persist(async () => { await look(); return true; }))) return;
  if (["succeeded", "failed", "cancelled"].includes(design.status)) return;
  following = true;
  await follow(`${path}/events`, heard, look);
  following = false;
  await persist(look);
}

place("filter").addEventListener("input", tellRows);
place("filter").addEventListener("submit", (event) => event.preventDefault());
place("compare").addEventListener("click", () => { location.assign(`/compare?${[...chosen].map((number) => `shot=design:${encodeURIComponent(id)}:${number}`).join("&")}`); });
place("cancel").addEventListener("click", async () => {
  try { await post(`${path}/cancel`, {}); } catch (problem) { show(problem, null); }
});
place("continue").addEventListener("submit", async (event) => {
  event.preventDefault();
  try {
    await post(`${path}/continue`, { budget_trials_count: Number(event.target.elements.trials.value) });
    place("continued").textContent = "";
    watch();
  } catch (problem) { place("continued").textContent = problem.message; }
});
watch();
