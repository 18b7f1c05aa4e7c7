"""Sensor cards as a table for people.

Lives here: what a card can do at a few heights, in words. Must not know missions or how a card is read.
"""

from planner.equipment import Sensor
from planner.flight.capability import capability
from planner.ranging.principles import usable_band
from planner.ranging.ratings import by_rate, consistency

TABLE_AGL_M = (60.0, 80.0, 100.0)
TABLE_SPEED_MPS = 6.0


def card_lines(sensor: Sensor) -> str:
    """Return one card as a few lines of a table: swath and density at three heights, and how far each rate reaches."""
    lines = [f"{sensor.name}  {sensor.pattern.replace('_', ' ')}, {sensor.wavelength_nm:g} nm: {sensor.description}"]
    farthest = usable_band(sensor).farthest_m
    heights = TABLE_AGL_M if farthest > max(TABLE_AGL_M) else [round(farthest * part, 1) for part in (0.25, 0.5, 0.75)]
    for rating in by_rate(sensor).values():
        at_heights = []
        for agl_m in heights:
            able = capability(sensor, rating, agl_m, TABLE_SPEED_MPS)
            if able.swath_m > 0:
                at_heights.append(f"{agl_m:g} m: swath {able.swath_m:.0f} m, {able.density_per_m2:.0f}/m2")
            else:
                at_heights.append(f"{agl_m:g} m: " + ("one line of points" if able.swath_m == 0 else "out of reach"))
        rate = (
            f"{rating.pulse_rate_hz / 1000:g} kHz" if rating.pulse_rate_hz >= 1000 else f"{rating.pulse_rate_hz:g} Hz"
        )
        reach = f"reach {rating.range_m:g} m at {rating.reflectance:.0%} by {rating.light}"
        lines.append(f"   {rate:<10}{reach:<30}" + "".join(f"{text:<31}" for text in at_heights).rstrip())
        at_rate = [one for one in sensor.ratings if one.pulse_rate_hz == rating.pulse_rate_hz]
        if said := consistency(at_rate, sensor.wavelength_nm):
            lines.append(f"   {'':<10}{said}")
    return "\n".join(lines) + "\n"
