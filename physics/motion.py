"""Motion of part and turns through one electrical step, how long such a step may be, and where the model ends."""

from __future__ import annotations

from math import sqrt

from physics.deformation import advance, kick, mean_strain, stable_step
from physics.kernel_cache import inlined_kernel, inner_kernel
from physics.state import BORE_CLOSED, OVER_CRUSHED, RIM_EXTRUDED
from physics.turns import advance_turns, kick_turns, summed_strain
from physics.windows import WIRES_APART, closing_speed, parting_speed, smallest_gap

# A run is called off where the radial model has lost its meaning.
_SMALLEST_SHRINK = 0.3
_CLOSED_BORE = 0.05
_THINNEST_RIM = 0.4
# What strains plastically by less than this in half a period does not count as yielding: sizes ring by as much.
_YIELDING = 5e-4
# Beyond such plastic strain no flow-stress data mean anything (they end at about 1).
_LARGEST_STRAIN = 2.5
# A step ends this little past the rupture of a turn, and opens the gap by no more than this share of the window.
# A turn may come to rest just short of it: no step is shortened below this share for that.
_PAST_RUPTURE, _SHARE_OF_WINDOW, _SHORTEST_TO_RUPTURE = 1.02, 0.5, 0.1
# A turn's step is at most this share of the time in which sound goes its radius; turns that can collide take all steps.
_SHARE_OF_RING = 0.1
# A push at the end of a step is harmless up to this speed (m/s), or up to this share of the part's own.
_HARMLESS_SPEED, _HARMLESS_SHARE = 10.0, 0.2
# Forces are extrapolated over no more than so many times the step that they changed in.
_FARTHEST = 2.0


@inner_kernel
def _ahead(now, last, share, out):
    """Forces (N) extrapolated by `share` of a step beyond now."""
    for i in range(out.size):
        out[i] = now[i] + share * (now[i] - last[i])


@inlined_kernel
def make_good(body, turns, loads, expected, h):
    """Push part and turns by what the step of `h` s lacked, as its forces ended as `loads` and not as `expected`.

    That is half the difference for the step's length: the impulse is that of the mean of the forces at both ends.
    Returns how much of what is harmless that changed the speed of any node.
    """
    for i in range(loads.forces.size):
        expected.forces[i] = loads.forces[i] - expected.forces[i]
    wrong, fastest, speed, mass = 0.0, 0.0, body.speed, body.node_mass
    for s in range(speed.shape[0]):
        for k in range(speed.shape[1]):
            wrong = max(wrong, abs(0.5 * h * expected.node[s, k]) / mass[s, k])
            fastest = max(fastest, abs(speed[s, k]))
    kick(body, expected.node, expected.level, 0.5 * h)
    kick_turns(turns, expected.turn, 0.5 * h)
    return wrong / max(_HARMLESS_SPEED, _HARMLESS_SHARE * fastest)


@inner_kernel
def bore_closed(first_bore, radius):
    """True once a bore of `first_bore` (m) has all but closed anywhere; node radii (m) have the shape (S, N + 1)."""
    if first_bore > 0.0:
        for s in range(radius.shape[0]):
            if radius[s, 0] < _CLOSED_BORE * radius[s, -1]:
                return True
    return False


@inner_kernel
def pieces_of_turns(turns, strength, dt):
    """How many steps of the part of `dt` s make one of the turns, which ring far more slowly."""
    if turns.inner.size > 0:
        return 1
    least = turns.radius[0]
    for t in range(1, turns.radius.size):
        least = min(least, turns.radius[t])
    return max(1, int(_SHARE_OF_RING * least * sqrt(strength.density / strength.youngs_modulus) / dt))


@inlined_kernel
def _fly(
    body, turns, strengths, coil_strength, now, last, loads, softness, taylor_quinney, first_bore, pieces, dt, reach
):
    """Part and turns through `pieces` steps of `dt` s; False when a cell has lost its width.

    `now` and `last` are forces (N), extrapolated into `loads` by up to `reach` steps, `softness` that of turns and of
    the part's cells.
    """
    together = pieces_of_turns(turns, coil_strength, dt)
    for i in range(pieces):
        _ahead(now, last, reach * i / pieces, loads.forces)
        if i % together == 0:
            advance_turns(turns, coil_strength, loads.turn, softness[0], taylor_quinney, min(together, pieces - i) * dt)
        if not advance(body, strengths, loads.node, loads.level, softness[1], taylor_quinney, dt):
            return False
        # The step is finished where the bore closed; the run ends after it.
        if bore_closed(first_bore, body.radius):
            break
    return True


@inlined_kernel
def move(body, turns, strengths, coil_strength, first_bore, half_period, controls, heat, loads, h, last_h):
    """Part and turns through one electrical step of `h` s; (ok, anything yielded).

    `loads` are those of now, of the step before, of `last_h` s, and of each sub-step, to whose start they are
    extrapolated: speeds stand half a sub-step before and after. Those expected at the end are left there for
    :func:`make_good`. `first_bore` in m, `half_period` of the current in s.
    """
    now, last, ahead = loads
    pieces = int(h / stable_step(body, strengths, controls.courant)) + 1
    strain = mean_strain(body) + summed_strain(turns)
    reach = min(h / last_h, _FARTHEST) if last_h > 0.0 else 0.0
    ok = _fly(
        body, turns, strengths, coil_strength, now.forces, last.forces, ahead, (heat.turn_softness, heat.softness),
        controls.taylor_quinney, first_bore, pieces, h / pieces, reach,
    )  # fmt: skip
    if not ok:
        return False, True
    _ahead(now.forces, last.forces, reach, ahead.forces)
    return True, mean_strain(body) + summed_strain(turns) - strain > _YIELDING * h / half_period


@inner_kernel
def longest_flight(turns, body, rupture_strain, usual):
    """Longest step (s), within a hundredth of the usual, to what motion by itself brings about.

    A closing bore loses no more than a fifth, and the step ends just past the moment when a turn breaks.
    """
    radius, speed, turn_radius, turn_speed = body.radius, body.speed, turns.radius, turns.speed
    rupture_time, strain, longest = turns.rupture_time, turns.strain, usual
    for s in range(radius.shape[0]):
        if radius[s, 0] > 0.0 and speed[s, 0] < 0.0:
            longest = min(longest, 0.2 * radius[s, 0] / -speed[s, 0])
    for t in range(turn_radius.size):
        if rupture_time[t] < 0.0 and turn_speed[t] > 0.0:
            left = (rupture_strain - strain[t]) * turn_radius[t] / turn_speed[t]
            longest = min(longest, max(_PAST_RUPTURE * left, _SHORTEST_TO_RUPTURE * usual))
    return max(longest, 0.01 * usual)


@inner_kernel
def longest_step(turns, body, half_width, width, usual):
    """Longest step (s) in which no more than a share of a window of this `width` goes by."""
    closing = closing_speed(turns.speed, body.speed)
    if closing == 0.0:
        return usual
    rate = closing / smallest_gap(turns.radius, body.radius, half_width)
    rate = max(rate, parting_speed(turns) / (WIRES_APART * half_width))
    return max(min(usual, _SHARE_OF_WINDOW * width / rate), 0.01 * usual)


@inner_kernel
def crushed(part, turns, body, half_width):
    """End code if the part has left the range of the radial model, else -1."""
    # Squeezed beyond recognition, or thrown back into the coil by trapped flux.
    radius, level, strain, first_radius, first_level = (
        body.radius,
        body.level,
        body.strain,
        part.node_radius_m,
        part.level_m,
    )
    if smallest_gap(turns.radius, radius, half_width) < 0.0:
        return OVER_CRUSHED
    slices, cells = strain.shape
    for s in range(slices):
        if radius[s, cells] < _SMALLEST_SHRINK * first_radius[cells]:
            return OVER_CRUSHED
        for k in range(cells):
            if strain[s, k] > _LARGEST_STRAIN:
                return OVER_CRUSHED
    if bore_closed(first_radius[0], radius):
        return BORE_CLOSED
    if level[slices, cells - 1] < _THINNEST_RIM * first_level[slices]:
        return RIM_EXTRUDED
    return -1
