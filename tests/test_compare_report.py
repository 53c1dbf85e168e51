"""What a comparison says and shows: agreed data, one plain verdict, a page that needs nothing else and no name can break."""

from __future__ import annotations

import csv
import io
import json
import math
import re
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from compare_material import alignment_of, flight, foreign, rough, steady
from test_report_html import HOSTILE, Page

from fieldscore import run_compare
from fieldscore.align import Alignment
from fieldscore.compare import compare_flights
from fieldscore.comparison import Comparison
from fieldscore.criteria import Criteria
from fieldscore.errors import ResultsError
from fieldscore.pairing import swapped
from fieldscore.report import (
    compare_page,
    comparison_json,
    comparison_lines,
    dump_json,
    evidence_moments,
    pairs_csv,
    render_comparison,
    verdict,
    write_comparison,
)
from fieldscore.report.cautions import CAUTIONS
from fieldscore.report.compare_facts import alignment_row, whole
from fieldscore.report.compare_page import unreadable_path
from fieldscore.report.differences import agreed
from fieldscore.report.words import visible
from fieldscore.showing import APART_S, shown_places

LENGTH_S = 60.0


def made(
    labels: tuple[str, ...] = ("dim", "lit"),
    crushed: tuple[float, ...] = (17.1, 10.0),
    found: Alignment | None = None,
    **clip: object,
) -> Comparison:
    """A comparison of flights that differ in what is crushed, at different speeds; `clip` changes the last recording."""
    ways = [steady(LENGTH_S / (1 + 0.1 * (n % 3)), 1 + 0.1 * (n % 3)) for n in range(len(labels))]
    scores = []
    for number, (way, value) in enumerate(zip(ways, crushed, strict=True)):
        curves = {
            "crushed_percent": lambda m, v=value, n=number: np.maximum(
                0.0, v + rough(n, 1.0)(m) + 30.0 * (np.abs(m - 30) < 0.6) * (n % 2)
            )
        }
        last = clip if number == len(labels) - 1 else {}
        scores.append(
            flight(way, curves, name=f"flight {number}", **{"bit_rate": 4e6, "sha256": (f"{number:064d}",), **last})
        )  # type: ignore[arg-type]
    pairs = {(i, j): found or alignment_of(ways[i], ways[j]) for i, j in combinations(range(len(ways)), 2)}
    return compare_flights(scores, labels, pairs, Criteria())


@pytest.fixture(scope="module")
def plain() -> Page:
    """The page of flights with harmless labels."""
    return Page(render_comparison(made(), {}))


def test_json_has_the_agreed_keys() -> None:
    """comparison.json has every name that people's scripts read, in the agreed shape, and is strict JSON."""
    result = made()
    data = json.loads(dump_json(comparison_json(result)))
    assert data["schema"] == "fieldscore.comparison/1"
    assert [set(one) >= {"label", "file"} for one in data["flights"]] == [True, True]
    assert [one["label"] for one in data["flights"]] == ["dim", "lit"]
    (alignment,) = data["alignment"]
    assert (alignment["a"], alignment["b"], alignment["same_route"]) == (0, 1, True)
    assert 0.0 <= alignment["confidence"] <= 1.0
    assert alignment["overlap_share"] == pytest.approx(1.0, abs=0.01)
    for one in data["differences"]:
        assert set(one) >= {"measure", "a", "b", "difference", "ci95", "effective_samples", "better"}
        assert one["better"] in {"a", "b", None}
        assert one["ci95"] is None or (len(one["ci95"]) == 2 and one["ci95"][0] <= one["difference"] <= one["ci95"][1])
        assert one["ci95"] is not None or one["reason"]
    (crushed,) = [one for one in data["differences"] if one["measure"] == "crushed_percent"]
    assert crushed["difference"] == pytest.approx(-6.5, abs=1.0)
    assert all(set(one) >= {"check", "ok", "detail"} and isinstance(one["ok"], bool) for one in data["fairness"])
    assert data["verdict"] == verdict(result)


def test_pairs_are_a_table_of_numbers() -> None:
    """pairs.csv has the agreed head, numbers alone under it, times that go forward, and a row a matched place."""
    result = made(labels=("=cmd()", "@x"))
    rows = list(csv.DictReader(io.StringIO(pairs_csv(result))))
    assert list(rows[0]) == ["flight_a", "flight_b", "time_a_s", "time_b_s", "confidence"]
    assert len(rows) == len(result.alignments[0].found.time_a_s)
    assert {(row["flight_a"], row["flight_b"]) for row in rows} == {("0", "1")}
    for key in ("time_a_s", "time_b_s"):
        assert np.all(np.diff([float(row[key]) for row in rows]) >= 0.0)
    assert pairs_csv(made(found=foreign())).splitlines() == ["flight_a,flight_b,time_a_s,time_b_s,confidence"]


def test_verdict_names_the_better_camera_and_its_reach() -> None:
    """The verdict says who keeps more of what by how much, that it holds for these flights, and how to fly to know more."""
    text = verdict(made())
    assert text.startswith("Camera lit keeps more of the unlit part: ")
    assert re.search(r"\d\.\d+ points of the picture \(95 % interval \d", text)
    assert "for these flights only" in text
    assert "fly dim, lit, lit, dim and on" in text


def test_verdict_without_a_difference() -> None:
    """Equal flights: no difference shown, no camera named as better."""
    even = verdict(compare_flights(*_even()))
    assert even.startswith("No difference shown between dim and lit.")
    assert "Camera" not in even


def test_verdict_on_a_flight_and_itself() -> None:
    """A flight compared with itself is said to be the same everywhere, not too short to tell."""
    way = steady(LENGTH_S)
    one = flight(way, {"crushed_percent": lambda m: 10 + rough(1)(m)})
    result = compare_flights([one, one], ("a", "b"), {(0, 1): alignment_of(way, way)}, Criteria())
    assert verdict(result).startswith("No difference shown between a and b: they are the same at every place.")


def test_short_flights_are_told_to_fly_longer() -> None:
    """Flights too short for any interval are told to fly longer, beside what a large difference was and that it is not sure."""
    way = steady(5.0)
    scores = [flight(way, {"crushed_percent": lambda m, v=v: v + rough(int(v))(m)}) for v in (30.0, 10.0)]
    text = verdict(compare_flights(scores, ("dim", "lit"), {(0, 1): alignment_of(way, way)}, Criteria()))
    assert text.startswith(
        "Nothing is sure between dim and lit. By crushed lit is ahead by 20.8 points, but the flights are too short"
    )
    assert "fly longer, or more often." in text
    assert "even" not in text


def _even() -> tuple[list[object], tuple[str, str], dict[tuple[int, int], Alignment], Criteria]:
    way = steady(LENGTH_S)
    scores: list[object] = [flight(way, {"crushed_percent": lambda m, n=n: 10 + rough(n)(m)}) for n in (3, 4)]
    return scores, ("dim", "lit"), {(0, 1): alignment_of(way, way)}, Criteria()


def test_verdict_with_three_flights_each() -> None:
    """With three flights a camera the verdict speaks of the cameras and no longer of these flights only."""
    result = made(labels=("dim", "lit") * 3, crushed=(20.0, 10.0, 21.0, 11.0, 22.0, 12.0))
    text = verdict(result)
    assert text.startswith("Camera lit")
    assert "these flights only" not in text
    assert "Each flight counts once, 3 of each camera" in text


def test_verdict_is_weakened_by_an_unfair_comparison() -> None:
    """What the audit found is said in the verdict; noise of different codecs is not judged anywhere."""
    result = made(codec="mjpeg")
    text = verdict(result)
    assert "Take it with reserve" in text
    assert "codec (noise is not compared, and part of what can be read may be the coder's doing)" in text
    page = Page(render_comparison(result, {}))
    assert "not judged: codec differs" in page.text or "noise is not compared" in page.text


def test_repeats_show_what_one_camera_differs_by() -> None:
    """Two flights of each camera: the page has a row for each camera's own pair, and none without repeats."""
    page = Page(render_comparison(made(labels=("dim", "lit") * 2, crushed=(20.0, 10.0, 23.0, 10.5)), {}))
    assert "Flight to flight" in page.text
    assert re.search(r"dim\s*1 and 3", page.text)
    assert re.search(r"lit\s*2 and 4", page.text)
    assert "Two flights of one camera did not differ by usable places" in page.text


def test_verdict_needs_every_pair_of_flights_to_agree() -> None:
    """Where one pair of flights shows a better camera and another none, none is named; where all do, the least is told."""
    apart = verdict(made(labels=("dim", "lit") * 2, crushed=(20.0, 10.0, 14.0, 13.5)))
    assert "Camera" not in apart.partition(". ")[0]
    assert apart.startswith(
        "Not every pair of flights shows a sure difference between dim and lit. By crushed lit is ahead in 3 of 4"
    )
    agreed = verdict(made(labels=("dim", "lit") * 2, crushed=(30.0, 10.0, 25.0, 15.0)))
    assert re.match(r"Camera lit keeps more of the unlit part: (8|9|10)\.\d", agreed)


def test_pairs_that_disagree_name_nobody() -> None:
    """One measure of several pairs of flights is named only if all pairs say the same, then with the smallest difference."""
    (one,) = [entry for entry in made().differences if entry.measure == "crushed_percent"]
    small, large = replace(one, difference=-3.0), replace(one, difference=-9.0)
    assert agreed([large, small]) == [small]
    for other in ("a", None):
        assert agreed([small, replace(large, better=other)]) == []  # type: ignore[arg-type]


def test_the_path_is_drawn_with_the_first_camera_first(monkeypatch: pytest.MonkeyPatch) -> None:
    """The drawing of the path has the times of the camera named first across, also where it flew last."""
    seen: list[tuple[float, float]] = []

    def noted(time_a: np.ndarray, time_b: np.ndarray, *rest: object) -> str:  # type: ignore[type-arg]
        seen.append((float(time_a[-1]), float(time_b[-1])))
        return "<svg></svg>"

    monkeypatch.setattr(compare_page, "path_svg", noted)
    ways = [steady(50.0), steady(40.0, 1.25), steady(50.0)]
    scores = [flight(way, {}, sha256=(f"{n:064d}",)) for n, way in enumerate(ways)]
    pairs = {(0, 1): foreign(), (0, 2): alignment_of(ways[0], ways[2]), (1, 2): alignment_of(ways[1], ways[2])}
    render_comparison(compare_flights(scores, ("A", "B", "A"), pairs, Criteria()), {})
    assert seen == [(pytest.approx(50.0, abs=0.1), pytest.approx(40.0, abs=0.1))]


def test_a_foreign_route_is_said_in_one_sentence() -> None:
    """Without a shared route there is no comparison: verdict, lines and page give the reason and no figure."""
    result = made(found=foreign())
    assert verdict(result).startswith("No comparison: the flights do not show the same route.")
    assert "no stretch of them looks alike" in verdict(result)
    page = Page(render_comparison(result, {}))
    assert page.open == []
    assert not page.figures
    assert comparison_json(result)["differences"] == []
    shown = whole(result)
    assert shown["many_measures"] is None
    assert shown["facts"] == "2 flights, none of which could be compared with another"


def test_what_is_too_short_is_not_called_another_route() -> None:
    """Flights too short for any route to be told are told so wherever it is told."""
    short = "one of the two shows only 1.5 s of picture; 4 s are needed"
    result = made(found=replace(foreign(), reason=short, too_short=True))
    text = verdict(result)
    assert text.startswith(
        "No comparison: too short to be matched. Flights 1 (dim) and 2 (lit) cannot be matched: one of the two"
    )
    assert alignment_row(result.alignments[0])["same"] == f"too short: {short}"
    (line, _) = run_compare._strangers(result)
    assert line.endswith(f": cannot be matched with any other of the flights: {short}")
    for told in (text, line, *result.notes):
        assert "route" not in told


@pytest.mark.parametrize(("labels", "folded"), [(("a", "b", "b"), False), (("a", "a", "b", "b"), True)])
def test_a_long_table_is_folded(labels: tuple[str, ...], folded: bool) -> None:
    """The figures of more than two pairs of flights stand folded under how many they are; all are in the page."""
    result = made(labels, (17.1, 10.0, 12.0, 14.0)[: len(labels)])
    page = render_comparison(result, {})
    rows = len(result.between("a", "b"))
    assert (f"<summary>Every figure, pair of flights by pair ({rows})</summary>" in page) is folded
    assert Page(page).open == []
    assert page.count('data-key="differences.') == rows


def test_a_doubtful_route_is_said_to_be_one() -> None:
    """A refusal with some confidence is told as not sure wherever it is told, and not as another route."""
    result = made(found=replace(foreign(), confidence=0.47))
    text = verdict(result)
    assert text.startswith("No comparison: it is not sure that the flights show the same route.")
    assert "may or may not show the same route: no stretch of them looks alike" in text
    assert alignment_row(result.alignments[0])["same"] == "not sure: no stretch of them looks alike"
    for told in (text, *result.notes):
        assert "do not show" not in told
    assert alignment_row(made(found=foreign()).alignments[0])["same"].startswith("no: ")


def test_page_is_whole_and_safe() -> None:
    """Every element of the page is closed, nothing outside is asked for, every caution is there, figures equal the data."""
    result = made()
    page = Page(render_comparison(result, {}))
    assert page.open == []
    for _, attributes in page.elements:
        for key in ("src", "href"):
            assert not attributes.get(key, "").startswith(("http", "//", "file"))
    assert not [tag for tag, _ in page.elements if tag in {"iframe", "object", "embed"}]
    kinds = [attributes.get("type", "") for tag, attributes in page.elements if tag == "script"]
    assert sorted(kinds) == ["", *["application/json"] * (len(kinds) - 1)]  # one script of our own, allowed by its hash
    assert all(caution in page.text for caution in CAUTIONS)
    data = comparison_json(result)
    assert page.figures
    for key, (value, _) in page.figures.items():
        number = int(key.split(".")[1])
        expected = data["differences"][number]["difference"]
        assert (float(value) if value else None) == pytest.approx(expected, abs=1e-5)


def test_page_shows_both_flights_at_each_place() -> None:
    """Most different and random places are shown as pairs of pictures, each with its time and its unreadable tiles."""
    result = made()
    page = Page(render_comparison(result, {}))
    pictures = [attributes for tag, attributes in page.elements if tag == "img"]
    assert len(pictures) >= 8
    assert len(pictures) % 2 == 0
    for first, second in zip(pictures[::2], pictures[1::2], strict=True):
        assert first["alt"].startswith("dim at ")
        assert second["alt"].startswith("lit at ")
        assert first["src"].startswith("data:image/jpeg;base64,")
    assert "Where they differ most" in page.text
    assert "Drawn at random" in page.text


def test_larger_pictures_are_taken_where_they_are() -> None:
    """A picture given for a moment of a flight takes the place of the small one saved with it."""
    result = made()
    large = b"\xff\xd8\xff" + b"large"
    wanted = {(number, time_s): large for number, times in evidence_moments(result).items() for time_s in times}
    page = Page(render_comparison(result, wanted))
    assert {attributes["src"] for tag, attributes in page.elements if tag == "img"} == {
        "data:image/jpeg;base64,/9j/bGFyZ2U="
    }


@pytest.mark.parametrize("name", [*HOSTILE, "$x^{2}$", "=1+1", "a & b"])
def test_hostile_labels_are_text(name: str, plain: Page) -> None:
    """A label of markup, formulas or hidden characters is shown as text, everywhere, and changes nothing around it."""
    result = made(labels=(name, "lit"))
    html = render_comparison(result, {})
    page = Page(html)
    assert page.open == []
    assert [tag for tag, _ in page.elements] == [tag for tag, _ in plain.elements]
    assert visible(name) in page.text
    dump_json(comparison_json(result)).encode("ascii")
    for line in comparison_lines(result):
        assert line.isprintable()


def test_shown_places_are_apart_and_the_same_each_time() -> None:
    """Places to look at keep their distance, the most different one comes first, and a second call gives the same."""
    result = made()
    (places,) = result.places
    shown = shown_places(places, result.differences)
    assert shown == shown_places(places, result.differences)
    assert {one.kind for one in shown} == {"different", "random"}
    for one, other in combinations(shown, 2):
        assert abs(places.place_s[one.place] - places.place_s[other.place]) >= APART_S - 1e-9
    # the second flight has 30 % more crushed within 0.6 m of metre 30
    assert 29.0 <= shown[0].time_a_s <= 31.0
    assert shown[0].of_b - shown[0].of_a > 3.0


def test_equal_flights_have_no_most_different_place() -> None:
    """Where no place differs by what matters, only random ones are shown."""
    way = steady(LENGTH_S)
    one = flight(way, {"crushed_percent": 5.0})
    result = compare_flights([one, one], ("a", "b"), {(0, 1): alignment_of(way, way)}, Criteria())
    assert {shown.kind for shown in shown_places(result.places[0], result.differences)} == {"random"}


def test_unreadable_tiles_are_those_under_rose() -> None:
    """The hatched area is that of the tiles under the Rose criterion, in pixels of the picture; overlay tiles are left alone."""
    way = steady(20.0)
    one = flight(way, {})
    assert unreadable_path(one, 1.5) == ""
    path = unreadable_path(one, 2.5)
    assert path.count("M") == 6 * 16
    assert path.startswith("M0.0 240.0h40.0v40.0h-40.0z")


def test_swapped_alignment_is_its_own_inverse() -> None:
    """Turning an alignment twice gives it back."""
    found = alignment_of(steady(20.0), steady(10.0, 2.0))
    again = swapped(swapped(found))
    np.testing.assert_array_equal(again.time_a_s, found.time_a_s)
    np.testing.assert_array_equal(again.time_b_s, found.time_b_s)


def test_files_are_written_whole_and_nothing_foreign_is_overwritten(tmp_path: Path) -> None:
    """The three files are there; a second run replaces them; a folder with another report is refused."""
    result = made()
    report = write_comparison(result, tmp_path / "out", {})
    assert {path.name for path in report.parent.iterdir()} == {"comparison.json", "pairs.csv", "report.html"}
    assert write_comparison(result, tmp_path / "out", {}) == report
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "report.html").write_text("mine")
    with pytest.raises(ResultsError, match="no comparison's"):
        write_comparison(result, tmp_path / "other", {})
    assert (tmp_path / "other" / "report.html").read_text() == "mine"


def test_lines_tell_every_measured_difference() -> None:
    """The terminal gets the verdict, a line a measure with its interval or why there is none, and the failed checks."""
    result = made(codec="mjpeg")
    lines = comparison_lines(result)
    assert lines[0] == verdict(result)
    assert any(re.match(r"  crushed +-\d\.\d+ points  95 % interval .*; lit is better", line) for line in lines)
    assert any(line.startswith("  not the same: codec: h264, 8 bit and mjpeg, 8 bit") for line in lines)


def test_notes_name_unsure_alignments() -> None:
    """An alignment of low confidence is told as such."""
    way = steady(LENGTH_S)
    found = replace(alignment_of(way, way), confidence=0.3)
    result = compare_flights([flight(way, {}), flight(way, {})], ("a", "b"), {(0, 1): found}, Criteria())
    assert any("not sure (confidence 0.30)" in note for note in result.notes)
    assert not math.isnan(result.alignments[0].found.confidence)


def test_a_route_taken_through_a_third_flight_is_told() -> None:
    """A weak match that was taken says why in the notes, the row of the alignment and the data."""
    way = steady(LENGTH_S)
    why = "alike too little by themselves, but flight 3 matches both and leads to the same places"
    result = made(found=replace(alignment_of(way, way), reason=why))
    assert f"flights 1 (dim) and 2 (lit) are taken to show the same route: {why}" in result.notes
    assert alignment_row(result.alignments[0])["same"] == f"yes: {why}"
    assert comparison_json(result)["alignment"][0]["reason"] == why
    assert alignment_row(made().alignments[0])["same"] == "yes"
    assert not any("taken to show" in note for note in made().notes)
