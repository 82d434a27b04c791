// A fired shot: entering what was measured, dropping the oscilloscope's file, and measured beside predicted.

import { chart, valueAt } from "./charts.js";
import { fill, h, link, place, table } from "./dom.js";
import { formOf, Schemas } from "./form.js";
import { ask, askText, clear, persist, post, show } from "./service.js";
import { sourceOf } from "./source.js";
import { digits, told, unitOf, when, words } from "./units.js";

const query = new URLSearchParams(location.search), source = sourceOf();
const OPEN = ["/sizes", "/set", "/sizes/final_outer_diameter_m", "/sizes/final_inner_diameter_m", "/sizes/final_rim_thickness_m", "/sizes/final_centre_thickness_m", "/set/charge_voltage_v", "/burst_time_s", "/notes"];
const LEFT_OUT = ["/shot", "/shot_of", "/trace", "/bench"];
let record = null, form = null, probe = null, file = null;

const pathOf = () => `/v1/records/${encodeURIComponent(record.id)}`;

async function prepare() {
  const document_ = await ask("/openapi.json"), schemas = new Schemas(document_);
  const parameters = document_.paths["/v1/records/{record_id}/trace"].put.parameters.filter((one) => one.in === "query");
  const schema = { type: "object", properties: Object.fromEntries(parameters.map((one) => [one.name, { ...one.schema, description: one.description ?? one.schema.description, "x-unit": one.schema["x-unit"] }])) };
  probe = formOf(schemas, schema, { open: ["/kind", "/unit", "/time_unit", "/scale", "/quantity"] });
  fill("probe", h("details", {}, h("summary", {}, "How the columns read: units, scale, offset, kind of probe"), probe.element));
  if (query.get("record")) { record = await ask(`/v1/records/${encodeURIComponent(query.get("record"))}`); return true; }
  const { request, provenance } = await ask(`/v1/designs/${source.id}`);
  const own = provenance.bench, benches = (await ask("/v1/benches?limit=100")).items;
  fill("bench", h("option", { value: "" }, own ? `${own.name}, revision ${own.revision}, as the design` : "no bench that is described"), benches.map((found) => h("option", { value: found.id }, `${found.bench.name}, revision ${found.revision}`)));
  form = formOf(schemas, schemas.named("RecordRequest"), { value: { fired_at: new Date().toISOString(), name: `${request.name || "design"}, candidate ${source.number}`, ...(query.get("voltage") ? { set: { charge_voltage_v: Number(query.get("voltage")) } } : {}) }, leave: LEFT_OUT, open: OPEN });
  fill("form", form.element);
  if (benches.some((found) => found.id === query.get("bench"))) place("bench").value = query.get("bench");
  place("title").textContent = `Record of candidate ${source.number}`;
  place("entry").hidden = false;
  return true;
}

// Sends the record, then its file; what was stored is not stored again.
async function store() {
  place("store").disabled = true;
  try {
    if (!record) {
      record = await post("/v1/records", { ...form.value(), ...(place("bench").value ? { bench: { id: place("bench").value } } : {}), shot_of: { design_id: decodeURIComponent(source.id), number: Number(source.number) } });
      history.replaceState(null, "", `/record?record=${record.id}`);
      place("entry").hidden = true;
    }
    clear();
    if (file && !record.trace) {
      const asked = new URLSearchParams(Object.entries(probe.value()).map(([name, value]) => [name, String(value)]));
      record = await ask(`${pathOf()}/trace?${asked}`, { method: "PUT", body: await file.text(), headers: { "Content-Type": "text/csv" } });
    }
    await persist(tell);
  } catch (problem) {
    const rest = form && !record ? form.showErrors(problem.errors ?? []) : problem.errors ?? [];
    probe.showErrors(rest);
    show(problem, null);
    if (record) place("stored").textContent = "The record is stored; its trace was refused. Mend how the columns read, or choose another file, and store again.";
  }
  place("store").disabled = Boolean(record?.trace);
}

function tellMeasured(result) {
  const { sizes, set } = record;
  const rows = Object.entries({ ...sizes, burst_time_s: record.burst_time_s }).filter(([name, value]) => value !== null && name !== "size_error_m").map(([name, value]) => {
    const predicted = result.summary?.[name] ?? null;
    return [words(name), told(value, unitOf(name)), told(predicted, unitOf(name)), predicted ? `${digits(100 * (value / predicted - 1))} %` : "–"];
  });
  fill("figures", rows.length ? table("Measured beside predicted", ["figure", "measured", "predicted", "difference"], rows) : h("p", {}, "No sizes were measured."));
  const settings = Object.entries(set).filter(([, value]) => value !== null).map(([name, value]) => [`${words(name)} as set`, told(value, unitOf(name))]);
  fill("measured", table("What was fired", null, [["fired", when(record.fired_at)], ["charge voltage", told(record.shot.bank.charge_voltage_v, "V")], ...settings, ["bench", record.bench ? link(`/bench?bench=${record.bench.id}`, `${record.bench.name}, revision ${record.bench.revision}`) : "none named: it cannot be fitted"], ["notes", record.notes || "–"], ...(record.superseded_by ? [["superseded by", link(`/record?record=${record.superseded_by}`, "another record")]] : [])]));
}

async function tellTrace(result) {
  const lines = (await askText(`${pathOf()}/trace.csv?columns=current`, { headers: { Accept: "text/csv" } })).trim().split("\n").slice(1).map((line) => line.split(",").map(Number));
  const measured = { name: "measured", x: lines.map(([t]) => t * 1e6), y: lines.map(([, a]) => a / 1e3) };
  const predicted = { name: "predicted", x: result.series.time_s.map((t) => t * 1e6), y: result.series.current_a.map((a) => a / 1e3) };
  const end = Math.min(measured.x.at(-1), predicted.x.at(-1));
  const cut = (line) => { const keep = line.x.map((t) => t <= end); return { ...line, x: line.x.filter((_, i) => keep[i]), y: line.y.filter((_, i) => keep[i]) }; };
  const both = [cut(measured), cut(predicted)];
  const residual = { name: "residual", x: both[0].x, y: both[0].x.map((t, i) => both[0].y[i] - valueAt(predicted, t)) };
  fill("charts", chart({ title: "Coil current, measured and predicted", up: "kA", across: "µs", lines: both }), chart({ title: "Residual: measured minus predicted", up: "kA", across: "µs", lines: [residual] }));
  const { analysis } = await ask(`${pathOf()}/analysis`);
  const errorOf = (name) => { const unit = name.slice(words(name).length), error = analysis[`${name.slice(0, -unit.length)}_error${unit}`]; return error ? ` ± ${told(error, unitOf(name))}` : ""; };
  const found = Object.entries(analysis).filter(([name, value]) => typeof value === "number" && !name.includes("_error_")).map(([name, value]) => [words(name), told(value, unitOf(name)) + errorOf(name), result.summary?.[name] !== undefined ? told(result.summary[name], unitOf(name)) : ""]);
  place("figures").append(table("What the trace says by itself", ["figure", "measured", "predicted"], found));
}

async function tell() {
  place("title").textContent = record.name || `Record ${record.id}`;
  const result = await post("/v1/shots", record.shot);
  tellMeasured(result);
  if (record.trace && result.series) await tellTrace(result);
  place("tracepart").hidden = Boolean(record.trace);
  place("store").hidden = Boolean(record.trace);
  place("stored").textContent = record.trace ? "Stored, with its trace." : "Stored. A trace can still be added.";
  fill("next", record.bench ? h("p", {}, "Next: ", link(`/bench?bench=${record.bench.id}`, "see predicted against measured, and fit the bench")) : null);
  return true;
}

function take(found) {
  [file] = found;
  place("filetold").textContent = file ? `${file.name}, ${digits(file.size / 1024)} KiB. It is sent when the record is stored.` : "";
}
place("file").addEventListener("change", (event) => take(event.target.files));
for (const kind of ["dragover", "drop"]) place("drop").addEventListener(kind, (event) => { event.preventDefault(); if (kind === "drop") take(event.dataTransfer.files); });
for (const form_ of ["form", "probe"]) place(form_).addEventListener("submit", (event) => event.preventDefault());
place("store").addEventListener("click", store);
if (await persist(prepare) && record) await persist(tell);
