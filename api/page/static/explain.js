// A shot told in steps to an audience: one thing at a time, in large letters, with its number, its law and its moment.

import { make } from "./charts.js";
import { fill, h, place } from "./dom.js";
import { throughTime } from "./section.js";
import { persist, post } from "./service.js";
import { sourceOf } from "./source.js";
import { digits, told } from "./units.js";

const MICRO = 1e6, source = sourceOf();
let steps = [], at = 0, axis = null, section = null;

// The time axis: current and diameter as they go, a mark for each step, the present one drawn large.
function timeAxis({ series }) {
  const width = 1000, height = 150, end = Math.max(...steps.slice(0, -1).map((step) => step.time_s)) * 1.3 || series.time_s.at(-1);
  const x = (t) => 10 + (Math.min(t, end) / end) * (width - 20), top = Math.max(...series.current_a.map(Math.abs)) || 1;
  const points = (column, scale, zero) => series.time_s.map((t, i) => [t, i]).filter(([t]) => t <= end).map(([t, i]) => `${x(t).toFixed(1)},${(zero - series[column][i] * scale).toFixed(1)}`).join(" ");
  const first = series.outer_diameter_m[0];
  const drawn = make("svg", { viewBox: `0 0 ${width} ${height + 34}`, role: "img", "aria-label": `Time axis to ${digits(end * MICRO)} µs with ${steps.length} steps, current and diameter` });
  drawn.append(make("path", { class: "axis", d: `M10 ${height}H${width - 10}` }), make("polyline", { class: "line c0", points: points("current_a", 55 / top, 75), "data-name": "current" }), make("polyline", { class: "line c1", points: points("outer_diameter_m", 55 / first, 75), "data-name": "diameter" }));
  drawn.append(make("text", { x: width - 10, y: height + 28, "text-anchor": "end" }, `${digits(end * MICRO)} µs`), make("text", { x: 10, y: height + 28 }, "0; full line: current, dashed: diameter of the part"));
  const marks = steps.map((step) => make("circle", { class: "step", cx: x(step.time_s), cy: height, r: 7, "data-time": step.time_s }));
  const hand = make("line", { class: "moment", y1: 4, y2: height });
  drawn.append(hand, ...marks);
  return { drawn, tell(index) { marks.forEach((mark, place_) => mark.setAttribute("class", place_ === index ? "step now" : "step")); const here = x(steps[index].time_s); hand.setAttribute("x1", here); hand.setAttribute("x2", here); } };
}

function tell(index) {
  at = Math.min(Math.max(index, 0), steps.length - 1);
  const step = steps[at];
  fill("stage", h("p", { class: "count" }, `${at + 1} of ${steps.length} · ${step.time_s ? `after ${digits(step.time_s * MICRO)} µs` : "at the start"}`), h("h2", {}, step.title), h("p", { class: "big" }, told(step.value, step.unit)), h("p", {}, step.statement), h("p", { class: "law" }, step.equation));
  axis.tell(at);
  place("back").disabled = at === 0;
  place("on").disabled = at === steps.length - 1;
  history.replaceState(null, "", `#${at + 1}`);
  section?.show(nearest(step.time_s));
}

const nearest = (time) => section.frames.reduce((best, frame, index) => (Math.abs(frame.time_s - time) < Math.abs(section.frames[best].time_s - time) ? index : best), 0);

async function load() {
  const { result } = await source.read();
  steps = result.explanation;
  place("title").textContent = `${source.name[0].toUpperCase()}${source.name.slice(1)} explained`;
  place("shotlink").href = `/shot?${source.query}`;
  axis = timeAxis(result);
  fill("axis", axis.drawn);
  tell(Number(location.hash.slice(1) || 1) - 1);
  return result.shot;
}

const KEYS = { ArrowRight: () => at + 1, " ": () => at + 1, PageDown: () => at + 1, ArrowLeft: () => at - 1, PageUp: () => at - 1, Home: () => 0, End: () => steps.length - 1 };
document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.altKey || event.metaKey || ["BUTTON", "A", "INPUT"].includes(event.target.tagName) && [" ", "ArrowLeft", "ArrowRight"].includes(event.key) && event.target.tagName !== "A") return;
  if (event.key === "f" || event.key === "F") { document.documentElement.requestFullscreen?.(); return; }
  if (!steps.length || !KEYS[event.key]) return;
  event.preventDefault();
  tell(KEYS[event.key]());
});
place("back").addEventListener("click", () => tell(at - 1));
place("on").addEventListener("click", () => tell(at + 1));
place("full").addEventListener("click", () => document.documentElement.requestFullscreen?.());

const shot = await persist(load);
if (shot) await persist(async () => {
  const frames = await post("/v1/shots/section?frames_count=24", shot);
  if (!frames.frames.length) return;
  section = throughTime(frames);
  fill("picture", section.figure);
  section.show(nearest(steps[at].time_s));
});
