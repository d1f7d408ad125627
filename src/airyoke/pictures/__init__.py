"""How does it look? Drawings as SVG text: strokes and letters only, every sum is done before.

A patient is a lane: a letter, a line pattern, a place, and last a colour; the same on screen, paper and in print grey.
"""

from airyoke.pictures.circuit import circuit_svg
from airyoke.pictures.room_left import edge_rows, room_left_svg
from airyoke.pictures.trends import trend_rows, trends_svg, trends_told
from airyoke.pictures.ward_map import map_rows, map_told, ward_map_svg
from airyoke.pictures.waves import wave_tables, waves_svg, waves_told

__all__ = [
    "circuit_svg", "edge_rows", "map_rows", "map_told", "room_left_svg", "trend_rows", "trends_svg", "trends_told",
    "ward_map_svg", "wave_tables", "waves_svg", "waves_told",
]  # fmt: skip
