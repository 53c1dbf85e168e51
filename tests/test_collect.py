"""What a pass leaves behind: histograms, tile means, small pictures; of any depth, range and field."""

from __future__ import annotations

import math
from contextlib import closing

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from frame_material import area_of, coded, frame_of, middle, texture
from hypothesis import given
from hypothesis import strategies as st

from fieldscore.collect import Rows, Thumbs, TileBins, jpeg
from fieldscore.errors import NotMeasurableError
from fieldscore.frame import Frame
from fieldscore.units import CodeRange

JPEG_ERROR = 6  # of 255: quality 90 on an even picture


def _shown(data: bytes) -> npt.NDArray[np.uint8]:
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    assert picture is not None
    return np.asarray(picture, dtype=np.uint8)


def test_a_histogram_of_shares_keeps_its_sum() -> None:
    """A frame's histogram is kept as shares of 65535 that add up to it within half a unit a code in use."""
    frame = frame_of(coded(middle(texture(720, 960))))
    rows = Rows()
    rows.add(0.0, [1.0], frame.histogram)
    _, _, kept = rows.arrays()
    rows.close()
    assert abs(int(kept.sum(dtype=np.int64)) - 65535) <= 0.5 * np.count_nonzero(frame.histogram)
    assert np.abs(kept[0] / 65535 - frame.histogram).max() <= 0.5 / 65535 + 1e-9


def test_a_frame_without_picture_has_an_empty_histogram() -> None:
    """A histogram that is not measurable is kept as zeros, not as whatever NaN becomes."""
    rows = Rows()
    rows.add(0.0, [math.nan], np.full(256, np.nan))
    _, values, kept = rows.arrays()
    rows.close()
    assert not kept.any()
    assert np.isnan(values).all()


@pytest.mark.parametrize("count", [1, 1023, 1024, 1025])
def test_rows_at_the_edge_of_a_chunk(count: int) -> None:
    """No row is lost or doubled where a chunk ends, and asking twice gives the same."""
    rows = Rows()
    for number in range(count):
        rows.add(float(number), [float(number)], np.full(256, 1 / 256))
    first, second = rows.arrays(), rows.arrays()
    rows.close()
    assert len(rows) == count
    assert first[1][:, 0].tolist() == second[1][:, 0].tolist() == first[0].tolist() == list(map(float, range(count)))


def test_no_bin_stands_for_a_hole() -> None:
    """A second without frames gives no row between, and each bin is told by its own time."""
    bins = TileBins(1, 1, 0.25)
    for time_s in (0.0, 0.2, 1.3, 1.4):
        bins.add(time_s, np.array([time_s], dtype=np.float32))
    series = bins.series()
    assert series.time_s == pytest.approx([0.1, 1.35])
    assert series.readable[:, 0, 0] == pytest.approx([0.1, 1.35])


def test_no_frame_gives_no_bin() -> None:
    """Without a frame the series is empty and still has the shape of the grid."""
    series = TileBins(12, 16, 0.25).series()
    assert series.time_s.shape == (0,)
    assert series.readable.shape == (0, 12, 16)


@given(
    st.lists(st.one_of(st.floats(0, 60, width=32), st.just(math.nan)), min_size=1, max_size=60),
    st.sampled_from([25.0, 29.97, 59.94, 120.0]),
)
def test_bins_hold_the_mean_of_what_is_known(values: list[float], rate: float) -> None:
    """Whatever comes in, a bin is the mean of its known values, NaN only where there is none, and times rise."""
    bins = TileBins(1, 1, 0.25)
    times = np.arange(len(values)) / rate
    for time_s, value in zip(times, values, strict=True):
        bins.add(float(time_s), np.array([value], dtype=np.float32))
    series = bins.series()
    assert (np.diff(series.time_s) > 0).all()
    stretch = np.arange(len(values)) // math.ceil(0.248 * rate)
    assert series.time_s == pytest.approx([times[stretch == one].mean() for one in np.unique(stretch)])
    for one, mean in zip(np.unique(stretch), series.readable[:, 0, 0], strict=True):
        known = [v for v, at in zip(values, stretch, strict=True) if at == one and not math.isnan(v)]
        if known:
            assert mean == pytest.approx(np.mean(known), abs=1e-4)
        else:
            assert math.isnan(mean)


@pytest.mark.parametrize("code_range", list(CodeRange))
@pytest.mark.parametrize("bits", [8, 10])
def test_a_picture_looks_the_same_in_every_depth(code_range: CodeRange, bits: int) -> None:
    """Nominal black, half and white come out as 0, half and 255 in 8 and 10 bit, narrow and full range."""
    # narrow: 16..235 in 8 bit, 64..940 in 10 bit; full: 0..255 (ITU-R BT.601, BT.2100); the upper 8 of 10 bit are taken
    scale = 1 << (bits - 8)
    dtype = np.uint8 if bits == 8 else np.uint16
    half = (code_range.black + code_range.white) / 2
    strips = [np.full((120, 120), round(code * scale), dtype) for code in (code_range.black, half, code_range.white)]
    grey = np.full((60, 180), 128 * scale, dtype)
    picture = _shown(jpeg(np.hstack(strips), (grey, grey), bits, code_range, 1, 360, 90))
    assert picture.shape == (120, 360, 3)
    for column, level in ((60, 0), (180, 127.5), (300, 255)):
        assert picture[60, column] == pytest.approx([level] * 3, abs=JPEG_ERROR)


@pytest.mark.parametrize("shape", [(120, 160), (240, 160), (240, 320), (240, 80)])
def test_any_chroma_subsampling_gives_the_colour(shape: tuple[int, int]) -> None:
    """4:2:0, 4:2:2, 4:4:4 and 4:1:1 of one blue are one blue."""
    # R'G'B' 0, 0, 255 is Y' 41, Cb 240, Cr 110 in narrow range (ITU-R BT.601)
    chroma = (np.full(shape, 240, np.uint8), np.full(shape, 110, np.uint8))
    picture = _shown(jpeg(np.full((240, 320), 41, np.uint8), chroma, 8, CodeRange.NARROW, 1, 160, 90))
    assert picture[60, 80].astype(int) == pytest.approx([255, 0, 0], abs=JPEG_ERROR)


def test_a_grey_recording_gives_a_grey_picture() -> None:
    """A recording without colour planes gives the same picture as one with neutral ones."""
    luma = coded(middle(texture(720, 960)))
    neutral = np.full((240, 320), 128, np.uint8)
    alone = _shown(jpeg(luma, None, 8, CodeRange.NARROW, 1, 160, 90))
    beside = _shown(jpeg(luma, (neutral, neutral), 8, CodeRange.NARROW, 1, 160, 90))
    assert alone.shape == beside.shape == (120, 160, 3)
    assert np.abs(alone.astype(int) - beside).max() <= JPEG_ERROR


@pytest.mark.parametrize(
    ("rows", "columns", "lines_a_row", "width", "size"),
    [
        (240, 720, 2, 160, (107, 160)),  # a field of 480 lines keeps the frame's shape
        (480, 720, 1, 160, (107, 160)),
        (48, 64, 1, 160, (48, 64)),  # never larger than the recording
        (2, 1000, 1, 160, (1, 160)),  # never without a row
        (639, 361, 1, 160, (283, 160)),
    ],
)
def test_pictures_keep_their_shape(
    rows: int, columns: int, lines_a_row: int, width: int, size: tuple[int, int]
) -> None:
    """Height follows from the frame's proportions, a field counting double."""
    data = jpeg(np.full((rows, columns), 90, np.uint8), None, 8, CodeRange.NARROW, lines_a_row, width, 60)
    assert _shown(data).shape[:2] == size


def test_small_pictures_after_a_hole() -> None:
    """After two seconds without frames the next frame is kept at once, none for the time between."""
    area, luma = area_of(), coded(middle(texture(720, 960)))
    with closing(Thumbs(0.25)) as thumbs:
        for time_s in (0.0, 0.1, 0.3, 2.9, 2.95, 3.0):
            thumbs.add(Frame(luma, area, time_s))
        times, files = thumbs.pictures()
    assert times.tolist() == [0.0, 0.3, 2.9, 3.0]
    assert len(files) == 4


def test_a_full_temporary_folder_says_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where a temporary file cannot be written, the message names the folder and the way out, and closing raises nothing."""

    def full(self: object, data: bytes) -> int:
        raise OSError(28, "No space left on device")

    with closing(Thumbs(0.25)) as thumbs, closing(thumbs._spool._file):
        monkeypatch.setattr(
            thumbs._spool, "_file", type("Full", (), {"write": full, "close": lambda self: full(self, b"")})()
        )
        with pytest.raises(NotMeasurableError, match="temporary files.*No space left.*TMPDIR"):
            thumbs.add(Frame(coded(middle(texture(720, 960))), area_of(), 0.0))
