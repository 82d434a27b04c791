"""A whole shot in plain NumPy and SciPy: circuit, eddy currents, motion, flow and heat as one system of rates.

The same equations as the model's, cut into the same filaments and cells, for a part of one slice and one metal in a
single layer of turns, as long as no turn breaks, nothing melts and the current has not come back to zero. The sums are
independent: inductances and their slopes from scipy.special for the section as it stands at every instant, dense
matrices, and a general solver that controls its error. What differs is how they are integrated: the model's steps of
the circuit, with the force extrapolated over the motion inside them; its inductance, which follows by its slope through
a window of motion; its return of stress to the yield surface after each step.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import ceil
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp
from scipy.linalg import cho_factor, cho_solve
from scipy.sparse import csc_array

from physics.constants import TAYLOR_QUINNEY
from physics.materials import resolve
from physics.shot import check_shot
from physics.simulate import build
from tests.physics.plain_field import Field, Places
from tests.physics.plain_metal import Disc, SolidMetal

Floats = NDArray[np.float64]

#: Cells are split into square sub-cells of their present shape after each such time, as the model does in each window.
_SPLIT_EVERY_S = 2e-6


class State(NamedTuple):
    """What the solver advances."""

    flux: Floats  # Wb, of the independent currents
    voltage: Floats  # (1,) V
    turn: Floats  # (turns,) m
    turn_speed: Floats  # m/s
    hoop_stress: Floats  # Pa
    turn_strain: Floats
    turn_heat: Floats  # J/kg, from plastic work
    node: Floats  # (cells + 1,) m
    speed: Floats  # m/s
    level: Floats  # (cells,) m
    rise: Floats  # m/s
    deviator: Floats  # (3 cells,) Pa
    strain: Floats  # (cells,)
    heat: Floats  # (cells,) J/kg, from plastic work and viscosity
    ohmic: Floats  # (filaments + current cells,) J/kg
    spent: Floats  # (1,) J in the circuit's resistance and drop, in plastic work and viscosity


#: What is typical of each entry: an absolute error is the tolerance times that.
_TYPICAL = State(
    *(np.array([size]) for size in (
        0.05, 5e3, 1e-2, 100.0, 1e8, 0.1, 1e4, 1e-2, 100.0, 1e-3, 100.0, 1e8, 0.1, 1e4, 1e4, 3e3,
    ))
)  # fmt: skip
#: Elastic waves and flow alone ask for an implicit solver: in turns, which do not touch, and in nodes and cells.
_STIFF_IN_TURNS = ("turn", "turn_speed", "hoop_stress", "turn_strain")
_STIFF_IN_PART = ("node", "speed", "level", "rise", "deviator", "strain")
#: scipy's own first guess would turn cells inside out.
_FIRST_STEP_S = 1e-9
#: Step of the differences for the slopes of the rates, in what is typical.
_STEP = 1e-7


@dataclass(frozen=True, eq=False)
class Instant:
    """The field at one instant."""

    places: Places
    factor: Any  # of the inductance, as cho_solve takes it
    current: Floats  # independent ones, A
    force: Floats  # on turns, nodes, levels, N


@dataclass(frozen=True, eq=False)
class Shown:
    """What a shot does at the times asked for, SI; one entry each."""

    current_a: Floats
    voltage_v: Floats
    outer_diameter_m: Floats
    inner_diameter_m: Floats
    rim_speed_m_per_s: Floats
    rim_thickness_m: Floats
    turn_radius_m: Floats  # of the turn next to the mid-plane
    turn_speed_m_per_s: Floats
    coil_heat_j: Floats
    part_heat_j: Floats
    energy_j: Floats  # wherever it is; at the start the bank's


class PlainShot:
    """The system of rates of a shot."""

    def __init__(self, shot: dict[str, Any]) -> None:
        checked = check_shot(shot)
        model = build(checked)
        coil, part = model.coil, model.part
        assert not model.discharge.crowbar, "one loop is meant"
        assert model.discharge.spark == 0.0, "a constant drop is meant"
        assert model.turns.inner.size == 0, "a single layer is meant"
        self.field, self.loop = Field(model), model.discharge
        self.turn_of, self.turn_weight = coil.turn, coil.turn_weight
        self.wire, self.metal = SolidMetal(resolve(checked.coil.material)), SolidMetal(resolve(checked.metals[1]))
        self.disc = Disc(self.metal, part.node_radius_m, float(part.level_m[1]))
        length = 2.0 * np.pi * coil.turn_radius_m
        self.turn_volume = length * checked.coil.section_m2
        self.turn_mass = self.wire.density * self.turn_volume
        wire_mass = self.wire.density * coil.area_m2 * length[coil.turn]
        self.mass = np.concatenate([wire_mass, self.metal.density * part.cell_volume_m3])
        self.filaments = wire_mass.size
        self.weight = model.unknowns.weight
        # Share of each filament in its turn and of each current cell in a mechanical one, then the other way round.
        self.in_turn = np.zeros((coil.turn_radius_m.size, wire_mass.size))
        self.in_turn[coil.turn, np.arange(wire_mass.size)] = coil.multiplicity * wire_mass / self.turn_mass[coil.turn]
        self.in_motion = (part.cell_top - part.cell_bottom) * part.column_in_motion[:, part.cell_column]
        self.of_motion = part.motion_in_column[part.cell_column]

        turns, cells, n = self.turn_mass.size, self.disc.mass.size, self.mass.size
        none, still = np.zeros(turns), np.zeros(cells)
        self.start = State(
            np.zeros(self.field.incidence.shape[1]), np.array([self.loop.voltage]),
            coil.turn_radius_m, none, none, none, none,
            part.node_radius_m, np.zeros(cells + 1), np.full(cells, part.level_m[1]), still,
            np.zeros(3 * cells), still, still, np.zeros(n), np.zeros(1),
        )  # fmt: skip
        sizes = [entry.size for entry in self.start]
        self.cuts = np.cumsum(sizes)[:-1]
        self.typical = np.repeat(np.concatenate(_TYPICAL), sizes)
        self._mark_neighbours()

    def _mark_neighbours(self) -> None:
        """Which entries of the state are stiff, and which rates each of them has a part in.

        Nodes and cells have a part in the rates of their next neighbours only, turns in their own: entries of one kind
        that are three places apart can be moved together when slopes are taken.
        """
        places, groups = [], []
        for number, (name, entry) in enumerate(self.start._asdict().items()):
            components = 3 if name == "deviator" else 1
            place, component = np.divmod(np.arange(entry.size), components)
            if name in _STIFF_IN_TURNS:
                place = 3 * place - 3 * entry.size
            stiff = name in _STIFF_IN_TURNS + _STIFF_IN_PART
            places.append(place if stiff else np.full(entry.size, 10 * self.cuts[-1]))
            groups.append(9 * number + 3 * component + place % 3 if stiff else np.full(entry.size, -1))
        place, group = np.concatenate(places), np.concatenate(groups)
        self.moved_together = [group == g for g in np.unique(group[group >= 0])]
        self.neighbours = np.abs(place[:, None] - place[None, :]) <= 1

    def state(self, y: Floats) -> State:
        """The state of a solver's vector."""
        return State(*np.split(y, self.cuts))

    def instant(self, s: State) -> Instant:
        """Inductance of the section as it stands, the currents that carry its flux, the forces."""
        places = self.field.places(s.turn, s.node, s.level)
        inductance, slopes = self.field.inductance_and_slopes(places)
        inductance[0, 0] += self.loop.bank_inductance + self.loop.line_inductance
        factor = cho_factor(inductance)
        current = cho_solve(factor, s.flux)
        return Instant(places, factor, current, self.field.force(places, slopes, current))

    def rates(self, s: State, instant: Instant) -> Floats:
        """Rates of a state in the field of an instant."""
        loop, disc, wire, metal = self.loop, self.disc, self.wire, self.metal
        in_wire, in_part = np.split(s.ohmic, [self.filaments])
        wire_heat, part_heat = in_wire + s.turn_heat[self.turn_of], in_part + self.of_motion @ s.heat
        resistivity = np.concatenate([wire.resistivity(wire_heat), metal.resistivity(part_heat)])
        resistance = instant.places.resistance * resistivity
        q = cho_solve(instant.factor, s.flux)
        current = self.field.incidence @ q
        flux = -self.field.incidence.T @ (self.weight * resistance * current)
        outside = (loop.bank_resistance + loop.line_resistance) * q[0] + loop.drop
        flux[0] += s.voltage[0] - outside

        on_turn, on_node, on_level = np.split(instant.force, [s.turn.size, s.turn.size + s.node.size])
        flow = wire.plastic_rate(np.abs(s.hoop_stress), s.turn_strain, self.in_turn @ wire.softness(wire_heat))
        turn_power = self.turn_volume * np.abs(s.hoop_stress) * flow
        pull = on_turn / self.turn_weight - self.turn_volume * s.hoop_stress / s.turn

        # A mechanical cell is as soft as the current cells in it are on the average.
        softness = (self.in_motion * metal.softness(in_part + s.heat[:, None])).sum(axis=1)
        strained = disc.strain(s.node, s.speed, s.level, s.rise, s.deviator.reshape(-1, 3), s.strain, softness)
        speeding, rising = disc.acceleration(on_node + strained.node_force, on_level + strained.level_force)
        worked = (strained.plastic_power + strained.viscous_power).sum() + self.turn_weight @ turn_power
        return np.concatenate(
            State(
                flux=flux,
                voltage=np.array([-q[0] / loop.capacitance]),
                turn=s.turn_speed,
                turn_speed=pull / self.turn_mass,
                hoop_stress=wire.young * (s.turn_speed / s.turn - np.sign(s.hoop_stress) * flow),
                turn_strain=flow,
                turn_heat=TAYLOR_QUINNEY * turn_power / self.turn_mass,
                node=s.speed,
                speed=speeding,
                level=s.rise,
                rise=rising,
                deviator=strained.deviator.ravel(),
                strain=strained.strain,
                heat=(TAYLOR_QUINNEY * strained.plastic_power + strained.viscous_power) / disc.mass,
                ohmic=resistance * current**2 / self.mass,
                spent=np.array([outside * q[0] + worked]),
            )
        )

    def right_hand_side(self, _: float, y: Floats) -> Floats:
        """Rates with the field of the section as it stands."""
        s = self.state(y)
        return self.rates(s, self.instant(s))

    def jacobian(self, _: float, y: Floats) -> csc_array:
        """Slopes of the rates by what is stiff, by differences in the field as it is; a solver needs no more."""
        s, step = self.state(y), _STEP * self.typical
        instant, slopes = self.instant(s), np.zeros((y.size, y.size))
        base = self.rates(s, instant)
        for moved in self.moved_together:
            change = self.rates(self.state(y + step * moved), instant) - base
            slopes[:, moved] = self.neighbours[:, moved] * change[:, None] / step[moved]
        return csc_array(slopes)

    def fire(self, times_s: Floats, tolerance: float = 1e-3) -> Shown:
        """From rest to the last of the times asked for, which rise from 0 or later.

        By scipy's Radau: of its solvers the quickest at equal accuracy, since one-step methods lose nothing where cells
        are split anew. With a tolerance a hundred times as strict the figures keep five digits. The explicit ones need
        more than ten times as many rates.
        """
        y, rows = np.concatenate(self.start), []
        edges = np.linspace(0.0, times_s[-1], 1 + ceil(times_s[-1] / _SPLIT_EVERY_S))
        for begin, end in pairwise(edges):
            s = self.state(y)
            self.field.split(s.node, s.level)
            found = solve_ivp(
                self.right_hand_side, (begin, end), y,
                method="Radau", jac=self.jacobian, rtol=tolerance, atol=tolerance * self.typical,
                first_step=_FIRST_STEP_S, dense_output=True,
            )  # fmt: skip
            assert found.success
            first = begin if begin > 0.0 else -1.0
            rows += [self._shown(self.state(found.sol(t))) for t in times_s[(times_s > first) & (times_s <= end)]]
            y = found.y[:, -1]
        return Shown(*np.array(rows).T)

    def _shown(self, s: State) -> tuple[float, ...]:
        loop, instant = self.loop, self.instant(s)
        heat = self.weight * self.mass * s.ohmic
        turn = 0.5 * self.turn_mass * s.turn_speed**2 + 0.5 * self.turn_volume * s.hoop_stress**2 / self.wire.young
        part = self.disc.energy(s.node, s.speed, s.level, s.rise, s.deviator.reshape(-1, 3))
        electric = 0.5 * loop.capacitance * s.voltage[0] ** 2 + 0.5 * s.flux @ instant.current
        return (
            instant.current[0], s.voltage[0], 2.0 * s.node[-1], 2.0 * s.node[0], s.speed[-1], 2.0 * s.level[-1],
            s.turn[0], s.turn_speed[0], heat[: self.filaments].sum(), heat[self.filaments :].sum(),
            electric + self.turn_weight @ turn + part + heat.sum() + s.spent[0],
        )  # fmt: skip
