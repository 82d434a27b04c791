"""The outcome of a run in figures and words: status, ratings, provenance, and the reports put together."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import numpy as np

from physics import state as c
from physics.coil_report import insulation_checks, turn_reports
from physics.explanation import explain
from physics.facts import Facts, RunFacts
from physics.figures import energy_balance, series, summary
from physics.numerical_error import numerical_error
from physics.part_report import advisories, profile
from physics.result import (
    EnergyBalance,
    InsulationCheck,
    NumericalError,
    Provenance,
    Rating,
    ShotResult,
    Status,
    Summary,
)
from physics.run import Run
from physics.safety import ratings_of, safety_of
from physics.shot import Shot
from physics.software import software

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


@dataclass(frozen=True)
class ShotFigures:
    """How good a shot is, without what explains it: all that a search asks for, which runs thousands of shots."""

    shot: Shot
    status: Status
    advice: str
    summary: Summary | None
    ratings: list[Rating]
    insulation: list[InsulationCheck]
    numerical_error: NumericalError | None


def figures_of(run: Run) -> ShotFigures:
    """The figures of a run, the same as in its whole result. They take half the time of that."""
    end = _end_of(run)
    return ShotFigures(
        shot=run.shot,
        status=end.status,
        advice=end.advice,
        summary=end.figures,
        ratings=ratings_of(end.facts, end.checks),
        insulation=end.checks,
        numerical_error=numerical_error(run, end.figures) if end.figures else None,
    )


def put_together(run: Run) -> ShotResult:
    """The result of a run. Whatever is not finite turns the whole into `not_converged`."""
    end = _end_of(run)
    shot, checks, figures, energy = run.shot, end.checks, end.figures, end.energy
    converged = figures is not None
    columns = series(run.rows) if converged else None
    safety = safety_of(end.facts, end.status, checks)
    return ShotResult(
        verdict=safety.verdict,
        status=end.status,
        advice=end.advice,
        summary=figures,
        energy=energy,
        ratings=safety.ratings,
        bench_load=safety.bench_load,
        hazards=safety.hazards,
        faults=safety.faults,
        checklist=safety.checklist,
        turns=turn_reports(run) if converged else [],
        profile=profile(run) if converged else None,
        insulation=checks,
        warnings=advisories(run) if converged else [],
        numerical_error=numerical_error(run, figures) if figures else None,
        explanation=explain(shot, figures, energy, columns) if figures and energy and columns else [],
        series=columns,
        provenance=_provenance(run),
        shot=shot,
    )


@dataclass(frozen=True)
class _End:
    """How a run ended. What is not finite is withheld: there are no figures and no energy then."""

    status: Status
    advice: str
    checks: list[InsulationCheck]
    figures: Summary | None
    energy: EnergyBalance | None
    facts: Facts


def _end_of(run: Run) -> _End:
    code = run.code
    if not (np.isfinite(run.rows).all() and np.isfinite(run.totals).all()):
        code = c.NOT_CONVERGED
    converged = code != c.NOT_CONVERGED
    checks = insulation_checks(run) if converged else []
    if code in {c.COMPLETED, c.STOPPED_EARLY} and _fails(checks):
        code = INSULATION_FAILED
    figures, energy = (summary(run), energy_balance(run)) if converged else (None, None)
    return _End(*_STATUS[code], checks, figures, energy, Facts(run.shot, _run_facts(run, figures, energy)))


def _run_facts(run: Run, figures: Summary | None, energy: EnergyBalance | None) -> RunFacts | None:
    if figures is None or energy is None:
        return None
    return RunFacts(
        summary=figures,
        energy=energy,
        peak_coil_motion_j=float(run.rows[:, c.MOTION_COIL].max()),
    )


def _fails(checks: list[InsulationCheck]) -> bool:
    return any(check.margin_ratio is not None and check.margin_ratio < 0.0 for check in checks)


def _provenance(run: Run) -> Provenance:
    slices, cells = run.model.body.pressure.shape
    return Provenance(
        **software().model_dump(),
        input_sha256=hashlib.sha256(run.shot.model_dump_json().encode()).hexdigest(),
        step_s=float(run.totals[c.STEP]),
        steps_count=max(len(run.rows) - 1, 0),
        field_cells_count=run.model.part.cell_column.size,
        motion_cells_count=cells,
        slices_count=slices,
    )
