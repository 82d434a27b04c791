"""What an island knows from its trials so far: the landscape through them, and where a new trial should shoot first."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from worker.landscape import Landscape
from worker.records import Candidate, Parameters
from worker.request import DesignRequest
from worker.space import Floats, Space

#: A fit is made anew after so many more known trials, more often while there are few and each tells much.
REFIT_EVERY = 5
REFIT_EARLY = 2
EARLY_POINTS = 30
#: The fit starts with this many solved trials, and one more for each free quantity.
LEAST_POINTS = 4
#: Before that, a first guess comes from so many of the nearest trials; slopes always do.
NEIGHBOURS = 3
#: A use of the limits never counts as less than this.
LEAST_USE = 1e-3
#: The solved voltage is known within the tolerance only, relative.
NOISE = 3e-3
#: A trial that was too weak tells what voltage would do; below the onset of flow it counts as having missed this share
#: of the shrink, so that the estimate stays finite.
MOST_MISSING = 0.95
#: Error of that estimate, in parts of the logarithm that it adds, and the slope where none is known.
GUESSED_ERROR = 0.3
USUAL_SLOPE = 2.2


class Knowledge:
    """The trials of an island, and of the archive it starts from, in the order they came."""

    def __init__(self, request: DesignRequest, space: Space, archive: Sequence[Candidate] = ()) -> None:
        self.request = request
        self.space = space
        self.trials: list[Candidate] = []
        self.solved: list[Candidate] = []
        #: Places of the trials' coils in the space, by number.
        self.places: dict[int, Floats] = {}
        self._solved_figures = np.zeros((0, 6))
        self._known_figures = np.zeros((0, 6))
        self._outcomes: list[Outcome] = []
        self._landscape: Landscape | None = None
        self._fitted = 0
        for candidate in archive:
            self.add(candidate)

    def add(self, candidate: Candidate) -> None:
        """Take a finished trial into account."""
        self.trials.append(candidate)
        self.places[candidate.number] = self.space.place_of(candidate.parameters)
        figures = self.space.figures_of([candidate.parameters])
        if is_solved(self.request, candidate):
            self.solved.append(candidate)
            self._solved_figures = np.concatenate([self._solved_figures, figures])
        outcome = outcome_of(self.request, candidate)
        if outcome is not None:
            self._outcomes.append(outcome)
            self._known_figures = np.concatenate([self._known_figures, figures])

    @property
    def refit_every(self) -> int:
        """Known trials from one fit to the next."""
        return REFIT_EARLY if len(self._outcomes) < EARLY_POINTS else REFIT_EVERY

    def landscape(self) -> Landscape | None:
        """The fit through the trials whose voltage is known, of which the last few may be missing.

        None while there are too few. It depends on the trials alone, not on when it was asked for.
        """
        least = LEAST_POINTS + len(self.space.variables)
        if len(self._outcomes) < least:
            return None
        count = len(self._outcomes) - (len(self._outcomes) - least) % self.refit_every
        if self._landscape is None or count != self._fitted:
            self._fitted = count
            known = self._outcomes[:count]
            self._landscape = Landscape(
                self._known_figures[:count],
                np.array([(o.log_voltage, o.log_use) for o in known]),
                np.array([o.error for o in known]),
            )
        return self._landscape

    def guess(self, parameters: Parameters) -> tuple[float | None, float | None]:
        """Charge voltage (V) that the trial will want, and the slope there (relative shrink over relative voltage)."""
        if not self.solved:
            return None, None
        figures = self.space.figures_of([parameters])
        weights = 1.0 / (((self._solved_figures - figures) ** 2).sum(axis=1) + 0.02)
        nearest: list[int] = np.argsort(-weights, kind="stable")[:NEIGHBOURS].tolist()
        landscape = self.landscape()
        if landscape is not None:
            volts = float(np.exp(landscape.predict(figures)[0][0, 0]))
        else:
            volts = self._voltage_of_equal_energy(parameters, weights, nearest)
        slopes = [self.solved[k].shrink_slope_ratio for k in nearest]
        known = [slope for slope in slopes if slope is not None]
        return volts, sum(known) / len(known) if known else None

    def _voltage_of_equal_energy(self, parameters: Parameters, weights: Floats, nearest: list[int]) -> float:
        """Coils alike need about the same stored energy."""
        energies = [math.log(_objectives_energy(self.solved[k])) for k in nearest]
        energy = math.exp(float(np.average(energies, weights=weights[nearest])))
        return math.sqrt(2.0 * energy / parameters.capacitance_farad)


def _objectives_energy(candidate: Candidate) -> float:
    assert candidate.objectives is not None, "a solved trial has objectives"
    return candidate.objectives.stored_energy_j


def is_solved(request: DesignRequest, candidate: Candidate) -> bool:
    """True when a voltage was found that reaches the target, inside the limits or not."""
    found = candidate.final_outer_diameter_m
    return (
        candidate.objectives is not None
        and found is not None
        and abs(found - request.target_diameter_m) <= request.target.tolerance_m
    )


@dataclass(frozen=True)
class Outcome:
    """Logarithms of a coil's charge voltage (V) and of its largest use of any limit, and the error of both."""

    log_voltage: float
    log_use: float
    error: float


def outcome_of(request: DesignRequest, candidate: Candidate) -> Outcome | None:
    """What a trial tells of its coil; None when it has no voltage at all.

    Where the highest voltage allowed was too weak, the voltage that would do is estimated from how far it got.
    """
    found = candidate.objectives
    if found is None:
        return None
    if is_solved(request, candidate):
        return Outcome(math.log(found.charge_voltage_v), math.log(max(1.0 - found.margin_ratio, LEAST_USE)), NOISE)
    if candidate.reason not in ("voltage_limit", "energy_limit"):
        return None
    missing = min(candidate.violation_ratio, MOST_MISSING)
    rise = -math.log(1.0 - missing) / (candidate.shrink_slope_ratio or USUAL_SLOPE)
    volts = math.log(found.charge_voltage_v) + rise
    by_volts = volts - math.log(request.limits.charge_voltage_v)
    by_energy = 2.0 * rise + math.log(found.stored_energy_j / request.limits.stored_energy_j)
    return Outcome(volts, max(by_volts, by_energy, math.log(LEAST_USE)), NOISE + GUESSED_ERROR * rise)
