"""The outcome of a run in figures and words: status, ratings, provenance, and the reports put together."""

from __future__ import annotations

import numpy as np

from physics import state as c
from physics.coil_report import insulation_checks, turn_reports
from physics.figures import energy_balance, series, summary
from physics.hazards import Facts, RunFacts, assess
from physics.materials import MATERIAL_DATA_VERSION
from physics.numerical_error import numerical_error
from physics.part_report import advisories, profile
from physics.result import EnergyBalance, InsulationCheck, Provenance, Rating, ShotResult, Status, Summary
from physics.run import Run
from physics.schema import unit_of
from physics.shot import Shot
from physics.verdict import verdict_of

#: Version of the model; any change of its numbers changes it.
MODEL_VERSION = "2.2"

#: Code beside those of the kernels.
INSULATION_FAILED = 100

_STATUS: dict[int, tuple[Status, str]] = {
    c.COMPLETED: ("completed", "The shot ran until nothing more could change."),
    c.STOPPED_EARLY: (
        "stopped_early",
        "The run ended at its stop time while something could still change; give a later stop_time_s or null.",
    ),
    c.OVER_CRUSHED: (
        "over_crushed",
        "The part was crushed or thrown back into the coil, beyond what the model describes; lower the voltage.",
    ),
    c.BORE_CLOSED: (
        "bore_closed",
        "The bore closed; sizes are those at that moment. Lower the voltage to keep it open.",
    ),
    c.RIM_EXTRUDED: (
        "rim_extruded",
        "The axial force squeezed the rim to less than 0.4 of its thickness; lower the voltage or lengthen the coil.",
    ),
    c.MATERIAL_LIMIT: (
        "material_limit",
        "Coil or part got hotter than the material data reach (it would boil); lower the voltage or use thicker wire.",
    ),
    INSULATION_FAILED: (
        "insulation_failed",
        "The voltage is more than the stated insulation bears; use more of it, more turns, or a lower charge voltage.",
    ),
    c.NOT_CONVERGED: (
        "not_converged",
        "The numbers diverged and are withheld; try another fidelity and check gap, wire and thickness for extremes.",
    ),
}


def put_together(run: Run) -> ShotResult:
    """The result of a run. Whatever is not finite turns the whole into `not_converged`."""
    shot, code = run.shot, run.code
    if not (np.isfinite(run.rows).all() and np.isfinite(run.totals).all()):
        code = c.NOT_CONVERGED
    converged = code != c.NOT_CONVERGED
    checks = insulation_checks(run) if converged else []
    if code in {c.COMPLETED, c.STOPPED_EARLY} and _fails(checks):
        code = INSULATION_FAILED
    status, advice = _STATUS[code]
    figures, energy = (summary(run), energy_balance(run)) if converged else (None, None)
    ratings = ratings_of(shot, figures)
    hazards = assess(Facts(shot, _run_facts(run, figures, energy)))
    return ShotResult(
        verdict=verdict_of(ratings, hazards, status),
        status=status,
        advice=advice,
        summary=figures,
        energy=energy,
        ratings=ratings,
        hazards=hazards,
        turns=turn_reports(run) if converged else [],
        profile=profile(run) if converged else None,
        insulation=checks,
        warnings=advisories(run) if converged else [],
        numerical_error=numerical_error(run, figures) if figures else None,
        series=series(run.rows) if converged else None,
        provenance=_provenance(run),
        shot=shot,
    )


def _run_facts(run: Run, figures: Summary | None, energy: EnergyBalance | None) -> RunFacts | None:
    if figures is None or energy is None:
        return None
    rises = np.diff(run.rows[:, c.CURRENT]) / np.maximum(np.diff(run.rows[:, c.TIME]), 1e-12)
    return RunFacts(
        summary=figures,
        energy=energy,
        peak_coil_motion_j=float(run.rows[:, c.MOTION_COIL].max()),
        peak_rise_a_per_s=float(np.abs(rises).max(initial=0.0)),
    )


def _fails(checks: list[InsulationCheck]) -> bool:
    return any(check.margin_ratio is not None and check.margin_ratio < 0.0 for check in checks)


def _provenance(run: Run) -> Provenance:
    slices, cells = run.model.body.pressure.shape
    return Provenance(
        model_version=MODEL_VERSION,
        material_data_version=MATERIAL_DATA_VERSION,
        step_s=float(run.totals[c.STEP]),
        steps_count=max(len(run.rows) - 1, 0),
        field_cells_count=run.model.part.cell_column.size,
        motion_cells_count=cells,
        slices_count=slices,
    )


def ratings_of(shot: Shot, figures: Summary | None) -> list[Rating]:
    """A rating for each stated limit that the input, or with `figures` the run, has a value for."""
    values = {
        "charge_voltage_v": shot.bank.charge_voltage_v,
        "stored_energy_j": shot.stored_energy_j,
        "peak_current_a": figures.peak_current_a if figures else None,
    }
    ratings = []
    for name, value in values.items():
        limit = getattr(shot.limits, name)
        if limit is not None and value is not None:
            margin = 1.0 - value / limit
            ratings.append(
                Rating(
                    name=name,
                    unit=unit_of(name) or "1",
                    value=value,
                    limit=limit,
                    margin_ratio=margin,
                    # A limit may be used up to the last digit of a double.
                    exceeded=margin < -1e-12,
                )
            )
    return ratings
