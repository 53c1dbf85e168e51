"""The small pictures of a flight packed into sheets: many on one picture, as data URIs for the page."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

PICTURES_A_SECOND = 4.0  # shown at least so densely, where the record holds as many
ACROSS = 8  # pictures in a row of a sheet
PER_SHEET = 64  # pictures on a sheet: 16 s of flight, decoded in a blink on a telephone
# Kind of file, width in px, quality: the best first, the first that fits the room is taken. At equal fidelity WebP takes 30 %
# less room than JPEG and about 5 times as long (docs/decisions/film_looks.py), so it waits until room is short. Under quality 10 a
# night picture loses its dark parts to blocks: then rather fewer pictures than worse ones.
LOOKS: tuple[tuple[str, int, int], ...] = (
    ("jpeg", 240, 50),
    ("webp", 240, 40),
    ("webp", 200, 35),
    ("webp", 160, 35),
    ("webp", 160, 22),
    ("webp", 160, 10),
)
ROOM_BYTES = 2_400_000  # for the sheets: 3.2 MB as base64, in a page that may have 5
ROOM_FOR_S = 300.0  # of flight: a longer one has as much room, and fewer pictures a second in it
_JPEG = b"\xff\xd8\xff"  # start of every JPEG file
_SAMPLE = PER_SHEET  # pictures that the size is estimated from


@dataclass(frozen=True)
class Film:
    """Pictures at `time_s` [k], `size` (width, height) px each, row by row on `sheets` (data URIs)."""

    time_s: npt.NDArray[np.float64]
    size: tuple[int, int]
    sheets: tuple[str, ...]


def pack(
    time_s: npt.NDArray[np.float64],
    thumbs: Sequence[bytes],
    more: Mapping[float, bytes] | None = None,
    *,
    density: float = 1.0,
    room: float = ROOM_BYTES,
) -> Film:
    """Sheets of the flight's JPEG pictures, about `density` x PICTURES_A_SECOND of them, as good as the `room` in bytes allows.

    All of `more` are among them, until even the plainest look needs more room.
    `more` are pictures by time in seconds that must not be missed, as those around a flash. What is no JPEG, or does not
    decode, is left out.
    """
    found = {float(time_s[index]): thumbs[index] for index in _thinned(time_s, density * PICTURES_A_SECOND)}
    found = {at: data for at, data in {**found, **(more or {})}.items() if _size(data) is not None}
    time_s = np.array(sorted(found))
    thumbs = [found[at] for at in time_s.tolist()]
    chosen = list(range(len(thumbs)))
    while chosen:
        sample = [thumbs[index] for index in chosen[:: max(1, len(chosen) // _SAMPLE)][:_SAMPLE]]
        for kind, width, quality in LOOKS:
            size = _cell(thumbs[chosen[0]], width)
            if len(_sheet(sample, size, kind, quality)) * len(chosen) / len(sample) > 1.1 * room:
                continue
            parts = [chosen[at : at + PER_SHEET] for at in range(0, len(chosen), PER_SHEET)]
            sheets = [_sheet([thumbs[index] for index in part], size, kind, quality) for part in parts]
            if sum(map(len, sheets)) <= room:
                return Film(time_s[chosen], size, tuple(_uri(kind, data) for data in sheets))
        chosen = chosen[::2]
    return Film(np.zeros(0), (0, 0), ())


def _thinned(time_s: npt.NDArray[np.float64], a_second: float) -> list[int]:
    """The first picture of every stretch of 1 / `a_second`."""
    _, first = np.unique(np.floor(time_s * a_second + 1e-6), return_index=True)
    return [int(index) for index in first]


def _sheet(pictures: Sequence[bytes], size: tuple[int, int], kind: str, quality: int) -> bytes:
    """One sheet as a file of that kind."""
    width, height = size
    rows = -(-len(pictures) // ACROSS)
    sheet = np.zeros((rows * height, min(ACROSS, len(pictures)) * width, 3), dtype=np.uint8)
    for number, data in enumerate(pictures):
        picture = cv2.imdecode(np.frombuffer(data, dtype=np.uint8), cv2.IMREAD_COLOR)
        if picture is None:
            continue
        if picture.shape[:2] != (height, width):
            picture = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
        top, left = number // ACROSS * height, number % ACROSS * width
        sheet[top : top + height, left : left + width] = picture
    options = {
        "webp": [cv2.IMWRITE_WEBP_QUALITY, quality],
        "jpeg": [cv2.IMWRITE_JPEG_QUALITY, quality, cv2.IMWRITE_JPEG_OPTIMIZE, 1],
    }.get(kind, [])
    done, encoded = cv2.imencode(f".{kind}", sheet, options)
    if not done:
        raise RuntimeError(f"{kind} encoding failed")
    return encoded.tobytes()


def _cell(data: bytes, width: int) -> tuple[int, int]:
    """Size of a picture at most `width` px wide, in its own shape."""
    own = _size(data) or (1, 1)
    width = min(width, own[0])
    return width, max(1, round(own[1] * width / own[0]))


def _size(data: bytes) -> tuple[int, int] | None:
    """Width and height of a JPEG picture in px; None where it is none."""
    if not data.startswith(_JPEG):
        return None
    picture = cv2.imdecode(np.frombuffer(data, dtype=np.uint8), cv2.IMREAD_GRAYSCALE)
    return None if picture is None else (picture.shape[1], picture.shape[0])


def _uri(kind: str, data: bytes) -> str:
    return f"data:image/{kind};base64,{base64.b64encode(data).decode('ascii')}"
