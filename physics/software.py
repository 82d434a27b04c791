"""Which software and data a run is made with: what has to be the same for the same numbers."""

from __future__ import annotations

import hashlib
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from pydantic import Field

from physics.materials import MATERIAL_DATA_VERSION
from physics.schema import Checked

#: Version of the model; any change of its numbers changes it.
MODEL_VERSION = "2.12"


class Software(Checked):
    """Versions of program, model and data."""

    software_version: str = Field(description="Of the whole service.")
    model_version: str = Field(description="Of the model; another one gives other numbers.")
    material_data_version: str = Field(description="Digest of the material data used.")
    source_sha256: str = Field(description="Digest of the source of the physics, whatever its version says.")


@cache
def software() -> Software:
    """That of this process."""
    return Software(
        software_version=_installed(),
        model_version=MODEL_VERSION,
        material_data_version=MATERIAL_DATA_VERSION,
        source_sha256=_digest(Path(__file__).parent),
    )


def _installed() -> str:
    try:
        return version("shotwright")
    except PackageNotFoundError:
        return "not installed"


def _digest(package: Path) -> str:
    found = hashlib.sha256()
    for source in sorted(package.rglob("*.py")):
        found.update(f"{source.relative_to(package)}\0".encode())
        found.update(source.read_bytes())
    return found.hexdigest()
