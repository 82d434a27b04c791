"""Stock wire: enamelled round copper wire in American (AWG) and metric sizes.

AWG diameters come from the formula of ASTM B258, ``d = 0.005 in * 92^((36 - n)/39)``; metric ones are the
nominal diameters of IEC 60317-0-1. The enamel is NEMA MW 1000 heavy build or IEC grade 2 (the same
thickness class); `enamel_increase_m` is the smallest increase in diameter that the standard allows,
`pair_breakdown_v` the least voltage that two films face to face have to bear.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Annotated, Any

from pydantic import AfterValidator, WithJsonSchema

_INCH_M = 0.0254
_MIL_M = _INCH_M / 1000.0
_MILLIMETRE_M = 1e-3
_DATA = files("physics") / "data"


@dataclass(frozen=True)
class Wire:
    """A stock size. `pitch_m` is the closest axial pitch: bare diameter plus enamel, turn touching turn."""

    name: str
    diameter_m: float
    enamel_increase_m: float
    pair_breakdown_v: float
    source: str

    @property
    def pitch_m(self) -> float:
        """Axial distance from turn to turn when wound close."""
        return self.diameter_m + self.enamel_increase_m


def awg_diameter(gauge: int) -> float:
    """Bare diameter in m of an AWG size (ASTM B258, formula); defined here for gauges 0 to 40."""
    return 0.005 * _INCH_M * float(92.0 ** ((36 - gauge) / 39.0))


def _read(name: str) -> dict[str, Any]:
    content: dict[str, Any] = json.loads((_DATA / name).read_text(encoding="utf-8"))
    return content


def _source(content: Mapping[str, Any], status: str) -> str:
    return f"{content['citation']}; {status}"


@cache
def _breakdown_table() -> tuple[tuple[float, float], ...]:
    rows = _read("iec_60317_breakdown.json")["grade_2"]
    return tuple((row["up_to_mm"] * _MILLIMETRE_M, float(row["pair_v"])) for row in rows)


def pair_breakdown(diameter_m: float) -> float:
    """Least breakdown voltage (V) of two films of grade 2 enamel on wire of this bare diameter (m).

    IEC 60317-0-1, twisted pair; between two sizes the value of the next larger one. The heavy build of
    NEMA MW 1000 is of the same thickness and is taken to bear the same.
    """
    table = _breakdown_table()
    return next((volts for up_to, volts in table if diameter_m <= up_to), table[-1][1])


def _awg_wires() -> list[Wire]:
    content = _read("nema_mw_1000.json")
    return [
        Wire(
            f"awg_{row['gauge']:02d}",
            awg_diameter(row["gauge"]),
            row["increase_mil"] * _MIL_M,
            pair_breakdown(awg_diameter(row["gauge"])),
            _source(content, row["status"]),
        )
        for row in content["heavy_build"]
    ]


def _metric_wires() -> list[Wire]:
    content = _read("iec_60317.json")
    return [
        Wire(
            f"metric_{row['diameter_mm']:.3f}".replace(".", "_"),
            row["diameter_mm"] * _MILLIMETRE_M,
            row["increase_mm"] * _MILLIMETRE_M,
            pair_breakdown(row["diameter_mm"] * _MILLIMETRE_M),
            _source(content, row["status"]),
        )
        for row in content["grade_2"]
    ]


@cache
def stock() -> Mapping[str, Wire]:
    """All stock sizes by name, thickest first."""
    wires = sorted(_awg_wires() + _metric_wires(), key=lambda wire: -wire.diameter_m)
    return MappingProxyType({wire.name: wire for wire in wires})


def _known(name: str) -> str:
    if name not in stock():
        raise ValueError(f"unknown wire '{name}'; known: {', '.join(stock())}")
    return name


#: Name of a stock size.
WireName = Annotated[
    str,
    AfterValidator(_known),
    WithJsonSchema({"type": "string", "enum": list(stock()), "description": "Name of a stock wire size."}),
]


def wire(name: str) -> Wire:
    """The stock size of that name. Raises ValueError, with the known names, for any other."""
    return stock()[_known(name)]
