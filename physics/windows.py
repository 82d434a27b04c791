"""The inductance matrix that follows the motion of part and turns, window by window.

It is assembled afresh only once in a window of motion, for the section expected a little before the middle of it; in
between it follows by its own gradient. What lies between coil and part falls off steeply as the gap opens: its slopes
follow that power of the distance which they followed from the last window to this one, and the matrix its integral. So
the forces do not jump from window to window, nor does the matrix.
What the part has by itself has a window of its own: the gap opens long before the part's shape has changed as much.
"""

from __future__ import annotations

from math import log

import numpy as np

from physics.circuit import add_change, gather_rows, generalise
from physics.deformation import coast
from physics.geometry import field_by_current, field_within, locate, split
from physics.inductance import Group, assemble, carry, follow
from physics.kernel_cache import inlined_kernel, inner_kernel, kernel
from physics.linear import row_dot
from physics.state import ASSEMBLIES, DISTANCE, OF_CHANGE, OF_SLOPES, PART_ASSEMBLIES, STEEPNESS

# The part's shape may change by this share of what the gap may open by: all its cells lie side by side.
_OF_PART = 0.2
# Steepness is told by distances that differ by this share, and is at most this.
_TELLING, _STEEPEST = 0.02, 4.0
# Whole turns may go by each other by so many times what the gap may open by, of half a wire's width: once the coil is
# far from the part, it is by them that the matrix changes.
WIRES_APART = 4.0
# A window's slopes belong to where this share of it is gone: they change most at its beginning.
_BEFORE = 0.4


@inner_kernel
def _assemble_block(one, other, points, fields):
    """Assemble the block of two groups, or of one with itself, for the section as `points` has it."""
    assemble(
        one, other, points.radius, points.height, points.mean_distance, points.weight, points.share, points.cell,
        fields.pair, fields.filament_base, fields.filament_by_radius, fields.filament_by_height,
        fields.by_swelling,
    )  # fmt: skip


@inner_kernel
def reassemble(turns, body, points, unknowns, fields, part_too):
    """Assemble matrix and slopes for the section as `points` has it, and remember that section.

    What the part has by itself is only taken along there, and keeps its slopes, unless `part_too`.
    """
    used, filaments = points.used[0], unknowns.filaments
    coil, part = Group(0, points.own, 0, filaments), Group(points.own, used, filaments, filaments + unknowns.cells)
    if part_too:
        _assemble_block(part, part, points, fields)
    else:
        carry(
            part,
            (points.radius, points.height, points.mean_distance),
            (fields.base_radius, fields.base_height, fields.base_mean_distance),
            points.weight,
            points.share,
            points.cell,
            fields.filament_by_radius,
            fields.filament_by_height,
            fields.by_swelling,
            fields.filament_base,
        )
    _assemble_block(coil, coil, points, fields)
    _assemble_block(part, coil, points, fields)
    generalise(unknowns, fields.filament_base, fields.rows, fields.base)
    gather_rows(unknowns, 0, used, fields.filament_by_radius, fields.by_radius)
    # Turns stay at their height.
    gather_rows(unknowns, points.own, used, fields.filament_by_height, fields.by_height)
    _note_turns(used, unknowns.centre, fields)
    for p in range(used):
        fields.base_radius[p] = points.radius[p]
        fields.base_height[p] = points.height[p]
        fields.base_mean_distance[p] = points.mean_distance[p]
    fields.between[DISTANCE] = _distance(turns.radius, body.radius)


@inner_kernel
def _note_turns(points, centre, fields):
    """What the centre filament of every turn has from all others, and its slopes, side by side."""
    for t in range(centre.size):
        for c in range(fields.linked_base.shape[0]):
            fields.linked_base[c, t] = fields.filament_base[c, centre[t]]
        for p in range(points):
            fields.turns_by_radius[p, t] = fields.filament_by_radius[p, centre[t]]
            fields.turns_by_height[p, t] = fields.filament_by_height[p, centre[t]]


@kernel
def fall_with_distance(exponent, opened):
    """Slopes that fall with this power of the distance, which has grown by this share: over what they were; their mean.

    The mean is that over the way, which the matrix has changed by. Both by their series, to second order.
    """
    slopes = 1.0 - exponent * opened * (1.0 - (exponent + 1.0) * opened / 2.0)
    return slopes, 1.0 - exponent * opened / 2.0 * (1.0 - (exponent + 1.0) * opened / 3.0)


@inner_kernel
def update_inductance(turns, body, points, unknowns, fields, out):
    """Generalised inductance (H) of the section as `points` has it, into the lower triangle of `out`."""
    between, rows, filaments = fields.between, fields.rows, unknowns.filaments
    opened = _distance(turns.radius, body.radius) / between[DISTANCE] - 1.0
    between[OF_SLOPES], between[OF_CHANGE] = fall_with_distance(between[STEEPNESS], opened)
    follow(
        points.used[0],
        (points.radius, points.height, points.mean_distance),
        (fields.base_radius, fields.base_height, fields.base_mean_distance),
        points.weight,
        points.share,
        points.cell,
        fields.by_radius,
        fields.by_height,
        fields.by_swelling,
        fields.rows,
        fields.swelling,
    )
    part, last = rows.shape[1] - 1 - unknowns.cells, rows.shape[1]
    for c in range(filaments):
        for d in range(part, last):
            rows[c, np.uintp(d)] *= between[OF_CHANGE]
    for c in range(filaments, rows.shape[0]):
        for d in range(part):
            rows[c, d] *= between[OF_CHANGE]
    add_change(unknowns, rows, fields.swelling, fields.base, fields.half, out)
    _follow_turns(points, unknowns, fields)


@inner_kernel
def see(unknowns, fields, q):
    """The independent currents q (A) as they push coil and part, into `fields`."""
    part, factor = q.size - 1 - unknowns.cells, fields.between[OF_SLOPES]
    for d in range(part):
        fields.seen_by_coil[d], fields.seen_by_part[d] = q[d], factor * q[d]
    for d in range(part, q.size):
        fields.seen_by_coil[d], fields.seen_by_part[d] = factor * q[d], q[d]


@inlined_kernel
def _follow_turns(points, unknowns, fields):
    """What the centre filament of every turn, and its mirror image, has from all others in the present section."""
    turns, linked, centre, of_change = unknowns.centre.size, fields.linked, unknowns.centre, fields.between[OF_CHANGE]
    for c in range(linked.shape[0]):
        for t in range(turns):
            linked[c, t] = fields.linked_base[c, t]
    for p in range(points.used[0]):
        c, own = points.cell[p], p < points.own
        carried = points.weight[p] * points.share[p]
        outward = carried * (points.radius[p] - fields.base_radius[p])
        upward = carried * (points.height[p] - fields.base_height[p])
        if outward != 0.0 or upward != 0.0:
            of_coil = 1.0 if own else of_change
            for t in range(turns):
                change = outward * fields.turns_by_radius[p, t] + upward * fields.turns_by_height[p, t]
                linked[c, t] += of_coil * change
            for t in range(turns if own else 0):
                if centre[t] == c:
                    for d in range(linked.shape[0]):
                        of_cell = 1.0 if d < unknowns.filaments else of_change
                        change = outward * fields.filament_by_radius[p, d] + upward * fields.filament_by_height[p, d]
                        linked[d, t] += of_cell * change


@inner_kernel
def turn_linkages(unknowns, fields, out):
    """Flux linkage (Wb) of the centre filament of every turn, mirror images apart."""
    for t in range(out.size):
        out[t] = 0.0
    for c in range(fields.current.size):
        for t in range(out.size):
            out[t] += fields.current[c] * fields.linked[c, t]
    for t in range(out.size):
        out[t] /= unknowns.weight[unknowns.centre[t]]


@inner_kernel
def _distance(turn_radius, radius):
    """Smallest distance (m) between the rim and the middle of a turn."""
    nearest, rim, last = turn_radius[0], 0.0, radius.shape[1] - 1
    for t in range(1, turn_radius.size):
        nearest = min(nearest, turn_radius[t])
    for s in range(radius.shape[0]):
        rim = max(rim, radius[s, last])
    return nearest - rim


@inner_kernel
def smallest_gap(turn_radius, radius, half_width):
    """Smallest distance (m) between rim and bare wire, which is `half_width` (m) wide on either side."""
    return _distance(turn_radius, radius) - half_width


@inlined_kernel
def follow_fields(part, turns, body, points, half_width, fields):
    """What currents and linkages tell of the field in the gap, on the axis and within the part, in this section."""
    # Midway between the rim in the mid-plane and the bare wire of the first turn.
    radius = 0.5 * (body.radius[0, body.radius.shape[1] - 1] + turns.radius[0] - half_width)
    field_by_current(points, radius, fields.field_by_current)
    field_within(part, points, fields.field_within)


@inner_kernel
def note_window(turns, body, window):
    """Note the present section: radii of turns, rims and bores of slices, levels (m)."""
    turn_radius, radius, level = turns.radius, body.radius, body.level
    kept, slices, cells = turn_radius.size, radius.shape[0], level.shape[1]
    for t in range(kept):
        window[t] = turn_radius[t]
    for s in range(slices):
        window[kept + s] = radius[s, cells]
        window[kept + slices + s] = radius[s, 0]
        for k in range(cells):
            window[kept + 2 * slices + s * cells + k] = level[s + 1, k]


@inner_kernel
def closing_speed(turn_speed, speed):
    """Highest speed (m/s) of a turn and of the rim together."""
    rim, turn, last = 0.0, 0.0, speed.shape[1] - 1
    for s in range(speed.shape[0]):
        rim = max(rim, abs(speed[s, last]))
    for t in range(turn_speed.size):
        turn = max(turn, abs(turn_speed[t]))
    return rim + turn


@inner_kernel
def parting_speed(turns):
    """How much faster (m/s) the fastest of the turns that are whole goes outward than the slowest."""
    slowest, fastest = 1e9, -1e9
    for t in range(turns.speed.size):
        if turns.rupture_time[t] < 0.0:
            slowest, fastest = min(slowest, turns.speed[t]), max(fastest, turns.speed[t])
    return max(fastest - slowest, 0.0)


@inlined_kernel
def travelled(turns, body, half_width, window):
    """How far the section has moved since the window opened: over the gap, in thickness, bore, or turns by each other.

    `window` holds where turns, rims, bores and levels were.
    """
    turn_radius, radius, kept, last = turns.radius, body.radius, turns.radius.size, body.radius.shape[1] - 1
    turn, rim = 0.0, 0.0
    least, most = 1e9, -1e9
    for t in range(kept):
        out = turn_radius[t] - window[t]
        turn = max(turn, abs(out))
        if turns.rupture_time[t] < 0.0:
            least, most = min(least, out), max(most, out)
    for s in range(radius.shape[0]):
        rim = max(rim, abs(radius[s, last] - window[kept + s]))
    apart = (most - least) / (WIRES_APART * half_width)
    return max((turn + rim) / smallest_gap(turn_radius, radius, half_width), apart, _reshaped(turns, body, window))


@inner_kernel
def _reshaped(turns, body, window):
    """The largest relative change of a bore or level of the part since `window` noted them."""
    radius, level = body.radius, body.level
    slices, cells = radius.shape[0], level.shape[1]
    first, shape = turns.radius.size + slices, 0.0
    for s in range(slices):
        bore = window[first + s]
        if bore > 0.0:
            shape = max(shape, abs(radius[s, 0] / bore - 1.0))
        for k in range(cells):
            shape = max(shape, abs(level[s + 1, k] / window[first + slices + s * cells + k] - 1.0))
    return shape


@inner_kernel
def _time_ahead(turns, body, half_width, width):
    """Time (s) to the section that the slopes of the window that opens now are to belong to; 0 while all is at rest."""
    radius, speed, level, rise = body.radius, body.speed, body.level, body.rise
    closing, gap = closing_speed(turns.speed, speed), smallest_gap(turns.radius, radius, half_width)
    shape = parting_speed(turns) / (WIRES_APART * half_width)
    for s in range(speed.shape[0]):
        for k in range(rise.shape[1]):
            shape = max(shape, abs(rise[s + 1, k]) / level[s + 1, k])
    if closing < 1.0:
        return 0.0
    return min(_BEFORE * width / max(closing / gap, shape), _time_to_close(radius, speed, level, rise))


@inner_kernel
def _time_to_close(radius, speed, level, rise):
    """Time (s) in which no cell loses more than a fifth of its width or height, and the part of its bore."""
    longest = 1.0
    for s in range(radius.shape[0]):
        if radius[s, 0] > 0.0 and speed[s, 0] < 0.0:
            longest = min(longest, 0.2 * radius[s, 0] / -speed[s, 0])
        for k in range(level.shape[1]):
            closing = speed[s, k] - speed[s, k + 1]
            if closing > 0.0:
                longest = min(longest, 0.2 * (radius[s, k + 1] - radius[s, k]) / closing)
            closing = rise[s, k] - rise[s + 1, k]
            if closing > 0.0:
                longest = min(longest, 0.2 * (level[s + 1, k] - level[s, k]) / closing)
    return longest


@inner_kernel
def _drift(turns, body, time):
    """Let turns and body coast for `time` s at present speeds."""
    radius, speed = turns.radius, turns.speed
    coast(time, body.radius, body.speed, body.level, body.rise)
    for t in range(radius.size):
        radius[t] += time * speed[t]


@inner_kernel
def _pull_between(points, unknowns, fields):
    """Force (N, outward) of the coil on the part by the slopes as they were assembled."""
    total, coil = 0.0, fields.seen_by_part.size - 1 - unknowns.cells
    for p in range(points.own, points.used[0]):
        carried = points.share[p] * fields.current[points.cell[p]]
        total += carried * row_dot(fields.by_radius, p, fields.seen_by_coil, coil)
    return total


@inner_kernel
def _steepen(ratio, distance, between):
    """Note how steeply what is between coil and part falls with distance: by `ratio` since the one of the last slopes.

    That was `distance` (m). Where it has hardly changed, as only the part's shape has, all stays as steep as it was.
    """
    opened = log(between[DISTANCE] / distance)
    if abs(opened) > _TELLING and ratio > 0.0:
        between[STEEPNESS] = min(max(-log(ratio) / opened, 0.0), _STEEPEST)


@inner_kernel
def open_window(coil, part, turns, body, points, unknowns, fields, half_width, width, totals):
    """Assemble for a section expected within the window that opens now, and note where it is now.

    What the part has by itself, and how it is cut, is kept over several windows while its shape hardly changes.
    """
    # Before the part is cut anew.
    pull, distance = _pull_between(points, unknowns, fields), fields.between[DISTANCE]
    part_too = _reshaped(turns, body, fields.part_window) > _OF_PART * width
    ahead = _time_ahead(turns, body, half_width, width)
    _drift(turns, body, ahead)
    if part_too:
        split(coil, part, body, points)
    locate(coil, turns, body, points)
    reassemble(turns, body, points, unknowns, fields, part_too)
    _steepen(_pull_between(points, unknowns, fields) / pull, distance, fields.between)
    _drift(turns, body, -ahead)
    locate(coil, turns, body, points)
    note_window(turns, body, fields.window)
    totals[ASSEMBLIES] += 1.0
    if part_too:
        note_window(turns, body, fields.part_window)
        totals[PART_ASSEMBLIES] += 1.0
