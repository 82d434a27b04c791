"""A shot told in steps: what happens, why, when, and the number that the model gives for it."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from physics.constants import MU_0
from physics.result import EnergyBalance, ExplainedStep, Series, Summary
from physics.shot import Shot

#: A part is said to give way once its diameter has changed by this much, over the diameter at rest.
_YIELDED_RATIO = 1e-3
#: And to have stopped once this little of its way is left.
_LEFT_RATIO = 0.01


def explain(shot: Shot, summary: Summary, energy: EnergyBalance, series: Series) -> list[ExplainedStep]:
    """The steps that apply to this shot, cause before effect. Equations are the textbooks', numbers the run's."""
    return [
        _charge(shot, energy),
        _close(summary),
        _current(shot, summary),
        _induced(shot, series),
        _field(summary, series),
        _push(summary, series),
        *_yields(shot, summary, series),
        *_breaks(summary),
        *_arcs(summary, energy),
        _end(energy, series),
    ]


def _plain(value: float, figures: int = 2) -> str:
    """So many figures, without a power of ten."""
    return f"{float(f'{value:.{figures}g}'):,.0f}"


def _charge(shot: Shot, energy: EnergyBalance) -> ExplainedStep:
    return ExplainedStep(
        name="charge",
        title="The bank is charged",
        statement=f"{shot.bank.capacitance_farad * 1e6:.4g} µF at {shot.bank.charge_voltage_v / 1e3:.3g} kV hold "
        f"{energy.bank_j / 1e3:.3g} kJ, enough to kill, until the switch closes.",
        equation="W = C V² / 2",
        value=energy.bank_j,
        unit="J",
        time_s=0.0,
    )


def _close(summary: Summary) -> ExplainedStep:
    return ExplainedStep(
        name="close",
        title="The switch closes",
        statement="Nothing but inductance holds the current back at first; it rises fastest at the very start.",
        equation="dI/dt = V / L",
        value=summary.current_rise_a_per_s,
        unit="A/s",
        time_s=0.0,
    )


def _current(shot: Shot, summary: Summary) -> ExplainedStep:
    return ExplainedStep(
        name="current",
        title="The current rises",
        statement=f"Bank and inductance swing: {summary.peak_current_a / 1e3:.3g} kA in the {shot.coil.turns_count} "
        f"turns after {summary.time_to_peak_s * 1e6:.3g} µs.",
        equation="I ≈ V √(C/L); t ≈ (π/2) √(L C)",
        value=summary.peak_current_a,
        unit="A",
        time_s=summary.time_to_peak_s,
    )


def _peak_of(values: list[float]) -> int:
    """Place of the largest, whatever its sign."""
    return int(np.argmax(np.abs(values)))


def _induced(shot: Shot, series: Series) -> ExplainedStep:
    place = _peak_of(series.workpiece_current_a)
    current, coil = abs(series.workpiece_current_a[place]), abs(series.current_a[place]) * shot.coil.turns_count
    against = f", against {coil / 1e3:.3g} kA of all turns together" if coil else ""
    return ExplainedStep(
        name="induced",
        title="The part answers with a current of its own",
        statement=f"The flux cannot enter the metal at once: {current / 1e3:.3g} kA run round the rim of the part the "
        f"other way{against}.",
        equation="∮ E · dl = − dΦ/dt; δ = √(2 ρ / (ω μ₀))",
        value=current,
        unit="A",
        time_s=series.time_s[place],
    )


def _field(summary: Summary, series: Series) -> ExplainedStep:
    place = _peak_of(series.gap_field_tesla)
    pressure = summary.peak_gap_field_tesla**2 / (2.0 * MU_0)
    return ExplainedStep(
        name="field",
        title="The field is caught in the gap",
        statement=f"Between both currents stand {summary.peak_gap_field_tesla:.3g} T; such a field presses like "
        f"{_plain(pressure / 1e5)} bar.",
        equation="p = B² / (2 μ₀)",
        value=summary.peak_gap_field_tesla,
        unit="T",
        time_s=series.time_s[place],
    )


def _push(summary: Summary, series: Series) -> ExplainedStep:
    place = _peak_of(series.force_n)
    return ExplainedStep(
        name="push",
        title="Coil and part push each other apart",
        statement=f"{summary.peak_force_n / 1e3:.3g} kN inward on the part, spread over its rim, and as much "
        "outward on the coil.",
        equation="F = ∫ j × B dV",
        value=summary.peak_force_n,
        unit="N",
        time_s=series.time_s[place],
    )


def _yields(shot: Shot, summary: Summary, series: Series) -> Iterator[ExplainedStep]:
    first = shot.workpiece.outer_diameter_m
    moved = first - summary.final_outer_diameter_m
    if not shot.solver.motion or moved < _YIELDED_RATIO * first:
        return
    way = list(zip(series.time_s, series.outer_diameter_m, strict=True))
    start = next(time for time, diameter in way if first - diameter > _YIELDED_RATIO * first)
    yield ExplainedStep(
        name="yields",
        title="The part gives way",
        statement=f"The push is more than the metal bears; it flows inward, up to "
        f"{_plain(summary.peak_workpiece_speed_m_per_s, 3)} m/s fast and at a strain rate of "
        f"{_plain(summary.peak_strain_rate_per_s)} /s, getting thicker and hot.",
        equation="σ = (A + B εⁿ)(1 + C ln ε̇*)(1 − T*ᵐ)",
        value=summary.peak_workpiece_speed_m_per_s,
        unit="m/s",
        time_s=start,
    )
    stop = next(time for time, diameter in way if first - diameter > (1.0 - _LEFT_RATIO) * moved)
    yield ExplainedStep(
        name="stops",
        title="The part has its size",
        statement=f"From {first * 1e3:.2f} to {summary.final_outer_diameter_m * 1e3:.2f} mm: its motion is used up by "
        "the metal's strength.",
        equation="∫ F dx = ∫ σ dε dV",
        value=summary.final_outer_diameter_m,
        unit="m",
        time_s=stop,
    )


def _breaks(summary: Summary) -> Iterator[ExplainedStep]:
    if summary.burst_time_s is None:
        return
    current = abs(summary.burst_current_a or 0.0)
    yield ExplainedStep(
        name="breaks",
        title="The coil breaks",
        statement=f"The wire gives out while {current / 1e3:.3g} kA still flow; its pieces leave at up to "
        f"{_plain(summary.debris_velocity_m_per_s, 3)} m/s with {_plain(summary.debris_energy_j, 3)} J. "
        "The barrier must stop them.",
        equation="σ_hoop = F / (2 π A)",
        value=summary.debris_velocity_m_per_s,
        unit="m/s",
        time_s=summary.burst_time_s,
    )


def _arcs(summary: Summary, energy: EnergyBalance) -> Iterator[ExplainedStep]:
    if summary.burst_time_s is None or energy.arc_j <= 0.0:
        return
    yield ExplainedStep(
        name="arcs",
        title="Arcs take over",
        statement=f"The current goes on from piece to piece through arcs, which burn {_plain(energy.arc_j, 3)} J "
        "into flash, bang and fume.",
        equation="U = U₀ + E · s",
        value=energy.arc_j,
        unit="J",
        time_s=summary.burst_time_s,
    )


def _end(energy: EnergyBalance, series: Series) -> ExplainedStep:
    share = energy.workpiece_plastic_work_j / energy.bank_j
    return ExplainedStep(
        name="end",
        title="Where the energy went",
        statement=f"{100 * share:.2g} % of the bank's energy shaped the part. The rest is heat, flying "
        "copper and arcs; "
        f"{_plain(energy.left_in_bank_j, 3)} J may still be on the bank: bleed down before approach.",
        equation="W = Σ heat + Σ work + Σ motion + arcs + rest",
        value=energy.workpiece_plastic_work_j,
        unit="J",
        time_s=series.time_s[-1],
    )
