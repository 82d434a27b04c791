"""A campaign on benches with hidden quantities: within the tolerance in few shots, and never over a limit."""

from __future__ import annotations

import pytest

from physics.limits import Limits
from physics.shot import Shot
from physics.simulate import simulate_with_current
from tests.worker.test_fits import PRIORS, fired, hidden, shot
from worker.fits.aiming import Gunner, Knowledge, NoSafeShotError
from worker.fits.campaign import MOST_SHOTS, Aim, Step, campaign
from worker.fits.measured import Measured
from worker.fits.parameters import with_values

TARGET_M, TOLERANCE_M = 0.0195, 1.5e-4


def aim(peak_current_a: float) -> Aim:
    """The size that is wanted, with this much current allowed."""
    return Aim(TARGET_M, TOLERANCE_M, Limits(charge_voltage_v=9000.0, peak_current_a=peak_current_a))


AIM = aim(6e4)


def run(seed: int, aimed: Aim = AIM, most: int = MOST_SHOTS) -> tuple[list[Step], list[float]]:
    """The steps of a campaign on a hidden bench, and the peak currents that really flowed."""
    truth, currents = hidden(seed), list[float]()

    def fire(planned: Shot) -> Measured:
        result, _, _ = simulate_with_current(with_values(planned, truth))
        assert result.summary is not None
        currents.append(result.summary.peak_current_a)
        return fired(f"shot {len(currents)}", planned, truth, 1000 * seed + len(currents))

    return campaign(shot(6000.0), aimed, PRIORS, simulate_with_current, fire, most), currents


@pytest.mark.parametrize("seed", [1, 2])
def test_a_hidden_bench_is_hit_in_three_shots(seed: int) -> None:
    """The first is weak on purpose; none was over a limit; and errors that were told shrink."""
    steps, currents = run(seed)
    assert len(steps) <= 3
    assert steps[-1].hit
    assert abs(steps[-1].measured_m - TARGET_M) <= TOLERANCE_M
    assert steps[0].measured_m > TARGET_M + TOLERANCE_M
    assert steps[1].predicted_error_m < 0.5 * steps[0].predicted_error_m
    assert max(currents) <= 6e4
    assert max(step.shot.bank.charge_voltage_v for step in steps) <= 9000.0


def test_a_limit_that_is_in_the_way_is_kept() -> None:
    """With 40 kA allowed the size is out of reach: no shot goes over it, and it comes closer the more is known."""
    steps, currents = run(4, aim(4e4), most=3)
    assert not any(step.hit for step in steps)
    assert max(currents) <= 4e4
    assert currents[-1] > currents[0]


def test_no_safe_shot_is_refused() -> None:
    """A limit that the weakest shot could break."""
    with pytest.raises(NoSafeShotError, match="even the weakest shot"):
        run(5, aim(100.0))


def test_a_limit_that_weaker_shots_break_is_kept_too() -> None:
    """Voltage reversal falls with the voltage, as the coil bursts ever earlier: 9 kV are safe, a weaker shot not."""
    limits = Limits(charge_voltage_v=9000.0, voltage_reversal_ratio=0.55)
    plan = shot(6000.0)
    gunner = Gunner(plan, limits, Knowledge.before(plan, PRIORS), simulate_with_current)
    assert gunner.safest_voltage() == 9000.0
    with pytest.raises(NoSafeShotError, match="could be over a limit"):
        gunner.aimed_at(TARGET_M)
    # The same without that limit is aimed.
    free = Gunner(plan, Limits(charge_voltage_v=9000.0), gunner.known, simulate_with_current).aimed_at(TARGET_M)
    assert gunner.expected(free).ratings[-1].exceeded
