"""Pictures of charts: whole PNG files of what the page shows, in its colours, on white."""

import struct
import zlib

import polars as pl

from pages.rows import mondays
from reports.charts.drawing import svg
from reports.charts.pictures import png
from reports.charts.weekly_bars import weekly_bars
from reports.palette import palettes

WHITE = (255, 255, 255)
SIDE = 4
"""Bytes of a pixel: red, green, blue and how far it covers what is behind."""


def chunks(picture: bytes) -> list[tuple[bytes, bytes]]:
    """The parts of a PNG file; each is held against its checksum."""
    assert picture[:8] == b"\x89PNG\r\n\x1a\n"
    found, at = [], 8
    while at < len(picture):
        (size,) = struct.unpack_from(">I", picture, at)
        kind, content = picture[at + 4 : at + 8], picture[at + 8 : at + 8 + size]
        assert struct.unpack_from(">I", picture, at + 8 + size) == (zlib.crc32(kind + content),)
        found.append((kind, content))
        at += size + 12
    return found


def pixels(picture: bytes) -> tuple[int, int, set[tuple[int, ...]]]:
    """The width, the height and the colours of a PNG file without interlacing (RFC 2083, section 6, its filters)."""
    parts = dict(chunks(picture))
    width, height, depth, colour, *rest = struct.unpack(">IIBBBBB", parts[b"IHDR"])
    assert (depth, colour, rest) == (8, 6, [0, 0, 0])
    data = zlib.decompress(parts[b"IDAT"])
    above = bytearray(width * SIDE)
    colours: set[tuple[int, ...]] = set()
    for row in range(height):
        start = row * (width * SIDE + 1)
        line = bytearray(data[start + 1 : start + 1 + width * SIDE])
        _unfilter(data[start], line, above)
        colours |= {tuple(line[at : at + 3]) for at in range(0, len(line), SIDE)}
        assert set(line[3::SIDE]) == {255}  # white behind, not whatever is
        above = line
    return width, height, colours


def _unfilter(kind: int, line: bytearray, above: bytearray) -> None:
    for at, value in enumerate(line):
        left, up = (line[at - SIDE] if at >= SIDE else 0), above[at]
        corner = above[at - SIDE] if at >= SIDE else 0
        nearest = min((left, up, corner), key=lambda one: abs(left + up - corner - one))
        line[at] = (value + (0, left, up, (left + up) // 2, nearest)[kind]) % 256


def test_a_chart_becomes_a_picture_in_the_colours_of_the_page_on_white() -> None:
    weeks = pl.DataFrame({"week": mondays(4), "value": [4.0, 3.0, 2.0, 1.0], "is_told": [True, False, False, False]})
    picture = png(svg(weekly_bars(weeks, unit="visits").properties(width=60, height=40), "figure1"))
    assert [kind for kind, _ in chunks(picture)] == [b"IHDR", b"IDAT", b"IEND"]
    width, height, colours = pixels(picture)
    assert width > 2 * 60  # twice what the page has, for sharp screens
    assert height > 2 * 40
    light, dark = palettes()
    told = {bytes(colour).hex(): colour for colour in colours}
    assert {light[name].removeprefix("#") for name in ("accent", "soft")} | {"ffffff"} <= set(told)
    assert WHITE in colours
    assert dark["accent"].removeprefix("#") not in told
    assert len(picture) < width * height
