"""The whole pipeline against simulated flights of known truth: other seeds than those the constants were tuned on."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from benchmarks.accuracy import Row, auc, compare, table
from fieldscore.simulate import CameraModel, Chain, FlightPlan, simulate
from fieldscore.video import Encoding

DIM = CameraModel("dim", gain_max=6.0, full_well=4000.0, read_noise=4.0, metering="highlight", target=0.45)
PLAN = FlightPlan(
    seed=4321,
    world_seed=77,
    width=320,
    height=240,
    duration_s=5.0,
    ground_before_s=1.0,
    ground_after_s=0.6,
    speed_m_s=5.0,
)


@pytest.fixture(scope="module", params=["h264", "mjpeg"])
def row(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Row:
    """A night flight, simulated, coded and measured."""
    folder = tmp_path_factory.mktemp(request.param)
    if request.param == "h264":
        path, chain = folder / "night.mp4", Chain(encoding=Encoding(codec="h264", crf=21))
    else:
        encoding = Encoding(codec="mjpeg", quality=3, pixel_format="yuvj420p", full_range=True)
        path, chain = folder / "night.avi", Chain(encoding=encoding, full_range=True)
    return compare(path, simulate(PLAN, DIM, chain, path, tile_every=5))


def test_level_and_clipped(row: Row) -> None:
    """After coding, level and clipped share are within half a point of the uncompressed picture, median over frames."""
    assert row.exposure[0] < 0.5
    assert row.exposure[1] < 0.5


def test_readable_tiles(row: Row) -> None:
    """Measured Rose k tells tiles whose true k passes 5 from the others: AUC over 0.95, four verdicts of five the same."""
    assert 0.05 < row.share_true < 0.9
    assert row.auc > 0.95
    assert row.agreement > 0.75


def test_airtime(row: Row) -> None:
    """Take-off and landing are found within half a second."""
    assert row.airtime_s < 0.5


def test_noise_is_of_the_right_size(row: Row) -> None:
    """Noise left is within a factor of two of the camera's: a codec takes some, motion adds some."""
    assert 0.5 < row.noise_measured / row.noise_camera < 2.0


def test_area_under_the_curve() -> None:
    """The detector figure equals the share of pairs in order (Mann and Whitney), by hand: 5 of 6."""
    figure = np.array([1.0, 2.0, 3.0, 4.0, 5.0])
    assert auc(figure, np.array([False, True, False, True, True])) == pytest.approx(5 / 6)
    assert np.isnan(auc(figure, np.zeros(5, dtype=np.bool_)))


def test_table_has_a_row_a_flight() -> None:
    """The accuracy table is a Markdown table with as many cells in every line."""
    lines = table(
        [Row("a.mp4", (0.1, 0.2, 0.3), 0.97, 0.5, 0.4, "30 to 50", 0.9, 1.2, 1.0, 1.1, 0.1, "16/235 (16/235)")] * 2
    ).splitlines()
    assert len(lines) == 4
    assert {line.count("|") for line in lines} == {lines[0].count("|")}


def test_real_clips_are_measured() -> None:
    """Every real clip at hand is measured without a fault: as many rows as pictures, levels between 0 and 100 %."""
    from fieldscore import measure_flight

    folder = Path(__file__).parents[2] / "shared" / "clips"
    clips = [path for path in sorted(folder.glob("*.m*")) if path.suffix in {".mp4", ".mov"} and "4k" not in path.name]
    if not clips:
        pytest.skip("../shared/clips is not there")
    for clip in clips:
        record = measure_flight([clip])
        assert len(record.timeline) == record.clip.frames_measured > 0
        level = record.timeline["level_percent"]
        assert ((level > 0) & (level < 100)).all(), clip.name
