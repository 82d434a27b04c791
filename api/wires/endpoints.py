"""GET /v1/wires."""

from __future__ import annotations

from fastapi import APIRouter
from pydantic import Field

from api.problems import stated
from physics.schema import Checked
from physics.wires import Wire, stock

router = APIRouter(prefix="/v1/wires", tags=["materials and wires"])


class WireEntry(Checked):
    """A stock size of enamelled round wire."""

    name: str
    wire_diameter_m: float = Field(description="Bare diameter.")
    pitch_m: float = Field(description="Closest pitch: bare diameter plus enamel, turn touching turn.")
    enamel_thickness_m: float = Field(description="Enamel, one side, the least that the standard allows.")
    enamel_pair_breakdown_v: float = Field(description="Least breakdown voltage of two films face to face.")
    source: str


class WireList(Checked):
    """The stock, thickest first."""

    items: list[WireEntry]


def _entry_of(wire: Wire) -> WireEntry:
    return WireEntry(
        name=wire.name,
        wire_diameter_m=wire.diameter_m,
        pitch_m=wire.pitch_m,
        enamel_thickness_m=0.5 * wire.enamel_increase_m,
        enamel_pair_breakdown_v=wire.pair_breakdown_v,
        source=wire.source,
    )


@router.get("", summary="The stock of wires", responses=stated())
def list_wires() -> WireList:
    """Names to use in a design's `search.wires`."""
    return WireList(items=[_entry_of(wire) for wire in stock().values()])
