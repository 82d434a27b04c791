// The designs as they stand: state, progress, best so far; running ones are looked at again every few seconds.

import { fill, h, later, link, place, table } from "./dom.js";
import { ask, persist } from "./service.js";
import { told, when } from "./units.js";

const PAUSE_MS = 3000, ACTIVE = ["queued", "running", "cancelling"];
const known = new Map();
let shown = 20, timer = 0;

const filter = () => { const asked = new FormData(place("filter")); return new URLSearchParams([...asked].filter(([, value]) => value)); };

function best(design) {
  const one = design.recommended?.candidate ?? design.best;
  if (!one) return design.limiting ? "nothing feasible" : "–";
  const words = `${one.turns_count} turns of ${one.wire.replaceAll("_", " ")}, ${told(one.capacitance_farad, "F")} at ${told(one.charge_voltage_v, "V")}, ${told(one.stored_energy_j, "J")}`;
  return link(`/shot?design=${design.id}&number=${one.number}`, words);
}

function progress({ progress: { finished_trials_count: done, budget_trials_count: total } }) {
  return total ? h("span", { class: "bar-and-words" }, h("progress", { max: total, value: done, "aria-label": "trials" }), ` ${done} of ${total}`) : `${done}`;
}

function row(design) {
  const { request } = design, before = request.workpiece.outer_diameter_m;
  const after = request.target.final_outer_diameter_m ?? request.target.shrink_ratio * before;
  return [link(`/design?design=${design.id}`, design.name || design.id), design.status, progress(design),
    `${(before * 1e3).toFixed(2)} → ${(after * 1e3).toFixed(2)}`, best(design), when(design.created_at)];
}

async function look() {
  const { items, next_cursor: more } = await ask(`/v1/designs?limit=${shown}&${filter()}`);
  const details = await Promise.all(items.map(async (item) => {
    const seen = known.get(item.id);
    if (seen && !ACTIVE.includes(seen.status) && seen.status === item.status) return seen;
    const detail = await ask(item.links.self);
    known.set(item.id, detail);
    return detail;
  }));
  fill("designs", details.length
    ? table("Designs, newest first", ["design", "status", "trials", "diameter, mm", "recommended, or best so far", "asked"], details.map(row))
    : h("p", {}, filter().size ? "None is like that." : h("span", {}, "None yet. ", link("/new", "Ask for the first one.")) ));
  place("more").hidden = !more || shown >= 100;
}

async function watch() {
  clearTimeout(timer);
  await persist(look);
  timer = setTimeout(watch, PAUSE_MS);
}

place("filter").addEventListener("input", later(watch, 300));
place("filter").addEventListener("submit", (event) => event.preventDefault());
place("more").addEventListener("click", () => { shown = Math.min(shown + 40, 100); watch(); });
watch();
