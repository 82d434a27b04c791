"""What the estimates of hazards, bench load and faults need to know of a shot, whether it was run or not."""

from __future__ import annotations

from dataclasses import dataclass
from math import pi, sqrt

from physics.materials import Metal, resolve
from physics.result import EnergyBalance, Summary
from physics.shot import Shot
from physics.surroundings import Surroundings


@dataclass(frozen=True)
class RunFacts:
    """What only a run tells."""

    summary: Summary
    energy: EnergyBalance
    #: Largest kinetic energy of the whole coil at any time, J.
    peak_coil_motion_j: float


@dataclass(frozen=True)
class Facts:
    """The shot, and its run if there was one."""

    shot: Shot
    run: RunFacts | None

    @property
    def surroundings(self) -> Surroundings:
        """What stands round the coil."""
        return self.shot.surroundings

    @property
    def voltage_v(self) -> float:
        """Charge voltage."""
        return self.shot.bank.charge_voltage_v

    @property
    def energy_j(self) -> float:
        """Stored energy."""
        return self.shot.stored_energy_j

    @property
    def coil_metal(self) -> Metal:
        """Metal of the coil."""
        return resolve(self.shot.coil.material)

    @property
    def coil_radius_m(self) -> float:
        """Of the outermost turns' middle, before the shot."""
        coil = self.shot.coil
        layers = (coil.layers_count - 1) * coil.winding.layer_pitch_m
        return 0.5 * self.shot.workpiece.outer_diameter_m + self.shot.gap_m + 0.5 * coil.radial_m + layers

    @property
    def turn_mass_kg(self) -> float:
        """Of one of the outermost turns."""
        return self._turn_kg(self.coil_radius_m)

    @property
    def innermost_turn_kg(self) -> float:
        """Of one of the innermost turns."""
        return self._turn_kg(0.5 * (self.shot.workpiece.outer_diameter_m + self.shot.coil.radial_m) + self.shot.gap_m)

    def _turn_kg(self, radius_m: float) -> float:
        return 2.0 * pi * radius_m * self.shot.coil.section_m2 * (self.coil_metal.density_kg_per_m3 or 9e3)

    @property
    def piece_diameter_m(self) -> float:
        """Of the rod that a piece is: its smallest size, which penetrates deepest."""
        return min(self.shot.coil.axial_m, self.shot.coil.radial_m)

    @property
    def fastest_m_per_s(self) -> float:
        """Speed of the fastest piece; of a coil that holds in the model, that of half its turns with all its motion."""
        if self.run is None:
            return 0.0
        moving_kg = 0.5 * self.innermost_turn_kg * self.shot.coil.turns_count
        return max(self.run.summary.debris_velocity_m_per_s, sqrt(2.0 * self.run.peak_coil_motion_j / moving_kg))

    @property
    def heaviest_piece_kg(self) -> float:
        """Half a turn, the most that can fly as one piece: how many pieces the model counts is not certain enough."""
        return 0.5 * self.turn_mass_kg
