// Numbers in the units of the bench. The API speaks SI only; it is converted here, at the edge.

const PREFIXES = [[1e9, "G"], [1e6, "M"], [1e3, "k"], [1, ""], [1e-3, "m"], [1e-6, "µ"], [1e-9, "n"]];
const PREFIXED = new Set(["m", "s", "V", "A", "J", "Pa", "T", "N", "W", "H", "F", "Hz", "C", "Ohm"]);
const SPELLED = { Ohm: "Ω", "A2.s": "A²·s", "N.s": "N·s", m2: "m²", m3: "m³", "J/m2": "J/m²", "kg/m3": "kg/m³" };
// The longest ending that a name has tells its unit, as in the API.
const UNITS = {
  _m: "m", _m2: "m2", _m3: "m3", _s: "s", _v: "V", _a: "A", _j: "J", _k: "K", _kg: "kg", _n: "N", _pa: "Pa", _w: "W", _hz: "Hz", _ohm: "Ohm",
  _henry: "H", _farad: "F", _tesla: "T", _coulomb: "C", _m_per_s: "m/s", _a_per_s: "A/s", _n_per_m: "N/m", _per_s: "/s", _v_per_m: "V/m",
  _kg_per_m3: "kg/m3", _j_per_m2: "J/m2", _n_s: "N.s", _a2_s: "A2.s", _ratio: "1", _count: "1",
};
const ENDINGS = Object.keys(UNITS).sort((a, b) => b.length - a.length);

const endingOf = (name) => ENDINGS.find((ending) => name.endsWith(ending));
export const unitOf = (name) => UNITS[endingOf(name)] ?? "1";
export const words = (name) => { const ending = endingOf(name); return (ending ? name.slice(0, -ending.length) : name).replaceAll("_", " "); };

export function digits(value) {
  const size = Math.abs(value);
  if (value === 0) return "0";
  if (size >= 1e5 || size < 1e-3) return value.toExponential(2);
  return String(Number(value.toPrecision(size >= 1000 ? 4 : 3)));
}

export function told(value, unit) {
  if (value === null || value === undefined) return "–";
  if (unit === "K") return `${(value - 273.15).toFixed(0)} °C`;
  if (unit === "1" || unit === undefined) return digits(value);
  if (unit === "A/s") return `${digits(value * 1e-9)} kA/µs`;
  if (unit === "m") return length(value);
  if (unit === "s" && value >= 1) return value < 120 ? `${value.toFixed(0)} s` : `${(value / 60).toFixed(0)} min`;
  if (!PREFIXED.has(unit) || value === 0) return `${digits(value)} ${SPELLED[unit] ?? unit}`;
  const [size, prefix] = PREFIXES.find(([s]) => Math.abs(value) >= s * 0.9995) ?? PREFIXES.at(-1);
  return `${unit === "F" ? Number((value / size).toPrecision(4)) : digits(value / size)} ${prefix}${SPELLED[unit] ?? unit}`;
}

// Sizes as a gauge shows them: hundredths of a millimetre.
function length(value) {
  const size = Math.abs(value);
  if (value !== 0 && size < 1e-4) return `${digits(value * 1e6)} µm`;
  return size >= 1 ? `${digits(value)} m` : `${(value * 1e3).toFixed(size >= 0.1 ? 1 : 2)} mm`;
}

export function percent(ratio) {
  if (ratio === null || ratio === undefined) return "–";
  const value = 100 * ratio, size = Math.abs(value);
  return size > 0 && size < 0.1 ? "under 0.1 %" : `${value.toFixed(size >= 10 || value === 0 ? 0 : 1)} %`;
}
// Names of fields inside a sentence, as people say them.
export const spoken = (sentence) => sentence.replace(/\b[a-z0-9]+(?:_[a-z0-9]+)+\b/g, (name) => words(name));
export const when = (stamp) => (stamp ? new Date(stamp).toLocaleString([], { dateStyle: "medium", timeStyle: "short" }) : "–");

// In which unit a field of a form is asked for: its name, its size in SI, and what stands for nothing there.
export function asked(name, unit, most) {
  const plain = { shown: SPELLED[unit] ?? unit, size: 1, zero: 0 };
  switch (unit) {
    case "m": return name.includes("distance") || name === "length_m" || most > 1 ? plain : { shown: "mm", size: 1e-3, zero: 0 };
    case "s": return name === "budget_duration_s" ? { shown: "h", size: 3600, zero: 0 } : most < 1 ? { shown: "µs", size: 1e-6, zero: 0 } : plain;
    case "V": return most >= 1e4 ? { shown: "kV", size: 1e3, zero: 0 } : plain;
    case "A": return { shown: "kA", size: 1e3, zero: 0 };
    case "J": return name === "stored_energy_j" ? { shown: "kJ", size: 1e3, zero: 0 } : plain;
    case "F": return { shown: "µF", size: 1e-6, zero: 0 };
    case "H": return { shown: "nH", size: 1e-9, zero: 0 };
    case "Ohm": return most <= 100 ? { shown: "mΩ", size: 1e-3, zero: 0 } : plain;
    case "K": return { shown: "°C", size: 1, zero: 273.15 };
    case "V/m": return { shown: "kV/mm", size: 1e6, zero: 0 };
    case "1": return name.endsWith("_ratio") && most <= 0.3 ? { shown: "%", size: 0.01, zero: 0 } : { ...plain, shown: "" };
    default: return plain;
  }
}
export const toShown = (value, scale) => Number(((value - scale.zero) / scale.size).toPrecision(9));
export const toSI = (value, scale) => Number((value * scale.size + scale.zero).toPrecision(12));
