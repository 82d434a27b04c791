"""Requests that work, for the documentation, the demo and the warming of the kernels."""

from __future__ import annotations

import json
import math
from importlib.resources import files
from typing import Any

Json = dict[str, Any]


def _read(name: str) -> Json:
    content: Json = json.loads(files("api").joinpath(name).read_text(encoding="utf-8"))
    return content


#: A laboratory brings a 30 mm copper blank to 24 mm; bench and limits are this project's own invention.
DESIGN = _read("demo_design.json")

#: The same laboratory's bench under a name of its own.
BENCH: Json = {
    "name": "bay 2",
    "notes": "capacitors replaced in spring",
    **DESIGN["bench"],
    "capacitance": DESIGN["search"]["capacitance"],
    "limits": DESIGN["limits"],
    "wires": DESIGN["search"]["wires"],
}

#: What a design may be continued with.
CONTINUATION: Json = {"budget_trials_count": 480}

#: Until when a design may be kept.
EXPIRY: Json = {"expires_at": "2100-01-31T06:00:00Z"}

#: One shot on the same bench.
SHOT: Json = {
    "bank": {**DESIGN["bench"]["bank"], "capacitance_farad": 1.2e-4, "charge_voltage_v": 6400.0},
    "switch": DESIGN["bench"]["switch"],
    "leads": DESIGN["bench"]["leads"],
    "coil": {"turns_count": 8, "wire_diameter_m": 2.05e-3, "pitch_m": 2.15e-3},
    "gap_m": 1e-3,
    "workpiece": DESIGN["workpiece"],
    "limits": DESIGN["limits"],
}

#: The same shot at several voltages and gaps.
SWEEP: Json = {
    "name": "voltage and gap",
    "shot": SHOT,
    "vary": [
        {"pointer": "/gap_m", "values": [1e-3, 1.5e-3]},
        {"pointer": "/bank/charge_voltage_v", "values": [6000.0, 6400.0, 6800.0]},
    ],
}

#: Two coils side by side.
COMPARISON: Json = {"shots": [SHOT, {**SHOT, "coil": {**SHOT["coil"], "turns_count": 10}}]}

#: A fired shot and what was measured of it.
RECORD: Json = {
    "name": "blank 12",
    "shot": SHOT,
    "set": {"charge_voltage_v": 6410.0, "gap_m": 1.02e-3},
    "fired_at": "2026-03-01T14:05:00Z",
    "sizes": {"final_outer_diameter_m": 0.0241, "final_rim_thickness_m": 2.6e-3, "size_error_m": 3e-5},
    "notes": "coil burst cleanly, two pieces in the barrier",
    "photographs": ["bench-photos/2026-03-01-12.jpg"],
}


def _ringing(time_s: float) -> float:
    """Current (A) of a loop of constant inductance and resistance whose switch closes at time 0."""
    return 0.0 if time_s < 0.0 else 5.2e4 * math.exp(-9e3 * time_s) * math.sin(8e4 * time_s)


_TIMES = [round(-5.0 + 0.5 * place, 2) for place in range(160)]

#: A short trace of a current, with times in microseconds and readings in kiloamperes.
TRACE: Json = {
    "time": _TIMES,
    "value": [round(_ringing(1e-6 * time) / 1e3, 3) for time in _TIMES],
    "probe": {"time_unit_s": 1e-6, "scale_a": 1e3},
}

#: The same as a file, in seconds and amperes.
TRACE_FILE = "time,current\r\n" + "".join(f"{1e-6 * t:.2e},{_ringing(1e-6 * t):.0f}\r\n" for t in _TIMES)

#: A trace that is looked at without being stored.
ANALYSIS: Json = {"trace": TRACE, "capacitance_farad": 1.2e-4, "charge_voltage_v": 6400.0}

#: The next shot of a bench towards a size.
AIM: Json = {"shot": SHOT, "final_outer_diameter_m": 0.024, "tolerance_m": 1.5e-4}

#: What all records of a bench say of it, the flow stress taken as known within a twentieth. The id is a bench's own.
FIT: Json = {
    "name": "spring calibration",
    "bench": {"id": "00000000-0000-7000-8000-000000000000"},
    "since": "2026-03-01T00:00:00Z",
    "priors": {"flow_stress_ratio": 0.05},
}
