// Numbers in the units of the bench, and charts as SVG of our own.

const SVG = "http://www.w3.org/2000/svg";
const PREFIXES = [[1e9, "G"], [1e6, "M"], [1e3, "k"], [1, ""], [1e-3, "m"], [1e-6, "µ"], [1e-9, "n"]];
const PREFIXED = new Set(["m", "s", "V", "A", "J", "Pa", "T", "N", "W", "H", "F", "Hz", "C"]);

export function told(value, unit) {
  if (value === null || value === undefined) return "not rated";
  if (unit === "K") return `${(value - 273.15).toFixed(0)} °C`;
  if (unit === "1" || unit === undefined) return digits(value);
  if (unit === "s" && value >= 1) return value < 120 ? `${value.toFixed(0)} s` : `${(value / 60).toFixed(0)} min`;
  if (!PREFIXED.has(unit) || value === 0) return `${digits(value)} ${unit}`;
  const [size, prefix] = PREFIXES.find(([s]) => Math.abs(value) >= s * 0.9995) ?? PREFIXES.at(-1);
  return `${unit === "m" ? Number((value / size).toPrecision(4)) : digits(value / size)} ${prefix}${unit}`;
}

export function digits(value) {
  const size = Math.abs(value);
  if (value === 0) return "0";
  if (size >= 1e5 || size < 1e-3) return value.toExponential(2);
  return String(Number(value.toPrecision(size >= 1000 ? 4 : 3)));
}

export function words(name) { return name.replace(/_(m_per_s|a_per_s|n_per_m|kg_per_m3|j_per_m2|per_s|a2_s|n_s|m|s|v|a|j|k|kg|n|pa|ratio|count|henry|ohm|farad|tesla|coulomb)$/, "").replaceAll("_", " "); }

export function make(tag, attributes = {}, ...children) {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.append(...children);
  return element;
}

function ticks(low, high, wanted = 5) {
  const raw = (high - low) / wanted;
  const power = 10 ** Math.floor(Math.log10(raw || 1));
  const step = [1, 2, 5, 10].map((k) => k * power).find((s) => s >= raw) ?? power;
  const found = [];
  for (let t = Math.ceil(low / step) * step; t <= high + 1e-9 * step; t += step) found.push(Number(t.toPrecision(12)));
  return found;
}

// Lines over a common axis. `lines` are {name, x, y}; moments are {at, name}. Every line keeps its extremes as data.
export function chart({ title, across, up, lines, moments = [] }) {
  const width = 560, height = 300, left = 58, right = 12, top = 12, bottom = 44;
  const xs = lines.flatMap((l) => l.x), ys = lines.flatMap((l) => l.y);
  const [x0, x1] = [Math.min(...xs), Math.max(...xs)];
  let [y0, y1] = [Math.min(0, ...ys), Math.max(...ys)];
  if (lines.every((l) => Math.min(...l.y) > 0.5 * Math.max(...l.y))) y0 = Math.min(...ys) * 0.95;
  if (y1 === y0) y1 = y0 + 1;
  const px = (x) => left + ((x - x0) / (x1 - x0 || 1)) * (width - left - right);
  const py = (y) => height - bottom - ((y - y0) / (y1 - y0)) * (height - top - bottom);
  const said = lines.map((l) => `${l.name}: ${digits(Math.min(...l.y))} to ${digits(Math.max(...l.y))} ${up}`).join("; ");
  const drawn = make("svg", { viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": `${title}. ${said}` });
  for (const y of ticks(y0, y1)) {
    drawn.append(make("line", { class: "grid", x1: left, x2: width - right, y1: py(y), y2: py(y) }));
    drawn.append(make("text", { x: left - 6, y: py(y) + 4, "text-anchor": "end" }, digits(y)));
  }
  for (const x of ticks(x0, x1)) drawn.append(make("text", { x: px(x), y: height - bottom + 18, "text-anchor": "middle" }, digits(x)));
  drawn.append(make("path", { class: "axis", d: `M${left} ${top}V${height - bottom}H${width - right}` }));
  drawn.append(make("text", { x: (left + width - right) / 2, y: height - 8, "text-anchor": "middle" }, across));
  for (const { at, name } of moments) {
    if (at === null || at < x0 || at > x1) continue;
    drawn.append(make("line", { class: "moment", x1: px(at), x2: px(at), y1: top, y2: height - bottom }));
    drawn.append(make("text", { x: px(at) + 4, y: top + 12 }, name));
  }
  lines.forEach((line, index) => {
    const points = line.x.map((x, i) => `${px(x).toFixed(1)},${py(line.y[i]).toFixed(1)}`).join(" ");
    drawn.append(make("polyline", { class: `line c${index % 4}`, points, "data-name": line.name, "data-max": Math.max(...line.y), "data-min": Math.min(...line.y) }));
  });
  const figure = document.createElement("figure");
  const caption = document.createElement("figcaption");
  caption.append(`${title} (${up})`);
  const key = make("svg", { viewBox: `0 0 ${width} ${18 * lines.length}`, "aria-hidden": "true" });
  lines.forEach((line, index) => {
    key.append(make("line", { class: `line c${index % 4}`, x1: 6, x2: 46, y1: 9 + 18 * index, y2: 9 + 18 * index }));
    key.append(make("text", { x: 54, y: 14 + 18 * index }, line.name));
  });
  figure.append(caption, drawn, key);
  return figure;
}

// Bars that are parts of a whole, or shares of a limit: {name, value, of, told, kind}.
export function bars(title, rows, label) {
  const width = 560, row = 26, wide = 250;
  const most = Math.max(...rows.map((r) => Math.abs(r.value)), 1e-30);
  const drawn = make("svg", { viewBox: `0 0 ${width} ${row * rows.length + 4}`, role: "img", "aria-label": `${title}: ${rows.map((r) => `${r.name} ${r.told}`).join("; ")}` });
  rows.forEach((r, index) => {
    const y = 4 + row * index, share = Math.min(Math.abs(r.value) / (r.of ?? most), 1);
    drawn.append(make("text", { x: 190, y: y + 15, "text-anchor": "end" }, r.name));
    drawn.append(make("rect", { class: `bar ${r.kind ?? ""}`, x: 198, y: y + 3, height: 16, width: Math.max(share * wide, 1).toFixed(1), "data-name": r.name, "data-value": r.value }));
    drawn.append(make("text", { x: 204 + Math.max(share * wide, 1), y: y + 15 }, r.told));
  });
  const figure = document.createElement("figure");
  figure.append(Object.assign(document.createElement("figcaption"), { textContent: label ?? title }), drawn);
  return figure;
}

// Points that are links: {x, y, href, name, chosen}.
export function scatter({ title, across, up, points }) {
  const width = 560, height = 320, left = 58, right = 16, top = 14, bottom = 44;
  const span = (values) => { const low = Math.min(...values), high = Math.max(...values), more = 0.06 * (high - low || high || 1); return [low - more, high + more]; };
  const [x0, x1] = span(points.map((p) => p.x)), [y0, y1] = span(points.map((p) => p.y));
  const px = (x) => left + ((x - x0) / (x1 - x0)) * (width - left - right), py = (y) => height - bottom - ((y - y0) / (y1 - y0)) * (height - top - bottom);
  const drawn = make("svg", { viewBox: `0 0 ${width} ${height}`, role: "group", "aria-label": `${title}; ${points.length} points` });
  for (const y of ticks(y0, y1)) {
    drawn.append(make("line", { class: "grid", x1: left, x2: width - right, y1: py(y), y2: py(y) }));
    drawn.append(make("text", { x: left - 6, y: py(y) + 4, "text-anchor": "end" }, digits(y)));
  }
  for (const x of ticks(x0, x1)) drawn.append(make("text", { x: px(x), y: height - bottom + 18, "text-anchor": "middle" }, digits(x)));
  drawn.append(make("path", { class: "axis", d: `M${left} ${top}V${height - bottom}H${width - right}` }));
  drawn.append(make("text", { x: (left + width - right) / 2, y: height - 8, "text-anchor": "middle" }, across));
  for (const point of points) {
    const mark = make("a", { href: point.href, "aria-label": point.name }, make("title", {}, point.name));
    mark.append(make("circle", { class: point.chosen ? "dot chosen" : "dot", cx: px(point.x).toFixed(1), cy: py(point.y).toFixed(1), r: point.chosen ? 9 : 5, "data-x": point.x, "data-y": point.y }));
    drawn.append(mark);
  }
  const figure = document.createElement("figure");
  figure.append(Object.assign(document.createElement("figcaption"), { textContent: `${title} (${up})` }), drawn);
  return figure;
}
