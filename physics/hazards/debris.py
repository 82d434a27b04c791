"""What the coil throws, what it compares with, and whether the barrier stops it."""

from __future__ import annotations

from collections.abc import Iterator

from physics.facts import Facts
from physics.hazards.penetration import THICKNESS, Piece
from physics.result import Estimate
from physics.surroundings import BarrierMaterial

#: Energies to compare with, J: casualty 58 ft lbf (Ordnance tables of 1944, as quoted), then common handbook loads.
CASUALTY_J, PISTOL_J, RIFLE_J = 78.6, 500.0, 3300.0
#: Speed and energy below which nothing is said of a barrier: the formulae begin far above.
_HARMLESS_J = 1e-3
_WORDS: dict[BarrierMaterial, str] = {
    "mild_steel": "mild steel",
    "concrete": "concrete",
    "brick": "brickwork",
    "polycarbonate": "polycarbonate",
}
_SOURCES: dict[BarrierMaterial, str] = {
    "mild_steel": "UFC 3-340-02 ch. 4 and BRL formula of BC-TOP-9A Rev. 2, the larger (constants from memory)",
    "concrete": "UFC 3-340-02 ch. 4 and modified NDRC (Kennedy 1976), the larger (constants partly from memory)",
    "brick": "as concrete of 5 MPa; no published formula for brickwork was found",
    "polycarbonate": "no table of ballistic limits was readable; Edwards and Waterfall 2007 saw dents only below 40 J",
}


def worst_piece(facts: Facts) -> Piece:
    """The heaviest piece at the speed of the fastest."""
    return Piece(facts.heaviest_piece_kg, facts.fastest_m_per_s, facts.piece_diameter_m)


def needed_thickness_m(
    piece: Piece, material: BarrierMaterial, strength_pa: float, margin_ratio: float
) -> float | None:
    """Thickness of a barrier for a piece, with a margin on the one that just stops it; None if it cannot be rated."""
    just = THICKNESS[material]
    return None if just is None else margin_ratio * just(piece, strength_pa)


def estimates(facts: Facts) -> list[Estimate]:
    """Debris as a whole, its worst piece, and the barrier against it."""
    if facts.run is None:
        return []
    summary, piece = facts.run.summary, worst_piece(facts)
    return [
        Estimate(
            name="debris_energy",
            unit="J",
            value=summary.debris_energy_j,
            statement=_compared(summary.debris_energy_j),
            source="kinetic energy of the ruptured turns in this model; bullets: common handbook values",
            equation="sum of m v^2 / 2 over the ruptured turns",
            validity="as the model's burst; rupture strain is from memory",
            errs="either way with the moment of rupture; the barrier is rated by worst_piece_energy, which errs high",
        ),
        Estimate(
            name="debris_velocity",
            unit="m/s",
            value=summary.debris_velocity_m_per_s,
            statement="speed of the fastest ruptured turn; pieces fly outward, all round, in the planes of the turns, "
            "those of the end turns also along the axis",
            source="this model",
            equation="motion of each turn",
            validity="free flight; tumbling and air are left out",
            errs="high: air slows pieces down",
        ),
        Estimate(
            name="worst_piece_energy",
            unit="J",
            value=piece.energy_j,
            statement=f"heaviest piece ({1e3 * piece.mass_kg:.2g} g) at {piece.speed_m_per_s:.0f} m/s, "
            f"{_against_people(piece.energy_j)}",
            source="this model's speeds; 58 ft lbf: Ordnance tables of 1944, as quoted",
            equation="m v^2 / 2, m = half a turn",
            validity="round wire and strip",
            errs="high: a turn breaks into more pieces, the heaviest is given the speed of the fastest, and a coil "
            "that holds counts as broken",
        ),
        *_barrier(facts, piece),
    ]


def _barrier(facts: Facts, piece: Piece) -> Iterator[Estimate]:
    around = facts.surroundings
    if piece.energy_j < _HARMLESS_J:
        return
    stated = around.barrier
    materials: list[BarrierMaterial] = [stated.material] if stated else ["mild_steel", "concrete"]
    for material in materials:
        needed = needed_thickness_m(
            piece, material, stated.strength_pa if stated else 2.5e7, around.barrier_margin_ratio
        )
        if needed is None:
            yield _not_rated(material)
            continue
        limit = stated.thickness_m if stated else None
        yield Estimate(
            name=f"barrier_{material}",
            unit="m",
            value=needed,
            limit=limit,
            limit_source="surroundings.barrier.thickness_m" if stated else None,
            exceeded=None if limit is None else needed > limit,
            statement=_barrier_words(needed, limit, material, around.barrier_margin_ratio),
            source=_SOURCES[material],
            equation="margin times the thickness that just stops the worst piece",
            validity="fits to harder and mostly larger projectiles; joints, windows and supports are not covered",
            errs="thick: copper is soft, and a piece rarely flies point first",
        )


def _not_rated(material: BarrierMaterial) -> Estimate:
    return Estimate(
        name=f"barrier_{material}",
        unit="m",
        value=None,
        statement=f"{_WORDS[material]} cannot be rated here: back it with steel that is thick enough by itself",
        source=_SOURCES[material],
        equation="none",
        validity="none",
        errs="no figure is given rather than one that cannot be shown",
    )


def _barrier_words(needed: float, limit: float | None, material: BarrierMaterial, margin: float) -> str:
    thick = f"{1e3 * needed:.1f} mm of {_WORDS[material]}, a margin of {margin:g} included"
    if limit is None:
        return f"all round the coil, at least {thick}"
    held = "does not stop the worst piece with that margin" if needed > limit else "stops the worst piece"
    return f"the stated {1e3 * limit:.1f} mm {held}: it takes {thick}"


def _compared(energy_j: float) -> str:
    if energy_j <= 0.0:
        return "no turn is expected to rupture; contain it all the same"
    if energy_j < PISTOL_J:
        return "less than a 9 mm pistol bullet (500 J), in many pieces; contain it all the same"
    pistol, rifle = energy_j / PISTOL_J, energy_j / RIFLE_J
    return f"as much as {pistol:.1f} pistol bullets (9 mm, 500 J) or {rifle:.2f} rifle bullets (3.3 kJ)"


def _against_people(energy_j: float) -> str:
    share = energy_j / CASUALTY_J
    return f"{share:.2g} times the 79 J that count as disabling; far less goes into an eye"
