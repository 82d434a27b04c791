// A form made from the schema that the API itself checks by: the same names, ranges and words, in the units of the bench.

import { h } from "./dom.js";
import { asked, toShown, toSI, words } from "./units.js";

let next = 0;
const newId = () => `field-${(next += 1)}`;

// Schemas of one document, with references followed.
export class Schemas {
  constructor(document) { this.all = document.components.schemas; }
  named(name) { return this.all[name]; }
  plain(schema) {
    if (schema.$ref) return { ...this.plain(this.all[schema.$ref.split("/").at(-1)]), ...without(schema, "$ref") };
    if (schema.allOf?.length === 1) return { ...this.plain(schema.allOf[0]), ...without(schema, "allOf") };
    return schema;
  }
  // What may be null, and the schema without that.
  filled(schema) {
    const plain = this.plain(schema), kinds = plain.anyOf?.filter((kind) => kind.type !== "null");
    if (!plain.anyOf || kinds.length !== 1) return { schema: plain, nullable: false };
    return { schema: { ...this.plain(kinds[0]), ...without(plain, "anyOf"), "x-unit": plain["x-unit"] ?? kinds[0]["x-unit"] }, nullable: true };
  }
}
const without = (object, name) => Object.fromEntries(Object.entries(object).filter(([key]) => key !== name));

// `value()` of each maker gives what is to be sent; undefined leaves the field out.
export function formOf(schemas, schema, { value = {}, leave = [], open = [], first = [] } = {}) {
  const root = objectField(schemas, schemas.plain(schema), { name: "", pointer: "", value, leave, open, first });
  return {
    element: root.element,
    value: () => root.value() ?? {},
    // Puts each error at its field; tells those that have none.
    showErrors(errors) {
      for (const place of root.element.querySelectorAll(".fielderror")) { place.hidden = true; place.textContent = ""; }
      for (const field of root.element.querySelectorAll("[aria-invalid]")) field.removeAttribute("aria-invalid");
      return errors.filter((error) => !placeError(root.element, error));
    },
  };
}

function placeError(root, error) {
  for (let pointer = error.pointer ?? ""; pointer; pointer = pointer.slice(0, pointer.lastIndexOf("/"))) {
    const found = root.querySelector(`[data-pointer="${CSS.escape(pointer)}"]`);
    if (!found) continue;
    const said = found.querySelector(":scope > .fielderror");
    said.textContent = `${said.textContent} ${inUnitsOf(found, error)}`.trim();
    said.hidden = false;
    for (let around = found.closest("details"); around; around = around.parentElement.closest("details")) around.open = true;
    found.querySelector("input, select, textarea")?.setAttribute("aria-invalid", "true");
    return true;
  }
  return false;
}

function inUnitsOf(found, error) {
  const scale = found.scale;
  if (!scale || scale.size === 1) return error.detail;
  const told = (limit) => (limit === undefined || limit === null ? null : toShown(limit, scale));
  const range = [told(error.minimum), told(error.maximum)];
  return range[0] !== null && range[1] !== null ? `must be between ${range[0]} and ${range[1]} ${scale.shown}` : error.detail;
}

function field(label, input, { pointer, help, scale }) {
  const id = newId(), said = `${id}-error`, helped = `${id}-help`;
  input.id = id;
  input.setAttribute("aria-describedby", help ? `${helped} ${said}` : said);
  const element = h("div", { class: "field", "data-pointer": pointer },
    h("label", { for: id }, label, scale?.shown ? h("span", { class: "unit" }, ` ${scale.shown}`) : null), input,
    help ? h("p", { class: "help", id: helped }, help) : null, h("p", { class: "fielderror", id: said, hidden: true }));
  element.scale = scale;
  return element;
}

function makerFor(schemas, schema) {
  const { schema: plain } = schemas.filled(schema);
  if (plain.oneOf) return choiceField;
  if (plain.enum) return enumField;
  if (plain.type === "object") return objectField;
  if (plain.type === "array") return plain.items && schemas.plain(plain.items).enum ? severalField : schemas.plain(plain.items ?? {}).type === "object" ? listField : numbersField;
  if (plain.type === "boolean") return booleanField;
  if (plain.type === "number" || plain.type === "integer") return numberField;
  return textField;
}

function numberField(schemas, schema, { name, pointer, value }) {
  const low = schema.minimum ?? schema.exclusiveMinimum, most = schema.maximum ?? Infinity, unit = schema["x-unit"] ?? "1";
  const scale = asked(name, unit, most);
  const input = h("input", { type: "number", step: "any", inputmode: "decimal" });
  if (value !== undefined && value !== null) input.value = toShown(value, scale);
  if (schema.default !== undefined && schema.default !== null) input.placeholder = toShown(schema.default, scale);
  const range = low !== undefined && most < Infinity ? `${toShown(low, scale)} to ${toShown(most, scale)}${scale.shown ? ` ${scale.shown}` : ""}` : "";
  const usual = schema.default !== undefined && schema.default !== null ? `; ${toShown(schema.default, scale)} if left empty` : "";
  const help = [schema.description?.replaceAll("`", ""), range ? `(${range}${usual})` : ""].filter(Boolean).join(" ");
  return { element: field(words(name), input, { pointer, help, scale }), value: () => (input.value.trim() === "" ? undefined : toSI(Number(input.value), scale)) };
}

function textField(schemas, schema, { name, pointer, value }) {
  const time = schema.format === "date-time", long = (schema.maxLength ?? 0) > 500;
  const input = h(long ? "textarea" : "input", { type: long ? null : time ? "datetime-local" : "text", maxlength: schema.maxLength, rows: long ? 3 : null });
  if (value) input.value = time ? localTime(value) : value;
  const read = () => (input.value === "" ? undefined : time ? new Date(input.value).toISOString() : input.value);
  return { element: field(words(name), input, { pointer, help: schema.description }), value: read };
}
const localTime = (stamp) => { const at = new Date(stamp); return new Date(at - at.getTimezoneOffset() * 60000).toISOString().slice(0, 16); };

function booleanField(schemas, schema, { name, pointer, value }) {
  const input = h("input", { type: "checkbox" });
  input.checked = value ?? schema.default ?? false;
  return { element: field(words(name), input, { pointer, help: schema.description }), value: () => input.checked };
}

function enumField(schemas, schema, { name, pointer, value }) {
  const input = h("select", {}, value === undefined && schema.default === undefined ? h("option", { value: "" }, "choose …") : null, schema.enum.map((choice) => h("option", { value: choice }, choice.replaceAll("_", " "))));
  input.value = value ?? schema.default ?? "";
  return { element: field(words(name), input, { pointer, help: schema.description }), value: () => input.value || undefined };
}

// A name out of a list, or an object of one's own, which is kept as it came.
function choiceField(schemas, schema, given) {
  const named = schema.oneOf.map((kind) => schemas.plain(kind)).find((kind) => kind.enum);
  if (!named) return { element: h("div", {}), value: () => given.value ?? undefined };
  const own = typeof given.value === "object" && given.value !== null ? given.value : null;
  const made = enumField(schemas, { ...named, default: schema.default, description: schema.description }, { ...given, value: own ? undefined : given.value });
  return own ? { element: field(words(given.name), h("input", { type: "text", disabled: true, value: "a metal of your own" }), given), value: () => own } : made;
}

function severalField(schemas, schema, { name, pointer, value }) {
  const choices = schemas.plain(schema.items).enum, chosen = new Set(value ?? []);
  const boxes = choices.map((choice) => { const box = h("input", { type: "checkbox", value: choice }); box.checked = chosen.has(choice); return box; });
  const summary = h("summary", {});
  const tell = () => { summary.textContent = `${words(name)}: ${boxes.filter((box) => box.checked).map((box) => box.value.replaceAll("_", " ")).join(", ") || "none chosen"}`; };
  tell();
  const element = h("fieldset", { class: "several", "data-pointer": pointer, onchange: tell },
    h("legend", {}, words(name)), h("details", {}, summary, h("div", { class: "boxes" }, boxes.map((box) => h("label", {}, box, ` ${box.value.replaceAll("_", " ")}`)))),
    schema.description ? h("p", { class: "help" }, schema.description) : null, h("p", { class: "fielderror", hidden: true }));
  return { element, value: () => { const found = boxes.filter((box) => box.checked).map((box) => box.value); return found.length ? found : undefined; } };
}

// Numbers or texts, separated by commas.
function numbersField(schemas, schema, { name, pointer, value }) {
  const items = schemas.plain(schema.items ?? {}), numbers = items.type === "number" || items.type === "integer";
  const scale = numbers ? asked(name, schema["x-unit"] ?? items["x-unit"] ?? { s: "m" }[name.slice(-1)] ?? "1", items.maximum ?? 1) : null;
  const input = h("input", { type: "text", value: (value ?? []).map((v) => (numbers ? toShown(v, scale) : v)).join(numbers ? "; " : ", ") });
  const read = () => { const found = input.value.split(numbers ? /[;\s]+/ : ",").map((part) => part.trim()).filter(Boolean); return found.length ? found.map((part) => (numbers ? toSI(Number(part), scale) : part)) : undefined; };
  return { element: field(words(name), input, { pointer, help: `${schema.description ?? ""} ${numbers ? "Separated by semicolons." : "Separated by commas."}`, scale }), value: read };
}

function listField(schemas, schema, { name, pointer, value }) {
  const item = schemas.plain(schema.items);
  const element = h("fieldset", { class: "list", "data-pointer": pointer }, h("legend", {}, words(name)));
  const rows = h("div", {});
  let fields = [];
  const draw = (values) => {
    fields = values.map((one, index) => objectField(schemas, item, { name: "", pointer: `${pointer}/${index}`, value: one, leave: [], open: [] }));
    rows.replaceChildren(...fields.map((made, index) => h("div", { class: "listed" }, made.element,
      fields.length > (schema.minItems ?? 0) && fields.length > 1 ? h("button", { type: "button", onclick: () => { draw(read().filter((_, at) => at !== index)); changed(element); } }, `Remove no. ${index + 1}`) : null)));
  };
  const read = () => fields.map((made) => made.value() ?? {});
  const add = h("button", { type: "button", onclick: () => { draw([...read(), {}]); changed(element); } }, "Add one");
  draw(value?.length ? value : [{}]);
  element.append(...[schema.description ? h("p", { class: "help" }, schema.description) : null, rows, add, h("p", { class: "fielderror", hidden: true })].filter(Boolean));
  return { element, value: read };
}
const changed = (element) => element.dispatchEvent(new Event("input", { bubbles: true }));

// An object: its fields, what is rarely stated folded away. One that may be null has a box to state it.
function objectField(schemas, schema, { name, pointer, value, leave, open, first = [], nullable = false }) {
  const required = new Set(schema.required ?? []);
  const rank = ([own]) => (first.includes(own) ? first.indexOf(own) : first.length);
  const makers = Object.entries(schema.properties ?? {}).sort((a, b) => rank(a) - rank(b)).filter(([own]) => !leave.includes(`${pointer}/${own}`)).map(([own, inner]) => {
    const { schema: plain, nullable: may } = schemas.filled(inner);
    const given = { name: own, pointer: `${pointer}/${own}`, value: value?.[own], leave, open, nullable: may };
    const made = makerFor(schemas, inner)(schemas, plain, given);
    const shown = required.has(own) || value?.[own] !== undefined && value[own] !== null || open.includes(given.pointer);
    return { own, made, shown };
  });
  const front = makers.filter((maker) => maker.shown).map((maker) => maker.made.element), rest = makers.filter((maker) => !maker.shown).map((maker) => maker.made.element);
  const folded = rest.length ? h("details", {}, h("summary", {}, `${front.length ? "more" : "state"}${name ? ` of ${words(name)}` : ""}`), h("div", { class: "fields" }, rest)) : null;
  const body = [front.length ? h("div", { class: "fields" }, front) : null, folded];
  const error = h("p", { class: "fielderror", hidden: true });
  const element = name
    ? h("fieldset", { class: "group", "data-pointer": pointer }, h("legend", {}, words(name)), schema.description && !nullable ? h("p", { class: "help" }, firstSentence(schema.description)) : null, body, error)
    : h("div", { class: "group", "data-pointer": pointer || null }, body, error);
  const read = () => {
    const found = {};
    for (const { own, made } of makers) { const one = made.value(); if (one !== undefined) found[own] = one; }
    return name && !required.size && !Object.keys(found).length ? undefined : nullable && !stated(found, schema) ? undefined : found;
  };
  return { element, value: read };
}
// Whether anything but defaults stands in an object that may be left out.
const stated = (found, schema) => Object.entries(found).some(([own, one]) => JSON.stringify(one) !== JSON.stringify(schema.properties[own]?.default ?? false));
const firstSentence = (text) => `${text.replaceAll("`", "").split(". ")[0].replace(/\.$/, "")}.`;
