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
    source: str


class WireList(Checked):
    """The stock, thickest first."""

    items: list[WireEntry]


def _entry_of(wire: Wire) -> WireEntry:
    return WireEntry(name=wire.name, wire_diameter_m=wire.diameter_m, pitch_m=wire.pitch_m, source=wire.source)


@router.get("", summary="The stock of wires", responses=stated())
def list_wires() -> WireList:
    """Names to use in a design's `search.wires`."""
    return WireList(items=[_entry_of(wire) for wire in stock().values()])
