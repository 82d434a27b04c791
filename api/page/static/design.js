// One design as it goes on: state, progress, the front as chart and table, each point a link to its shot.

import { ask, show, Trouble } from "./service.js";
import { digits, scatter, told } from "./figures.js";

const id = new URLSearchParams(location.search).get("design");
const path = `/v1/designs/${encodeURIComponent(id)}`;
const place = (name) => document.getElementById(name);
const PAUSE_MS = 2000;
const COLUMNS = [
  ["no.", "number", (r) => r.number], ["turns", "turns_count", (r) => r.turns_count], ["layers", "layers_count", (r) => r.layers_count],
  ["wire", "wire", (r) => r.wire ?? told(r.wire_diameter_m, "m")], ["gap", "gap_m", (r) => told(r.gap_m, "m")],
  ["capacitance", "capacitance_farad", (r) => told(r.capacitance_farad, "F")], ["charge voltage", "charge_voltage_v", (r) => told(r.charge_voltage_v, "V")],
  ["stored energy", "stored_energy_j", (r) => told(r.stored_energy_j, "J")], ["peak current", "peak_current_a", (r) => told(r.peak_current_a, "A")],
  ["least margin", "margin_ratio", (r) => `${digits(100 * r.margin_ratio)} %`], ["lands in tolerance", "chance_ratio", (r) => (r.chance_ratio === null ? "–" : `${digits(100 * r.chance_ratio)} %`)],
];
let rows = [], sorted = "stored_energy_j", rising = true, shownFront = "";

const shotOf = (row) => `/shot?design=${encodeURIComponent(id)}&number=${row.number}`;

function tellRows() {
  const ordered = [...rows].sort((a, b) => (rising ? 1 : -1) * (a[sorted] > b[sorted] ? 1 : a[sorted] < b[sorted] ? -1 : 0));
  const head = document.createElement("tr");
  for (const [name, column] of COLUMNS) {
    const cell = document.createElement("th"), button = document.createElement("button");
    cell.setAttribute("aria-sort", column === sorted ? (rising ? "ascending" : "descending") : "none");
    button.type = "button";
    button.textContent = name + (column === sorted ? (rising ? " ↑" : " ↓") : "");
    button.addEventListener("click", () => { rising = column === sorted ? !rising : true; sorted = column; tellRows(); });
    cell.append(button);
    head.append(cell);
  }
  const caption = Object.assign(document.createElement("caption"), { textContent: `${rows.length} candidates on the front; the one with a star is recommended` });
  place("rows").replaceChildren(caption, head, ...ordered.map((row) => {
    const line = document.createElement("tr");
    COLUMNS.forEach(([, column, spell]) => {
      const cell = document.createElement("td");
      cell.className = "number";
      if (column === "number") cell.append(Object.assign(document.createElement("a"), { href: shotOf(row), textContent: `${row.number}${row.recommended ? " ★" : ""}` }));
      else cell.append(String(spell(row)));
      line.append(cell);
    });
    return line;
  }));
}

async function tellFront(design) {
  const state = `${design.front_count} ${design.recommended?.candidate.number} ${design.status} ${design.best?.number} ${design.progress.round_number}`;
  if (state === shownFront) return;
  const page = await ask(`${path}/candidates?only=front&limit=200`);
  shownFront = state;
  rows = page.items;
  tellRows();
  const points = rows.map((r) => ({ x: r.stored_energy_j / 1e3, y: r.charge_voltage_v / 1e3, href: shotOf(r), chosen: r.recommended, name: `candidate ${r.number}: ${told(r.stored_energy_j, "J")}, ${told(r.charge_voltage_v, "V")}` }));
  place("front").replaceChildren(...(points.length ? [scatter({ title: "Charge voltage over stored energy; open a point", across: "kJ", up: "kV", points })] : []));
}

function tell(design) {
  const { progress } = design, total = progress.budget_trials_count;
  place("title").textContent = design.name || `Design ${design.id}`;
  place("state").className = design.status === "failed" ? "verdict stop" : "verdict";
  place("state").textContent = [design.status, design.ending, design.failure, progress.queue_place ? `place ${progress.queue_place} in the queue` : null].filter(Boolean).join(": ");
  place("progress").max = total ?? Math.max(progress.finished_trials_count, 1);
  place("progress").value = progress.finished_trials_count;
  place("trials").textContent = `${progress.finished_trials_count}${total ? ` of ${total}` : ""} trials, ${progress.feasible_trials_count} feasible`;
  place("reason").textContent = design.recommended ? `Recommended is candidate ${design.recommended.candidate.number}: ${design.recommended.reason}` : design.limiting?.advice ?? (design.best ? `Best so far: ${told(design.best.stored_energy_j, "J")} at ${told(design.best.charge_voltage_v, "V")}.` : "");
  place("cancel").hidden = !["queued", "running"].includes(design.status);
  place("csv").href = `${path}/export?format=csv`;
  place("json").href = `${path}/export`;
  place("raw").href = path;
  return tellFront(design);
}

async function watch() {
  try {
    const design = await ask(path);
    await tell(design);
    place("trouble").hidden = true;
    if (["succeeded", "failed", "cancelled"].includes(design.status)) return;
  } catch (problem) {
    show(place("trouble"), problem, watch);
    if (!(problem instanceof Trouble) || ![0, 429, 500, 503].includes(problem.status)) return;
  }
  setTimeout(watch, PAUSE_MS);
}

place("cancel").addEventListener("click", async () => {
  try {
    await ask(`${path}/cancel`, { method: "POST" });
  } catch (problem) {
    show(place("trouble"), problem, watch);
  }
});
watch();
