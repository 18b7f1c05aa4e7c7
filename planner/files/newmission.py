"""A new mission file out: commented, and fit to run as it stands.

Lives here: the text of a first mission and writing it beside nothing else. Must not know what the planner does with it.
"""

import json
import os
from pathlib import Path

from planner.errors import Fault, InputError
from planner.files.cards import bundled, shown_path

_TEXT = """\
# A mission: what is to be surveyed, with what, and how well. Paths start from this file's folder.
# A line behind # is left out; what is then taken is written beside it, and listed in the outputs.

name = {name}
date = 2030-01-01                     # change this: the day you mean to fly
# compare = [{{ name = "wet", wet = true }}]  # the same flight under other conditions; wet, haze 5 km, noon, night

[site]
area = {area}
# or, in place of an area, a corridor: centreline = "line.geojson" with width_left_m = 30 and width_right_m = 30,
# to either side of the line as it was drawn
# layer = "..."                       # where the file holds several
# features = ["..."]                  # all
buffer_m = 20                         # flown round the area, not judged
# features_of_interest = "..."        # named lines and polygons that are reported apart; none
# feature_width_m = 4                 # width that the lines among them are given

[terrain]
ground = {terrain}
                                      # bare earth; a raster that shows roofs and crowns is `surface` instead
# surface = "..."                     # top surface: roofs and crowns
heights = "orthometric"               # check this: above sea level; or "ellipsoidal", as a receiver measures
# geoid = "egm96"                     # links the two, where the raster's heights rest on it; none
# vertical_unit = "metre"             # or "foot", "us_survey_foot"; as the raster says
vertical_sd_m = 0.3                   # one standard deviation of the raster's heights
# surveyed = 2029-06-01               # day the terrain was measured; unknown
holes = "refuse"                      # or "unknown": go on where the raster has no data

[cover]                               # what lies and grows there; where nothing says, the card's rated reflectance
# polygons = "cover.geojson"          # polygons with a class each; none
# class_field = "cover"               # their field that names it
# raster = "classes.tif"              # class codes, with
# classes = {{ 1 = "grass_green" }}     # the class of each; none
# reflectance = "shares.tif"          # reflectance 0-1 at the sensor's wavelength; none
# default = "mixed_wood"              # class everywhere else; no class
# season = "leaf_on"                  # or "leaf_off"

[sensor]
card = "B"                            # {sensors}; or a card of your own, "my_sensor.toml"
pulse_rate_hz = "auto"                # or one of the card's
line_rate_hz = "auto"                 # or one of the card's
# tested_on = 2029-11-03              # last test of accuracy and boresight; not known

[navigation]
card = "survey"                       # bundled: {navigation}; or a card file
base_distance_m = 1000                # farthest distance of the flight from the base station

[aircraft]
card = "hexacopter"                   # {aircraft}; or a card of your own
# take_off = [[-7.412, 62.031]]       # longitude, latitude; no point
# take_off_area = "access.geojson"    # polygons where more may be chosen; none

[requirement]
density_per_m2 = 100                  # or instead: quality_level = "QL1"
# text = ">= 100 pts/m2, RMSEz 5 cm"   # or the client's own words, instead of the numbers
# vertical_rmse_m = 0.05              # against checkpoints; a quality level brings its own
# vertical_class_cm = 5               # ASPRS Edition 2
# horizontal_rmse_m = 0.1
returns = "first"
coverage = "aggregate"                # all passes together; or "single": the best one
# cell_m = 1.0                        # side of the judging cell; chosen from density and scan-line spacing
percentile = 5                        # percent of cells that may lie below
sidelap_min = 0.2                     # share of a swath that its neighbour covers too
# confidence = 0.95                   # chance with which a cell must have all that, by [doubts]; not asked
# survey_rules = "gsi_uav_laser_2025"  # {survey_rules}; or a file of your own: published rules to keep to; none
# theta = 1.1                         # what they divide the point spacing by in planning; their least

# face_density_per_m2 = 50            # on walls, per square metre of face: lines that face them are added; not asked
# face_percentile = 5                 # percent of the area of faces that may lie below

[faces]                               # quarry faces, highwalls, banks, fronts of buildings
# walls = "walls.geojson"             # named lines along foot or crest; whatever is steep
# height_m = 15                       # of walls whose lines state no height_m
steeper_than_deg = 45                 # what is steeper is a face

[checkpoints]
# count = 20                          # as ASPRS asks for the area, or as many as fit
# within = "where_we_may_walk.geojson"
survey_sd_m = 0.01                    # how well their own heights are known

[limits]
ceiling_agl_m = 120                   # check this against the rules where you fly
clearance_m = 30                      # least distance to ground, roofs and crowns
# climb_mps = 3                       # the aircraft's own
# descent_mps = 2                     # the aircraft's own

[flight]                              # what is given is held, the rest is chosen
# agl_m = 70
# speed_mps = 6
# heading_deg = 35                    # clockwise from true north; or heading_along = "contours", or "long_side"
# line_spacing_m = 60
# following = "terrain"               # or "level", or "stepped": level line by line, within a fifth of agl_m
hold_speed = "ground"                 # or "air": one airspeed, lines flown against the wind are slower
# split_overlap_m = 20                # cut lines too long for a battery or the inertial unit; not cut

[hazards]                             # what stands in the way beside the terrain; see the README for the fields
# obstacles = "obstacles.geojson"     # masts, wires, cranes with their heights; none known
# keep_out = "keep_out.geojson"       # polygons that no path may enter; none known
# sensitive = "sensitive.geojson"     # polygons that paths had better not cross; none known
keep_out_margin_m = 10
# default_vertical_sd_m = 2           # of obstacles that state none
# default_horizontal_sd_m = 2
wires_checked = false                 # or true, or who looked for wires and when

[conditions]
visibility_km = 23
# wind_mps = 4                        # steady wind, and where it comes from, clockwise from true north; 0
# wind_from_deg = 250
# seed = 1                            # of the aircraft's attitude motion
# wet = false                         # surfaces wet with rain or dew
# frost = false                       # or under hoar frost
# rain_mm_h = 0
# snow_mm_h = 0
# temperature_c = 15
# pressure_hpa = 1013.25
# start = 2030-01-01T11:00:00Z        # tells where the sun stands; light as the card's ranges were stated for
# noon = false                        # the sun is at its highest of the day
# night = false                       # the sun is down

[marks]                               # what base station and checkpoints stand on
# frame = "ETRF2000"                  # as the EPSG registry names it; not known
# epoch = 2010.0                      # when its coordinates held, decimal year

[window]                              # what narrows the hours beside daylight
# almanac = "almanac.alm"             # of satellites; they are not looked at
mask_deg = 15                         # least elevation of a satellite
pdop_most = 3
satellites_least = 6
# tide = "tide.csv"                   # times and water levels; none
# tide_most_m = 0.5                   # above the table's datum; with `tide` give this, tide_least_m or both

[rules]                               # of the air; nothing here is checked with an authority
profile = "neutral"                   # {rules}; or a file of your own
# airspace = "airspace.geojson"       # airspace and aerodromes, with floors and ceilings; none given
# airspace_date = 2029-12-20          # of what it says, where its features do not
# people = "people.geojson"           # who has no part in the flight; none given
# built_up = "built_up.geojson"       # none given
# buildings = "buildings.geojson"     # none given
# roads = "roads.geojson"             # none given
# aircraft_class = "C3"               # C0 to C4 as its label says, or "none"; not known
low_speed_mode = false                # held to 3 m/s
# anti_collision_light_m = 5000       # how far its light is seen by night; not known
# cloud_base_agl_m = 600              # not known
# cloud_distance_m = 3000             # not known
owner_request = false                 # of a tall obstacle, for the flight beside it
# permissions = ["..."]               # names of airspace that you may enter

[rates]                               # what flying is charged at; with a price give the currency too
# currency = "EUR"                    # three letters; nothing has a price
# flight_hour = 240                   # an hour in the air
# sortie = 35                         # swapping batteries and handling, each sortie
# mobilise = 800                      # getting there and away, once

[doubts]                              # one standard deviation each, for the chance that cells meet what is asked
draws = 100                           # flights drawn; 0 leaves the chances out
# terrain_common_share = 0.25         # of the variance of vertical_sd_m, the same all over the site
# patch_m = 50                        # distance over which errors of terrain, brightness and leaves change
# aside_sd_m = 0.5                    # a whole leg off its track
# up_sd_m = 0.5
# speed_log_sd = 0.03                 # as ratio, like all that ends so
# wind_sd_mps = 1.5
# roll_sd_deg = 0.3                   # during a whole leg, beside the simulated motion
# pitch_sd_deg = 0.3
# heading_sd_deg = 0.5
# reflectance_log_sd = 0.3            # of classes that state no spread
# reflectance_patch_share = 0.5
# leaf_area_log_sd = 0.3
# visibility_log_sd = 0.3
# error_log_sd = 0.2                  # of each term of the height error
"""


def new_mission_text(area: Path, terrain: Path, folder: Path) -> str:
    """Return a mission file for an area and its terrain, to be saved in `folder`."""
    return _TEXT.format(
        name=_quoted(area.stem.replace("_", " ")[:120]),
        area=_quoted(_from(folder, area)),
        terrain=_quoted(_from(folder, terrain)),
        sensors=" ".join(bundled("sensors")),
        navigation=" ".join(bundled("navigation")),
        aircraft=" ".join(bundled("aircraft")),
        rules=" ".join(bundled("rules")),
        survey_rules=" ".join(bundled("survey_rules")),
    )


def write_new_mission(area: Path, terrain: Path, target: Path) -> Path:
    """Write a mission file for an area and its terrain, and return where.

    Raises
    ------
    InputError
        E00 where a named file or the folder of `target` does not exist, E44 where `target` exists already.
    """
    missing = [path for path in (area, terrain, target.parent) if not path.exists()]
    if missing:
        raise InputError(*(Fault("E00", "does not exist", shown_path(path), "check the path") for path in missing))
    text = new_mission_text(area, terrain, target.parent).encode()
    try:
        with target.open("xb") as file:
            file.write(text)
    except FileExistsError as error:
        fault = Fault("E44", "exists already and is not overwritten", shown_path(target), "choose another name")
        raise InputError(fault) from error
    return target


def _from(folder: Path, path: Path) -> str:
    return Path(os.path.relpath(path.resolve(), folder.resolve())).as_posix()


def _quoted(text: str) -> str:
    # a JSON string is a TOML basic string
    return json.dumps(text, ensure_ascii=False)
