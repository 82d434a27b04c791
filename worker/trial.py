"""One trial: the least charge voltage that brings the part to its target with a given coil, gap and capacitance.

The part shrinks more the higher the voltage, so the voltage is the root of (shrink - wanted shrink); how it is closed
in on is in :mod:`worker.bracket`. A trial that cannot get there says why in terms of the bench.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Callable
from dataclasses import dataclass

from physics.result import ShotResult, Summary
from physics.shot import Fidelity, Shot
from worker.bracket import Bracket, Sample
from worker.records import Candidate, Objectives, Parameters, Reason
from worker.request import DesignRequest
from worker.words import current, energy, length, voltage

log = logging.getLogger(__name__)

Simulate = Callable[[Shot], ShotResult]

#: The solved diameter keeps this share of the target's tolerance, so that the rest is left for the bench.
TOLERANCE_SHARE = 0.25
SHOTS_LIMIT = 16
#: First guess without any earlier trial, in parts of the highest voltage.
FIRST_RATIO = 0.7
#: A run that diverged is tried once more a little aside, this share of the way to the strongest shot known too weak.
ASIDE_RATIO = 0.1
#: More voltage than the limit allows, tried once to see whether it would help at all.
BEYOND_RATIO = 1.2
HIGHEST_MODEL_VOLTAGE_V = 1e5
#: Extra shrink, in parts of the wanted one, from which on more voltage is said to help.
HELP_RATIO = 0.02
#: Keeps rounding from lifting sqrt(2 E / C) over the energy limit.
ROUNDING = 1.0 - 1e-12

#: Statuses that say the shot was too strong for the part.
TOO_STRONG: dict[str, Reason] = {
    "over_crushed": "over_crushed",
    "bore_closed": "bore_closed",
    "rim_extruded": "rim_extruded",
    "material_limit": "material_limit",
    "insulation_failed": "insulation_failed",
    "not_converged": "not_converged",
}


def shot_for(request: DesignRequest, parameters: Parameters, charge_voltage_v: float, fidelity: Fidelity) -> Shot:
    """The whole shot of a trial, with the design's limits in it."""
    bench = request.bench
    return Shot.model_validate(
        {
            "bank": {
                "capacitance_farad": parameters.capacitance_farad,
                "charge_voltage_v": charge_voltage_v,
                "inductance_henry": bench.bank.inductance_henry,
                "resistance_ohm": bench.bank.resistance_ohm,
            },
            "switch": bench.switch,
            "leads": bench.leads,
            "crowbar": bench.crowbar,
            "coil": {
                "turns_count": parameters.turns_count,
                "wire_diameter_m": parameters.wire_diameter_m,
                "pitch_m": parameters.pitch_m,
                "material": request.search.coil_material,
            },
            "gap_m": parameters.gap_m,
            "insulation": {
                "enamel_thickness_m": parameters.enamel_thickness_m,
                "enamel_pair_breakdown_v": parameters.enamel_pair_breakdown_v,
            },
            "workpiece": request.workpiece,
            "limits": request.limits.model_dump(),
            "solver": {"fidelity": fidelity},
        }
    )


def shot_of(request: DesignRequest, candidate: Candidate) -> Shot | None:
    """The shot that a candidate's figures belong to, to be run again; None when no shot was run for it."""
    if candidate.charge_voltage_v is None:
        return None
    return shot_for(request, candidate.parameters, candidate.charge_voltage_v, candidate.fidelity)


def highest_voltage(request: DesignRequest, capacitance_farad: float) -> float:
    """Highest charge voltage in V inside both the voltage and the energy limit."""
    return min(request.limits.charge_voltage_v, _voltage_at_energy_limit(request, capacitance_farad))


def _voltage_at_energy_limit(request: DesignRequest, capacitance_farad: float) -> float:
    return math.sqrt(2.0 * request.limits.stored_energy_j / capacitance_farad) * ROUNDING


def run_trial(
    request: DesignRequest,
    number: int,
    parameters: Parameters,
    fidelity: Fidelity,
    simulate: Simulate,
    guess_v: float | None = None,
) -> Candidate:
    """Solve one trial and judge it. An error of the model is a reason like any other, not the end of the search."""
    solver = _VoltageSolver(request, parameters, fidelity, simulate)
    try:
        verdict = solver.solve(guess_v)
    except Exception as problem:
        log.exception("model error in trial %d at %s", number, parameters)
        words = f"the model failed at this coil ({type(problem).__name__}); it is not a statement about the shot"
        verdict = _Verdict(None, "model_fault", words, 1.0)
    return _candidate(number, parameters, fidelity, verdict, len(solver.shots))


@dataclass(frozen=True)
class _Shot:
    """One shot of a trial. `shrink_m` is None when it was too strong for the part to have a final size."""

    voltage_v: float
    shrink_m: float | None
    result: ShotResult


@dataclass(frozen=True)
class _Verdict:
    """How a trial ended: the shot to be kept, and why it is not feasible."""

    shot: _Shot | None
    reason: Reason | None = None
    explanation: str | None = None
    violation_ratio: float = 0.0


class _VoltageSolver:
    """The search for one trial's voltage."""

    def __init__(self, request: DesignRequest, parameters: Parameters, fidelity: Fidelity, simulate: Simulate) -> None:
        self.request = request
        self.parameters = parameters
        self.fidelity = fidelity
        self.simulate = simulate
        self.highest = highest_voltage(request, parameters.capacitance_farad)
        self.wanted = request.workpiece.outer_diameter_m - request.target_diameter_m
        self.close_enough = TOLERANCE_SHARE * request.target.tolerance_m
        self.shots: list[_Shot] = []

    def solve(self, guess_v: float | None) -> _Verdict:
        """Shoot until a shot hits, the highest voltage proves too weak, or no voltage is left in between."""
        bracket = Bracket(self.wanted, self.highest)
        voltage_v = min(guess_v or FIRST_RATIO * self.highest, self.highest)
        while len(self.shots) < SHOTS_LIMIT and not bracket.is_narrow:
            shot = self._shoot(voltage_v)
            if shot.result.status == "not_converged":
                shot = self._shoot(voltage_v + ASIDE_RATIO * (bracket.low.voltage_v - voltage_v))
            if shot.shrink_m is not None and abs(shot.shrink_m - self.wanted) <= self.close_enough:
                return self._judged(shot)
            bracket.add(Sample(shot.voltage_v, shot.shrink_m))
            if bracket.is_out_of_reach:
                return self._out_of_reach(shot)
            voltage_v = bracket.next_voltage()
        return self._no_solution()

    def _shoot(self, voltage_v: float) -> _Shot:
        result = self.simulate(shot_for(self.request, self.parameters, voltage_v, self.fidelity))
        shrink = None
        if result.summary is not None and result.status not in TOO_STRONG:
            shrink = self.request.workpiece.outer_diameter_m - result.summary.final_outer_diameter_m
        self.shots.append(_Shot(voltage_v, shrink, result))
        return self.shots[-1]

    # ---- verdicts --------------------------------------------------------------------------------------------------

    def _judged(self, shot: _Shot) -> _Verdict:
        """A hit: inside the peak current, or not."""
        limit = self.request.limits.peak_current_a
        peak = _summary(shot).peak_current_a
        if limit is None or peak <= limit:
            return _Verdict(shot)
        over = peak / limit - 1.0
        words = f"reaches the target at {voltage(shot.voltage_v)}, but its peak current of {current(peak)} is "
        words += f"{over:.1%} over the limit of {current(limit)}"
        return _Verdict(shot, "current_limit", words, over)

    def _out_of_reach(self, top: _Shot) -> _Verdict:
        """The highest voltage allowed does not shrink the part enough."""
        best = max((shot for shot in self.shots if shot.shrink_m is not None), key=_shrink)
        missing = 1.0 - _shrink(best) / self.wanted
        words = f"at {voltage(best.voltage_v)} the part stops at {length(_summary(best).final_outer_diameter_m)}"
        if self._more_is_no_help(top, best):
            words += "; the coil bursts before it has pushed enough, and more voltage does not help"
            return _Verdict(best, "coil_bursts_first", words, missing)
        limits = self.request.limits
        if self.highest < limits.charge_voltage_v:
            words += f", the most that the energy limit of {energy(limits.stored_energy_j)} allows here"
            return _Verdict(best, "energy_limit", words, missing)
        words += f", the most that the voltage limit of {voltage(limits.charge_voltage_v)} allows"
        return _Verdict(best, "voltage_limit", words, missing)

    def _more_is_no_help(self, top: _Shot, best: _Shot) -> bool:
        """For a coil that bursts: whether it would do no better beyond the limit."""
        if _summary(top).burst_time_s is None:
            return False
        if best is not top:
            return True
        beyond = self._shoot(min(top.voltage_v * BEYOND_RATIO, HIGHEST_MODEL_VOLTAGE_V))
        return beyond.shrink_m is None or beyond.shrink_m - _shrink(top) < HELP_RATIO * self.wanted

    def _no_solution(self) -> _Verdict:
        """The part has no size at the voltage it would need, or its size jumps over the target."""
        weak = [shot for shot in self.shots if shot.shrink_m is not None and shot.shrink_m < self.wanted]
        strong = min((shot for shot in self.shots if shot not in weak), key=lambda shot: shot.voltage_v, default=None)
        best = max(weak, key=_shrink, default=strong)
        missing = 1.0 - max(map(_shrink, weak), default=0.0) / self.wanted
        if strong is None:
            words = f"still too weak after {len(self.shots)} shots"
            return _Verdict(best, "not_converged", words, missing)
        if strong.shrink_m is None:
            words = f"too weak below {voltage(strong.voltage_v)}, and from there on: {strong.result.advice}"
            return _Verdict(best, TOO_STRONG[strong.result.status], words, missing)
        words = f"the final diameter jumps over the target at {voltage(strong.voltage_v)}"
        return _Verdict(best, "not_converged", words, max(missing, self.close_enough / self.wanted))


def _shrink(shot: _Shot) -> float:
    return shot.shrink_m or 0.0


def _summary(shot: _Shot) -> Summary:
    assert shot.result.summary is not None
    return shot.result.summary


def _candidate(
    number: int, parameters: Parameters, fidelity: Fidelity, verdict: _Verdict, shots_count: int
) -> Candidate:
    shot = verdict.shot
    summary = None if shot is None else shot.result.summary
    return Candidate(
        number=number,
        parameters=parameters,
        charge_voltage_v=None if shot is None else shot.voltage_v,
        objectives=None if shot is None else _objectives(parameters, shot.voltage_v, shot.result),
        feasible=verdict.reason is None,
        reason=verdict.reason,
        explanation=verdict.explanation,
        violation_ratio=verdict.violation_ratio,
        final_outer_diameter_m=None if summary is None else summary.final_outer_diameter_m,
        peak_current_a=None if summary is None else summary.peak_current_a,
        fidelity=fidelity,
        shots_count=shots_count,
    )


def _objectives(parameters: Parameters, voltage_v: float, result: ShotResult) -> Objectives:
    return Objectives(
        stored_energy_j=0.5 * parameters.capacitance_farad * voltage_v**2,
        charge_voltage_v=voltage_v,
        margin_ratio=min(rating.margin_ratio for rating in result.ratings),
    )
