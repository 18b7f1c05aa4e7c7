"""Where a sensor looks at each pulse: one small kernel for every scan pattern.

Lives here: the direction of a pulse in the sensor's own frame (forward, right, down). Must not know attitude,
trajectories or terrain.

Pulse m of a leg leaves at time (m + 1/2) / pulse rate, so that a whole number of pulses lies evenly in its line.
"""

import numpy as np

from planner.ground.kernels import kernel
from planner.ground.raycast import BATCH

# Kinds by number, for kernels. The first two scan a plane and differ in how the angle runs with time.
LINEAR, SINE, CONE, ROSETTE, FRAME, FIXED = 0, 1, 2, 3, 4, 5

# Places in the array of figures that describes a pattern to kernels: kind, half openings [rad], pulses a line (turn,
# frame), whether every second line runs back, turns of the second wedge to one of the first, pixels and tangents of
# the half openings of a frame.
KIND, OPENING, USABLE, PULSES, SWINGS, RATIO, ACROSS, ALONG, TAN_ACROSS, TAN_ALONG = range(10)

SLACK_RAD = 1e-12
"""What a pulse may lie past the usable opening, by rounding."""


@kernel
def pulse_number(kind, angle, opening, pulses):
    """Return the place f(t) in the scan line, 0 to `pulses`, of an angle [rad] from the middle of the scan."""
    share = min(max(angle / opening, -1.0), 1.0)
    if kind == SINE:
        return pulses * (np.arcsin(share) / np.pi + 0.5)
    return pulses * (share + 1.0) / 2


@kernel
def pulse_angle(kind, number, opening, pulses):
    """Return the angle [rad] of a place in the scan line: the inverse of `pulse_number`."""
    if kind == SINE:
        return opening * np.sin(np.pi * (number / pulses - 0.5))
    return opening * (2 * number / pulses - 1.0)


@kernel
def _line_angle(kind, number, opening, pulses, swings):
    """Return the scan angle [rad] of a pulse of the leg, in whichever scan line it is."""
    turns = (number + 0.5) / pulses
    line = np.floor(turns)
    place = (turns - line) * pulses
    if swings and line % 2 == 1:
        place = pulses - place
    return pulse_angle(kind, place, opening, pulses)


@kernel
def _off_axis(ahead, aside):
    """Return the direction turned off the axis by the angle vector (ahead, aside) [rad]."""
    off = np.sqrt(ahead * ahead + aside * aside)
    stretch = np.sin(off) / off if off > 1e-12 else 1.0
    return ahead * stretch, aside * stretch, np.cos(off)


@kernel
def beam_direction(figures, elevations, number):
    """Return where pulse `number` of a leg goes.

    Parameters
    ----------
    figures : ndarray, shape (10,)
        The pattern, from `ScanPattern.figures`.
    elevations : ndarray, shape (b,)
        Angles of the beams of a rotating head ahead of its plane [rad]; they fire in turn.
    number : int
        The pulse (pixel, for frames), from 0 at the start of the leg.

    Returns
    -------
    tuple of float
        Forward, right and down of the unit vector, and the scan angle [rad], positive to the right.
    """
    kind = int(figures[KIND])
    opening = figures[OPENING]
    if kind == FIXED:
        return 0.0, 0.0, 1.0, 0.0
    if kind == FRAME:
        across, along = int(figures[ACROSS]), int(figures[ALONG])
        pixel = number % (across * along)
        right = figures[TAN_ACROSS] * (2 * (pixel % across + 0.5) / across - 1.0)
        forward = figures[TAN_ALONG] * (1.0 - 2 * (pixel // across + 0.5) / along)
        down = 1.0 / np.sqrt(1.0 + right * right + forward * forward)
        return forward * down, right * down, down, np.arctan(right)
    turns = (number + 0.5) / figures[PULSES]
    if kind == CONE:
        phase = 2 * np.pi * turns
        forward, right, down = np.sin(opening) * np.cos(phase), np.sin(opening) * np.sin(phase), np.cos(opening)
        return forward, right, down, np.arctan2(right, down)
    if kind == ROSETTE:
        first, second = 2 * np.pi * turns, -2 * np.pi * turns * figures[RATIO]
        ahead = opening / 2 * (np.cos(first) + np.cos(second))
        aside = opening / 2 * (np.sin(first) + np.sin(second))
        forward, right, down = _off_axis(ahead, aside)
        return forward, right, down, np.arctan2(right, down)
    angle = _line_angle(kind, number, opening, figures[PULSES], figures[SWINGS] > 0)
    elevation = elevations[number % len(elevations)]
    return np.sin(elevation), np.cos(elevation) * np.sin(angle), np.cos(elevation) * np.cos(angle), angle


@kernel
def direction_table(figures, elevations):
    """Return what `next_directions` needs of a pattern and what does not change from pulse to pulse.

    One row for each pixel of a frame, direction and scan angle; for each step of a batch, the cosine and sine that the
    phases of a cone or of both wedges of a rosette have turned by; for each beam of a fan, sine and cosine of its
    elevation.
    """
    kind = int(figures[KIND])
    if kind in (FIXED, FRAME):
        pixels = int(figures[ACROSS]) * int(figures[ALONG]) if kind == FRAME else 1
        table = np.empty((pixels, 4))
        for pixel in range(pixels):
            table[pixel, 0], table[pixel, 1], table[pixel, 2], table[pixel, 3] = beam_direction(
                figures, elevations, pixel
            )
    elif kind in (CONE, ROSETTE):
        table = np.empty((BATCH, 4))
        for step in range(BATCH):
            first = 2 * np.pi * step / figures[PULSES]
            second = -first * figures[RATIO]
            table[step, 0], table[step, 1] = np.cos(first), np.sin(first)
            table[step, 2], table[step, 3] = np.cos(second), np.sin(second)
    else:
        table = np.empty((len(elevations), 2))
        for beam in range(len(elevations)):
            table[beam, 0], table[beam, 1] = np.sin(elevations[beam]), np.cos(elevations[beam])
    return table


@kernel
def next_directions(figures, table, first, end, numbers, directions):
    """Find where the next pulses within the usable opening go: those of `beam_direction`, a batch at a time.

    Parameters
    ----------
    figures, table : ndarray
        The pattern, and its `direction_table`.
    first, end : int
        Pulses to look at: from `first` on, until `BATCH` are found or `end` is reached.
    numbers, directions : ndarray, shapes (BATCH,) and (3, BATCH)
        Filled: numbers of the pulses; forward, right and down of their unit vectors.

    Returns
    -------
    following, found : int
        First pulse not looked at, and how many are filled in.
    """
    kind = int(figures[KIND])
    if kind in (FIXED, FRAME):
        return _next_pixels(figures, table, first, end, numbers, directions)
    if kind in (CONE, ROSETTE):
        return _next_turned(figures, table, first, min(end, first + BATCH), numbers, directions)
    return _next_in_fan(figures, table, first, end, numbers, directions)


@kernel
def _next_pixels(figures, table, first, end, numbers, directions):
    usable = figures[USABLE] + SLACK_RAD
    number, found, pixel = first, 0, first % len(table)
    while number < end and found < BATCH:
        if abs(table[pixel, 3]) <= usable:
            numbers[found] = number
            directions[0, found], directions[1, found] = table[pixel, 0], table[pixel, 1]
            directions[2, found] = table[pixel, 2]
            found += 1
        number += 1
        pixel = pixel + 1 if pixel + 1 < len(table) else 0
    return number, found


@kernel
def _next_turned(figures, table, first, end, numbers, directions):
    opening, cone = figures[OPENING], int(figures[KIND]) == CONE
    usable = figures[USABLE] + SLACK_RAD
    cos_usable, sin_usable = np.cos(usable), np.sin(usable)
    cos_cone, sin_cone = np.cos(opening), np.sin(opening)
    turns = (first + 0.5) / figures[PULSES]
    phase, back = 2 * np.pi * turns, -2 * np.pi * turns * figures[RATIO]
    cos_phase, sin_phase, cos_back, sin_back = np.cos(phase), np.sin(phase), np.cos(back), np.sin(back)
    found = 0
    for number in range(first, end):
        step = number - first
        ahead = cos_phase * table[step, 0] - sin_phase * table[step, 1]
        aside = sin_phase * table[step, 0] + cos_phase * table[step, 1]
        if cone:
            forward, right, down = sin_cone * ahead, sin_cone * aside, cos_cone
        else:
            ahead += cos_back * table[step, 2] - sin_back * table[step, 3]
            aside += sin_back * table[step, 2] + cos_back * table[step, 3]
            forward, right, down = _off_axis(opening / 2 * ahead, opening / 2 * aside)
        numbers[found] = number
        directions[0, found], directions[1, found], directions[2, found] = forward, right, down
        # The angle atan2(right, down) is usable: told by its sine less that of the widest.
        found += int(abs(right) * cos_usable <= down * sin_usable)
    return end, found


@kernel
def _next_in_fan(figures, table, first, end, numbers, directions):
    kind, opening, pulses, swings = int(figures[KIND]), figures[OPENING], figures[PULSES], figures[SWINGS] > 0
    usable = figures[USABLE] + SLACK_RAD
    number, found, beam = first, 0, first % len(table)
    while number < end and found < BATCH:
        angle = _line_angle(kind, number, opening, pulses, swings)
        if abs(angle) <= usable:
            numbers[found] = number
            directions[0, found] = table[beam, 0]
            directions[1, found], directions[2, found] = table[beam, 1] * np.sin(angle), table[beam, 1] * np.cos(angle)
            found += 1
        number += 1
        beam = beam + 1 if beam + 1 < len(table) else 0
    return number, found


@kernel
def _directions(figures, elevations, numbers, out):
    for i in range(len(numbers)):
        out[i] = beam_direction(figures, elevations, numbers[i])


def beam_directions(pattern, numbers):
    """Return directions and scan angles of pulses.

    Parameters
    ----------
    pattern : ScanPattern
        The scan.
    numbers : array_like of int, shape (n,)
        Pulses, from 0 at the start of a leg.

    Returns
    -------
    directions : ndarray, shape (n, 3)
        Forward, right, down; unit vectors in the sensor's frame.
    angles_rad : ndarray, shape (n,)
        Scan angles, positive to the right [rad].
    """
    numbers = np.asarray(numbers, dtype=np.int64)
    out = np.empty((len(numbers), 4))
    _directions(pattern.figures(), np.asarray(pattern.beam_elevations_rad), numbers, out)
    return out[:, :3], out[:, 3]
