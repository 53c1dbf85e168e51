"""The Timeline: a table that survives its file, and a file that cannot lie about its table."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from flight_material import timeline_of
from hypothesis import given
from hypothesis import strategies as st

from fieldscore.errors import ResultsError
from fieldscore.measure import Column
from fieldscore.measures import COLUMNS
from fieldscore.timeline import Timeline

HEADER = "time_s,a,b\ns,%,code\n"


def small(values: object = (1.0, np.nan), provenance: dict[str, str] | None = None) -> Timeline:
    data = np.asarray(values, dtype=np.float64)
    columns = (Column("a_percent", "%", "lower", "A."),)
    return Timeline(np.arange(len(data)) / 30.0, {"a_percent": data}, columns, provenance or {})


def text_of(timeline: Timeline) -> str:
    stream = io.StringIO(newline="")
    timeline.write_csv(stream)
    return stream.getvalue()


def saved(folder: Path, text: str) -> Path:
    path = folder / "timeline.csv"
    path.write_bytes(text.encode("utf-8"))
    return path


def test_every_column_comes_back_from_its_file(tmp_path: Path) -> None:
    """Times to a microsecond, values to 0.0001, NaN as NaN, units and meaning: what is saved is what is read."""
    rng = np.random.default_rng(0)
    made = timeline_of(200, level_percent=rng.uniform(-8, 109, 200), noise_percent=rng.exponential(1, 200))
    made.values["noise_percent"][::7] = np.nan
    known = {column.name: column for column in COLUMNS}
    read = Timeline.read_csv(saved(tmp_path, text_of(made)), known)
    assert read.columns == made.columns
    assert read.provenance == made.provenance
    np.testing.assert_allclose(read.time_s, made.time_s, atol=5e-7)
    for name in known:
        np.testing.assert_allclose(read[name], made[name], atol=5.1e-5, equal_nan=True)


def test_the_file_has_header_units_and_a_row_a_frame() -> None:
    """`#` lines, then names with time_s first, then units, then rows; an empty cell is not measurable."""
    lines = text_of(small(provenance={"files": "a.mp4"})).splitlines()
    assert lines == ["# files: a.mp4", "time_s,a_percent", "s,%", "0.000000,1", "0.033333,"]


@given(st.lists(st.floats(-1e6, 1e6) | st.just(float("nan")), min_size=1, max_size=30))
def test_writing_twice_changes_nothing(tmp_path_factory: pytest.TempPathFactory, values: list[float]) -> None:
    """A table read from its file writes the same file again."""
    first = text_of(small(values))
    path = saved(tmp_path_factory.mktemp("csv"), first)
    assert text_of(Timeline.read_csv(path)) == first


@pytest.mark.parametrize(
    "name",
    ["a\nb.mp4", "a\r\n0.0,9", "\x1b[31mred", "x: y # z", "-rf.mp4", "\u2028line", "\udcff", "=1+1", "a,b", '"'],
)
def test_a_hostile_name_stays_in_its_line(tmp_path: Path, name: str) -> None:
    """No file name can add a line, a row or a terminal sequence to the table."""
    text = text_of(small(provenance={"files": name, "after": "whole"}))
    first, second, header, *_ = text.split("\n")
    assert first.startswith("# files: ") and first.isprintable()
    assert (second, header) == ("# after: whole", "time_s,a_percent")
    read = Timeline.read_csv(saved(tmp_path, text))
    assert read.provenance["after"] == "whole"
    assert len(read) == 2


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("", "not a fieldscore timeline"),
        ("\0\1\2", "not a fieldscore timeline"),
        ("a,b,c\n1,2,3\n", "time_s"),
        ("time_s,a,b\ns,%\n", "row of units"),
        (HEADER + "0,1,2\n0.1,1\n", "timeline.csv"),
        (HEADER + "0,1,2,3\n0.1,1,2,3\n", "4 values in a row for 3"),
        (HEADER + "0,1,2\n0.1,oops,2\n", "oops"),
        (HEADER + "0,1,2\n,1,2\n", "time"),
        (HEADER + "0.1,1,2\n0,1,2\n", "time"),
        (HEADER + "0,1,2\n0.1,1,2 # 3,4\n", "timeline.csv"),
    ],
)
def test_a_damaged_file_is_refused_in_one_line(tmp_path: Path, text: str, match: str) -> None:
    """A file that is not a whole timeline gives one line that says so, never a table with holes."""
    with pytest.raises(ResultsError, match=match) as caught:
        Timeline.read_csv(saved(tmp_path, text))
    assert len(str(caught.value).splitlines()) == 1
    assert len(str(caught.value)) < 300


@pytest.mark.parametrize("content", [b"\xff\xfe\x00", b"time_s,a\ns,%\n0,\xff\n"])
def test_bytes_that_are_no_text_are_refused(tmp_path: Path, content: bytes) -> None:
    """A binary file is no timeline."""
    path = tmp_path / "timeline.csv"
    path.write_bytes(content)
    with pytest.raises(ResultsError, match=r"timeline\.csv"):
        Timeline.read_csv(path)


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    """A file that is not there is an error of the results, not of the program."""
    with pytest.raises(ResultsError, match=r"timeline\.csv"):
        Timeline.read_csv(tmp_path / "timeline.csv")


def test_a_table_without_rows_is_a_table(tmp_path: Path) -> None:
    """Header and units alone read as no rows, without a warning."""
    read = Timeline.read_csv(saved(tmp_path, HEADER))
    assert len(read) == 0
    assert [column.unit for column in read.columns] == ["%", "code"]


def test_a_long_table_is_read_piece_by_piece(tmp_path: Path) -> None:
    """A table longer than what is read at once comes back whole; a row that is short or wrong far down is told."""
    rows = [f"{index / 10:.1f},{index}," for index in range(10_000)]
    read = Timeline.read_csv(saved(tmp_path, HEADER + "\n".join(rows) + "\n"))
    assert read["a"].tolist() == list(range(10_000)) and np.isnan(read["b"]).all()
    for bad in ("9000.5,1", "9000.5,1,2,3", "9000.5,oops,2"):
        with pytest.raises(ResultsError, match="after row 8192"):
            Timeline.read_csv(saved(tmp_path, HEADER + "\n".join(rows[:9000] + [bad]) + "\n"))
    with pytest.raises(ResultsError, match="4 values in a row, 3 before"):
        Timeline.read_csv(saved(tmp_path, HEADER + "\n".join(rows[:8192] + ["9000.5,1,2,3"]) + "\n"))


def test_a_column_of_another_length_is_refused() -> None:
    """A table whose columns do not go with its time axis cannot be made."""
    with pytest.raises(ValueError, match="2 values for 3 times"):
        Timeline(np.arange(3.0), {"a": np.zeros(2)}, (Column("a", "%", "lower", ""),))


def test_added_columns_leave_the_first_table_alone() -> None:
    """with_columns gives a new table; a column of the same name is replaced in its place."""
    made = small()
    more = made.with_columns([(Column("b", "0/1", "higher", ""), [0, 1]), (made.columns[0], [5, 6])])
    assert [column.name for column in more.columns] == ["a_percent", "b"]
    assert more["a_percent"].tolist() == [5, 6] and more["b"].tolist() == [0, 1]
    assert "b" not in made and made["a_percent"][0] == 1.0


def at_times(time_s: np.ndarray) -> Timeline:
    return Timeline(time_s, {"a": np.zeros(len(time_s))}, (Column("a", "%", "lower", ""),))


def test_one_row_has_no_interval() -> None:
    """One row has no interval, two have theirs."""
    assert np.isnan(small([1.0]).interval_s)
    assert small([1.0, 2.0]).interval_s == pytest.approx(1 / 30)


@pytest.mark.parametrize("rate", [24.0, 25.0, 30000 / 1001, 30.0, 50.0, 60000 / 1001, 60.0, 90.0, 120.0, 240.0])
@pytest.mark.parametrize("tick_s", [1e-6, 1e-3])
def test_the_interval_is_not_rounded_as_its_clock(rate: float, tick_s: float) -> None:
    """Whatever the clock's tick, the interval is that of the frames to 1 in 5000: three times that moves a mains beat."""
    # 100 Hz lamps at 30 frames a second beat at |100 - 3 x rate|, which is found within 0.06 Hz: 0.07 % of the rate
    time_s = np.round(np.arange(300) / rate / tick_s) * tick_s
    assert at_times(time_s).interval_s == pytest.approx(1 / rate, rel=2e-4)


def spoilt(kind: str, time_s: np.ndarray) -> np.ndarray:
    """Times [n] of a flight as a recorder may hand them over."""
    generator = np.random.default_rng(8)
    late = generator.random(len(time_s)) < 0.04
    if kind == "every ninth lost":
        return time_s[np.arange(len(time_s)) % 9 > 0]
    if kind == "a tenth lost":
        return time_s[generator.random(len(time_s)) > 0.1]
    if kind == "some late":
        return time_s + np.where(late, 0.6 / 30, 0.0)
    if kind == "stamps repeated":  # moved apart by half an interval, as the reader does
        return np.where(late, np.roll(time_s, 1) + 0.5 / 30, time_s)
    return time_s + 2.717 * (np.arange(len(time_s)) // 100)


@pytest.mark.parametrize("kind", ["every ninth lost", "a tenth lost", "some late", "stamps repeated", "pauses"])
@pytest.mark.parametrize("tick_s", [1e-6, 1e-3])
def test_the_interval_holds_where_times_are_spoilt(kind: str, tick_s: float) -> None:
    """Lost rows, late ones, stamps moved apart and pauses leave the interval as it was, to 1 in 2000."""
    time_s = np.round(spoilt(kind, np.arange(600) / 30) / tick_s) * tick_s
    assert at_times(time_s).interval_s == pytest.approx(1 / 30, rel=5e-4)


def test_an_interval_where_no_two_steps_agree() -> None:
    """Two steps of which neither is a whole number of the middle give the middle; what stands still gives 0."""
    assert at_times(np.array([0.0, 0.02, 0.08])).interval_s == pytest.approx(0.04)
    assert at_times(np.zeros(3)).interval_s == 0.0
