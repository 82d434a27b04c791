// Asks the service, with the access key of this tab if one is needed, and tells what went wrong in its own words.

const KEY = "shotwright-access-key";

export class Trouble extends Error {
  constructor(words, status) { super(words); this.status = status; }
}

export async function ask(path, options = {}) {
  const headers = { Accept: "application/json", ...(options.headers ?? {}) };
  const key = sessionStorage.getItem(KEY);
  if (key) headers.Authorization = `Bearer ${key}`;
  let answer;
  try {
    answer = await fetch(path, { ...options, headers });
  } catch {
    throw new Trouble("The service does not answer. It is asked again by itself.", 0);
  }
  if (answer.status === 304) return null;
  const body = await answer.json().catch(() => ({}));
  if (answer.ok) return body;
  const fields = (body.errors ?? []).map((e) => `${e.pointer ?? ""}: ${e.detail}`).join("; ");
  throw new Trouble([body.title, body.detail, fields].filter(Boolean).join(". ") || `HTTP ${answer.status}`, answer.status);
}

// A form for the key, when the service asks for one; the key stays in this tab.
export function askForKey(place, again) {
  const form = document.createElement("form");
  form.innerHTML = '<label>Access key <input name="key" type="password" autocomplete="off" required></label> <button>Use it in this tab</button>';
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    sessionStorage.setItem(KEY, new FormData(form).get("key"));
    form.remove();
    again();
  });
  place.append(form);
}

export function show(place, problem, again) {
  place.hidden = false;
  place.replaceChildren(Object.assign(document.createElement("p"), { textContent: problem.message }));
  if (problem.status === 401) askForKey(place, () => { place.hidden = true; again(); });
}
