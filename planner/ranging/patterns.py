"""Where a sensor looks at each pulse: one small kernel for every scan pattern.

Lives here: the direction of a pulse in the sensor's own frame (forward, right, down). Must not know attitude,
trajectories or terrain.

Pulse m of a leg leaves at time (m + 1/2) / pulse rate, so that a whole number of pulses lies evenly in its line.
"""

import numpy as np

from planner.ground.kernels import kernel

# Kinds by number, for kernels. The first two scan a plane and differ in how the angle runs with time.
LINEAR, SINE, CONE, ROSETTE, FRAME, FIXED = 0, 1, 2, 3, 4, 5

# Places in the array of figures that describes a pattern to kernels: kind, half openings [rad], pulses a line (turn,
# frame), whether every second line runs back, turns of the second wedge to one of the first, pixels and tangents of
# the half openings of a frame.
KIND, OPENING, USABLE, PULSES, SWINGS, RATIO, ACROSS, ALONG, TAN_ACROSS, TAN_ALONG = range(10)


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
def _off_axis(ahead, aside):
    """Return the direction turned off the axis by the angle vector (ahead, aside) [rad]."""
    off = np.hypot(ahead, aside)
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
    line = np.floor(turns)
    place = (turns - line) * figures[PULSES]
    if figures[SWINGS] > 0 and line % 2 == 1:
        place = figures[PULSES] - place
    angle = pulse_angle(kind, place, opening, figures[PULSES])
    elevation = elevations[number % len(elevations)]
    return np.sin(elevation), np.cos(elevation) * np.sin(angle), np.cos(elevation) * np.cos(angle), angle


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
