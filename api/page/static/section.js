// The section of coil and part to scale: before and after at once, and through time with current density and field lines.

import { h } from "./dom.js";
import { digits } from "./units.js";
import { make } from "./charts.js";

const MM = 1e3;

// Half a section before (left of the axis) and after (right of it), to the same scale, from the answer to a shot alone.
export function beforeAndAfter({ shot, profile, series }) {
  const { coil, workpiece: part } = shot;
  const outer = part.outer_diameter_m / 2, inner = part.inner_diameter_m / 2, half = part.thickness_m / 2;
  const radial = coil.wire_diameter_m ?? coil.strip_thickness_m, axial = coil.wire_diameter_m ?? coil.strip_width_m;
  const layers = coil.layers_count, each = Math.ceil(coil.turns_count / layers), apart = coil.layer_pitch_m ?? radial * 1.05;
  const reach = outer + shot.gap_m + (layers - 1) * apart + radial;
  const tall = Math.max(half, (each * coil.pitch_m) / 2, ...(profile?.thickness_m ?? [0]).map((t) => t / 2)) * 1.15;
  const size = Math.min(262 / reach, 190 / tall), middle = 280, level = tall * size + 8;
  const drawn = make("svg", { viewBox: `0 0 560 ${(2 * level + 26).toFixed(0)}`, role: "img", "aria-label": "Section: part and turns before the shot on the left of the axis, the part after it on the right" });
  const box = (kind, r0, r1, z0, z1) => make("rect", { class: kind, x: middle + Math.min(r0, r1) * size, y: level - Math.max(z0, z1) * size, width: Math.abs(r1 - r0) * size, height: Math.abs(z1 - z0) * size });
  drawn.append(make("line", { class: "axis", x1: middle, x2: middle, y1: 4, y2: 2 * level - 4 }), box("part", -outer, -inner, -half, half));
  const wall = shot.insulation.former_wall_m, bare = outer + shot.gap_m - shot.insulation.enamel_thickness_m, long = (each * coil.pitch_m) / 2 + axial / 2;
  if (wall > 0) for (const side of [-1, 1]) drawn.append(box("former", side * (bare - wall), side * bare, -long, long));
  for (const side of [-1, 1]) {
    for (let n = 0; n < coil.turns_count; n += 1) {
      const layer = Math.floor(n / each), inLayer = Math.min(each, coil.turns_count - layer * each);
      const r = side * (outer + shot.gap_m + radial / 2 + layer * apart), z = ((n % each) - (inLayer - 1) / 2) * coil.pitch_m;
      drawn.append(coil.wire_diameter_m
        ? make("circle", { class: "turn", cx: middle + r * size, cy: level - z * size, r: (radial / 2) * size })
        : box("turn", r - radial / 2, r + radial / 2, z - axial / 2, z + axial / 2));
    }
  }
  drawn.append(afterwards({ profile, series, middle, level, size, half, inner }));
  drawn.append(make("text", { x: 110, y: 2 * level + 20, "text-anchor": "middle" }, "before"), make("text", { x: 450, y: 2 * level + 20, "text-anchor": "middle" }, "after; the coil as wound"));
  drawn.append(make("line", { class: "scale", x1: middle - 5e-3 * size, x2: middle + 5e-3 * size, y1: 2 * level + 2, y2: 2 * level + 2 }), make("text", { x: middle, y: 2 * level + 20, "text-anchor": "middle" }, "10 mm"));
  return h("figure", {}, h("figcaption", {}, "Section to scale"), drawn);
}

function afterwards({ profile, series, middle, level, size, half, inner }) {
  const end = series.outer_diameter_m.at(-1) / 2;
  const radii = profile?.radius_m ?? [], thick = profile?.thickness_m ?? [];
  const bore = inner > 0 ? series.inner_diameter_m.at(-1) / 2 : 0;
  const upper = [[bore, thick[0] ?? 2 * half], ...radii.map((r, i) => [r, thick[i]]), [end, thick.at(-1) ?? 2 * half]];
  const at = ([r, t], side) => `${(middle + r * size).toFixed(1)},${(level - (side * t * size) / 2).toFixed(1)}`;
  return make("polygon", { class: "part", points: [...upper.map((p) => at(p, 1)), ...upper.toReversed().map((p) => at(p, -1))].join(" "), "data-name": "part after", "data-max": end });
}

// One colour for each direction, deeper with the density; told apart by people who see no red or green too.
function tint(density, largest) {
  const share = Math.sqrt(Math.min(Math.abs(density) / (largest || 1), 1));
  return { fill: density >= 0 ? "var(--copper)" : "var(--steel)", "fill-opacity": (0.08 + 0.92 * share).toFixed(3) };
}

// Frames with a slider. `show(frame)` can be called from outside; `onchange` is told of each frame that is shown.
export function throughTime({ frames, half_width_m: wide, half_height_m: high, largest_density_a_per_m2: largest, flux_step_weber: step }, onchange = () => {}) {
  const width = 560, size = width / (2 * wide), height = 2 * high * size;
  const drawn = make("svg", { class: "through", viewBox: `0 0 ${width} ${height.toFixed(0)}`, role: "img" });
  const caption = h("figcaption", {}), slider = h("input", { type: "range", min: 0, max: frames.length - 1, step: 1, value: 0, "aria-label": "Instant of the section" });
  const x = (radius, side) => (width / 2 + side * radius * size).toFixed(1), y = (z) => (height / 2 - z * size).toFixed(1);
  const path = (points, side) => points.map(([r, z], i) => `${i ? "L" : "M"}${x(r, side)} ${y(z)}`).join("");
  function show(index) {
    const frame = frames[index];
    slider.value = index;
    const moment = `${digits(frame.time_s * 1e6)} µs, ${digits(frame.current_a / 1e3)} kA${frame.label ? `: ${frame.label}` : ""}`;
    slider.setAttribute("aria-valuetext", moment);
    caption.textContent = `Section at ${moment}`;
    drawn.setAttribute("aria-label", `Section at ${moment}: current density of ${frame.pieces.length} pieces and ${frame.field_lines_m.length} field lines`);
    const pieces = frame.pieces.map((piece) => make("path", { class: `piece${piece.of === "broken_turn" ? " broken" : ""}`, "data-of": piece.of, d: `${path(piece.corners_m, 1)}Z${path(piece.corners_m, -1)}Z`, ...tint(piece.density_a_per_m2, largest), "data-density": piece.density_a_per_m2 }));
    const lines = make("path", { class: "fieldline", "data-count": frame.field_lines_m.length, d: frame.field_lines_m.map((line) => path(line, 1) + path(line, -1)).join("") });
    drawn.replaceChildren(make("line", { class: "axis", x1: width / 2, x2: width / 2, y1: 0, y2: height }), ...pieces, lines);
    onchange(frame, index);
  }
  slider.addEventListener("input", () => show(Number(slider.value)));
  let playing = 0;
  const stop = () => { clearInterval(playing); playing = 0; play.textContent = "Play"; };
  const play = h("button", { type: "button", onclick: () => {
    if (playing) { stop(); return; }
    play.textContent = "Stop";
    let index = Number(slider.value) >= frames.length - 1 ? 0 : Number(slider.value);
    playing = setInterval(() => { show(index); index += 1; if (index >= frames.length) stop(); }, 350);
  } }, "Play");
  show(Math.max(frames.findIndex((frame) => frame.label === "peak current"), 0));
  const note = h("p", { class: "note" }, `Colour: current round the axis, copper with the coil's, blue against it, full at ${digits(largest / 1e9)} kA/mm². Between two lines ${digits(step * MM * MM)} µWb. Debris that has flown far is out of view.`);
  return { figure: h("figure", { class: "wide" }, caption, drawn, h("div", { class: "row" }, play, slider), note), show, frames };
}
