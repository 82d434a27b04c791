"""The search space: what a request may vary, what it refuses, and the way from numbers to coils and back."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from physics import shot_figures, simulate_shot
from physics.schema import field_problems
from physics.shot import Shot
from physics.wires import wire
from tests.worker.samples import BODY, request
from worker.island import search
from worker.records import Candidate, SlotName
from worker.request import DesignRequest
from worker.space import Space
from worker.trial import shot_of

#: Everything at once that may be varied.
MIXED: dict[str, Any] = {
    "turns": {"low_count": 6, "high_count": 12},
    "layers": {"low_count": 1, "high_count": 2},
    "pitch": {"low_ratio": 1.0, "high_ratio": 1.3},
    "formers": {"walls_m": [1e-3, 6e-4, 1.5e-3], "clearance_m": 1e-4, "strength_v_per_m": 2e7},
    "capacitors": {
        "each_farad": 2.5e-5,
        "each_inductance_henry": 2e-7,
        "each_resistance_ohm": 8e-3,
        "low_count": 3,
        "high_count": 10,
    },
    "wires": ["awg_12", "awg_10"],
    "layer_sheet": {"thickness_m": 2e-4, "strength_v_per_m": 4e7},
}
ASKED = DesignRequest.model_validate({**BODY, "search": MIXED})
SPACE = Space(ASKED)


def refusal(search_space: dict[str, Any], limits: dict[str, Any] | None = None) -> str:
    """What is said about a request with this search space."""
    body = {**BODY, "search": search_space, "limits": {**BODY["limits"], **(limits or {})}}
    with pytest.raises(ValidationError) as caught:
        DesignRequest.model_validate(body)
    return "\n".join(map(str, field_problems(caught.value, DesignRequest)))


def without(*names: str, **more: Any) -> dict[str, Any]:
    return {name: value for name, value in MIXED.items() if name not in names} | more


places = st.lists(st.floats(0.0, 1.0), min_size=len(SPACE.variables), max_size=len(SPACE.variables))


@given(places)
def test_every_place_is_a_coil_in_stock_and_comes_back(where: list[float]) -> None:
    """Any place is a coil of stock wire, former and capacitors inside the ranges; its parameters lead back to it."""
    values = SPACE.values_at(np.array([where]))[0]
    found = SPACE.parameters(values)
    chosen = wire(found.wire)
    assert 6 <= found.turns_count <= 12
    assert found.layers_count in (1, 2)
    assert found.former_wall_m in MIXED["formers"]["walls_m"]
    assert found.gap_m == pytest.approx(found.former_wall_m + 1e-4 + 0.5 * chosen.enamel_increase_m)
    assert 1.0 - 1e-12 <= found.pitch_m / chosen.pitch_m <= 1.3 + 1e-12
    assert found.capacitance_farad == pytest.approx(2.5e-5 * found.capacitors_count)
    assert 3 <= found.capacitors_count <= 10
    back = SPACE.values(found)
    assert back == pytest.approx(values)
    assert SPACE.parameters(SPACE.values_at(SPACE.place_of(found)[None, :])[0]).model_dump(
        exclude={"pitch_m"}
    ) == found.model_dump(exclude={"pitch_m"})


@given(places)
def test_figures_at_places_are_those_of_the_parameters(where: list[float]) -> None:
    """The fast way from places to figures gives what the parameters give one by one."""
    point = np.array([where])
    found = SPACE.parameters(SPACE.values_at(point)[0])
    assert SPACE.figures_at(point) == pytest.approx(SPACE.figures_of([found]), abs=1e-12)


def test_whole_numbers_hold_equal_shares() -> None:
    """Evenly spread places give each number of turns and each wire equally often."""
    points = np.stack([np.linspace(0.0, 1.0, 7001)] * len(SPACE.variables), axis=1)
    columns = {v.name: v.at(points[:, k]) for k, v in enumerate(SPACE.variables)}
    for name, count in (("turns_count", 7), ("wire", 2), ("wall", 3)):
        shares = np.unique(columns[name], return_counts=True)[1] / 7001
        assert shares == pytest.approx(np.full(count, 1 / count), abs=1e-3)


def test_old_requests_search_what_they_always_did() -> None:
    """A request with ranges of gap and capacitance alone varies turns, wire, gap and capacitance in one layer."""
    space = Space(request())
    assert [v.name for v in space.variables] == ["turns_count", "wire", "gap_m", "capacitance_farad"]
    found = space.parameters(space.values_at(np.full((1, 4), 0.5))[0])
    assert (found.layers_count, found.capacitors_count, found.former_wall_m) == (1, 1, 0.0)
    assert found.pitch_m == wire(found.wire).pitch_m


def test_space_without_any_freedom_has_one_coil() -> None:
    """Ranges whose ends are equal hold their values, and such a search tries that coil."""
    one = {
        "turns": {"low_count": 7, "high_count": 7},
        "gap": {"low_m": 1e-3, "high_m": 1e-3},
        "capacitance": {"low_farad": 1.5e-4, "high_farad": 1.5e-4},
        "wires": ["awg_12"],
    }
    asked = DesignRequest.model_validate({**BODY, "search": one})
    slot = SlotName(job_id="d", round=0, island=0)
    found = list(search(asked, slot, range(3), [], {}, shot_figures))
    assert {c.parameters.turns_count for c in found} == {7}
    assert all(c.feasible for c in found)


@pytest.fixture(scope="module")
def mixed_island() -> list[Candidate]:
    slot = SlotName(job_id="d", round=0, island=0)
    return list(search(ASKED, slot, range(24), [], {}, shot_figures))


def test_mixed_search_replays_from_the_candidate_alone(mixed_island: list[Candidate]) -> None:
    """The whole shot of a candidate, sent through JSON, gives its figures again; capacitors and former are in it."""
    found = next(c for c in mixed_island if c.feasible and c.parameters.layers_count == 2)
    kept = Candidate.model_validate_json(found.model_dump_json())
    shot = shot_of(ASKED, kept)
    assert shot is not None
    assert shot.bank.capacitors_count == found.parameters.capacitors_count
    assert shot.bank.capacitor_inductance_henry == 2e-7
    assert shot.insulation.former_wall_m == found.parameters.former_wall_m
    assert shot.insulation.layer_sheet_m == 2e-4
    result = simulate_shot(Shot.model_validate_json(shot.model_dump_json()))
    assert result.summary is not None
    assert result.summary.final_outer_diameter_m == found.final_outer_diameter_m
    assert result.summary.peak_current_a == found.peak_current_a


def test_mixed_search_tries_every_kind(mixed_island: list[Candidate]) -> None:
    """Layers, wires and formers all come up, and most coils reach the target."""
    assert {c.parameters.layers_count for c in mixed_island} == {1, 2}
    assert {c.parameters.wire for c in mixed_island} == {"awg_12", "awg_10"}
    assert len({c.parameters.former_wall_m for c in mixed_island}) >= 2
    assert sum(c.final_outer_diameter_m == pytest.approx(0.024, abs=1e-4) for c in mixed_island) > 12


@pytest.mark.parametrize(
    ("search_space", "words"),
    [
        (without("formers"), ["gap", "formers"]),
        (without(gap={"low_m": 1e-3, "high_m": 2e-3}), ["gap", "formers"]),
        (without("capacitors"), ["capacitance", "capacitors"]),
        (without(turns={"low_count": 1, "high_count": 4}), ["layers.high_count 2", "turns.low_count 1", "1 to 1"]),
        (without(layers={"low_count": 1, "high_count": 9}), ["/search/layers/high_count", "1 to 6"]),
        (without(pitch={"low_ratio": 0.5, "high_ratio": 1.0}), ["/search/pitch/low_ratio", "1 to 5"]),
        (without(pitch={"low_ratio": 1.5, "high_ratio": 1.2}), ["high_ratio must not be below low_ratio"]),
        (without(formers={"walls_m": [1e-3, 0.05]}), ["walls_m/1", "0.05 m", "0.0001 to 0.02 m"]),
        (without(formers={"walls_m": [-1e-3], "clearance_m": 5e-3}), ["walls_m/0", "-0.001 m", "not negative"]),
        (
            without(capacitors={"each_farad": 1e-2, "low_count": 1, "high_count": 5}),
            ["each_farad 0.01 F", "0.05 F", "1e-07 to 0.02 F"],
        ),
        (without(capacitors={"each_farad": 25.0, "low_count": 1, "high_count": 5}), ["25 F", "did you mean"]),
    ],
)
def test_what_does_not_fit_is_refused_with_field_value_and_range(
    search_space: dict[str, Any], words: list[str]
) -> None:
    """Each refusal names the field, the value with its unit and what is allowed."""
    text = refusal(search_space)
    for word in words:
        assert word in text


def test_unknown_insulation_cannot_be_limited() -> None:
    """A margin between coil and part is refused where no rated former stands between them."""
    text = refusal(without(formers={"walls_m": [1e-3]}), {"gap_insulation_margin_ratio": 0.2})
    for word in ("gap_insulation_margin_ratio", "strength_v_per_m"):
        assert word in text
