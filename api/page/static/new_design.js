// A new design, told in words before it is sent.

import { askingPage } from "./asking.js";
import { h } from "./dom.js";
import { ask, post } from "./service.js";

let given = crypto.randomUUID?.() ?? `page-${Date.now()}-${Math.random()}`, sent = "";

askingPage({
  whole: "DesignRequest",
  onBench: "DesignOnBench",
  path: "/v1/designs",
  first: ["name", "workpiece", "target", "limits", "search", "bench", "budget_trials_count", "finish_by_at", "budget_duration_s"],
  open: ["/budget_trials_count", "/limits/peak_current_a", "/target/tolerance_m", "/target/final_outer_diameter_m", "/workpiece/inner_diameter_m", "/limits/charge_voltage_v", "/limits/stored_energy_j"],
  // What the bench states is not repeated.
  withoutBench({ bench, limits, search, ...rest }) {
    const { turns, layers, pitch, gap, formers, coil_material, layer_sheet } = search ?? {};
    return { ...rest, search: { turns, layers, pitch, ...(gap ? { gap } : { formers }), coil_material, layer_sheet } };
  },
  tell: ({ summary, remarks }) => [...summary.map((sentence) => h("p", {}, sentence)), ...remarks.map((sentence) => h("p", { class: "remark" }, sentence))],
  draftOf: async (query, example) => (query.get("like") ? (await ask(`/v1/designs/${encodeURIComponent(query.get("like"))}`)).request : example),
  // The same request twice is one design, also when the first answer got lost.
  async send(body) {
    const spelled = JSON.stringify(body);
    if (sent && sent !== spelled) given = `${given.slice(0, 30)}-${Date.now()}`;
    sent = spelled;
    const accepted = await post("/v1/designs", body, { headers: { "Idempotency-Key": given } });
    location.assign(`/design?design=${accepted.id}`);
  },
});
