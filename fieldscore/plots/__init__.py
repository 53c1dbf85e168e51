"""Plots of a score: functions that draw on axes, and whole figures as SVG in the colours of the page."""

from fieldscore.plots.comparison import (
    along_figure,
    along_svg,
    draw_along,
    draw_forest,
    draw_path,
    forest_figure,
    forest_svg,
    path_figure,
    path_svg,
)
from fieldscore.plots.decimate import Envelope, Stripes, envelope, stripes
from fieldscore.plots.draw import (
    clock,
    draw_causes,
    draw_clipping,
    draw_level,
    draw_noise,
    draw_readable,
    shade_lost,
)
from fieldscore.plots.lettering import lettering
from fieldscore.plots.light import LIGHT, light_figure, light_measured, light_svg
from fieldscore.plots.look import CauseLook, cause_look
from fieldscore.plots.paper import SHEET, Paper
from fieldscore.plots.rasters import draw_histogram, draw_readable_map, zone_box
from fieldscore.plots.recovery import draw_recoveries, recoveries_figure, recoveries_svg
from fieldscore.plots.sheets import NARROW, WIDE, Size, map_figure, map_svg, timeline_figure, timeline_svg
from fieldscore.plots.svg import STYLE, to_svg

__all__ = [
    "NARROW",
    "Paper",
    "SHEET",
    "Size",
    "STYLE",
    "WIDE",
    "CauseLook",
    "Envelope",
    "Stripes",
    "along_figure",
    "along_svg",
    "cause_look",
    "clock",
    "draw_along",
    "draw_causes",
    "draw_clipping",
    "draw_forest",
    "draw_histogram",
    "draw_level",
    "draw_noise",
    "draw_path",
    "draw_readable",
    "draw_readable_map",
    "draw_recoveries",
    "envelope",
    "forest_figure",
    "forest_svg",
    "LIGHT",
    "light_figure",
    "light_measured",
    "light_svg",
    "lettering",
    "map_figure",
    "map_svg",
    "path_figure",
    "path_svg",
    "recoveries_figure",
    "recoveries_svg",
    "shade_lost",
    "stripes",
    "timeline_figure",
    "timeline_svg",
    "to_svg",
    "zone_box",
]
