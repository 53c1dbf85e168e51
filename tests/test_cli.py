"""The commands as a user types them: what stands where, exit codes, one line for each failure."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from flight_material import write_flight

from fieldscore import __version__, cli
from fieldscore.measures import COLUMNS, TILE_MEASURE
from fieldscore.score import DERIVED


def run(*words: object, capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    """Run the program in process; gives exit code, standard output and standard error."""
    before = sys.argv
    sys.argv = ["fieldscore", *map(str, words)]
    try:
        cli.main()
        code = 0
    except SystemExit as stop:
        code = int(stop.code or 0)
    finally:
        sys.argv = before
    said = capsys.readouterr()
    return code, said.out, said.err


@pytest.fixture
def clip(tmp_path: Path) -> Path:
    """A short clip of a moving scene."""
    return write_flight(tmp_path / "lap.mp4", 40)


def test_score_prints_a_summary_and_writes_the_folder(
    clip: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The summary names the flight and the report; the folder holds the promised files."""
    code, out, _ = run("score", clip, "-o", tmp_path / "out", "--workers", 1, capsys=capsys)
    assert code == 0
    assert out.splitlines()[0] == "lap"
    assert re.search(r"usable +\d", out)
    assert str(tmp_path / "out" / "lap") + "/report.html" in out
    files = {path.name for path in (tmp_path / "out" / "lap").iterdir()}
    assert {"flight.json", "timeline.csv", "tiles.npz", "report.html"} <= files


def test_json_is_one_object_a_flight_and_nothing_else(
    clip: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With --json each line of standard output is the flight.json of one flight."""
    other = write_flight(tmp_path / "other.avi", 40, seed=2)
    code, out, _ = run("score", clip, other, "-o", tmp_path / "out", "--json", "--workers", 1, capsys=capsys)
    assert code == 0
    found = [json.loads(line) for line in out.splitlines()]
    saved = [json.loads((tmp_path / "out" / name / "flight.json").read_text()) for name in ("lap", "other")]
    assert found == saved


def test_quiet_says_nothing(clip: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With --quiet a run that went well prints nothing at all."""
    assert run("score", clip, "-o", tmp_path / "out", "--quiet", capsys=capsys) == (0, "", "")


def test_saved_results_give_the_same_figures(clip: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A flight scored from its results folder, its video gone, has the same flight.json."""
    run("score", clip, "-o", tmp_path / "out", "--quiet", capsys=capsys)
    first = json.loads((tmp_path / "out" / "lap" / "flight.json").read_text())
    clip.unlink()
    for name in (tmp_path / "out" / "lap", tmp_path / "out" / "lap" / "timeline.csv", tmp_path / "out"):
        code, out, err = run("score", name, "-o", tmp_path / "again", "--json", capsys=capsys)
        assert (code, err) == (0, "")
        assert json.loads(out) == first


def test_one_bad_clip_does_not_stop_the_others(clip: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A file that is no video costs one line on standard error and exit code 1; the others are scored."""
    bad = tmp_path / "notes.mp4"
    bad.write_text("not a film")
    code, out, err = run("score", bad, clip, "-o", tmp_path / "out", capsys=capsys)
    assert code == 1
    assert len(err.splitlines()) == 1
    assert "notes.mp4" in err
    assert (tmp_path / "out" / "lap" / "flight.json").is_file()
    assert "lap" in out


def test_workers_change_nothing(clip: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two workers write, bit for bit, what one writes."""
    write_flight(tmp_path / "other.avi", 40, seed=2)
    for workers in (1, 2):
        code, _, err = run(
            "score",
            clip,
            tmp_path / "other.avi",
            "-o",
            tmp_path / f"out{workers}",
            "--workers",
            workers,
            "--quiet",
            capsys=capsys,
        )
        assert (code, err) == (0, "")
    for name in ("lap", "other"):
        for file in ("flight.json", "timeline.csv", "tiles.npz", "report.html"):
            assert (tmp_path / "out1" / name / file).read_bytes() == (tmp_path / "out2" / name / file).read_bytes(), (
                file
            )


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["score", "missing.mp4"], 1, "missing.mp4"),
        (["score", "."], 1, "no clip"),
        (["score"], 2, "Missing argument"),
        (["score", "x.mp4", "--from", "5", "--to", "2"], 2, "must come after"),
        (["score", "x.mp4", "--from", "soon"], 2, "is not a time"),
        (["score", "x.mp4", "--frame-rate", "-3"], 2, "frame-rate"),
        (["score", "x.mp4", "--criteria", "none.toml"], 1, "none.toml"),
        (["fly"], 2, "No such command"),
        (["inspect", "missing.mp4"], 1, "missing.mp4"),
    ],
)  # fmt: skip
def test_failures_are_told_in_a_line(
    words: list[str],
    code: int,
    said: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Wrong usage is exit code 2, what cannot be done 1; the cause is named and there is no traceback."""
    monkeypatch.chdir(tmp_path)
    found, out, err = run(*words, capsys=capsys)
    assert found == code
    assert said in out + err
    assert "Traceback" not in out + err


def test_an_unknown_threshold_names_the_nearest(clip: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A misspelt key of a criteria file is refused with the nearest that exists."""
    (tmp_path / "mine.toml").write_text("rose_kk = 4.0\n")
    code, out, err = run("score", clip, "--criteria", tmp_path / "mine.toml", "-o", tmp_path / "out", capsys=capsys)
    assert (code, out) == (1, "")
    assert "rose_kk" in err
    assert "rose_k'" in err
    assert not (tmp_path / "out").exists()


def test_times_may_be_minutes(clip: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """--from 0:00.5 is half a second, and the airtime says it was given."""
    code, out, _ = run("score", clip, "--from", "0:00.5", "--to", "1", "-o", tmp_path / "out", "--json", capsys=capsys)
    assert code == 0
    air = json.loads(out)["airtime"]
    assert (air["from_s"], air["to_s"], air["how"]) == (0.5, 1.0, "given")


def test_airtime_outside_the_clip_is_refused(clip: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A stretch without a frame cannot be scored, and the message says what to do."""
    code, _, err = run("score", clip, "--from", "60", "-o", tmp_path / "out", capsys=capsys)
    assert code == 1
    assert "--from" in err


@pytest.mark.parametrize("name", ["a\nb.mp4", "\x1b[31mred.mp4", "-dash.mp4", "<b>.mp4", "\u202egnp.mp4"])
def test_hostile_names_are_harmless_on_the_terminal(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whatever a file is called, no control character reaches the terminal."""
    path = write_flight(tmp_path / name, 20)
    code, out, err = run("score", path, "-o", tmp_path / "out", capsys=capsys)
    assert code == 0
    assert all(one.isprintable() or one == "\n" for one in out + err)


def test_measures_lists_every_column(capsys: pytest.CaptureFixture[str]) -> None:
    """The command lists each column of the timeline, as text and as JSON."""
    names = [column.name for column in (*COLUMNS, TILE_MEASURE.column, *DERIVED)]
    _, out, _ = run("measures", capsys=capsys)
    assert [line.split()[0] for line in out.splitlines()] == names
    _, out, _ = run("measures", "--json", capsys=capsys)
    assert [column["name"] for column in json.loads(out)] == names


def test_the_timeline_has_the_listed_columns(clip: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The header row of timeline.csv is time_s and the listed columns; the row below gives their units."""
    run("score", clip, "-o", tmp_path / "out", "--quiet", capsys=capsys)
    lines = [
        line
        for line in (tmp_path / "out" / "lap" / "timeline.csv").read_text().splitlines()
        if not line.startswith("#")
    ]
    assert lines[0].split(",") == ["time_s", *(column.name for column in (*COLUMNS, *DERIVED))]
    assert lines[1].split(",") == ["s", *(column.unit for column in (*COLUMNS, *DERIVED))]
    assert len(lines) == 2 + 40


def test_inspect_says_what_a_clip_is(clip: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Codec, size, rate and levels of a clip in a few lines; JSON holds the same."""
    code, out, _ = run("inspect", clip, capsys=capsys)
    assert code == 0
    assert "h264" in out
    assert "192 x 144" in out
    code, out, _ = run("inspect", clip, "--json", capsys=capsys)
    found = json.loads(out)
    assert (found["codec"], found["width"], found["frame_rate"], found["readable"]) == ("h264", 192, 30.0, True)


def test_help_loads_nothing_heavy() -> None:
    """Neither numpy, OpenCV, PyAV nor matplotlib is imported to show the help."""
    done = subprocess.run(
        [sys.executable, "-X", "importtime", "-m", "fieldscore", "--help"],
        capture_output=True, text=True, check=True, env={**os.environ, "COLUMNS": "100"},
    )  # fmt: skip
    loaded = {line.rsplit("|", 1)[-1].strip().split(".")[0] for line in done.stderr.splitlines()}
    assert "click" in loaded
    assert not loaded & {"numpy", "cv2", "av", "matplotlib", "scipy", "rich", "jinja2"}
    assert "score" in done.stdout


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    """--version gives the version of the package."""
    assert run("--version", capsys=capsys)[1].strip().endswith(__version__)


def test_a_reader_that_dies_does_not_stop_the_others(
    clip: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A clip whose process is killed costs one line and exit code 1; the flights beside it are scored."""
    from fieldscore import split

    deadly = write_flight(tmp_path / "deadly.mp4", 20, seed=3)
    monkeypatch.setattr(split, "_begun", _begun_or_die)
    code, out, err = run("score", deadly, clip, "-o", tmp_path / "out", "--workers", 2, capsys=capsys)
    assert code == 1
    assert [line for line in err.splitlines() if "deadly.mp4" in line and "died" in line]
    assert (tmp_path / "out" / "lap" / "flight.json").is_file()
    assert "lap" in out


def _begun_or_die(job: object, progress: object) -> object:
    """What a worker does, but for one clip, which kills it as a decoder's crash would."""
    from fieldscore import run as runner

    if job.files[0].name == "deadly.mp4":  # type: ignore[attr-defined]
        os.kill(os.getpid(), 9)
    return runner.run_job(job)  # type: ignore[arg-type]
