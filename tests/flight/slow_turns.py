"""A slow twin of the shortest way of arcs: a search over the lengths of arc, arc or straight, arc."""

import numpy as np


def least_length_by_search(east, north, start, end, steps=240):
    """Return the least length found at radius 1: the first arc is searched, the rest follows by geometry.

    After a first arc the aircraft stands at a pose; to arrive on a final circle it leaves along the straight that is
    tangent to it, or along a middle circle that touches both. All are tried for each first arc on a fine grid, and
    those that fit within the grid are kept.
    """
    best = np.inf
    for first in (1, -1):
        for angle in np.linspace(0, 2 * np.pi, steps * 8, endpoint=False):
            place, course = _arc(np.zeros(2), start, first, angle)
            for last in (1, -1):
                centre = np.array([east, north]) + last * np.array([np.cos(end), -np.sin(end)])
                best = min(best, _by_straight(place, course, centre, last, end, angle))
                best = min(best, _by_circle(place, course, centre, first, last, end, angle))
    return best


def _arc(place, course, side, angle):
    turned = course + side * angle
    east = place[0] + side * (np.cos(course) - np.cos(turned))
    return np.array([east, place[1] - side * (np.sin(course) - np.sin(turned))]), turned


def _by_straight(place, course, centre, last, end, angle):
    unit = np.array([np.sin(course), np.cos(course)])
    right = np.array([np.cos(course), -np.sin(course)])
    along, aside = (centre - place) @ unit, (centre - place) @ right
    if abs(aside - last) > 2e-2 or along < 0:  # the circle must touch the straight on its own side
        return np.inf
    return angle + along + np.mod(last * (end - course), 2 * np.pi)


def _by_circle(place, course, centre, first, last, end, angle):
    if first != last:
        return np.inf
    middle = place - first * np.array([np.cos(course), -np.sin(course)])
    away = centre - middle
    if abs(np.hypot(*away) - 2) > 2e-2:
        return np.inf
    touch = np.arctan2(*away)  # direction from the middle circle to the last
    course_there = touch - first * np.pi / 2
    turned = np.mod(-first * (course_there - course), 2 * np.pi)
    return angle + turned + np.mod(last * (end - course_there), 2 * np.pi)
