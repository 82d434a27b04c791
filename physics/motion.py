"""Motion of part and turns through one electrical step, and the inductance matrix that follows it.

The matrix is assembled afresh only once in a window of motion, for the section expected in the
middle of it; in between it follows by its own gradient. About the middle the first-order terms
left out in force cancel over the window, and the matrix does not jump from window to window.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from physics.circuit import generalise
from physics.geometry import locate, split
from physics.inductance import assemble, follow
from physics.radial import advance, stable_step
from physics.state import BORE_CLOSED, OVER_CRUSHED, RIM_EXTRUDED
from physics.turns import advance_turns

# A run is called off where the radial model has lost its meaning.
_SMALLEST_SHRINK = 0.3
_CLOSED_BORE = 0.05
_THINNEST_RIM = 0.4
# Plastic work in one step, as a share of the bank's energy, below which nothing counts as yielding.
_YIELDING = 1e-6
# Beyond such plastic strain no flow-stress data mean anything (they end at about 1).
_LARGEST_STRAIN = 2.5


@njit(cache=True, nogil=True)
def reassemble(model, fields):
    """Assemble matrix and slopes for the section as `points` has it, and remember that section."""
    points = model.points
    assemble(
        points.used[0],
        points.radius,
        points.height,
        points.mean_distance,
        points.weight,
        points.share,
        points.cell,
        fields.base,
        fields.by_radius,
        fields.by_height,
    )
    fields.base_radius[:] = points.radius
    fields.base_height[:] = points.height
    fields.base_mean_distance[:] = points.mean_distance


@njit(cache=True, nogil=True)
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
        fields.base,
        fields.matrix,
    )
    generalise(model.unknowns, fields.matrix, model.discharge.inductance, fields.half, fields.after)


@njit(cache=True, nogil=True)
def _ahead(now, last, share, out):
    """Force extrapolated by `share` of a step beyond now."""
    for i in range(now.size):
        out[i] = now[i] + share * (now[i] - last[i])


@njit(cache=True, nogil=True)
def _total(values):
    total = 0.0
    for value in values:
        total += value
    return total


@njit(cache=True, nogil=True)
def bore_closed(model):
    """True once the bore of a ring or washer has all but closed."""
    body = model.body
    return model.part.node_radius_m[0] > 0.0 and body.radius[0] < _CLOSED_BORE * body.radius[-1]


@njit(cache=True, nogil=True)
def _move(model, heat, loads, last_loads, h):
    """Part and turns through one electrical step; (ok, anything yielded)."""
    body, turns, strength = model.body, model.turns, model.part_strength
    pieces = int(h / stable_step(body, strength)) + 1
    dt = h / pieces
    work = body.work[0] + _total(turns.work)
    node, spread, turn = np.empty(loads.node.size), np.empty(loads.spread.size), np.empty(loads.turn.size)
    for i in range(pieces):
        share = (i + 0.5) / pieces
        _ahead(loads.node, last_loads.node, share, node)
        _ahead(loads.spread, last_loads.spread, share, spread)
        _ahead(loads.turn, last_loads.turn, share, turn)
        advance_turns(turns, model.coil_strength, turn, heat.turn_temperature, model.controls.taylor_quinney, dt)
        if not advance(body, strength, node, spread, heat.motion_temperature, model.controls.taylor_quinney, dt):
            return False, True
        # The step is finished where the bore closed; the run ends after it.
        if bore_closed(model):
            break
    stored = 0.5 * model.discharge.capacitance * model.discharge.voltage**2
    return True, body.work[0] + _total(turns.work) - work > _YIELDING * stored


@njit(cache=True, nogil=True)
def _gap(model):
    """Smallest distance (m) between rim and bare wire."""
    nearest = model.turns.radius[0]
    for radius in model.turns.radius:
        nearest = min(nearest, radius)
    return nearest - model.controls.wire_radius - model.body.radius[-1]


@njit(cache=True, nogil=True)
def note_window(model, window):
    """Note the present section in `window`, shape (turns + 2 + motion cells,)."""
    kept = model.turns.radius.size
    window[:kept] = model.turns.radius
    window[kept] = model.body.radius[-1]
    window[kept + 1] = model.body.radius[0]
    window[kept + 2 :] = model.body.thickness


@njit(cache=True, nogil=True)
def longest_step(model, usual):
    """Longest step (s) in which a closing bore loses no more than a fifth, within a hundredth of the usual."""
    body = model.body
    if body.radius[0] <= 0.0 or body.speed[0] >= 0.0:
        return usual
    return max(min(usual, 0.2 * body.radius[0] / -body.speed[0]), 0.01 * usual)


@njit(cache=True, nogil=True)
def _travelled(model, window):
    """How far the section has moved since the window opened: over the gap, or in thickness or bore, relative.

    `window` holds where turns, rim, bore and thicknesses were.
    """
    turns, body = model.turns, model.body
    kept = turns.radius.size
    farthest, thicker = 0.0, 0.0
    for t in range(kept):
        farthest = max(farthest, abs(turns.radius[t] - window[t]))
    for k in range(body.thickness.size):
        thicker = max(thicker, abs(body.thickness[k] / window[kept + 2 + k] - 1.0))
    if window[kept + 1] > 0.0:
        thicker = max(thicker, abs(body.radius[0] / window[kept + 1] - 1.0))
    return max((farthest + abs(body.radius[-1] - window[kept])) / _gap(model), thicker)


@njit(cache=True, nogil=True)
def _time_ahead(model):
    """Time (s) to the middle of the window that opens now, at present speeds; 0 while all is at rest."""
    turns, body = model.turns, model.body
    fastest, thickening = 0.0, 0.0
    for speed in turns.speed:
        fastest = max(fastest, abs(speed))
    fastest += abs(body.speed[-1])
    if fastest < 1.0:
        return 0.0
    for k in range(body.thickness.size):
        thickening = max(thickening, abs(body.spread[k]) / body.thickness[k])
    ahead = 0.5 * model.controls.window / max(fastest / _gap(model), thickening)
    # Never so far ahead that a cell could lose its width, or the part its bore.
    if body.radius[0] > 0.0 and body.speed[0] < 0.0:
        ahead = min(ahead, 0.2 * body.radius[0] / -body.speed[0])
    for k in range(body.thickness.size):
        closing = body.speed[k] - body.speed[k + 1]
        if closing > 0.0:
            ahead = min(ahead, 0.2 * (body.radius[k + 1] - body.radius[k]) / closing)
    return ahead


@njit(cache=True, nogil=True)
def _drift(model, time):
    """Let turns and body coast for `time` s at present speeds."""
    turns, body = model.turns, model.body
    for t in range(turns.radius.size):
        turns.radius[t] += time * turns.speed[t]
    for k in range(body.radius.size):
        body.radius[k] += time * body.speed[k]
    for k in range(body.thickness.size):
        body.thickness[k] += time * body.spread[k]


@njit(cache=True, nogil=True)
def _open_window(model, fields, window):
    """Assemble for the section expected halfway through the window that opens now; `window` notes where that is."""
    body, turns = model.body, model.turns
    ahead = _time_ahead(model)
    _drift(model, ahead)
    split(model.coil.radius_m.size, model.part, body, model.points)
    locate(model.coil, turns, model.part, body, model.points)
    reassemble(model, fields)
    _drift(model, -ahead)
    locate(model.coil, turns, model.part, body, model.points)
    note_window(model, window)


@njit(cache=True, nogil=True)
def crushed(model, first_outer, first_thickness):
    """End code if the part has left the range of the radial model, else -1."""
    body = model.body
    # Squeezed beyond recognition, or thrown back into the coil by trapped flux.
    if body.radius[-1] < _SMALLEST_SHRINK * first_outer or _gap(model) < 0.0:
        return OVER_CRUSHED
    for strain in body.strain:
        if strain > _LARGEST_STRAIN:
            return OVER_CRUSHED
    if bore_closed(model):
        return BORE_CLOSED
    if body.thickness[-1] < _THINNEST_RIM * first_thickness:
        return RIM_EXTRUDED
    return -1


@njit(cache=True, nogil=True)
def follow_motion(model, fields, heat, loads, last_loads, window, h):
    """Motion of one step and the inductance after it; (ok, yielded, assembled). `window` holds where it opened."""
    ok, yielded = _move(model, heat, loads, last_loads, h)
    if not ok:
        return False, yielded, False
    locate(model.coil, model.turns, model.part, model.body, model.points)
    assembled = _travelled(model, window) > model.controls.window
    if assembled:
        _open_window(model, fields, window)
    update_inductance(model, fields)
    return True, yielded, assembled
