"""Motion of part and turns through one electrical step, and the inductance matrix that follows it.

The matrix is assembled afresh only once in a window of motion, for the section expected in the
middle of it; in between it follows by its own gradient. About the middle the first-order terms
left out in force cancel over the window, and the matrix does not jump from window to window.
"""

from __future__ import annotations

from math import sqrt

import numpy as np

from physics.circuit import add_change, gather_rows, generalise
from physics.deformation import advance, coast, stable_step
from physics.geometry import locate, split
from physics.inductance import assemble, follow
from physics.kernel_cache import flat_kernel, kernel
from physics.linear import row_dot
from physics.state import BORE_CLOSED, OVER_CRUSHED, RIM_EXTRUDED
from physics.turns import advance_turns, turns_plastic_work

# A run is called off where the radial model has lost its meaning.
_SMALLEST_SHRINK = 0.3
_CLOSED_BORE = 0.05
_THINNEST_RIM = 0.4
# Plastic work in one step, as a share of the bank's energy, below which nothing counts as yielding.
_YIELDING = 1e-6
# Beyond such plastic strain no flow-stress data mean anything (they end at about 1).
_LARGEST_STRAIN = 2.5
# A step ends this little past the rupture of a turn, and opens the gap by no more than this share of the window.
# A turn may come to rest just short of it: no step is shortened below this share for that.
_PAST_RUPTURE, _SHARE_OF_WINDOW, _SHORTEST_TO_RUPTURE = 1.02, 0.3, 0.1
# A turn's step is at most this share of the time in which sound goes its radius; turns that can collide take all steps.
_SHARE_OF_RING = 0.1
# Forces are extrapolated over no more than so many times the step that they changed in.
_FARTHEST = 2.0


@kernel
def reassemble(model, fields):
    """Assemble matrix and slopes for the section as `points` has it, and remember that section."""
    points, used = model.points, model.points.used[0]
    assemble(
        used,
        points.radius,
        points.height,
        points.mean_distance,
        points.weight,
        points.share,
        points.cell,
        fields.filament_base,
        fields.filament_by_radius,
        fields.filament_by_height,
    )
    generalise(model.unknowns, fields.filament_base, fields.rows, fields.base)
    for t in range(model.unknowns.centre.size):
        fields.centre_base[t] = fields.rows[model.unknowns.centre[t]]
    gather_rows(model.unknowns, fields.filament_by_radius[:used], fields.by_radius)
    gather_rows(model.unknowns, fields.filament_by_height[:used], fields.by_height)
    fields.base_radius[:used] = points.radius[:used]
    fields.base_height[:used] = points.height[:used]
    fields.base_mean_distance[:used] = points.mean_distance[:used]


@kernel
def update_inductance(model, fields):
    """Generalised inductance of the section as `points` has it, into `fields.after`."""
    points = model.points
    follow(
        points.used[0],
        (points.radius, points.height, points.mean_distance),
        (fields.base_radius, fields.base_height, fields.base_mean_distance),
        points.weight,
        points.share,
        points.cell,
        fields.by_radius,
        fields.by_height,
        fields.rows,
        fields.swelling,
    )
    add_change(model.unknowns, fields.rows, fields.swelling, fields.base, fields.half, fields.after)


@kernel
def centre_linkage(model, fields, t, q):
    """Flux linkage (Wb) of the centre filament of turn t, mirror images apart, with the independent currents q."""
    points, c = model.points, model.unknowns.centre[t]
    total = row_dot(fields.centre_base, t, q, q.size) + row_dot(fields.rows, c, q, q.size)
    for p in range(points.used[0]):
        carried = points.weight[p] * points.share[p] * fields.current[points.cell[p]]
        out, up = points.radius[p] - fields.base_radius[p], points.height[p] - fields.base_height[p]
        total += carried * (out * fields.filament_by_radius[p, c] + up * fields.filament_by_height[p, c])
    return total / model.unknowns.weight[c]


@flat_kernel
def _ahead(now, last, share, out):
    """Force extrapolated by `share` of a step beyond now, shapes (rows, columns)."""
    for i in range(now.shape[0]):
        for j in range(now.shape[1]):
            out[i, j] = now[i, j] + share * (now[i, j] - last[i, j])


@flat_kernel
def _bore_closed(first_bore, radius):
    """True once a bore of `first_bore` (m) has all but closed anywhere; node radii (m) have the shape (S, N + 1)."""
    if first_bore > 0.0:
        for s in range(radius.shape[0]):
            if radius[s, 0] < _CLOSED_BORE * radius[s, -1]:
                return True
    return False


@kernel
def bore_closed(model):
    """True once the bore of a ring, washer or tube has all but closed anywhere."""
    return _bore_closed(model.part.node_radius_m[0], model.body.radius)


@flat_kernel
def _pieces_of_turns(turns, strength, dt):
    """How many steps of the part of `dt` s make one of the turns, which ring far more slowly."""
    if turns.inner.size > 0:
        return 1
    least = turns.radius[0]
    for t in range(1, turns.radius.size):
        least = min(least, turns.radius[t])
    return max(1, int(_SHARE_OF_RING * least * sqrt(strength.density / strength.youngs_modulus) / dt))


@flat_kernel
def _fly(moving, strengths, coil_strength, now, last, force, softness, taylor_quinney, first_bore, pieces, dt, reach):
    """Part and turns through `pieces` steps of `dt` s; False when a cell has lost its width.

    `now`, `last` and the scratch `force` are forces (N) on turns, nodes and levels, `softness` that of turns and of the
    part's cells.
    """
    body, turns = moving
    turn, node, level = force
    together = _pieces_of_turns(turns, coil_strength, dt)
    for i in range(pieces):
        share = reach * i / pieces
        if i % together == 0:
            for t in range(turn.size):
                turn[t] = now[0][t] + share * (now[0][t] - last[0][t])
            advance_turns(turns, coil_strength, turn, softness[0], taylor_quinney, min(together, pieces - i) * dt)
        _ahead(now[1], last[1], share, node)
        _ahead(now[2], last[2], share, level)
        if not advance(body, strengths, node, level, softness[1], taylor_quinney, dt):
            return False
        # The step is finished where the bore closed; the run ends after it.
        if _bore_closed(first_bore, body.radius):
            break
    return True


@kernel
def move(model, moving, heat, loads, last_loads, h, last_h):
    """Part and turns through one electrical step of `h` s; (ok, anything yielded).

    Forces are extrapolated from those of the step before, of `last_h` s, to the start of each sub-step: speeds stand
    half a sub-step before and after.
    """
    body, turns, strengths = model.body, model.turns, model.tables.strength
    pieces = int(h / stable_step(body, strengths)) + 1
    work = body.work[0] + turns_plastic_work(turns)
    now, last = (loads.turn, loads.node, loads.level), (last_loads.turn, last_loads.node, last_loads.level)
    force = loads.turn.copy(), loads.node.copy(), loads.level.copy()
    reach = min(h / last_h, _FARTHEST) if last_h > 0.0 else 0.0
    ok = _fly(
        moving, strengths, model.coil_strength, now, last, force, (heat.turn_softness, heat.softness),
        model.controls.taylor_quinney, model.part.node_radius_m[0], pieces, h / pieces, reach,
    )  # fmt: skip
    if not ok:
        return False, True
    stored = 0.5 * model.discharge.capacitance * model.discharge.voltage**2
    return True, body.work[0] + turns_plastic_work(turns) - work > _YIELDING * stored


@kernel
def _gap(model):
    """Smallest distance (m) between rim and bare wire."""
    nearest, rim = model.turns.radius[0], 0.0
    for radius in model.turns.radius:
        nearest = min(nearest, radius)
    for s in range(model.body.radius.shape[0]):
        rim = max(rim, model.body.radius[s, -1])
    return nearest - model.controls.half_width - rim


@kernel
def make_window(model):
    """Room for a section: radii of turns, rims and bores of slices, levels."""
    slices, cells = model.body.pressure.shape
    return np.empty(model.turns.radius.size + slices * (2 + cells))


@kernel
def note_window(model, window):
    """Note the present section in `window`, laid out as :func:`make_window` says."""
    body, kept, slices = model.body, model.turns.radius.size, model.body.radius.shape[0]
    cells = body.pressure.shape[1]
    for t in range(kept):
        window[t] = model.turns.radius[t]
    for s in range(slices):
        window[kept + s] = body.radius[s, -1]
        window[kept + slices + s] = body.radius[s, 0]
        for k in range(cells):
            window[kept + 2 * slices + s * cells + k] = body.level[s + 1, k]


@kernel
def longest_flight(model, usual):
    """Longest step (s), within a hundredth of the usual, to what motion by itself brings about.

    A closing bore loses no more than a fifth, and the step ends just past the moment when a turn breaks.
    """
    body, turns, longest = model.body, model.turns, usual
    for s in range(body.radius.shape[0]):
        if body.radius[s, 0] > 0.0 and body.speed[s, 0] < 0.0:
            longest = min(longest, 0.2 * body.radius[s, 0] / -body.speed[s, 0])
    for t in range(turns.radius.size):
        if turns.rupture_time[t] < 0.0 and turns.speed[t] > 0.0:
            left = (model.controls.rupture_strain - turns.strain[t]) * turns.radius[t] / turns.speed[t]
            longest = min(longest, max(_PAST_RUPTURE * left, _SHORTEST_TO_RUPTURE * usual))
    return max(longest, 0.01 * usual)


@kernel
def longest_step(model, usual):
    """The same where the matrix has to follow: the gap opens by no more than a share of the window."""
    body, turns = model.body, model.turns
    longest, rim, turn = longest_flight(model, usual), 0.0, 0.0
    for s in range(body.radius.shape[0]):
        rim = max(rim, abs(body.speed[s, -1]))
    for t in range(turns.radius.size):
        turn = max(turn, abs(turns.speed[t]))
    if rim + turn > 0.0:
        longest = min(longest, _SHARE_OF_WINDOW * model.controls.window * _gap(model) / (rim + turn))
    return max(longest, 0.01 * usual)


@kernel
def travelled(model, window):
    """How far the section has moved since the window opened: over the gap, or in thickness or bore, relative.

    `window` holds where turns, rims, bores and levels were.
    """
    turns, body = model.turns, model.body
    kept, slices, cells = turns.radius.size, body.pressure.shape[0], body.pressure.shape[1]
    turn, rim, shape = 0.0, 0.0, 0.0
    for t in range(kept):
        turn = max(turn, abs(turns.radius[t] - window[t]))
    for s in range(slices):
        rim = max(rim, abs(body.radius[s, -1] - window[kept + s]))
        bore = window[kept + slices + s]
        if bore > 0.0:
            shape = max(shape, abs(body.radius[s, 0] / bore - 1.0))
        for k in range(cells):
            shape = max(shape, abs(body.level[s + 1, k] / window[kept + 2 * slices + s * cells + k] - 1.0))
    return max((turn + rim) / _gap(model), shape)


@kernel
def _time_ahead(model):
    """Time (s) to the middle of the window that opens now, at present speeds; 0 while all is at rest."""
    turns, body = model.turns, model.body
    turn, rim, shape = 0.0, 0.0, 0.0
    for speed in turns.speed:
        turn = max(turn, abs(speed))
    for s in range(body.speed.shape[0]):
        rim = max(rim, abs(body.speed[s, -1]))
        for k in range(body.rise.shape[1]):
            shape = max(shape, abs(body.rise[s + 1, k]) / body.level[s + 1, k])
    fastest = turn + rim
    if fastest < 1.0:
        return 0.0
    ahead = 0.5 * model.controls.window / max(fastest / _gap(model), shape)
    return min(ahead, _time_to_close(body))


@kernel
def _time_to_close(body):
    """Time (s) in which no cell loses more than a fifth of its width or height, and the part of its bore."""
    slices, cells = body.pressure.shape
    longest = 1.0
    for s in range(slices):
        if body.radius[s, 0] > 0.0 and body.speed[s, 0] < 0.0:
            longest = min(longest, 0.2 * body.radius[s, 0] / -body.speed[s, 0])
        for k in range(cells):
            closing = body.speed[s, k] - body.speed[s, k + 1]
            if closing > 0.0:
                longest = min(longest, 0.2 * (body.radius[s, k + 1] - body.radius[s, k]) / closing)
            closing = body.rise[s, k] - body.rise[s + 1, k]
            if closing > 0.0:
                longest = min(longest, 0.2 * (body.level[s + 1, k] - body.level[s, k]) / closing)
    return longest


@kernel
def _drift(model, time):
    """Let turns and body coast for `time` s at present speeds."""
    turns = model.turns
    for t in range(turns.radius.size):
        turns.radius[t] += time * turns.speed[t]
    coast(model.body, time)


@kernel
def open_window(model, fields, window):
    """Assemble for the section expected halfway through the window that opens now; `window` notes where that is."""
    body, turns = model.body, model.turns
    ahead = _time_ahead(model)
    _drift(model, ahead)
    split(model.coil, model.part, body, model.points)
    locate(model.coil, turns, model.part, body, model.points)
    reassemble(model, fields)
    _drift(model, -ahead)
    locate(model.coil, turns, model.part, body, model.points)
    note_window(model, window)


@kernel
def crushed(model):
    """End code if the part has left the range of the radial model, else -1."""
    body, part = model.body, model.part
    # Squeezed beyond recognition, or thrown back into the coil by trapped flux.
    if _gap(model) < 0.0:
        return OVER_CRUSHED
    for s in range(body.strain.shape[0]):
        if body.radius[s, -1] < _SMALLEST_SHRINK * part.node_radius_m[-1]:
            return OVER_CRUSHED
        for strain in body.strain[s]:
            if strain > _LARGEST_STRAIN:
                return OVER_CRUSHED
    if bore_closed(model):
        return BORE_CLOSED
    if body.level[-1, -1] < _THINNEST_RIM * part.level_m[-1]:
        return RIM_EXTRUDED
    return -1
