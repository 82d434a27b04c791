// Shots that were fired, found by words.

import { fill, h, later, link, place, table } from "./dom.js";
import { ask, persist } from "./service.js";
import { told, when } from "./units.js";

let shown = 50;

async function look() {
  const text = new FormData(place("filter")).get("text");
  const { items, next_cursor: more } = await ask(`/v1/records?limit=${shown}${text ? `&text=${encodeURIComponent(text)}` : ""}`);
  fill("records", items.length
    ? table("Records, the one stored last first", ["record", "fired", "voltage", "diameter, mm", "peak current", "bench", "notes"], items.map((r) => [link(`/record?record=${r.id}`, r.name || r.id), when(r.fired_at), told(r.charge_voltage_v, "V"), `${(1e3 * r.outer_diameter_m).toFixed(2)} → ${r.final_outer_diameter_m ? (1e3 * r.final_outer_diameter_m).toFixed(2) : "?"}`, told(r.peak_current_a, "A"), r.bench_id ? link(`/bench?bench=${r.bench_id}`, "its bench") : "–", r.notes.slice(0, 80)]))
    : h("p", {}, text ? "None is like that." : "None yet."));
  place("more").hidden = !more || shown >= 1000;
  return true;
}
place("filter").addEventListener("input", later(() => persist(look), 300));
place("filter").addEventListener("submit", (event) => event.preventDefault());
place("more").addEventListener("click", () => { shown = Math.min(4 * shown, 1000); persist(look); });
persist(look);
