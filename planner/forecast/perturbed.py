"""Returns of a cell in flights that go a little otherwise than planned, by closed forms on its looks.

Lives here: the kernels that weigh every draw. Must not know missions, nor what chances are for.

A pulse is sent each step of time and scan angle, so the plan area of ground to a pulse is the up component of the
product of two steps on the plane of the cell: with b the beam, R the range, V the velocity, N the normal of the scan
plane and n the normal of the ground whose upward part is 1, it is R V.N / |n.b|. What else stands in it cancels in the
ratio of a draw to the plan, which the counted returns are multiplied by.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

import numpy as np

from planner.forecast.draws import ASIDE, BY_CRAB, BY_HEADING, SPEED, TURNED, UP, patch_of
from planner.ground.kernels import kernel
from planner.ranging.fates import RETURNS, Light, barred, brightness, pasted, seen

# Variants of a draw: all doubts, and all but one. Those after the first four share its geometry.
ALL, SURE_TERRAIN, SURE_TRACK, SURE_ATTITUDE, SURE_REFLECTANCE, SURE_AIR = range(6)
VARIANTS = 6

# Places in the figures of a leg.
USABLE, SAMPLES_HZ, SAMPLES, RIGHT_E, RIGHT_N, LOOKS, STEP_RAD = range(7)

# Places in what a draw does to a cell: metres of terrain, its slopes, brightness as a ratio, share of ground returns.
RISE, RISE_E, RISE_N, BRIGHTNESS, PASSED = range(5)

# Columns of hits: density alone, both, and both without each source of doubt.
HITS = 9

FAINT = 0.05  # where fewer of its pulses return, a look without returns need not be hidden
LEAST_COS = 0.05  # of incidence: nearer to grazing the plane of a cell says little about its ground
LEAST_COUNT = 0.5  # returns: fewer do not tell which share of them the requirement counts
MOST_SCALE = 2.0  # behind crowns a cell may get more ground returns than first returns, by slant rays
LEAST_PACE = 0.2  # of the ground speed: a scan plane that stands still on the ground for a moment is taken to move so


@pasted
def _rate(rates, step_rad, angle):
    """Return pulses per second and radian at an angle across the flight [rad]."""
    place = min(abs(angle) / step_rad, len(rates) - 1.000001)
    below = int(place)
    return rates[below] + (place - below) * (rates[below + 1] - rates[below])


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
def _share_up_to(margin, one, other):
    """Return the share of a cell up to a margin past its middle, of a measure that runs evenly over the cell.

    `one` and `other` are half of what the measure changes by along either side of the square: their sum is spread as
    a trapezoid.
    """
    wide, narrow = max(one, other), min(one, other)
    if margin >= wide + narrow:
        share = 1.0
    elif margin <= -wide - narrow:
        share = 0.0
    elif abs(margin) <= wide - narrow:
        share = 0.5 + margin / (2.0 * wide)
    elif margin > 0.0:
        share = 1.0 - (wide + narrow - margin) ** 2 / (8.0 * wide * narrow)
    else:
        share = (wide + narrow + margin) ** 2 / (8.0 * wide * narrow)
    return share


@pasted
def _inside(angle, usable, station, samples, halves):
    """Return the share of a cell that a leg's opening and length hold.

    `halves` are half changes over the sides of the cell: of the scan angle [rad] twice, of the sample twice.
    """
    across = _share_up_to(usable - angle, halves[0], halves[1]) + _share_up_to(usable + angle, halves[0], halves[1])
    along = _share_up_to(samples - station, halves[2], halves[3]) + _share_up_to(station, halves[2], halves[3])
    return max(across - 1.0, 0.0) * max(along - 1.0, 0.0)


@pasted
def _halves(gap, move, rise, axes, lean, later, aside, down, half_m, samples_hz):
    """Return half of what scan angle [rad] and sample change by along both sides of a cell."""
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
        abs(angle_e) * half_m,
        abs(angle_n) * half_m,
        abs(later_e) * half_m * samples_hz,
        abs(later_n) * half_m * samples_hz,
    )


@pasted
def _chance(light, code, distance, cos, bright, air):
    """Return the chance that a pulse returns, from a brightness and in an air that are ratios to the planned."""
    chance = 0.0
    if barred(light, distance) == RETURNS:
        factor = brightness(light, 0, code, cos) * bright
        spread = light.strength2_m2[0] * np.exp(-2.0 * light.extinction_per_m[0] * air * distance)
        chance = seen(light, spread * factor * cos / (distance * distance))
    return chance


@pasted
def _full(returns, share, chance, sent):
    """Return the pulses that a look would bring to its cell if all of it were in the opening.

    What the opening held is as counted, nil where it was hidden; what it did not hold is filled with `sent`, the closed
    form, but the less the more the rest shows it to be hidden.
    """
    counted = returns / chance if chance >= FAINT else share * sent
    filled = counted + (1.0 - share) * ((1.0 - share) * sent + min(counted, share * sent))
    return min(filled, max(sent, counted))


@pasted
def _light(lights, number):
    """Return one of the lights that are kept in stacks."""
    figures, many, chances, factors, lobes, shiny, water = lights
    figure = figures[number]
    return Light(
        figure[0],
        figure[1],
        figure[2],
        figure[3],
        figure[4],
        figure[5],
        1,
        figure[6],
        figure[7],
        chances[number, : many[number]],
        figures[number, 8:9],
        figures[number, 9:10],
        factors[number : number + 1],
        lobes[number : number + 1],
        shiny,
        water,
        figures[number, :0],
        figures[number, :0],
    )


@kernel
def _weigh_look(look, place, rise, flight, lights, drawn, effects, code, leafy, area_m2, totals):
    """Add what a look brings in every draw and variant to `totals`, shape (draws, VARIANTS).

    `look` is the leg, the sample over all legs, the sample within the leg, and the returns as planned; what is returned
    is the length of the look over its height.
    """
    leg, row, sample, returns = look
    origins, axis, velocities, turnings, figures, rates, numbers = flight
    moved, turns, extinction = drawn
    light = _light(lights, numbers[leg])
    usable, samples_hz, samples = figures[leg, USABLE], figures[leg, SAMPLES_HZ], figures[leg, SAMPLES]
    right_e, right_n, step = figures[leg, RIGHT_E], figures[leg, RIGHT_N], figures[leg, STEP_RAD]
    gap = place[0] - origins[row, 0], place[1] - origins[row, 1], place[2] - origins[row, 2]
    move = velocities[row, 0], velocities[row, 1], velocities[row, 2]
    axes = (
        axis[row, 0, 0],
        axis[row, 1, 0],
        axis[row, 2, 0],
        axis[row, 0, 1],
        axis[row, 1, 1],
        axis[row, 2, 1],
        axis[row, 0, 2],
        axis[row, 1, 2],
        axis[row, 2, 2],
    )
    turning = turnings[row, 0], turnings[row, 1]
    level, still = (1.0, 0.0), (1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0)
    lean = 0.0
    if figures[leg, LOOKS] > 1.0:  # the beam need not lie in the plane of right and down
        aside = axes[3] * gap[0] + axes[4] * gap[1] + axes[5] * gap[2]
        down = axes[6] * gap[0] + axes[7] * gap[1] + axes[8] * gap[2]
        lean = (axes[0] * gap[0] + axes[1] * gap[1] + axes[2] * gap[2]) / np.sqrt(aside * aside + down * down)
    later, aside, down, range2, over, pace = _meet(gap, move, rise, axes, turning, lean, level, still)
    slant = np.sqrt(range2) / max(-gap[2], 1e-6)
    if down <= 0.0:
        return slant
    halves = _halves(gap, move, rise, axes, lean, later, aside, down, np.sqrt(area_m2) / 2.0, samples_hz)
    steep = np.sqrt(1.0 + rise[0] * rise[0] + rise[1] * rise[1])
    angle, distance = np.arctan2(aside, down), np.sqrt(range2)
    over = max(over, LEAST_COS * distance * steep)
    share = _inside(angle, usable, sample + 0.5 + later * samples_hz, samples, halves)
    chance = _chance(light, code, distance, 1.0 if leafy else over / (distance * steep), 1.0, 1.0)
    per_rate = over / (range2 * pace)
    rate = _rate(rates[leg], step, angle)
    sent = rate * per_rate * (1.0 + lean * lean) * area_m2 / figures[leg, LOOKS]
    full = _full(returns, share, chance, sent) / (rate * per_rate)
    if full <= 0.0:
        return slant
    safe = np.tan(max(min(usable, 1.5) - 1.5 * (halves[0] + halves[1]), 0.0))
    ends = 1.5 * (halves[2] + halves[3])
    for draw in range(len(totals)):
        for variant in range(SURE_ATTITUDE + 1):
            near, go, bent = gap, move, rise
            pointing, tilt = TURNED, still
            if variant != SURE_TERRAIN:
                near = near[0], near[1], near[2] + effects[draw, RISE]
                bent = rise[0] + effects[draw, RISE_E], rise[1] + effects[draw, RISE_N]
            if variant != SURE_TRACK:
                aside_m, faster = moved[draw, leg, ASIDE], moved[draw, leg, SPEED]
                near = near[0] - aside_m * right_e, near[1] - aside_m * right_n, near[2] - moved[draw, leg, UP]
                go = go[0] * faster, go[1] * faster, go[2] * faster
            else:
                pointing = BY_HEADING
            if variant != SURE_ATTITUDE:
                turned = turns[draw, leg]
                tilt = (
                    turned[0, 0],
                    turned[0, 1],
                    turned[0, 2],
                    turned[1, 0],
                    turned[1, 1],
                    turned[1, 2],
                    turned[2, 0],
                    turned[2, 1],
                    turned[2, 2],
                )
            else:
                pointing = BY_CRAB
            turn = moved[draw, leg, pointing], moved[draw, leg, pointing + 1]
            later, aside, down, range2, over, pace = _meet(near, go, bent, axes, turning, lean, turn, tilt)
            if down <= 0.0:
                continue
            station = sample + 0.5 + later * samples_hz
            angle = np.arctan2(aside, down)
            rate = _rate(rates[leg], step, angle)
            share = 1.0
            if abs(aside) > safe * down or station < ends or station > samples - ends:
                share = _inside(angle, usable, station, samples, halves)
            if share <= 0.0:
                continue
            steep = np.sqrt(1.0 + bent[0] * bent[0] + bent[1] * bent[1])
            distance = np.sqrt(range2)
            over = max(over, LEAST_COS * distance * steep)
            cos = 1.0 if leafy else min(over / (distance * steep), 1.0)
            pulses = full * rate * share * over / (range2 * pace)
            bright, air = effects[draw, BRIGHTNESS], extinction[draw]
            totals[draw, variant] += pulses * _chance(light, code, distance, cos, bright, air)
            if variant == ALL:
                totals[draw, SURE_REFLECTANCE] += pulses * _chance(light, code, distance, cos, 1.0, air)
                totals[draw, SURE_AIR] += pulses * _chance(light, code, distance, cos, bright, 1.0)
    return slant


@kernel
def _fill_effects(place, fields, code, effects):
    """Fill what each draw does to a cell, but for its leaves."""
    rise, bumps, class_log, patch_log, patch_sd, node_m, west, north = fields
    col, row = (place[0] - west) / node_m, (north - place[1]) / node_m
    for draw in range(len(effects)):
        height, east, south = patch_of(bumps, draw, col, row)
        effects[draw, RISE] = rise[draw] + height
        effects[draw, RISE_E], effects[draw, RISE_N] = east / node_m, -south / node_m
        log = class_log[draw, code]
        if patch_sd[code] > 0.0:
            log += patch_sd[code] * patch_of(patch_log, draw, col, row)[0]
        effects[draw, BRIGHTNESS] = np.exp(log)


@kernel
def _fill_passed(place, leaves, fields, slanted, effects):
    """Fill the ratio of what passes the crowns over a cell in each draw to what passes as planned."""
    node_m, west, north = fields[-3:]
    for draw in range(len(effects)):
        log = patch_of(leaves, draw, (place[0] - west) / node_m, (north - place[1]) / node_m)[0]
        effects[draw, PASSED] = np.exp(-slanted * (np.exp(log) - 1.0))


@kernel
def _judge(totals, effects, terms, variances, scale, need, most_variance, hits, below):
    """Count draws in which a cell meets what is asked: see `HITS`; `below` counts cells that fail by draw."""
    planned = variances.sum()
    for draw in range(len(totals)):
        variance = 0.0
        for term in range(len(variances)):
            variance += variances[term] * terms[draw, term] ** 2
        exact, exact_planned = variance <= most_variance, planned <= most_variance
        passed = scale * effects[draw, PASSED]
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

    `work` holds effects, shape (draws, 5), and twice totals, shape (draws, VARIANTS): of the cell, and of one leg. The
    others are as for `weigh_cells`.
    """
    starts, leg_of, sample_of, row_of, returns_of = looks
    centres, slopes = faces
    _, codes, leafy, depths, planned, _ = site
    _, single, _, area_m2 = asked
    effects, totals, of_leg = work
    totals[:] = 0.0
    effects[:, PASSED] = 1.0
    first, past = starts[cell], starts[cell + 1]
    place, rise = (centres[cell, 0], centres[cell, 1], centres[cell, 2]), (slopes[cell, 0], slopes[cell, 1])
    if past > first:
        _fill_effects(place, fields, codes[cell], effects)
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
                    for variant in range(VARIANTS):
                        totals[draw, variant] = max(totals[draw, variant], of_leg[draw, variant])
                        of_leg[draw, variant] = 0.0
            counted = max(counted, leg_counted) if single else counted + leg_counted
            leg_counted = 0.0
    scale = 1.0
    if depths[cell] > 0.0 and weight > 0.0:
        slanted = depths[cell] * slants / weight
        _fill_passed(place, leaves, fields, slanted, effects)
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
    draws = len(below)
    effects = np.ones((draws, 5))
    totals, of_leg = np.zeros((draws, VARIANTS)), np.zeros((draws, VARIANTS))
    work = effects, totals, of_leg
    for cell in range(span[0], span[1]):
        if judged[cell]:
            scale = draw_cell(cell, looks, faces, flight, lights, drawn, fields, leaves, site, asked, work)
            _judge(totals, effects, terms, variances[cell], scale, need, most_variance, hits[cell], below)
