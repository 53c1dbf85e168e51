"""Figures as words, the verdict, the terminal summary, folder names."""

from __future__ import annotations

import math
import unicodedata
from dataclasses import replace

import pytest
from builders import build_record, build_score, unmeasured
from hypothesis import given
from hypothesis import strategies as st

from fieldscore.report import flight_json, folder_name, plain_verdict, terminal_summary, words
from fieldscore.report.names import MAX_BYTES
from fieldscore.score import CAUSES


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, "0 %"),
        (0.00004, "0.1 %"),
        (0.004, "0.4 %"),
        (0.62, "62 %"),
        (0.9962, "99.6 %"),
        (0.99999, "99.9 %"),
        (1.0, "100 %"),
        (None, "not measured"),
        (math.nan, "not measured"),
    ],
)
def test_share(value: float | None, text: str) -> None:
    """A share reads as %, and 0 % and 100 % are said only when they are exact."""
    assert words.share(value) == text


@given(st.floats(0.0, 1.0))
def test_share_is_near_its_value(value: float) -> None:
    """The words never differ from the share by more than half a percentage point."""
    assert float(words.share(value).split()[0]) == pytest.approx(100 * value, abs=0.5001)


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (0.0, "%", "0 %"),
        (-0.001, "%", "0 %"),
        (0.333, "%", "0.33 %"),
        (9.999, "s", "10.0 s"),
        (123.4, "", "123"),
        (-0.9, "stop", "-0.90 stops"),
        (1.0, "stop", "1.00 stop"),
        (None, "%", "not measured"),
        (math.inf, "%", "not measured"),
    ],
)
def test_number(value: float | None, unit: str, text: str) -> None:
    """A figure shows about three digits and its unit; what is not finite is not measured."""
    assert words.number(value, unit) == text


@pytest.mark.parametrize(
    ("time_s", "text"), [(0.0, "0:00.0"), (12.34, "0:12.3"), (59.96, "1:00.0"), (3725.0, "62:05.0")]
)
def test_moment(time_s: float, text: str) -> None:
    """A time of flight reads as minutes, seconds and tenths."""
    assert words.moment(time_s) == text


@pytest.mark.parametrize(
    ("by_cause_s", "text"),
    [
        ({"noisy": 0.9}, "too noisy"),
        ({"link_lost": 0.4, "noisy": 0.24}, "link lost 0.4 s, too noisy 0.2 s"),
        ({"link_lost": 2.4, "too_dark": 0.04}, "link lost"),
        ({"too_dark": 0.04, "noisy": 0.04}, "too dark"),
    ],
)
def test_what_a_gap_was_lost_to(by_cause_s: dict[str, float], text: str) -> None:
    """One cause is named alone; of several each has its seconds, but for those that round to nothing."""
    assert words.lost_to(by_cause_s) == text


def test_visible() -> None:
    """Line breaks, control and direction characters are written out, letters of any language kept."""
    assert words.visible("a\nb\u202ec\x1b[31m\udc80") == "a[U+000A]b[U+202E]c[U+001B][31m[U+DC80]"
    assert words.visible("Übung 空 <b>") == "Übung 空 <b>"


def test_verdict_says_how_much_and_why() -> None:
    """The verdict names the usable share, the largest cause with its share, the longest gap with its time."""
    score = build_score()
    verdict = plain_verdict(score)
    flight = flight_json(score)
    assert words.share(flight["usable"]["share"]) in verdict
    assert "too dark to make out obstacles" in verdict
    assert words.share(flight["usable"]["lost_by_cause"]["too_dark"]) in verdict
    assert "8.0 s, from 0:24.0" in verdict


def test_verdict_of_a_perfect_flight() -> None:
    """A flight without loss names no cause and no gap."""
    score = build_score()
    usable = replace(
        score.usable,
        share=1.0,
        longest_gap_s=0.0,
        longest_gap_at_s=None,
        lost_by_cause=dict.fromkeys(CAUSES, 0.0),
    )
    verdict = plain_verdict(replace(score, usable=usable, gaps=()))
    assert "100 % of the airtime" in verdict
    assert "Nothing was lost" in verdict
    assert "because" not in verdict


def test_verdict_without_a_share_gives_the_reason() -> None:
    """Where the share could not be measured the verdict says so and why, instead of a number."""
    verdict = plain_verdict(unmeasured(build_score()))
    assert "could not be measured: no sustained motion was found" in verdict
    assert "%" not in verdict


def test_terminal_summary_has_the_digits_of_the_report() -> None:
    """The terminal shows the share, interval, causes and gaps with the words the report uses."""
    score = build_score()
    flight = flight_json(score)
    text = "\n".join(terminal_summary(score))
    usable = flight["usable"]
    low, high = usable["ci95"]
    assert f"{words.share(usable['share'])} of 56.0 s airtime" in text
    assert f"95 % interval {words.share(low)} to {words.share(high)}, from 41.3 effective samples" in text
    assert f"too dark {words.share(usable['lost_by_cause']['too_dark'])}" in text
    assert "longest 8.0 s from 0:24.0" in text
    level = flight["measures"]["level_percent"]
    assert f"level {words.number(level['median'], '%')}" in text
    assert "3 frames (0.1 s) are missing" in text


def test_terminal_summary_is_plain_lines() -> None:
    """No name reaches the terminal with a control character in it, and each line stays one line."""
    score = build_score(build_record("a\x1b[2Jb\nc\u202e"))
    lines = terminal_summary(score)
    assert lines[0] == "a[U+001B][2Jb[U+000A]c[U+202E]"
    assert all(line.isprintable() for line in lines)


def test_terminal_summary_without_an_interval_says_why() -> None:
    """No interval comes with its reason."""
    score = build_score()
    usable = replace(score.usable, ci95=None, reason="12 effective samples are fewer than 30")
    text = "\n".join(terminal_summary(replace(score, usable=usable)))
    assert "no interval: 12 effective samples are fewer than 30" in text


@pytest.mark.parametrize("name", ["flight_0007", "Übung 3", "12-30-05", "a.b", "空"])
def test_harmless_names_stay(name: str) -> None:
    """A name that is legal everywhere is the folder's name as it is."""
    assert folder_name(name) == name


@pytest.mark.parametrize(
    "name",
    [
        "",
        ".",
        "..",
        "../../x",
        "a/b",
        "a\\b",
        "12:30:05",
        "-rf",
        ".hidden",
        "a.",
        "a ",
        "CON",
        "nul.mp4",
        "com\u00b9",
        "x\n",
        "\u202eabc",
        "<script>",
        "a" * 300,
        "é" * 80,
        "\udc80",
        "LPT1 .txt",
        " a",
    ],
)
def test_harmful_names_change(name: str) -> None:
    """A name that would leave the folder, hide, or be refused by a file system changes and gets a hash."""
    found = folder_name(name)
    assert found != name
    assert safe(found)


@given(st.text(max_size=150))
def test_every_name_gives_a_safe_folder(name: str) -> None:
    """Any text at all gives a folder name that is safe."""
    assert safe(folder_name(name))


@given(st.lists(st.text(alphabet="ab/:\\.\n -", max_size=8), unique=True, max_size=40))
def test_distinct_names_give_distinct_folders(names: list[str]) -> None:
    """No two names share a folder, not even when cleaning would make them alike."""
    assert len({folder_name(name) for name in names}) == len(names)


def safe(name: str) -> bool:
    """Say whether a folder of this name can be made in any common file system and seen for what it is."""
    return (
        0 < len(name.encode("utf-8")) <= MAX_BYTES
        and not set(name) & set('/\\:*?"<>|')
        and not any(unicodedata.category(one)[0] == "C" for one in name)
        and name[0] not in "-. "
        and name[-1] not in ". "
        and name.split(".", 1)[0].strip().lower() not in {"con", "prn", "aux", "nul", "com1", "lpt1", "com\u00b9"}
    )
