"""Descriptors of places: no brightness in them, no overlay, no noise; gathered, saved and loaded."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from fieldscore.criteria import Criteria
from fieldscore.errors import ResultsError
from fieldscore.frame import Frame, PictureArea
from fieldscore.places import INTERVAL_S, PlaceRows, descriptor, grid
from fieldscore.record import FlightRecord, Places
from fieldscore.report.files import PLACES_FILE, write_flight
from fieldscore.report.load import load_record
from fieldscore.score import score_flight
from fieldscore.units import CodeRange
from tests.flight_material import record_of, timeline_of

HEIGHT, WIDTH = 240, 320


def _scene(seed: int = 1) -> npt.NDArray[np.float64]:
    """Smooth structure about 0, spread 1, over a picture."""
    generator = np.random.default_rng(seed)
    rows, columns = np.fft.fftfreq(HEIGHT)[:, None], np.fft.rfftfreq(WIDTH)[None, :]
    gain = 1.0 / (np.hypot(rows, columns) + 0.01) * (np.hypot(rows, columns) < 0.1)
    scene = np.fft.irfft2(np.fft.rfft2(generator.standard_normal((HEIGHT, WIDTH))) * gain, s=(HEIGHT, WIDTH))
    return np.asarray((scene - scene.mean()) / scene.std())


def _frame(codes: npt.NDArray[np.float64], overlay: npt.NDArray[np.bool_] | None = None, time_s: float = 0.0) -> Frame:
    luma = np.clip(np.round(codes), 0, 255).astype(np.uint8)
    area = PictureArea((0, luma.shape[0], 0, luma.shape[1]), overlay, CodeRange.NARROW, 16.0, 235.0)
    return Frame(luma, area, time_s)


def _likeness(one: npt.NDArray[np.int8], two: npt.NDArray[np.int8]) -> float:
    return float(np.corrcoef(one.ravel(), two.ravel())[0, 1])


@pytest.mark.parametrize(
    ("gain", "offset", "gamma"),
    [(1.0, 40.0, 1.0), (0.5, 0.0, 1.0), (1.4, -60.0, 1.0), (1.0, 0.0, 0.6), (1.0, 0.0, 1.7)],
)
def test_brightness_is_not_in_it(gain: float, offset: float, gamma: float) -> None:
    """Gain, offset and tone curve hardly change the descriptor; another scene's has nothing to do with it."""
    codes = 120.0 + 30.0 * _scene()
    changed = 255.0 * (np.clip(codes, 0, 255) / 255.0) ** gamma * gain + offset
    known = descriptor(_frame(codes))
    assert _likeness(known, descriptor(_frame(changed))) > 0.95
    assert abs(_likeness(known, descriptor(_frame(120.0 + 30.0 * _scene(2))))) < 0.3


def test_noise_without_structure_says_nothing() -> None:
    """A dark picture of noise of 4 codes gives figures near 0, not noise made large."""
    noise = 20.0 + 4.0 * np.random.default_rng(3).standard_normal((HEIGHT, WIDTH))
    seen = descriptor(_frame(120.0 + 30.0 * _scene()))
    assert np.abs(descriptor(_frame(noise)).astype(float)).mean() < 0.15 * np.abs(seen.astype(float)).mean()
    assert not descriptor(_frame(np.full((HEIGHT, WIDTH), 16.0))).any()


def test_noise_hardly_changes_a_picture() -> None:
    """Noise of 8 codes on a picture of normal contrast leaves the descriptor as it is."""
    codes = 120.0 + 30.0 * _scene()
    noisy = codes + 8.0 * np.random.default_rng(4).standard_normal(codes.shape)
    assert _likeness(descriptor(_frame(codes)), descriptor(_frame(noisy))) > 0.98


def test_overlay_is_not_in_it() -> None:
    """Text under the mask does not show: bright text, black text and none give the same descriptor."""
    overlay = np.zeros((HEIGHT, WIDTH), dtype=np.bool_)
    overlay[16:32, 20:100] = overlay[200:224, 220:300] = True
    codes = 120.0 + 30.0 * _scene()
    bright, dark = np.where(overlay, 235.0, codes), np.where(overlay, 16.0, codes)
    one, two = descriptor(_frame(bright, overlay)), descriptor(_frame(dark, overlay))
    assert np.abs(one.astype(int) - two).max() <= 2
    assert np.abs(one.astype(int) - descriptor(_frame(codes, overlay))).max() <= 2
    without = np.abs(descriptor(_frame(bright)).astype(int) - descriptor(_frame(dark))).max()
    assert without > 40


def test_cells_are_square() -> None:
    """A wide picture has fewer rows of cells, not flatter ones."""
    assert grid(480, 640) == (24, 32)
    assert grid(720, 1280) == (18, 32)
    assert descriptor(_frame(120.0 + 30.0 * _scene()[:180])).shape == (18, 32)


def test_rows_are_thinned_and_lost_ones_left_out() -> None:
    """About 12 a second are kept at any frame rate, none of a lost frame."""
    codes = 120.0 + 30.0 * _scene()
    for rate in (25.0, 30.0, 60.0):
        lost = np.arange(int(rate)) / rate >= 0.5
        with closing(PlaceRows()) as rows:
            for index in range(int(rate)):
                rows.add(_frame(codes, time_s=round(index / rate, 6)))
            whole = rows.places(np.zeros(int(rate), dtype=np.bool_))
            half = rows.places(lost)
        assert 10 <= len(whole.time_s) <= 13
        assert np.diff(whole.time_s).min() > 0.6 * INTERVAL_S
        assert half.time_s.tolist() == whole.time_s[whole.time_s < 0.5].tolist()
        assert half.descriptors.shape == (len(half.time_s), 24, 32)


def test_flags_must_fit_the_frames() -> None:
    """Flags of another number than frames are refused."""
    with closing(PlaceRows()) as rows, pytest.raises(ValueError, match="3 flags for 0 frames"):
        rows.places(np.zeros(3, dtype=np.bool_))


def _record(places: Places | None) -> FlightRecord:
    record = record_of(timeline_of(90))
    return FlightRecord(
        **{name: getattr(record, name) for name in ("name", "timeline", "tiles", "evidence", "clip", "picture")},
        settings=Criteria().to_dict(),
        places=places,
    )


def test_places_come_back_from_results(tmp_path: Path) -> None:
    """What is saved is loaded; results without places.npz load with none."""
    generator = np.random.default_rng(6)
    places = Places(np.arange(30) / 12.5, generator.integers(-127, 128, (30, 24, 32)).astype(np.int8))
    folder = write_flight(score_flight(_record(places), Criteria()), tmp_path, {})
    again = load_record(folder).places
    assert again is not None
    np.testing.assert_array_equal(again.time_s, places.time_s)
    np.testing.assert_array_equal(again.descriptors, places.descriptors)
    (folder / PLACES_FILE).unlink()
    assert load_record(folder).places is None


def test_damaged_places_are_told(tmp_path: Path) -> None:
    """Times that do not rise are refused in a line."""
    places = Places(np.array([0.0, 0.2, 0.1]), np.zeros((3, 24, 32), dtype=np.int8))
    folder = write_flight(score_flight(_record(places), Criteria()), tmp_path, {})
    with pytest.raises(ResultsError, match=r"places\.npz: 'time_s' does not rise; score the clip again"):
        load_record(folder)
