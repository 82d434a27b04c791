// One shot described and run.

import { askingPage } from "./asking.js";
import { h } from "./dom.js";
import { openShot } from "./source.js";
import { told, unitOf, words } from "./units.js";

askingPage({
  whole: "Shot",
  onBench: "ShotOnBench",
  path: "/v1/shots",
  first: ["workpiece", "coil", "gap_m", "bank", "switch", "leads", "limits"],
  open: ["/bank/inductance_henry", "/bank/resistance_ohm", "/workpiece/inner_diameter_m", "/limits/charge_voltage_v", "/limits/stored_energy_j", "/limits/peak_current_a"],
  withoutBench({ bank, switch: _, leads, limits, ...rest }) {
    return { ...rest, bank: { charge_voltage_v: bank?.charge_voltage_v, capacitance_farad: bank?.capacitance_farad } };
  },
  tell: ({ verdict, figures, warnings }) => [h("p", {}, verdict.statement), ...Object.entries(figures).map(([name, value]) => h("p", {}, `${words(name)}: ${told(value, unitOf(name))}`)), ...warnings.map((one) => h("p", { class: "remark" }, one.statement))],
  draftOf: async (query, example) => example,
  send: openShot,
});
