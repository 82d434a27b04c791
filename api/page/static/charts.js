// Charts as SVG of our own. What is drawn keeps its numbers as data, and says them to those who cannot see it.

import { h } from "./dom.js";
import { digits, percent, told } from "./units.js";

// So few points are marked by themselves.
const FEW = 30;
const SVG = "http://www.w3.org/2000/svg";

export function make(tag, attributes = {}, ...children) {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) if (value !== null && value !== undefined) element.setAttribute(name, value);
  element.append(...children);
  return element;
}

const least = (values) => values.reduce((low, value) => Math.min(low, value), Infinity);
const most = (values) => values.reduce((high, value) => Math.max(high, value), -Infinity);

function ticks(low, high, wanted = 5) {
  const raw = (high - low) / wanted;
  const power = 10 ** Math.floor(Math.log10(raw || 1));
  const step = [1, 2, 5, 10].map((k) => k * power).find((s) => s >= raw) ?? power;
  const found = [];
  for (let t = Math.ceil(low / step) * step; t <= high + 1e-9 * step; t += step) found.push(Math.abs(t) < 1e-9 * step ? 0 : Number(t.toPrecision(12)));
  return found;
}

// The ground of a chart: axes, grid and what turns values into places.
function ground({ width, height, x, y, across, label, role = "img" }) {
  const left = 58, right = 14, top = 14, bottom = 44;
  const px = (v) => left + ((v - x[0]) / (x[1] - x[0] || 1)) * (width - left - right);
  const py = (v) => height - bottom - ((v - y[0]) / (y[1] - y[0] || 1)) * (height - top - bottom);
  const drawn = make("svg", { viewBox: `0 0 ${width} ${height}`, role, "aria-label": label });
  for (const v of ticks(...y)) {
    drawn.append(make("line", { class: "grid", x1: left, x2: width - right, y1: py(v), y2: py(v) }), make("text", { x: left - 6, y: py(v) + 4, "text-anchor": "end" }, digits(v)));
  }
  for (const v of ticks(...x)) drawn.append(make("text", { x: px(v), y: height - bottom + 18, "text-anchor": "middle" }, digits(v)));
  drawn.append(make("path", { class: "axis", d: `M${left} ${top}V${height - bottom}H${width - right}` }), make("text", { x: (left + width - right) / 2, y: height - 8, "text-anchor": "middle" }, across));
  return { drawn, px, py, left, right, top, bottom };
}

// Lines over a common axis. `lines` are {name, x, y}; moments are {at, name}.
export function chart({ title, across, up, lines, moments = [], height = 300 }) {
  const width = 560, ys = lines.flatMap((l) => l.y), xs = lines.flatMap((l) => l.x);
  const spread = [least(ys), most(ys)], room = 0.04 * (spread[1] - spread[0] || 1);
  const aloft = spread[0] > 0.5 * spread[1];
  const y = [aloft ? spread[0] - room : Math.min(0, spread[0] < 0 ? spread[0] - room : 0), spread[1] + room];
  const x = [least(xs), most(xs)];
  const said = lines.map((l) => `${l.name}: ${digits(least(l.y))} to ${digits(most(l.y))} ${up}`).join("; ");
  const { drawn, px, py, left, right, top, bottom } = ground({ width, height, x, y, across, label: `${title}. ${said}` });
  for (const { at, name } of moments) {
    if (at === null || at < x[0] || at > x[1]) continue;
    const late = px(at) > width - 120;
    drawn.append(make("line", { class: "moment", x1: px(at), x2: px(at), y1: top, y2: height - bottom }), make("text", { x: px(at) + (late ? -4 : 4), y: top + 12, "text-anchor": late ? "end" : "start" }, name));
  }
  lines.forEach((line, index) => drawn.append(make("polyline", {
    class: `line c${index % 4}`, points: line.x.map((v, i) => `${px(v).toFixed(1)},${py(line.y[i]).toFixed(1)}`).join(" "),
    "data-name": line.name, "data-min": least(line.y), "data-max": most(line.y),
  })));
  lines.forEach((line, index) => { if (line.x.length <= FEW) drawn.append(...line.x.map((v, i) => make("circle", { class: `mark c${index % 4}`, cx: px(v).toFixed(1), cy: py(line.y[i]).toFixed(1), r: 3.5 }))); });
  const caption = h("figcaption", {}, `${title} (${up})`), heading = caption.textContent;
  const mark = make("line", { class: "reading", x1: 0, x2: 0, y1: top, y2: height - bottom, visibility: "hidden" });
  drawn.append(mark);
  drawn.addEventListener("pointermove", (event) => {
    const box = drawn.getBoundingClientRect();
    const at = x[0] + (((event.clientX - box.left) / box.width) * width - left) / (width - left - right) * (x[1] - x[0]);
    if (at < x[0] || at > x[1]) return;
    mark.setAttribute("x1", px(at)); mark.setAttribute("x2", px(at)); mark.setAttribute("visibility", "visible");
    caption.textContent = `${digits(at)} ${across}: ${lines.map((l) => `${l.name} ${digits(valueAt(l, at))} ${up}`).join(", ")}`;
  });
  drawn.addEventListener("pointerleave", () => { mark.setAttribute("visibility", "hidden"); caption.textContent = heading; });
  return h("figure", {}, caption, drawn, lines.length > 1 ? key(lines.map((l) => l.name), width) : null);
}

export function valueAt({ x, y }, at) {
  const next = x.findIndex((v) => v >= at);
  if (next <= 0) return next === 0 ? y[0] : y.at(-1);
  const share = (at - x[next - 1]) / (x[next] - x[next - 1] || 1);
  return y[next - 1] + share * (y[next] - y[next - 1]);
}

function key(names, width) {
  const drawn = make("svg", { class: "key", viewBox: `0 0 ${width} ${18 * names.length}`, "aria-hidden": "true" });
  names.forEach((name, index) => drawn.append(make("line", { class: `line c${index % 4}`, x1: 6, x2: 46, y1: 9 + 18 * index, y2: 9 + 18 * index }), make("text", { x: 54, y: 14 + 18 * index }, name)));
  return drawn;
}

// Bars that are shares of a limit: {name, value, of, told, kind}.
export function bars(title, rows) {
  const width = 560, row = 26, wide = 230;
  const drawn = make("svg", { viewBox: `0 0 ${width} ${row * rows.length + 4}`, role: "img", "aria-label": `${title}: ${rows.map((r) => `${r.name} ${r.told}`).join("; ")}` });
  drawn.append(make("line", { class: "moment", x1: 198 + wide, x2: 198 + wide, y1: 2, y2: row * rows.length + 2 }));
  rows.forEach((r, index) => {
    const y = 4 + row * index, long = Math.max(Math.min(Math.abs(r.value) / r.of, 1.25) * wide, 1);
    const inside = long > 0.55 * wide;
    drawn.append(make("text", { x: 190, y: y + 15, "text-anchor": "end" }, r.name));
    drawn.append(make("rect", { class: `bar ${r.kind ?? ""}`, x: 198, y: y + 3, height: 16, width: long.toFixed(1), "data-name": r.name, "data-value": r.value }));
    drawn.append(make("text", { class: inside ? "inside" : null, x: inside ? 192 + long : 204 + long, y: y + 15, "text-anchor": inside ? "end" : "start" }, r.told));
  });
  return h("figure", {}, h("figcaption", {}, title), drawn);
}

// From one whole to its parts, as bands as broad as what they carry: {name, value, kind}. The parts add up to the whole.
export function flow(title, whole, parts) {
  const gap = 10, tall = 300, least_ = 13, width = 560, start = 110, end = 330;
  const heights = parts.map((p) => (Math.abs(p.value) / whole.value) * tall);
  const rooms = heights.map((height) => Math.max(height, least_));
  const total = rooms.reduce((sum, room) => sum + room + gap, 0), high = Math.max(tall, total) + 8;
  const sum = parts.reduce((so, p) => so + p.value, 0);
  const drawn = make("svg", { viewBox: `0 0 ${width} ${high}`, role: "img", "data-sum": sum, "data-whole": whole.value, "aria-label": `${title}: ${parts.map((p) => `${p.name} ${told(p.value, "J")}`).join("; ")}; together ${told(sum, "J")}` });
  const top = (high - tall) / 2;
  drawn.append(make("rect", { class: "bar", x: start - 16, y: top, width: 16, height: tall }));
  drawn.append(make("text", { x: start - 22, y: high / 2 - 4, "text-anchor": "end" }, whole.name), make("text", { x: start - 22, y: high / 2 + 14, "text-anchor": "end" }, told(whole.value, "J")));
  let from = top, to = 4;
  parts.forEach((part, index) => {
    const height = Math.max(heights[index], 0.6), middle = (start + end) / 2, low = to + (rooms[index] - height) / 2;
    drawn.append(make("path", { class: `band ${part.kind}`, "data-name": part.name, "data-value": part.value, d: `M${start} ${from}C${middle} ${from} ${middle} ${low} ${end} ${low}V${low + height}C${middle} ${low + height} ${middle} ${from + height} ${start} ${from + height}Z` }));
    drawn.append(make("text", { x: end + 8, y: low + height / 2 + 4 }, `${part.name} ${told(part.value, "J")}, ${percent(part.value / whole.value)}`));
    from += heights[index];
    to += rooms[index] + gap;
  });
  return h("figure", {}, h("figcaption", {}, title), drawn);
}

// Points that are links, over a cloud of points that are none: {x, y, href, name, chosen} and {x, y}.
export function scatter({ title, across, up, points, cloud = [] }) {
  const width = 560, height = 340;
  const span = (values) => { const low = least(values), high = most(values), more = 0.06 * (high - low || high || 1); return [low - more, high + more]; };
  // The cloud may reach far; the front keeps at least two thirds of the picture.
  const bounded = (axis) => { const own = span(points.map((p) => p[axis])), all = span([...points, ...cloud].map((p) => p[axis])); const wide = own[1] - own[0]; return [Math.max(all[0], own[0] - 0.1 * wide), Math.min(all[1], own[1] + 0.4 * wide)]; };
  const x = bounded("x"), y = bounded("y");
  const { drawn, px, py } = ground({ width, height, x, y, across, role: "group", label: `${title}; ${points.length} points that open their shot` });
  const inside = cloud.filter((p) => p.x > x[0] && p.x < x[1] && p.y > y[0] && p.y < y[1]);
  drawn.append(make("path", { class: "cloud", "data-count": inside.length, d: inside.map((p) => `M${px(p.x).toFixed(1)} ${py(p.y).toFixed(1)}h0`).join("") }));
  for (const point of points) {
    drawn.append(make("a", { href: point.href, "aria-label": point.name }, make("title", {}, point.name),
      make("circle", { class: point.chosen ? "dot chosen" : "dot", cx: px(point.x).toFixed(1), cy: py(point.y).toFixed(1), r: point.chosen ? 10 : 6, "data-x": point.x, "data-y": point.y })));
  }
  return h("figure", {}, h("figcaption", {}, `${title} (${up})`), drawn);
}
