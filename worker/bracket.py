"""Closing in on the voltage that shrinks a part by a wanted amount, in few shots.

Below the onset of flow nothing moves; above it the shrink grows about with the square of the voltage at first and
nearly linearly around usual targets (seen in the model over several coils; no source). So the next voltage comes from
inverse interpolation through the nearest shots, in logarithms, where a power law is a straight line; from a power law
while there is one shot only; and it never leaves the bracket between the strongest shot that was too weak and the
weakest that was too strong.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

#: With one shot that moved the part: voltage ~ shrink to this power, unless trials alike say better.
POWER = 0.45
#: A shot that shrinks by less than this share of what is wanted says nothing about the slope.
MOVED_RATIO = 0.02
#: Largest step upwards, and the step while nothing moves yet.
STEP_UP = 1.45
BLIND_STEP_UP = 1.8
#: Share of the bracket that interpolation keeps away from its ends.
EDGE = 0.005
#: Two nearly equal shots may point anywhere; no logarithm of a voltage is larger than this.
MOST_LOG = 50.0
#: A bracket this narrow (relative) without a solution inside means that the diameter jumps.
NARROW_RATIO = 5e-5
#: The edge to shots that are too strong to have a final size need not be known better than this.
EDGE_RATIO = 5e-3


@dataclass(frozen=True)
class Sample:
    """One shot: its voltage in V and shrink in m, None when it was too strong to have a final size."""

    voltage_v: float
    shrink_m: float | None


@dataclass
class Bracket:
    """What is known about the voltage for `wanted_m` of shrink, at most `highest_v`."""

    wanted_m: float
    highest_v: float
    power: float = POWER
    low: Sample = Sample(0.0, 0.0)
    high: Sample | None = None
    samples: list[Sample] = field(default_factory=list)

    def add(self, sample: Sample) -> None:
        """Take a shot into account."""
        self.samples.append(sample)
        if sample.shrink_m is not None and sample.shrink_m < self.wanted_m:
            self.low = sample
        else:
            self.high = sample

    @property
    def is_out_of_reach(self) -> bool:
        """True when even the highest voltage is too weak."""
        return self.high is None and self.low.voltage_v >= self.highest_v

    @property
    def is_narrow(self) -> bool:
        """True when it makes no sense to look any closer."""
        if self.high is None:
            return False
        ratio = EDGE_RATIO if self.high.shrink_m is None else NARROW_RATIO
        return self.high.voltage_v - self.low.voltage_v < ratio * self.high.voltage_v

    def next_voltage(self) -> float:
        """Where to shoot next."""
        guess = self._guess()
        if self.high is None:
            low = self.low.voltage_v
            step = low * BLIND_STEP_UP if guess is None else min(max(guess, low * 1.001), low * STEP_UP)
            return min(step, self.highest_v)
        return self._inside(guess, self.high.voltage_v)

    def _inside(self, guess: float | None, high: float) -> float:
        """The guess if it is inside the bracket, else the middle; now and then the middle, in case that it creeps."""
        low = self.low.voltage_v
        edge = EDGE * (high - low)
        creeps = len(self.samples) > 6 and len(self.samples) % 3 == 0
        if guess is None or creeps or not low < guess < high:
            return 0.5 * (low + high)
        return min(max(guess, low + edge), high - edge)

    def _guess(self) -> float | None:
        """Voltage for the wanted shrink, by inverse interpolation of logarithms; None when nothing has moved yet."""
        points = self._nearest()
        if len(points) == 1:
            (x, y) = points[0]
            return math.exp(y - self.power * x)
        return math.exp(min(_lagrange_at_zero(points), MOST_LOG)) if points else None

    def _nearest(self) -> list[tuple[float, float]]:
        """Logarithms of (shrink over wanted shrink, voltage) of the few distinct shots nearest to the target."""
        moved = {
            s.shrink_m: s.voltage_v for s in self.samples if s.shrink_m and s.shrink_m > MOVED_RATIO * self.wanted_m
        }
        pairs = [(math.log(shrink / self.wanted_m), math.log(voltage)) for shrink, voltage in moved.items()]
        return sorted(pairs, key=lambda pair: abs(pair[0]))[: 3 if self.high is not None else 2]


def _lagrange_at_zero(points: list[tuple[float, float]]) -> float:
    """Value at 0 of the polynomial through `points` (Lagrange's formula)."""
    return sum(y * math.prod(q / (q - p) for q, _ in points if q != p) for p, y in points)
