"""Charts as PNG pictures, for what shows no inline SVG: the page's own drawing in its colours on light ground."""

import struct
import zlib
from collections.abc import Iterator

import vl_convert

from reports.palette import filled, palettes

_SCALE = 2
"""Pixels of a picture for each of the drawing's, for screens of high density."""
_SIGNATURE = b"\x89PNG\r\n\x1a\n"


def png(drawing: str) -> bytes:
    """An inline SVG element, as `reports.charts.drawing.svg` gives it, as a PNG file on white ground."""
    begins, _, rest = filled(drawing, palettes()[0]).partition(">")
    begins = begins.replace("<svg", '<svg xmlns="http://www.w3.org/2000/svg"', 1)
    return _pressed(vl_convert.svg_to_png(f'{begins}><rect width="100%" height="100%" fill="#ffffff"/>{rest}', _SCALE))


def _pressed(picture: bytes) -> bytes:
    """The same picture in about a tenth of the bytes: the drawing library presses it but lightly (PNG, RFC 2083)."""
    chunks = list(_chunks(picture))
    data = zlib.compress(zlib.decompress(b"".join(content for kind, content in chunks if kind == b"IDAT")), 9)
    head, *_ = chunks
    return _SIGNATURE + b"".join(_chunk(*one) for one in (head, (b"IDAT", data), (b"IEND", b"")))


def _chunks(picture: bytes) -> Iterator[tuple[bytes, bytes]]:
    at = len(_SIGNATURE)
    while at < len(picture):
        (size,) = struct.unpack_from(">I", picture, at)
        yield picture[at + 4 : at + 8], picture[at + 8 : at + 8 + size]
        at += size + 12


def _chunk(kind: bytes, content: bytes) -> bytes:
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))
