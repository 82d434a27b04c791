"""The search space as numbers: what is free to vary, its places between 0 and 1, and the coil that values stand for.

The wire is searched as its place in the stock sorted by diameter and the former as its place among the walls, since
neighbours in that order behave alike, which a bare category would hide. What has one possible value is not searched.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from optuna.distributions import BaseDistribution, FloatDistribution, IntDistribution

from physics.wires import Wire, wire
from worker.records import Parameters
from worker.request import DesignRequest
from worker.sobol import sobol

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Variable:
    """One free quantity: a range of floats or of whole numbers, even or even in its logarithm."""

    name: str
    low: float
    high: float
    whole: bool
    log: bool

    @property
    def distribution(self) -> BaseDistribution:
        """The same for a study."""
        if self.whole:
            return IntDistribution(int(self.low), int(self.high), log=self.log)
        return FloatDistribution(self.low, self.high, log=self.log)

    def at(self, place: Floats) -> Floats:
        """Values at places (0 to 1) of the range; each whole number holds an equal share (of the logarithm)."""
        low, high = self.low, self.high + (1.0 if self.whole else 0.0)
        value = low * (high / low) ** place if self.log else low + place * (high - low)
        return np.clip(np.floor(value) if self.whole else value, self.low, self.high)

    def place_of(self, value: float) -> float:
        """The other way round; of a whole number the middle of its share."""
        low, high = self.low, self.high + (1.0 if self.whole else 0.0)
        middle = value + (0.5 if self.whole else 0.0)
        found = math.log(middle / low) / math.log(high / low) if self.log else (middle - low) / (high - low)
        return min(max(found, 0.0), 1.0)


class Space:
    """What may be varied in a request."""

    def __init__(self, request: DesignRequest) -> None:
        space = self._space = request.search
        self.wires: list[Wire] = sorted(map(wire, set(space.wires)), key=lambda found: (found.diameter_m, found.name))
        self.walls: list[float] = sorted(set(space.formers.walls_m)) if space.formers else []
        everything = [
            Variable("turns_count", space.turns.low_count, space.turns.high_count, whole=True, log=False),
            Variable("layers_count", space.layers.low_count, space.layers.high_count, whole=True, log=False),
            Variable("wire", 0, len(self.wires) - 1, whole=True, log=False),
            Variable("pitch_ratio", space.pitch.low_ratio, space.pitch.high_ratio, whole=False, log=False),
            self._gap(),
            self._capacitance(),
        ]
        self.variables = [v for v in everything if v.high > v.low]
        self._held = {v.name: v.low for v in everything if v.high <= v.low}

    def _gap(self) -> Variable:
        gap = self._space.gap
        if gap is None:
            return Variable("wall", 0, len(self.walls) - 1, whole=True, log=False)
        return Variable("gap_m", gap.low_m, gap.high_m, whole=False, log=False)

    def _capacitance(self) -> Variable:
        stock, bank = self._space.capacitors, self._space.capacitance
        if stock is not None:
            return Variable("capacitors_count", stock.low_count, stock.high_count, whole=True, log=True)
        assert bank is not None, "the request gives one of the two"
        return Variable("capacitance_farad", bank.low_farad, bank.high_farad, whole=False, log=True)

    @property
    def distributions(self) -> dict[str, BaseDistribution]:
        """What a study may choose."""
        return {v.name: v.distribution for v in self.variables}

    # ---- one point -------------------------------------------------------------------------------------------------

    def parameters(self, values: Mapping[str, Any]) -> Parameters:
        """The coil and bank that values of the free variables stand for."""
        v = {**self._held, **values}
        chosen = self.wires[int(v["wire"])]
        stock = self._space.capacitors
        count = int(v["capacitors_count"]) if stock else 1
        return Parameters(
            turns_count=int(v["turns_count"]),
            layers_count=int(v["layers_count"]),
            wire=chosen.name,
            wire_diameter_m=chosen.diameter_m,
            pitch_m=float(v["pitch_ratio"]) * chosen.pitch_m,
            enamel_thickness_m=0.5 * chosen.enamel_increase_m,
            enamel_pair_breakdown_v=chosen.pair_breakdown_v,
            **self._gap_parameters(v, chosen),
            capacitance_farad=count * stock.each_farad if stock else float(v["capacitance_farad"]),
            capacitors_count=count,
            capacitor_inductance_henry=stock.each_inductance_henry if stock else 0.0,
            capacitor_resistance_ohm=stock.each_resistance_ohm if stock else 0.0,
        )

    def _gap_parameters(self, values: Mapping[str, Any], chosen: Wire) -> dict[str, Any]:
        formers = self._space.formers
        if formers is None:
            return {"gap_m": float(values["gap_m"])}
        wall = self.walls[int(values["wall"])]
        return {
            "gap_m": formers.gap_m(wall, chosen),
            "former_wall_m": wall,
            "former_strength_v_per_m": formers.strength_v_per_m,
        }

    def values(self, parameters: Parameters) -> dict[str, Any]:
        """The other way round."""
        place = [found.name for found in self.wires].index(parameters.wire)
        known: dict[str, float] = {
            "turns_count": parameters.turns_count,
            "layers_count": parameters.layers_count,
            "wire": place,
            "pitch_ratio": parameters.pitch_m / self.wires[place].pitch_m,
            "gap_m": parameters.gap_m,
            "wall": self.walls.index(parameters.former_wall_m) if self.walls else 0,
            "capacitance_farad": parameters.capacitance_farad,
            "capacitors_count": parameters.capacitors_count,
        }
        return {v.name: _within(v, known[v.name]) for v in self.variables}

    def numbers_of(self, parameters: Parameters) -> Floats:
        """Values of the free variables, shape (variables,)."""
        return np.array(list(self.values(parameters).values()), dtype=np.float64)

    def place_of(self, parameters: Parameters) -> Floats:
        """Places of the free variables, each 0 to 1; shape (variables,)."""
        pairs = zip(self.variables, self.numbers_of(parameters), strict=True)
        return np.array([variable.place_of(value) for variable, value in pairs], dtype=np.float64)

    # ---- many points -----------------------------------------------------------------------------------------------

    def spread(self, seed: int, count: int) -> Floats:
        """Places of `count` points of a scrambled Sobol' sequence, shape (count, variables)."""
        if not self.variables:
            return np.zeros((count, 0))
        with warnings.catch_warnings():
            # a count that is no power of two is less even, and good enough
            warnings.simplefilter("ignore", UserWarning)
            return sobol(len(self.variables), count, seed)

    def numbers_at(self, places: Floats) -> Floats:
        """Values of the free variables at places, both of shape (points, variables)."""
        columns = [v.at(places[:, k]) for k, v in enumerate(self.variables)]
        return np.stack(columns, axis=1) if columns else np.zeros((len(places), 0))

    def values_at(self, places: Floats) -> list[dict[str, Any]]:
        """The same by name, whole numbers as such."""
        return [
            {v.name: int(x) if v.whole else float(x) for v, x in zip(self.variables, row, strict=True)}
            for row in self.numbers_at(places)
        ]

    def figures_at(self, places: Floats) -> Floats:
        """What a coil is like at places: see :func:`figures_of`; shape (points, 6)."""
        known = {name: np.full(len(places), low) for name, low in self._held.items()}
        known |= {v.name: v.at(places[:, k]) for k, v in enumerate(self.variables)}
        diameter = np.array([found.diameter_m for found in self.wires])[known["wire"].astype(int)]
        stock = self._space.capacitors
        farad = known["capacitors_count"] * stock.each_farad if stock else known["capacitance_farad"]
        gap = known["gap_m"] if self._space.formers is None else self._former_gap(known)
        columns = (known["turns_count"], known["layers_count"], diameter, known["pitch_ratio"], gap, farad)
        return np.asarray(np.log(np.stack(columns, axis=1)), dtype=np.float64)

    def _former_gap(self, known: Mapping[str, Floats]) -> Floats:
        formers = self._space.formers
        assert formers is not None, "asked for formers only"
        gaps = np.array([[formers.gap_m(wall, found) for found in self.wires] for wall in self.walls])
        found: Floats = gaps[known["wall"].astype(int), known["wire"].astype(int)]
        return found

    def figures_of(self, many: Sequence[Parameters]) -> Floats:
        """Logarithms of turns, layers, wire (m), pitch over close pitch, gap (m), capacitance (farad)."""
        close = {found.name: found.pitch_m for found in self.wires}
        rows = [
            (
                p.turns_count,
                p.layers_count,
                p.wire_diameter_m,
                p.pitch_m / close[p.wire],
                p.gap_m,
                p.capacitance_farad,
            )
            for p in many
        ]
        return np.log(np.array(rows, dtype=np.float64).reshape(len(rows), 6))


def _within(variable: Variable, value: float) -> int | float:
    bounded = min(max(value, variable.low), variable.high)
    return int(bounded) if variable.whole else float(bounded)
