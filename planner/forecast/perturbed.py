"""Returns of a cell in flights that go a little otherwise than planned, by closed forms on its looks.

Lives here: the kernels that weigh every draw. Must not know missions, nor what chances are for.

A pulse is sent each step of time and scan angle, so the plan area of ground to a pulse is the up component of the
product of two steps on the plane of the cell: with b the beam, R the range, V the velocity, N the normal of the scan
plane and n the normal of the ground whose upward part is 1, it is R V.N / |n.b|. What else stands in it cancels in the
ratio of a draw to the plan, which the counted returns are multiplied by.
"""

from typing import NamedTuple

import numpy as np

from planner.forecast import draws
from planner.ground.kernels import kernel
from planner.ranging.fates import RETURNS, barred, pasted

# Variants of a draw: all doubts, and all but one. Those after the first four share its geometry.
ALL, SURE_TERRAIN, SURE_TRACK, SURE_ATTITUDE, SURE_REFLECTANCE, SURE_AIR = range(6)
VARIANTS = 6
LEVEL, STILL = (1.0, 0.0), (1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0)

# Places in the figures of a leg.
USABLE, SAMPLES_HZ, SAMPLES, RIGHT_E, RIGHT_N, LOOKS, STEP_RAD = range(7)

# Columns of hits: density alone, both, and both without each source of doubt.
HITS = 9

FAINT = 0.05  # where fewer of its pulses return, a look without returns need not be hidden
LEAST_COS = 0.05  # of incidence: nearer to grazing the plane of a cell says little about its ground
LEAST_COUNT = 0.5  # returns: fewer do not tell which share of them the requirement counts
MOST_SCALE = 2.0  # behind crowns a cell may get more ground returns than first returns, by slant rays
LEAST_PACE = 0.2  # of the ground speed: a scan plane that stands still on the ground for a moment is taken to move so


# What is pasted into the loop over draws and reads an array has no branches: each would count references by slow steps.


@pasted
def _sent_up_to(sums, leg, step_rad, angle):
    """Return pulses per second between the middle and an angle across the flight [rad], negative to the left."""
    place = min(abs(angle) / step_rad, sums.shape[1] - 1.000001)
    below = int(place)
    return np.copysign(sums[leg, below] + (place - below) * (sums[leg, below + 1] - sums[leg, below]), angle)


@pasted
def _rate_inside(sums, leg, step_rad, angle, half, usable):
    """Return pulses per second and radian over a cell, pooled over its width, none of them outside the opening."""
    low, high = max(angle - half, -usable), min(angle + half, usable)
    sent = _sent_up_to(sums, leg, step_rad, high) - _sent_up_to(sums, leg, step_rad, low)
    return max(sent, 0.0) / (2.0 * half)


@pasted
def _seen(chances, number, place):
    """Return the chance at a place in one of the tables of chances, 1 past its end."""
    place = min(place, chances.shape[1] - 1.000001)
    below = int(place)
    return chances[number, below] + (place - below) * (chances[number, below + 1] - chances[number, below])


class Bars(NamedTuple):
    """What of a light bars ranges however strong it is, as `barred` reads it; without arrays, see above."""

    nearest_m: float
    longest_m: float
    told_m: float
    zone_m: float
    blind_before_m: float
    blind_after_m: float


@pasted
def _lobe(lobes, number, code, cos):
    """Return what a class of surface mirrors at a cosine of incidence."""
    place = np.sqrt(max(1.0 - cos, 0.0)) * (lobes.shape[2] - 1)
    below = min(int(place), lobes.shape[2] - 2)
    return lobes[number, code, below] + (place - below) * (lobes[number, code, below + 1] - lobes[number, code, below])


@pasted
def _share_inside(middle, half, low, high):
    """Return the share of a stretch about its middle that lies between two bounds."""
    return max(min(middle + half, high) - max(middle - half, low), 0.0) / (2.0 * half)


@pasted
def _meet(gap, move, rise, axes, turning, lean, turn, tilt):
    """Return how a place is met, once the sensor has moved on so far that it lies in the scan plane.

    Parameters
    ----------
    gap, move : tuple of float
        From the sensor to the place [m] and velocity [m/s]: east, north, up.
    rise : tuple of float
        Slopes of the ground toward east and north.
    axes : tuple of float
        Forward, right and down of the sensor as planned, each as east, north, up.
    turning : tuple of float
        How fast its forward axis turns to the right and down [rad/s].
    lean : float
        Tangent of the angle of the beam ahead of the plane of right and down.
    turn, tilt : tuple of float
        Cosine and sine of a turn about the vertical, clockwise, and the matrix of a turn of the sensor in itself.

    Returns
    -------
    tuple of float
        How much later than planned [s], metres to the right and down, squared range [m2], vertical distance of the
        sensor from the plane of the ground [m], speed of the scan plane over its normal [m/s].
    """
    east, north = gap[0] * turn[0] - gap[1] * turn[1], gap[0] * turn[1] + gap[1] * turn[0]
    go_e, go_n = move[0] * turn[0] - move[1] * turn[1], move[0] * turn[1] + move[1] * turn[0]
    x = axes[0] * east + axes[1] * north + axes[2] * gap[2]
    y = axes[3] * east + axes[4] * north + axes[5] * gap[2]
    z = axes[6] * east + axes[7] * north + axes[8] * gap[2]
    go_x = axes[0] * go_e + axes[1] * go_n + axes[2] * move[2]
    go_y = axes[3] * go_e + axes[4] * go_n + axes[5] * move[2]
    go_z = axes[6] * go_e + axes[7] * go_n + axes[8] * move[2]
    ahead, aside, down = (
        tilt[0] * x + tilt[3] * y + tilt[6] * z,
        tilt[1] * x + tilt[4] * y + tilt[7] * z,
        tilt[2] * x + tilt[5] * y + tilt[8] * z,
    )
    on, off, under = (
        tilt[0] * go_x + tilt[3] * go_y + tilt[6] * go_z,
        tilt[1] * go_x + tilt[4] * go_y + tilt[7] * go_z,
        tilt[2] * go_x + tilt[5] * go_y + tilt[8] * go_z,
    )
    later = (ahead - lean * np.sqrt(aside * aside + down * down)) / on
    aside, down = aside - off * later, down - under * later
    flat2 = aside * aside + down * down
    pace = on - aside * turning[0] - down * turning[1]
    if lean != 0.0:
        pace -= lean * (aside * off + down * under) / np.sqrt(flat2)
    over = rise[0] * (gap[0] - move[0] * later) + rise[1] * (gap[1] - move[1] * later) - gap[2] + move[2] * later
    least = LEAST_PACE * abs(on)
    return later, aside, down, flat2 * (1.0 + lean * lean), over, max(abs(pace), least)


@pasted
def _halves(gap, move, rise, axes, lean, later, aside, down, half_m, samples_hz):
    """Return half of what scan angle [rad] and sample change by over a cell.

    Over a square they are spread as the sum of two even stretches, along its sides: one even stretch of the same
    variance stands for it.
    """
    flat = np.sqrt(aside * aside + down * down)
    sin, cos = aside / flat, down / flat
    on = axes[0] * move[0] + axes[1] * move[1] + axes[2] * move[2]
    out_e, out_n = cos * axes[3] - sin * axes[6], cos * axes[4] - sin * axes[7]
    out_u = cos * axes[5] - sin * axes[8]
    drift = out_e * move[0] + out_n * move[1] + out_u * move[2]
    later_e, later_n = (axes[0] + rise[0] * axes[2]) / on, (axes[1] + rise[1] * axes[2]) / on
    angle_e = (out_e + rise[0] * out_u - drift * later_e) / flat
    angle_n = (out_n + rise[1] * out_u - drift * later_n) / flat
    return (
        np.sqrt(angle_e * angle_e + angle_n * angle_n) * half_m,
        np.sqrt(later_e * later_e + later_n * later_n) * half_m * samples_hz,
    )


@pasted
def _visible(returns, share, chance, sent):
    """Return how many pulses a look brings to one that the closed form sends into the opening.

    As counted where the cell lies in the opening, 0 where it is hidden. The part outside is taken for open, but the
    less the more the part inside shows it to be hidden.
    """
    counted = returns / (chance * sent) if chance >= FAINT and sent > 0.0 else 1.0
    visible = share * counted + (1.0 - share) * (1.0 - share + share * min(counted, 1.0))
    return min(visible, max(counted, 1.0))


@pasted
def _rows(matrix):
    """Return the rows of a matrix, shape (3, 3), one after another."""
    first, second, third = matrix
    return first[0], first[1], first[2], second[0], second[1], second[2], third[0], third[1], third[2]


@pasted
def _otherwise(variant, planned, rightward, effect, moved, turns):
    """Return gap, move, rise, turning, turn about the vertical and tilt of a look in a draw, as `_meet` takes them.

    `planned` holds the first four as planned, `rightward` is the level direction to the right of the leg, `effect` what
    the draw does to height and rises of the ground, `moved` and `turns` what it does to the leg.
    """
    near, go, bent, spun = planned
    pointing, tilt = draws.TURNED, STILL
    if variant != SURE_TERRAIN:
        near = near[0], near[1], near[2] + effect[0]
        bent = bent[0] + effect[1], bent[1] + effect[2]
    if variant != SURE_TRACK:
        aside_m, faster = moved[draws.ASIDE], moved[draws.SPEED]
        near = near[0] - aside_m * rightward[0], near[1] - aside_m * rightward[1], near[2] - moved[draws.UP]
        go = go[0] * faster, go[1] * faster, go[2] * faster
        # Motion is kept where it was on the ground, so that a leg brings all its pulses at any speed.
        spun = spun[0] * faster, spun[1] * faster
    else:
        pointing = draws.BY_HEADING
    if variant != SURE_ATTITUDE:
        tilt = _rows(turns)
    else:
        pointing = draws.BY_CRAB
    return near, go, bent, spun, (moved[pointing], moved[pointing + 1]), tilt


@kernel
def _weigh_look(look, place, rise, flight, lights, drawn, effects, code, leafy, area_m2, totals):
    """Add what a look brings in every draw and variant to `totals`, shape (draws, VARIANTS).

    `look` is the leg, the sample over all legs, the sample within the leg, and the returns as planned; what is returned
    is the length of the look over its height. Of `totals` with one column only `ALL` is filled.
    """
    variants = min(SURE_ATTITUDE + 1, totals.shape[1])
    leg, row, sample, returns = look
    origins, axis, velocities, turnings, figures, sums, numbers = flight
    moved, turns, extinction = drawn
    number = numbers[leg]
    limits, chances, factors, lobes = lights
    bars = Bars(
        limits[number, 0], limits[number, 1], limits[number, 2], limits[number, 3], limits[number, 4], limits[number, 5]
    )
    strength2, air_per_m, matt = limits[number, 6], 2.0 * limits[number, 7], factors[number, code]
    usable, samples_hz, samples = figures[leg, USABLE], figures[leg, SAMPLES_HZ], figures[leg, SAMPLES]
    right_e, right_n, step = figures[leg, RIGHT_E], figures[leg, RIGHT_N], figures[leg, STEP_RAD]
    gap = place[0] - origins[row, 0], place[1] - origins[row, 1], place[2] - origins[row, 2]
    move = velocities[row, 0], velocities[row, 1], velocities[row, 2]
    axes = _rows(axis[row].T)
    turning = turnings[row, 0], turnings[row, 1]
    lean = 0.0
    if figures[leg, LOOKS] > 1.0:  # the beam need not lie in the plane of right and down
        aside = axes[3] * gap[0] + axes[4] * gap[1] + axes[5] * gap[2]
        down = axes[6] * gap[0] + axes[7] * gap[1] + axes[8] * gap[2]
        lean = (axes[0] * gap[0] + axes[1] * gap[1] + axes[2] * gap[2]) / np.sqrt(aside * aside + down * down)
    later, aside, down, range2, over, pace = _meet(gap, move, rise, axes, turning, lean, LEVEL, STILL)
    slant = np.sqrt(range2) / max(-gap[2], 1e-6)
    if down <= 0.0:
        return slant
    half_rad, half_samples = _halves(
        gap, move, rise, axes, lean, later, aside, down, np.sqrt(area_m2) / 2.0, samples_hz
    )
    steep = np.sqrt(1.0 + rise[0] * rise[0] + rise[1] * rise[1])
    angle, distance = np.arctan2(aside, down), np.sqrt(range2)
    over = max(over, LEAST_COS * distance * steep)
    along = _share_inside(sample + 0.5 + later * samples_hz, half_samples, 0.0, samples)
    cos = 1.0 if leafy else min(over / (distance * steep), 1.0)
    shine = strength2 * cos / range2 * (matt + _lobe(lobes, number, code, cos))
    chance = _seen(chances, number, shine * np.exp(-air_per_m * distance))
    nearest, farthest = 0.7 * distance, 1.4 * distance
    barred_by_none = bars.blind_before_m + bars.blind_after_m == 0.0
    barred_by_none = barred_by_none and barred(bars, nearest) == RETURNS and barred(bars, farthest) == RETURNS
    if not barred_by_none and barred(bars, distance) != RETURNS:
        chance = 0.0
    each = (1.0 + lean * lean) * area_m2 / figures[leg, LOOKS]
    sent = each * _rate_inside(sums, leg, step, angle, half_rad, usable) * along * over / (range2 * pace)
    visible = _visible(returns, _share_inside(angle, half_rad, -usable, usable) * along, chance, sent) * each
    if visible <= 0.0:
        return slant
    for draw in range(len(totals)):
        for variant in range(variants):
            effect = effects[draw, draws.RISE], effects[draw, draws.RISE_E], effects[draw, draws.RISE_N]
            near, go, bent, spun, turn, tilt = _otherwise(
                variant, (gap, move, rise, turning), (right_e, right_n), effect, moved[draw, leg], turns[draw, leg]
            )
            later, aside, down, range2, over, pace = _meet(near, go, bent, axes, spun, lean, turn, tilt)
            if down <= 0.0:
                continue
            rate = _rate_inside(sums, leg, step, np.arctan2(aside, down), half_rad, usable)
            rate *= _share_inside(sample + 0.5 + later * samples_hz, half_samples, 0.0, samples)
            if rate <= 0.0:
                continue
            steep = np.sqrt(1.0 + bent[0] * bent[0] + bent[1] * bent[1])
            distance = np.sqrt(range2)
            if not (barred_by_none and nearest < distance < farthest) and barred(bars, distance) != RETURNS:
                continue
            over = max(over, LEAST_COS * distance * steep)
            cos = 1.0 if leafy else min(over / (distance * steep), 1.0)
            pulses = visible * rate * over / (range2 * pace)
            shine = strength2 * cos / range2 * (matt + _lobe(lobes, number, code, cos))
            clear = np.exp(-air_per_m * extinction[draw] * distance)
            bright = effects[draw, draws.BRIGHTNESS]
            totals[draw, variant] += pulses * _seen(chances, number, shine * bright * clear)
            if variant == ALL and variants > 1:
                totals[draw, SURE_REFLECTANCE] += pulses * _seen(chances, number, shine * clear)
                planned = np.exp(-air_per_m * distance)
                totals[draw, SURE_AIR] += pulses * _seen(chances, number, shine * bright * planned)
    return slant


@kernel
def _judge(totals, effects, terms, variances, scale, need, most_variance, hits, below):
    """Count draws in which a cell meets what is asked: see `HITS`; `below` counts cells that fail by draw."""
    planned = 0.0
    for of_term in variances:
        planned += of_term
    for draw in range(len(totals)):
        variance = 0.0
        for term in range(len(variances)):
            variance += variances[term] * terms[draw, term] ** 2
        exact, exact_planned = variance <= most_variance, planned <= most_variance
        passed = scale * effects[draw, draws.PASSED]
        dense = totals[draw, ALL] * passed >= need
        hits[0] += dense
        hits[1] += dense and exact
        for variant in range(1, VARIANTS):
            # Canopy stands between reflectance and visibility.
            hits[1 + variant + (variant == SURE_AIR)] += totals[draw, variant] * passed >= need and exact
        hits[6] += totals[draw, ALL] * scale >= need and exact
        hits[8] += dense and exact_planned
        below[draw] += not dense


@kernel
def draw_cell(cell, looks, faces, flight, lights, drawn, fields, leaves, site, asked, work):
    """Fill the returns of a cell in every draw and variant; return what to multiply them by.

    `work` holds effects, shape (draws, 5), and twice totals, shape (draws, VARIANTS), or (draws, 1) where `ALL` is
    enough: of the cell, and of one leg. The others are as for `weigh_cells`.
    """
    starts, leg_of, sample_of, row_of, returns_of = looks
    centres, slopes = faces
    _, codes, leafy, depths, planned, _ = site
    _, single, _, area_m2 = asked
    effects, totals, of_leg = work
    totals[:] = 0.0
    effects[:, draws.PASSED] = 1.0
    first, past = starts[cell], starts[cell + 1]
    place, rise = (centres[cell, 0], centres[cell, 1], centres[cell, 2]), (slopes[cell, 0], slopes[cell, 1])
    if past > first:
        draws.fill_effects(place, fields, codes[cell], effects)
    counted, leg_counted, slants, weight = 0.0, 0.0, 0.0, 0.0
    for k in range(first, past):
        returns = float(returns_of[k])
        look = leg_of[k], row_of[k], sample_of[k], returns
        into = of_leg if single else totals
        slant = _weigh_look(look, place, rise, flight, lights, drawn, effects, codes[cell], leafy[cell], area_m2, into)
        slants, weight = slants + slant * (returns + 1e-3), weight + returns + 1e-3
        leg_counted += returns
        if k + 1 == past or leg_of[k + 1] != leg_of[k]:
            if single:
                for draw in range(len(totals)):
                    for variant in range(totals.shape[1]):
                        totals[draw, variant] = max(totals[draw, variant], of_leg[draw, variant])
                        of_leg[draw, variant] = 0.0
            counted = max(counted, leg_counted) if single else counted + leg_counted
            leg_counted = 0.0
    scale = 1.0
    if depths[cell] > 0.0 and weight > 0.0:
        slanted = depths[cell] * slants / weight
        draws.fill_passed(place, leaves, fields, slanted, effects)
        scale = np.exp(-slanted)
    if np.isnan(planned[cell]):
        scale = 0.0
    elif counted > LEAST_COUNT:
        scale = min(planned[cell] / counted, MOST_SCALE)
    return scale


@kernel
def weigh_cells(span, looks, faces, flight, lights, drawn, fields, leaves, terms, site, asked, hits, below):
    """Weigh all draws in the judged cells of a span.

    Parameters
    ----------
    span : tuple of int
        First flat cell, and the one past the last.
    looks : tuple
        Starts by cell; leg, sample within the leg, sample over all legs, and returns of each look.
    faces : tuple
        Middles and slopes of cells.
    flight, lights, drawn, fields, leaves, terms : tuple or ndarray
        Legs, stacks of lights, what draws do to legs and air, to places, to leaves, to terms of the height error.
    site : tuple
        Of each cell: whether it is judged, class, whether leaves are met, optical depth of crowns before the ground,
        returns as planned, and variances.
    asked : tuple
        Returns a cell needs, whether the best leg counts alone, the most variance, and the area of a cell [m2].
    hits : ndarray, shape (cells, HITS)
        Filled.
    below : ndarray, shape (draws,)
        Cells that lack density in each draw, added to.
    """
    judged, variances = site[0], site[5]
    need, _, most_variance, _ = asked
    many = len(below)
    effects = np.ones((many, 5))
    totals, of_leg = np.zeros((many, VARIANTS)), np.zeros((many, VARIANTS))
    work = effects, totals, of_leg
    for cell in range(span[0], span[1]):
        if judged[cell]:
            scale = draw_cell(cell, looks, faces, flight, lights, drawn, fields, leaves, site, asked, work)
            _judge(totals, effects, terms, variances[cell], scale, need, most_variance, hits[cell], below)
