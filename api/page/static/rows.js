// A table of thousands of rows of which only those in sight are drawn.

import { h } from "./dom.js";

const HIGH = 34, SPARE = 12;

// `columns` are {head, key, spell}; `rows()` are drawn anew by `tell(rows)`.
export function rowsIn(place, caption, columns, { sorted, onsort = () => {} }) {
  let rows = [], by = sorted, rising = true, drawn = "";
  const head = h("tr", {}), body = h("tbody", {});
  const whole = h("table", { class: "many" }, h("caption", {}, caption), h("thead", {}, head), body);
  place.replaceChildren(whole);
  function heads() {
    head.replaceChildren(...columns.map(({ head: words, key }) => key
      ? h("th", { scope: "col", "aria-sort": key === by ? (rising ? "ascending" : "descending") : "none" }, h("button", { type: "button", onclick: () => { rising = key === by ? !rising : true; by = key; heads(); order(); onsort(); } }, `${words}${key === by ? (rising ? " ↑" : " ↓") : ""}`))
      : h("th", { scope: "col" }, words)));
  }
  function order() {
    const nothing = (value) => value === null || value === undefined;
    rows.sort((a, b) => (nothing(a[by]) ? 1 : 0) - (nothing(b[by]) ? 1 : 0) || (rising ? 1 : -1) * (a[by] > b[by] ? 1 : a[by] < b[by] ? -1 : a.number - b.number));
    drawn = "";
    draw();
  }
  const empty = (count) => (count ? [h("tr", { "aria-hidden": "true" }, h("td", { colspan: columns.length, class: "spacer", height: count * HIGH }))] : []);
  function draw() {
    const first = Math.max(Math.floor(place.scrollTop / HIGH) - SPARE, 0), last = Math.min(first + Math.ceil((place.clientHeight || 600) / HIGH) + 2 * SPARE, rows.length);
    if (drawn === `${first} ${last}`) return;
    drawn = `${first} ${last}`;
    body.replaceChildren(...empty(first), ...rows.slice(first, last).map((row, index) => h("tr", { "aria-rowindex": first + index + 2, class: row.recommended ? "chosen" : null }, columns.map(({ spell }, at) => h(at ? "td" : "th", { scope: at ? null : "row", class: "number" }, spell(row))))), ...empty(rows.length - last));
  }
  place.addEventListener("scroll", draw, { passive: true });
  heads();
  return { tell(found) { rows = [...found]; whole.setAttribute("aria-rowcount", rows.length + 1); order(); } };
}
