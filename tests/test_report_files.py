"""The results folder: whole files or none, nothing foreign overwritten, and the way back into a record."""

from __future__ import annotations

import csv
import io
import json
import os
import tempfile
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from builders import build_record, build_score

from fieldscore.errors import ResultsError
from fieldscore.report import files as report_files
from fieldscore.report import flight_json, folder_name, load_record, write_flight
from fieldscore.score import DERIVED, Score

NAMES = {"flight.json", "timeline.csv", "tiles.npz", "evidence.npz", "report.html"}


@pytest.fixture(scope="module")
def score() -> Score:
    """A short flight, cheap to write."""
    return build_score(build_record(duration_s=50.0))


@pytest.fixture
def folder(score: Score, tmp_path: Path) -> Path:
    """Its results folder."""
    return write_flight(score, tmp_path / "out", {})


def contents(folder: Path) -> dict[str, bytes]:
    """Every file of a folder."""
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_folder_holds_the_five_files(score: Score, folder: Path, tmp_path: Path) -> None:
    """The folder of the flight's name holds the five files and no temporary one."""
    assert folder == tmp_path / "out" / "allotments_night"
    assert set(contents(folder)) == NAMES
    assert json.loads((folder / "flight.json").read_text()) == flight_json(score)


def test_files_are_as_readable_as_any_other(folder: Path) -> None:
    """Results get the permissions that any new file of this user gets."""
    plain = folder.parent / "plain"
    plain.write_text("x")
    modes = {path.stat().st_mode for path in folder.iterdir()}
    assert modes == {plain.stat().st_mode}


def test_writing_again_gives_the_same_bytes(score: Score, folder: Path) -> None:
    """A flight written twice into its folder gives the same files."""
    before = contents(folder)
    write_flight(score, folder.parent, {})
    assert contents(folder) == before


def test_timeline_columns(score: Score, folder: Path) -> None:
    """timeline.csv has provenance, a header, units, then numbers only, with usable and link as 0 or 1."""
    lines = (folder / "timeline.csv").read_text().splitlines()
    table = list(csv.reader(line for line in lines if not line.startswith("#")))
    header, units, rows = table[0], table[1], table[2:]
    assert header[0] == "time_s"
    assert {"usable", "link", "level_percent", "zone_readable_percent"} <= set(header)
    assert units[header.index("level_percent")] == "%"
    assert len(rows) == len(score.record.timeline)
    assert all(cell == "" or np.isfinite(float(cell)) for row in rows for cell in row)
    usable = [row[header.index("usable")] for row in rows]
    assert usable == [str(int(flag)) for flag in score.usable_mask]


def test_provenance_is_harmless_in_a_spreadsheet(score: Score) -> None:
    """A file name cannot become a formula, a second line or a hidden turn of direction in the table."""
    provenance = {"files": 'a,=HYPERLINK("x")\n=1+1;@x\u202e, -2', "note": "plain, text"}
    record = replace(score.record, timeline=replace(score.record.timeline, provenance=provenance))
    stream = io.BytesIO()
    report_files.write_timeline(replace(score, record=record), stream)
    text = stream.getvalue().decode()
    head = text.splitlines()[:2]
    assert head[1] == "# note: plain, text"
    assert head[0].startswith("# files: ")
    for cell in next(csv.reader([head[0]]))[1:]:
        assert not cell.strip().startswith(("=", "+", "-", "@"))
    assert "\u202e" not in text
    assert report_files.harmless_cells(report_files.harmless_cells("a,=b")) == report_files.harmless_cells("a,=b")


def test_arrays_are_as_agreed(score: Score, folder: Path) -> None:
    """tiles.npz and evidence.npz hold the agreed arrays, without pickles."""
    with np.load(folder / "tiles.npz", allow_pickle=False) as tiles:
        assert tiles["readable"].shape == (*tiles["time_s"].shape, 12, 16)
        assert tiles["readable"].dtype == np.float32
    with np.load(folder / "evidence.npz", allow_pickle=False) as evidence:
        assert evidence["histogram"].shape == (len(score.record.timeline), 256)
        assert evidence["histogram"].dtype == np.uint16
        start, stop = evidence["thumb_offsets"][1:3]
        assert evidence["thumb_bytes"][start:stop].tobytes() == score.record.evidence.thumbs[1]


def test_record_comes_back(score: Score, folder: Path) -> None:
    """A loaded record equals the saved one without what scoring added, and scores to the same flight.json."""
    loaded = load_record(folder)
    original = score.record
    assert (loaded.name, loaded.clip, loaded.picture) == (original.name, original.clip, original.picture)
    assert dict(loaded.settings) == dict(original.settings)
    assert loaded.notes == original.notes
    derived = {column.name for column in DERIVED}
    assert loaded.timeline.columns == tuple(one for one in original.timeline.columns if one.name not in derived)
    for name in loaded.timeline.values:
        np.testing.assert_array_equal(loaded.timeline[name], original.timeline[name])
    np.testing.assert_array_equal(loaded.timeline.time_s, original.timeline.time_s)
    np.testing.assert_array_equal(loaded.tiles.readable, original.tiles.readable)
    np.testing.assert_array_equal(loaded.evidence.histogram, original.evidence.histogram)
    assert tuple(loaded.evidence.thumbs) == tuple(original.evidence.thumbs)
    assert flight_json(build_score(loaded)) == flight_json(score)


@pytest.mark.parametrize("name", ["flight.json", "timeline.csv"])
def test_record_comes_back_from_either_file(folder: Path, name: str) -> None:
    """flight.json or timeline.csv stand for their folder."""
    assert load_record(folder / name).name == load_record(folder).name


def test_nan_bit_rate_and_unknown_floor_survive(score: Score, tmp_path: Path) -> None:
    """Facts that are unknown stay unknown through a save, and odd ones come back exactly."""
    clip = replace(
        score.record.clip, bit_rate=None, frame_rate=30000 / 1001, floor_code=64.25, problems=(), transfer_tag="hlg"
    )
    saved = replace(score, record=replace(score.record, clip=clip))
    assert load_record(write_flight(saved, tmp_path, {})).clip == clip


@pytest.mark.parametrize("name", ["<script>alert(1)</script>.mp4", "../../up", "a\nb", "\u202egpj", "CON", "\udc80"])
def test_hostile_names_stay_in_the_folder(name: str, tmp_path: Path) -> None:
    """A hostile flight name makes one harmless folder, and comes back exactly."""
    saved = build_score(build_record(name, duration_s=50.0))
    folder = write_flight(saved, tmp_path / "out", {})
    assert folder.parent == tmp_path / "out"
    assert [path.name for path in tmp_path.iterdir()] == ["out"]
    assert load_record(folder).name == name


@pytest.mark.parametrize("inside", ["holiday.txt", "report.html", "flight.json"])
def test_a_foreign_folder_is_left_alone(score: Score, tmp_path: Path, inside: str) -> None:
    """A folder that holds somebody's own files is refused in one line and not touched."""
    folder = tmp_path / score.record.name
    folder.mkdir()
    (folder / inside).write_text('{"schema": "holiday/1"}')
    before = contents(folder)
    with pytest.raises(ResultsError, match="not a fieldscore result.*choose another --output") as caught:
        write_flight(score, tmp_path, {})
    assert "\n" not in str(caught.value)
    assert contents(folder) == before


def test_another_flights_folder_is_left_alone(score: Score, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two flights whose names meet in one folder (as where case is ignored) do not replace each other."""
    first = write_flight(score, tmp_path, {})
    before = contents(first)
    monkeypatch.setattr(report_files, "folder_name", lambda name: folder_name(name).lower())
    other = replace(score, record=replace(score.record, name=score.record.name.upper()))
    assert write_flight(other, tmp_path, {}).name == f"{first.name}-2"
    assert contents(first) == before


def test_a_name_used_again_gets_a_number(score: Score, tmp_path: Path) -> None:
    """A goggle that starts its names anew on each card loses no results: other files get another folder."""
    first = write_flight(score, tmp_path, {})
    clip = replace(score.record.clip, sha256=("f" * 64,))
    second = write_flight(replace(score, record=replace(score.record, clip=clip)), tmp_path, {})
    assert (first.name, second.name) == (score.record.name, f"{score.record.name}-2")
    assert write_flight(score, tmp_path, {}) == first


def test_an_empty_folder_is_used(score: Score, tmp_path: Path) -> None:
    """An empty folder of the name, or one with only left-over temporary files, is used and cleaned."""
    folder = tmp_path / score.record.name
    folder.mkdir()
    (folder / ".fieldscore-flight.json-abc.tmp").write_text("half a file")
    write_flight(score, tmp_path, {})
    assert set(contents(folder)) == NAMES


def test_a_failed_write_changes_nothing(score: Score, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A disk that fills up in the middle leaves the earlier result whole and no temporary file."""
    before = contents(folder)
    calls = 0

    def full(handle: int) -> None:
        nonlocal calls
        calls += 1
        if calls == 4:
            raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(ResultsError, match="cannot be written .No space left on device"):
        write_flight(replace(score, notes=("changed",)), folder.parent, {})
    assert contents(folder) == before


# What writing does to the disk; each call is made to fail in turn, as a full disk, or the program is gone.
STEPS = ("mkstemp", "fdopen", "fsync", "chmod", "replace", "unlink")


class _KilledError(BaseException):
    """The program is no more: not even its clean-up runs."""


def _trip(monkeypatch: pytest.MonkeyPatch, at: int, error: BaseException, step: str | None = None) -> list[str]:
    """Make call number `at` of a step (None: of all together) fail, and all later ones where the program is gone."""
    made: list[str] = []

    def tripping(name: str, real: Callable[..., object]) -> Callable[..., object]:
        def call(*arguments: object, **options: object) -> object:
            made.append(name)
            if len(made) == at or (len(made) > at and isinstance(error, _KilledError)):
                raise error
            return real(*arguments, **options)

        return call

    for name in STEPS if step is None else (step,):
        if name == "unlink":
            monkeypatch.setattr(Path, name, tripping(name, Path.unlink))
        else:
            owner = tempfile if name == "mkstemp" else os
            monkeypatch.setattr(owner, name, tripping(name, getattr(owner, name)))
    return made


@pytest.fixture
def quick_page(monkeypatch: pytest.MonkeyPatch) -> None:
    """A page that takes no time to draw, where only the writing matters."""
    monkeypatch.setattr(report_files, "render_html", lambda score, pictures: f"<p>{score.notes}</p>")


@pytest.mark.usefixtures("quick_page")
@pytest.mark.parametrize("step", ["mkstemp", "fdopen", "fsync", "chmod", "replace"])
def test_whichever_call_fails_the_earlier_result_stays(score: Score, tmp_path: Path, step: str) -> None:
    """A disk that is full at any one call leaves the earlier result whole, says so in one line, and can be written again."""
    folder = write_flight(score, tmp_path / "out", {})
    before, changed = contents(folder), replace(score, notes=("changed",))
    for at in range(1, 20):
        with pytest.MonkeyPatch.context() as patch:
            _trip(patch, at, OSError(28, "No space left on device"), step)
            try:
                write_flight(changed, tmp_path / "out", {})
            except ResultsError as error:
                assert "No space left on device" in str(error)
            else:
                break
        assert contents(folder) == before
    assert at >= 5
    assert contents(folder) != before
    assert set(contents(folder)) == NAMES


@pytest.mark.usefixtures("quick_page")
@pytest.mark.parametrize("earlier", [True, False])
def test_killed_at_any_call_the_result_is_old_or_new_or_none(score: Score, tmp_path: Path, earlier: bool) -> None:
    """Killed at whichever call, flight.json is there only with all the files it came with, and the next run writes it all."""
    changed = replace(score, notes=("changed",))
    whole = [contents(write_flight(one, tmp_path / "like", {})) for one in (score, changed)]
    kinds = set()
    for at in range(1, 60):
        out = tmp_path / f"out{at}"
        if earlier:
            write_flight(score, out, {})
        with pytest.MonkeyPatch.context() as patch:
            _trip(patch, at, _KilledError())
            try:
                write_flight(changed, out, {})
            except _KilledError:
                ended = False
            else:
                ended = True
        folder = out / score.record.name
        found = contents(folder) if folder.is_dir() else {}
        if "flight.json" in found:
            assert {name: found[name] for name in NAMES} in whole
        kinds.add("none" if "flight.json" not in found else whole.index({name: found[name] for name in NAMES}))
        assert contents(write_flight(changed, out, {})) == whole[1]
        if ended:
            break
    assert ended
    assert kinds == ({0, 1, "none"} if earlier else {1, "none"})


def test_output_that_is_a_file_is_refused(score: Score, tmp_path: Path) -> None:
    """An --output that is a file is an error in one line, not a traceback."""
    (tmp_path / "out").write_text("x")
    with pytest.raises(ResultsError, match="cannot be written"):
        write_flight(score, tmp_path / "out", {})


def _cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def _edit(path: Path, change: Callable[[dict[str, object]], object]) -> None:
    data = json.loads(path.read_text())
    change(data)
    path.write_text(json.dumps(data))


def _npz(path: Path, **arrays: npt.ArrayLike) -> None:
    with np.load(path) as found:
        kept = {name: found[name] for name in found.files}
    np.savez(path, **{**kept, **{name: np.asarray(value) for name, value in arrays.items()}})


DAMAGE: dict[str, tuple[Callable[[Path], object], str]] = {
    "no flight.json": (lambda at: (at / "flight.json").unlink(), "flight.json: cannot be read"),
    "half a flight.json": (lambda at: _cut(at / "flight.json"), "flight.json: damaged"),
    "NaN in flight.json": (lambda at: (at / "flight.json").write_text('{"schema": NaN}'), "NaN is not JSON"),
    "deep flight.json": (lambda at: (at / "flight.json").write_text("[" * 100_000), "flight.json: damaged"),
    "foreign flight.json": (lambda at: (at / "flight.json").write_text("[]"), "not a fieldscore result"),
    "no record": (lambda at: _edit(at / "flight.json", lambda data: data.pop("record")), "no 'record'"),
    "no columns": (lambda at: _edit(at / "flight.json", lambda data: data.pop("columns")), "no 'columns'"),
    "odd columns": (
        lambda at: _edit(at / "flight.json", lambda data: data.update(columns=[{"name": "x"}])),
        "damaged",
    ),
    "odd clip": (
        lambda at: _edit(at / "flight.json", lambda data: data["clip"].update(width="wide")),  # type: ignore[attr-defined]
        "'width' is 'wide', expected int",
    ),
    "odd border": (
        lambda at: _edit(at / "flight.json", lambda data: data["picture"].update(border_px=[1])),  # type: ignore[attr-defined]
        "expected four whole numbers",
    ),
    "no timeline": (lambda at: (at / "timeline.csv").unlink(), "timeline.csv: cannot be read"),
    "half a timeline": (lambda at: _cut(at / "timeline.csv"), "timeline.csv|histogram"),
    "text as timeline": (lambda at: (at / "timeline.csv").write_text("hello"), "not a fieldscore timeline"),
    "no tiles": (lambda at: (at / "tiles.npz").unlink(), "tiles.npz: cannot be read"),
    "half of the tiles": (lambda at: _cut(at / "tiles.npz"), "tiles.npz: damaged"),
    "tiles of another length": (
        lambda at: _npz(at / "tiles.npz", time_s=[1.0]),
        "'readable' is .* expected 1x",
    ),
    "pickled tiles": (
        lambda at: _npz(at / "tiles.npz", readable=np.array([{"a": 1}], dtype=object)),
        "'readable' is damaged .holds objects",
    ),
    "other evidence": (
        lambda at: _npz(at / "evidence.npz", histogram=np.zeros((3, 256), np.uint16)),
        "'histogram' is 3x256",
    ),
    "wrong offsets": (
        lambda at: _npz(at / "evidence.npz", thumb_bytes=np.zeros(3, np.uint8)),
        "'thumb_offsets' do not fit",
    ),
}


@pytest.mark.parametrize("name", DAMAGE)
def test_damage_is_told_in_one_line(folder: Path, name: str) -> None:
    """Whatever is missing or damaged in a results folder is told in one line that names the file."""
    damage, message = DAMAGE[name]
    damage(folder)
    with pytest.raises(ResultsError, match=message) as caught:
        load_record(folder)
    assert "\n" not in str(caught.value)


def test_an_array_that_claims_a_petabyte_is_refused(folder: Path) -> None:
    """A header that claims a huge array is refused before memory is set aside for it."""
    header = io.BytesIO()
    np.lib.format.write_array_header_1_0(header, {"descr": "<f8", "fortran_order": False, "shape": (2**47,)})
    with zipfile.ZipFile(folder / "tiles.npz", "w") as archive:
        archive.writestr("time_s.npy", header.getvalue() + bytes(64))
    with pytest.raises(ResultsError, match="'time_s' is 140737488355328 of float64"):
        load_record(folder)


@pytest.mark.parametrize("name", ["nothing", "clip.mp4"])
def test_what_is_no_result_is_refused(tmp_path: Path, name: str) -> None:
    """A name that is no results folder, or no file at all, is refused in one line."""
    if name == "clip.mp4":
        (tmp_path / name).write_bytes(b"x")
    with pytest.raises(ResultsError, match=f"{name}: not"):
        load_record(tmp_path / name)
