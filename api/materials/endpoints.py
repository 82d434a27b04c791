"""GET /v1/materials and /v1/materials/{name}."""

from __future__ import annotations

from fastapi import APIRouter

from api.materials.representations import PATH, MaterialDetail, MaterialList, detail_of, entry_of
from api.problems import ProblemError, stated
from physics.materials import MATERIAL_DATA_VERSION, library

router = APIRouter(prefix=PATH, tags=["materials and wires"])


@router.get("", summary="The library of metals", responses=stated())
def list_materials() -> MaterialList:
    """Names to use as `material`, with a few values."""
    return MaterialList(
        items=[entry_of(material) for material in library().values()], material_data_version=MATERIAL_DATA_VERSION
    )


@router.get(
    "/{name}",
    summary="One metal, with the source of each value",
    responses=stated("not-found", "invalid-input"),
)
def get_material(name: str) -> MaterialDetail:
    """Tables, flow stress and sources: everything a run takes from the library."""
    material = library().get(name)
    if material is None:
        raise ProblemError("not-found", f"No material is called {name[:60]!r}; known: {', '.join(library())}.")
    return detail_of(material)
