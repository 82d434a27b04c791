// One candidate of a design: what to build, what is predicted, what it may do, and what follows from changing it.

import { ask, show } from "./service.js";
import { bars, chart, digits, make, told, words } from "./figures.js";

const asked = new URLSearchParams(location.search);
const design = asked.get("design"), number = asked.get("number");
const place = (id) => document.getElementById(id);
const MICRO = 1e6;

function row(cells, head = false) {
  const line = document.createElement("tr");
  for (const cell of cells) {
    const made = document.createElement(head ? "th" : "td");
    made.append(cell ?? "");
    if (!head && /^-?[\d.]/.test(String(cell))) made.className = "number";
    line.append(made);
  }
  return line;
}

function table(id, caption, head, rows) {
  const said = document.createElement("caption");
  said.textContent = caption;
  place(id).replaceChildren(said, ...(head ? [row(head, true)] : []), ...rows.map((cells) => row(cells)));
}

function tellVerdict(verdict, status, advice) {
  place("verdict").className = verdict.not_to_be_fired ? "verdict stop" : "verdict";
  place("verdict").textContent = verdict.statement + (status === "completed" ? "" : ` ${advice}`);
}

function tellBuild({ shot }) {
  const { coil, bank, workpiece: part, insulation } = shot;
  const length = coil.wire_diameter_m ? Math.PI * (part.outer_diameter_m + 2 * shot.gap_m + coil.wire_diameter_m) * coil.turns_count : null;
  table("build", "Coil, bank and part, as set", null, [
    ["turns", `${coil.turns_count} in ${coil.layers_count} ${coil.layers_count === 1 ? "layer" : "layers"}`],
    ["wire", coil.wire_diameter_m ? `${told(coil.wire_diameter_m, "m")} bare, pitch ${told(coil.pitch_m, "m")}` : `strip ${told(coil.strip_width_m, "m")} by ${told(coil.strip_thickness_m, "m")}`],
    ["wire in the turns, without tails", length ? told(length, "m") : "see strip"],
    ["gap, metal to metal", told(shot.gap_m, "m")],
    ["former wall", insulation.former_wall_m ? told(insulation.former_wall_m, "m") : "not stated"],
    ["capacitance", `${told(bank.capacitance_farad, "F")} in ${bank.capacitors_count}`],
    ["charge voltage", told(bank.charge_voltage_v, "V")],
    ["stored energy", told(0.5 * bank.capacitance_farad * bank.charge_voltage_v ** 2, "J")],
    ["part", `${part.shape}, ${told(part.outer_diameter_m, "m")} across, ${told(part.thickness_m, "m")} thick, ${part.layers.map((l) => (typeof l.material === "string" ? l.material : "own metal")).join(" / ")}`],
  ]);
}

// Half a section before (left of the axis) and after (right of it), to the same scale.
function section({ shot, profile, series }) {
  const { coil, workpiece: part } = shot;
  const outer = part.outer_diameter_m / 2, inner = part.inner_diameter_m / 2, half = part.thickness_m / 2;
  const radial = coil.wire_diameter_m ?? coil.strip_thickness_m, axial = coil.wire_diameter_m ?? coil.strip_width_m;
  const layers = coil.layers_count, each = Math.ceil(coil.turns_count / layers);
  const reach = outer + shot.gap_m + layers * radial * 1.2, tall = Math.max(half, (each * coil.pitch_m) / 2, ...(profile?.thickness_m ?? [0]).map((t) => t / 2)) * 1.15;
  const size = 260 / Math.max(reach, tall * 1.2), middle = 280, level = tall * size + 10;
  const drawn = make("svg", { viewBox: `0 0 560 ${2 * level}`, role: "img", "aria-label": "Section: part and turns before the shot on the left of the axis, the part after it on the right" });
  const box = (kind, r0, r1, z0, z1) => make("rect", { class: kind, x: middle + Math.min(r0, r1) * size, y: level - Math.max(z0, z1) * size, width: Math.abs(r1 - r0) * size, height: Math.abs(z1 - z0) * size });
  drawn.append(make("line", { class: "axis", x1: middle, x2: middle, y1: 4, y2: 2 * level - 4 }));
  drawn.append(box("part", -outer, -inner, -half, half));
  for (let layer = 0, left = coil.turns_count; layer < layers; layer += 1) {
    const count = Math.min(left, Math.floor(coil.turns_count / layers) + (layer < coil.turns_count % layers ? 1 : 0));
    left -= count;
    const radius = outer + shot.gap_m + radial / 2 + layer * (coil.layer_pitch_m ?? radial + coil.pitch_m - axial);
    for (let turn = 0; turn < count; turn += 1) {
      const z = (turn - (count - 1) / 2) * coil.pitch_m;
      drawn.append(coil.wire_diameter_m
        ? make("circle", { class: "turn", cx: middle - radius * size, cy: level - z * size, r: (radial / 2) * size })
        : box("turn", -radius - radial / 2, -radius + radial / 2, z - axial / 2, z + axial / 2));
    }
  }
  if (profile) {
    const end = series.outer_diameter_m.at(-1) / 2, bore = series.inner_diameter_m.at(-1) / 2;
    const r = [bore, ...profile.radius_m, end], t = [profile.thickness_m[0], ...profile.thickness_m, profile.thickness_m.at(-1)];
    const upper = r.map((x, i) => `${middle + x * size},${level - (t[i] / 2) * size}`), lower = r.map((x, i) => `${middle + x * size},${level + (t[i] / 2) * size}`).reverse();
    drawn.append(make("polygon", { class: "part", points: [...upper, ...lower].join(" "), "data-name": "part after", "data-max": end }));
  }
  const figure = document.createElement("figure");
  figure.append(Object.assign(document.createElement("figcaption"), { textContent: "Section to scale: before on the left of the axis, after on the right" }), drawn);
  return figure;
}

function tellFigures({ summary, numerical_error: error }, detail) {
  const rows = Object.entries(summary).filter(([, v]) => v !== null).map(([name, value]) => {
    const unit = unitOf(name);
    return [words(name), told(value, unit)];
  });
  if (error) rows.unshift(["numerical error", error.statement]);
  if (detail.robustness) rows.unshift(["within tolerance", `${(100 * detail.robustness.chance_ratio).toFixed(0)} % of shots with the stated spreads`]);
  table("figures", "Figures of the run", null, rows);
}

function unitOf(name) {
  const known = [["_m_per_s", "m/s"], ["_a_per_s", "A/s"], ["_per_s", "/s"], ["_a2_s", "A2.s"], ["_n_s", "N.s"], ["_m", "m"], ["_s", "s"], ["_v", "V"], ["_a", "A"], ["_j", "J"], ["_k", "K"], ["_n", "N"], ["_tesla", "T"], ["_coulomb", "C"]];
  return (known.find(([ending]) => name.endsWith(ending)) ?? [null, "1"])[1];
}

function tellCharts(result, beside) {
  const at = (r, name, scale) => ({ x: r.series.time_s.map((t) => t * MICRO), y: r.series[name].map((v) => v * scale) });
  const line = (name, column, scale) => [{ name, ...at(result, column, scale) }, ...(beside ? [{ name: `${name}, changed`, ...at(beside, column, scale) }] : [])];
  const moments = result.summary.burst_time_s ? [{ at: result.summary.burst_time_s * MICRO, name: "burst" }] : [];
  const shared = { across: "µs", moments };
  place("charts").replaceChildren(
    chart({ title: "Coil current", up: "kA", lines: line("coil", "current_a", 1e-3), ...shared }),
    chart({ title: "Bank voltage", up: "kV", lines: line("bank", "bank_voltage_v", 1e-3), ...shared }),
    chart({ title: "Field in the gap", up: "T", lines: line("gap", "gap_field_tesla", 1), ...shared }),
    chart({ title: "Diameters", up: "mm", lines: [...line("outer", "outer_diameter_m", 1e3), ...line("bore of the coil", "coil_inner_diameter_m", 1e3)], ...shared }),
    chart({ title: "Inward force", up: "kN", lines: line("force", "force_n", 1e-3), ...shared }),
    chart({ title: "Hottest place", up: "K", lines: [...line("part", "workpiece_temperature_k", 1), ...line("coil", "coil_temperature_k", 1)], ...shared }),
  );
  place("section").replaceChildren(section(result));
}

const ENERGY = [["coil_heat_j", "heat of the coil", "heat"], ["workpiece_heat_j", "heat of the part", "heat"], ["stray_resistance_j", "strays", "heat"], ["damping_resistor_j", "damping resistor", "heat"], ["switch_drop_j", "switch", "heat"], ["crowbar_j", "crowbar", "heat"], ["workpiece_plastic_work_j", "shaping the part", "work"], ["coil_plastic_work_j", "stretching the coil", "work"], ["coil_motion_j", "flying coil", "work"], ["workpiece_motion_j", "moving part", "work"], ["workpiece_elastic_j", "spring of the part", "work"], ["coil_elastic_j", "spring of the coil", "work"], ["arc_j", "arcs", "rest"], ["magnetic_j", "field at the end", "rest"], ["left_in_bank_j", "left in the bank", "rest"], ["residual_j", "not accounted for", "rest"]];

function tellBalance({ ratings, energy }) {
  const limits = ratings.map((r) => ({ name: words(r.name), value: Math.max(0, 1 - r.margin_ratio), of: 1, told: `${told(r.value, r.unit)} of ${told(r.limit, r.unit)}`, kind: r.exceeded ? "over" : "" }));
  const parts = ENERGY.map(([name, label, kind]) => ({ name: label, value: energy[name], of: energy.bank_j, told: told(energy[name], "J"), kind })).filter((p) => Math.abs(p.value) > 1e-3 * energy.bank_j);
  const sum = ENERGY.reduce((total, [name]) => total + energy[name], 0);
  const shown = [bars("Where the energy goes", parts, `Where the ${told(energy.bank_j, "J")} of the bank go; the parts add up to ${told(sum, "J")}`)];
  shown[0].dataset.sum = sum;
  if (limits.length) shown.unshift(bars("Limits used", limits, "How much of each stated limit is used"));
  place("balance").replaceChildren(...shown);
}

function tellSafety({ hazards, bench_load: load, faults, checklist }) {
  place("cautions").replaceChildren(...hazards.cautions.map((text) => Object.assign(document.createElement("li"), { textContent: text })));
  table("hazards", "Estimates for planning; each errs as it says", ["what", "value", "what follows", "errs"], [...hazards.estimates, ...load].map((h) => [h.name.replaceAll("_", " "), told(h.value, h.unit), h.statement, h.errs]));
  table("faults", "Figures before anything has failed", ["fault", "current", "what happens", "what it demands"], faults.map((f) => [f.name.replaceAll("_", " "), f.peak_current_a === null ? "not known" : told(f.peak_current_a, "A"), f.statement, f.demands]));
  const stages = new Map();
  for (const item of checklist) stages.set(item.stage, [...(stages.get(item.stage) ?? []), item]);
  place("checklist").replaceChildren(...[...stages].flatMap(([stage, items]) => {
    const list = document.createElement("ol");
    list.className = "steps";
    for (const item of items) {
      const entry = document.createElement("li"), label = document.createElement("label"), box = document.createElement("input");
      box.type = "checkbox";
      label.append(box, item.action);
      entry.append(label);
      list.append(entry);
    }
    return [Object.assign(document.createElement("h3"), { textContent: stage.replaceAll("_", " ") }), list];
  }));
  table("measured", "To be filled in at the bench", ["", "predicted", "measured"], [
    ["charge voltage", told(current.shot.bank.charge_voltage_v, "V"), "…………"],
    ["peak current", told(current.summary.peak_current_a, "A"), "…………"],
    ["time to peak", told(current.summary.time_to_peak_s, "s"), "…………"],
    ["final outer diameter", told(current.summary.final_outer_diameter_m, "m"), "…………"],
    ["thickness at the rim", told(current.summary.final_rim_thickness_m, "m"), "…………"],
    ["burst seen", current.summary.burst_time_s === null ? "no" : told(current.summary.burst_time_s, "s"), "…………"],
  ]);
}

const SLIDERS = [
  ["charge voltage", (s) => s.bank.charge_voltage_v, (s, v) => { s.bank.charge_voltage_v = v; }, "V", 0.7, 1.2],
  ["gap", (s) => s.gap_m, (s, v) => { s.gap_m = v; }, "m", 0.7, 1.6],
  ["turns", (s) => s.coil.turns_count, (s, v) => { s.coil.turns_count = Math.round(v); }, "1", 0.5, 1.6],
  ["capacitance", (s) => s.bank.capacitance_farad, (s, v) => { s.bank.capacitance_farad = v; }, "F", 0.5, 1.6],
];
let current = null, timer = 0, asking = 0;

function addSliders() {
  place("change").replaceChildren(...SLIDERS.map(([name, read, , unit, low, high]) => {
    const label = document.createElement("label"), input = document.createElement("input"), shown = document.createElement("output");
    const stored = read(current.shot);
    Object.assign(input, { type: "range", min: low, max: high, step: unit === "1" ? 1 / stored : 0.005, value: 1 });
    input.setAttribute("aria-label", name);
    const tell = () => { shown.textContent = ` ${told(unit === "1" ? Math.round(stored * input.value) : stored * input.value, unit)}`; };
    input.addEventListener("input", () => { tell(); clearTimeout(timer); timer = setTimeout(runChanged, 250); });
    tell();
    label.append(name, shown, input);
    return label;
  }));
}

async function runChanged() {
  const shot = structuredClone(current.shot), turn = (asking += 1);
  const inputs = place("change").querySelectorAll("input");
  SLIDERS.forEach(([, read, write], index) => write(shot, read(current.shot) * inputs[index].value));
  try {
    const result = await ask("/v1/shots", { method: "POST", body: JSON.stringify(shot), headers: { "Content-Type": "application/json" } });
    if (turn !== asking) return;
    place("trouble").hidden = true;
    const size = result.summary ? told(result.summary.final_outer_diameter_m, "m") : "no size";
    place("changed").textContent = `Changed: ${size} after ${told(result.summary?.peak_current_a, "A")}, ${result.verdict.statement}`;
    tellCharts(current, result.series ? result : null);
  } catch (problem) {
    show(place("trouble"), problem, runChanged);
  }
}

async function load() {
  try {
    const detail = await ask(`/v1/designs/${encodeURIComponent(design)}/candidates/${encodeURIComponent(number)}`);
    if (!detail.result?.summary) throw new Error(detail.candidate.explanation ?? "No shot was run for this candidate.");
    current = detail.result;
    place("trouble").hidden = true;
    place("title").textContent = `Candidate ${number}: ${told(current.summary.final_outer_diameter_m, "m")} with ${told(current.shot.bank.charge_voltage_v, "V")}`;
    place("back").href = `/design?design=${encodeURIComponent(design)}`;
    tellVerdict(current.verdict, current.status, current.advice);
    tellBuild(current);
    tellFigures(current, detail);
    tellCharts(current, null);
    tellBalance(current);
    tellSafety(current);
    addSliders();
    place("input").textContent = JSON.stringify(current.shot, null, 1);
    place("provenance").textContent = `Design ${design}, candidate ${number}; model ${current.provenance.model_version}, data ${current.provenance.material_data_version}, input ${current.provenance.input_sha256.slice(0, 16)}.`;
    place("shot").hidden = false;
  } catch (problem) {
    place("verdict").textContent = "The shot is not shown.";
    show(place("trouble"), problem, load);
    if (problem.status === 0 || problem.status === 503) setTimeout(load, 2000);
  }
}

place("print").addEventListener("click", () => window.print());
place("copy").addEventListener("click", () => navigator.clipboard?.writeText(place("input").textContent));
load();
