"""The compare command from clips to files: measured, aligned, compared; saved results, labels, other routes, exit codes."""

from __future__ import annotations

import csv
import io
import json
import shutil
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from compare_material import alignment_of, flight, foreign, steady
from flight_material import HEIGHT, RATE, WIDTH, record_of, scene, timeline_of, write_flight
from test_cli import run

from fieldscore import run_compare
from fieldscore.compare import compare_flights
from fieldscore.criteria import Criteria
from fieldscore.report import write_flight as save
from fieldscore.run import Job, in_order, labels_of
from fieldscore.run_compare import default_labels
from fieldscore.score import score_flight
from fieldscore.video import Encoding, Flight

SECONDS = 9.0
GROUND_PX = 1400


def flown(path: Path, *, ground: int = 1, speed: float = 2.0, gain: float = 1.0, seed: int = 5) -> Path:
    """A clip over a textured ground of its own, `speed` pixels a frame, with a camera of this gain and noise."""
    picture = scene(GROUND_PX, HEIGHT, ground)
    rng = np.random.default_rng(seed)
    planes: list[npt.NDArray[np.uint8]] = []
    for number in range(int(SECONDS * RATE)):
        at = number * speed
        shift = np.array([[1.0, 0.0, -at], [0.0, 1.0, 0.0]])
        view = cv2.warpAffine(picture, shift, (WIDTH, HEIGHT)) * gain + rng.normal(0, 1.5, (HEIGHT, WIDTH))
        planes.append(np.clip(np.rint(view), 16, 235).astype(np.uint8))
    return write_flight(path, planes=planes, encoding=Encoding(crf=18))


@pytest.fixture(scope="module")
def clips(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of clips: one route by a bright camera and, faster, by a dim one; another route."""
    folder = tmp_path_factory.mktemp("clips")
    flown(folder / "bright.mp4")
    flown(folder / "dim.mp4", speed=2.6, gain=0.6, seed=6)
    flown(folder / "elsewhere.mp4", ground=9, seed=7)
    return folder


@pytest.fixture(scope="module")
def saved(clips: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The results of those clips, as score leaves them."""
    from fieldscore import run as running

    out = tmp_path_factory.mktemp("saved")
    for name in ("bright", "dim", "elsewhere"):
        outcome = running.run_job(Job((clips / f"{name}.mp4",), None, out, Criteria(), name=name))
        assert outcome.error is None
    return out


def test_clips_are_measured_compared_and_written(
    clips: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two clips of one route: exit code 0, the agreed files, the true speed ratio in the pairs, a level that is lower."""
    words = ("compare", clips / "bright.mp4", clips / "dim.mp4", "--label", "bright", "--label", "dim")
    code, out, err = run(
        *words, "-o", tmp_path / "out", "--workers", 1, "--video", tmp_path / "both.mp4", capsys=capsys
    )
    assert (code, err) == (0, "")
    assert out.splitlines()[-1] == f"Video: {tmp_path / 'both.mp4'}"
    data = json.loads((tmp_path / "out" / "comparison.json").read_text())
    assert [one["label"] for one in data["flights"]] == ["bright", "dim"]
    assert data["alignment"][0]["same_route"] is True
    level = next(one for one in data["differences"] if one["measure"] == "level_percent")
    assert level["difference"] < -10.0
    rows = list(csv.DictReader(io.StringIO((tmp_path / "out" / "pairs.csv").read_text())))
    slope = np.polyfit([float(row["time_a_s"]) for row in rows], [float(row["time_b_s"]) for row in rows], 1)[0]
    assert slope == pytest.approx(2.0 / 2.6, abs=0.03)
    for row in rows:
        assert float(row["time_b_s"]) * 2.6 == pytest.approx(float(row["time_a_s"]) * 2.0, abs=0.3 * 2.6)
    assert (tmp_path / "out" / "report.html").read_text().count("<img ") >= 4
    assert {path.name for path in (tmp_path / "out").iterdir() if path.is_dir()} == {"bright", "dim"}
    assert len(list(Flight([tmp_path / "both.mp4"]).frames())) > 120


def test_saved_results_do_without_the_video(saved: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Results of earlier runs are compared after their videos are gone; --json gives one object and nothing else."""
    words = ("compare", saved / "dim", saved / "bright", "-o", tmp_path / "out", "--json", "--workers", 1)
    code, out, err = run(*words, capsys=capsys)
    assert (code, err) == (0, "")
    data = json.loads(out)
    assert data == json.loads((tmp_path / "out" / "comparison.json").read_text())
    assert [one["label"] for one in data["flights"]] == ["dim", "bright"]
    assert [one["file"] for one in data["flights"]] == ["dim.mp4", "bright.mp4"]
    assert (tmp_path / "out" / "report.html").read_text().count("<img ") >= 4


def test_video_needs_the_clips(saved: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A side-by-side video of saved results cannot be made: said in one line, exit code 1, the comparison is there."""
    words = (
        "compare",
        saved / "dim",
        saved / "bright",
        "-o",
        tmp_path / "out",
        "--quiet",
        "--video",
        tmp_path / "v.mp4",
    )
    code, _, err = run(*words, "--workers", 1, capsys=capsys)
    assert code == 1
    assert "saved results" in err
    assert not (tmp_path / "v.mp4").exists()
    assert (tmp_path / "out" / "comparison.json").is_file()


def test_another_route_is_refused(saved: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Flights of two routes: exit code 1, the reason on standard error and in the results, no difference."""
    code, out, err = run("compare", saved / "bright", saved / "elsewhere", "-o", tmp_path / "out", capsys=capsys)
    assert code == 1
    assert "does not show the same route" in err
    assert "No comparison" in out
    data = json.loads((tmp_path / "out" / "comparison.json").read_text())
    assert (data["alignment"][0]["same_route"], data["differences"]) == (False, [])
    assert (tmp_path / "out" / "pairs.csv").read_text().splitlines()[1:] == []


def test_a_doubtful_stranger_is_told_as_one() -> None:
    """A flight refused with some confidence is not sure to show the route; one that surely flew another does not show it."""
    way = steady(20.0)
    for confidence, told in ((0.47, "is not sure to show the same route"), (0.005, "does not show the same route")):
        pairs = {(0, 1): replace(foreign(), confidence=confidence)}
        lines = run_compare._strangers(compare_flights([flight(way, {})] * 2, ("a", "b"), pairs, Criteria()))
        assert len(lines) == 2
        assert all(line.startswith(f"made: {told} as any other of the flights: no stretch") for line in lines)


def test_a_stranger_is_told_why_the_flight_most_like_it_was_refused() -> None:
    """Of two refusals one reason is given, that of the more confident; not both."""
    way = steady(20.0)
    far, near = replace(foreign(), confidence=0.002, reason="far"), replace(foreign(), confidence=0.006, reason="near")
    pairs = {(0, 1): alignment_of(way, way), (0, 2): far, (1, 2): near}
    (line,) = run_compare._strangers(compare_flights([flight(way, {})] * 3, ("a", "b", "c"), pairs, Criteria()))
    assert line.endswith("the same route as any other of the flights: near")


def test_one_stranger_does_not_stop_the_others(saved: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Of three flights one of another route: the other two are compared, the stranger is named, exit code 1."""
    names = [saved / name for name in ("bright", "elsewhere", "dim")]
    code, _, err = run("compare", *names, "-o", tmp_path / "out", "--quiet", capsys=capsys)
    assert code == 1
    assert err.count("\n") == 1
    assert "elsewhere" in err
    data = json.loads((tmp_path / "out" / "comparison.json").read_text())
    assert {(one["a"], one["b"]) for one in data["differences"]} == {(0, 2)}


def test_a_flight_and_itself(saved: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A flight given twice differs from itself by nothing, and the sameness is said."""
    words = ("compare", saved / "dim", saved / "dim", "--label", "x", "--label", "y", "-o", tmp_path / "out", "--json")
    code, out, _ = run(*words, capsys=capsys)
    assert code == 0
    data = json.loads(out)
    assert {one["better"] for one in data["differences"]} == {None}
    assert all(abs(one["difference"]) < 1e-6 for one in data["differences"] if one["difference"] is not None)
    assert data["alignment"][0]["overlap_share"] > 0.95
    assert any("same recording" in note for note in data["notes"])


def test_a_clip_that_cannot_be_read_does_not_stop_the_others(
    saved: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Of three clips one is no video: the others are compared under their own labels, one line names it, exit code 1."""
    broken = tmp_path / "broken.mp4"
    broken.write_text("no video")
    words = [saved / "bright", "--label", "A", broken, "--label", "B", saved / "dim", "--label", "C"]
    code, out, err = run("compare", *words, "-o", tmp_path / "out", "--json", "--workers", 1, capsys=capsys)
    assert code == 1
    assert err.count("\n") == 1
    assert "broken.mp4" in err
    assert [(one["label"], one["file"]) for one in json.loads(out)["flights"]] == [
        ("A", "bright.mp4"),
        ("C", "dim.mp4"),
    ]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--label", "one"), "1 labels for 2 recordings"),
        (("--video", "out.gif"), "ends in"),
    ],
)
def test_wrong_usage(
    words: tuple[str, ...], told: str, saved: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Labels of another number, or a video of a kind that is not written: exit code 2, one sentence."""
    code, _, err = run("compare", saved / "dim", saved / "bright", "-o", tmp_path / "out", *words, capsys=capsys)
    assert code == 2
    assert told in err
    assert not (tmp_path / "out").exists()


def test_one_flight_is_wrong_usage(saved: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A single flight has nothing to be compared with."""
    code, _, err = run("compare", saved / "dim", "-o", tmp_path / "out", capsys=capsys)
    assert code == 2
    assert "two or more" in err


def test_video_never_takes_the_place_of_a_clip(clips: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A --video that is one of the clips is refused before anything is measured; the clip stays as it was."""
    copy = shutil.copy(clips / "dim.mp4", tmp_path / "dim.mp4")
    before = Path(copy).read_bytes()
    code, _, err = run("compare", clips / "bright.mp4", copy, "--video", copy, "-o", tmp_path / "out", capsys=capsys)
    assert code == 1
    assert "is one of the clips" in err
    assert Path(copy).read_bytes() == before
    assert not (tmp_path / "out").exists()


def test_results_without_places_are_refused(saved: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Results of a version that saved no places cannot be aligned: one line says to score the clip again."""
    record = replace(record_of(timeline_of(300)), name="old")
    old = save(score_flight(record, Criteria()), tmp_path / "old", {})
    code, _, err = run("compare", saved / "dim", old, "-o", tmp_path / "out", capsys=capsys)
    assert code == 1
    assert "score the clip again to compare it" in err


def test_jobs_stand_in_the_order_they_were_named(tmp_path: Path) -> None:
    """Clips and saved results in any mixture keep the order of the command line, so that labels go with them."""
    criteria = Criteria()
    clip = Job((tmp_path / "card" / "a.mp4",), None, tmp_path, criteria, name="a")
    joined = Job((tmp_path / "b1.mp4", tmp_path / "b2.mp4"), None, tmp_path, criteria, name="b1")
    result = Job((), tmp_path / "old" / "c", tmp_path, criteria)
    names = [tmp_path / "b1.mp4", tmp_path / "b2.mp4", tmp_path / "old", tmp_path / "card"]
    ordered = in_order([result, clip, joined], names)
    assert ordered == [(joined, 0), (result, 2), (clip, 3)]
    assert labels_of(ordered, "wxyz", names) == ["w", "y", "z"]
    assert labels_of(ordered, "abc", names) == ["a", "b", "c"]
    assert labels_of(ordered, "ab", names) is None
    assert in_order([clip], [tmp_path / "card", tmp_path / "card"]) == [(clip, 0), (clip, 1)]


def test_flights_without_labels_are_told_apart(tmp_path: Path) -> None:
    """Without labels each flight is a camera of its own, even where names are equal."""
    jobs = [Job((tmp_path / "x.mp4",), None, tmp_path, Criteria(), name="x") for _ in range(3)]
    saved = Job((), tmp_path / "out" / "y", tmp_path, Criteria())
    assert default_labels([*jobs, saved]) == ["x", "x (2)", "x (3)", "y"]
