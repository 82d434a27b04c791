// Elements made short: h("td", { class: "number" }, "12").

export const place = (id) => document.getElementById(id);

export function h(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (value === true) element.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) element.setAttribute(name, value);
  }
  element.append(...children.flat().filter((child) => child !== null && child !== undefined));
  return element;
}

export const link = (href, words) => h("a", { href }, words);

function cell(content, kind, scope) {
  const number = kind === "td" && typeof content === "string" && /^[-−±]?[\d.]/.test(content);
  return h(kind, { class: number ? "number" : null, scope }, content ?? "");
}

// A table of rows; the first cell of each row is its heading.
export function table(caption, head, rows) {
  return h("table", { class: head ? null : "facts" },
    h("caption", {}, caption),
    head ? h("thead", {}, h("tr", {}, head.map((words) => cell(words, "th", "col")))) : null,
    h("tbody", {}, rows.map((cells) => h("tr", {}, cells.map((content, index) => cell(content, index ? "td" : "th", index ? null : "row"))))));
}

export function fill(id, ...children) { place(id).replaceChildren(...children.flat().filter(Boolean)); }

export function later(action, pauseMs) {
  let timer = 0;
  return (...given) => { clearTimeout(timer); timer = setTimeout(() => action(...given), pauseMs); };
}
