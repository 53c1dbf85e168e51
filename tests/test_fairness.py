"""The fairness audit: each check passes on equal flights, fails on the one thing it looks at, and says what follows."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from compare_material import alignment_of, flight, steady
from flight_material import SNOW, record_of, timeline_of

from fieldscore.comparison import Check, PairAlignment
from fieldscore.criteria import Criteria
from fieldscore.fairness import NOISE_MEASURES, READABILITY_MEASURES, audit
from fieldscore.score import Score, score_flight

CRITERIA = Criteria()
WAY = steady(40.0)
RATE = 4e6


def audited(first: Score, second: Score, speed: float = 1.0, **changes: Any) -> dict[str, Check]:
    """The checks by name of two flights, the second at `speed`; `changes` are to the alignment."""
    found = replace(alignment_of(WAY, steady(40.0 / speed, speed)), **changes)
    return {one.check: one for one in audit([first, second], (0, 1), [PairAlignment(0, 1, found)], CRITERIA)}


def made(**clip: Any) -> Score:
    return flight(WAY, {}, **{"bit_rate": RATE, **clip})


def failed(checks: dict[str, Check]) -> list[str]:
    return [name for name, one in checks.items() if not one.ok]


def test_equal_flights_pass_every_check() -> None:
    """Two flights that differ in nothing pass, and each check tells the figures it looked at."""
    checks = audited(made(), made())
    assert failed(checks) == []
    assert all(one.detail for one in checks.values())


@pytest.mark.parametrize(
    ("clip", "check", "withholds"),
    [
        ({"codec": "mjpeg"}, "codec", True),
        ({"bits": 10, "floor_code": 64.0, "ceiling_code": 940.0}, "codec", True),
        ({"bit_rate": RATE * 1.6}, "bit rate", True),
        ({"bit_rate": None}, "bit rate", True),
        ({"width": 720, "bit_rate": RATE * 720 / 640}, "picture size", True),
        ({"frame_rate": 25.0, "bit_rate": RATE * 25 / 30}, "frame rate", False),
        ({"interlaced": True}, "frame rate", False),
        ({"floor_code": 20.0}, "floor and ceiling", False),
        ({"ceiling_code": 250.0}, "floor and ceiling", False),
        ({"code_range": "full", "floor_code": 0.0, "ceiling_code": 255.0}, "code range", False),
        ({"transfer_tag": "hlg"}, "tagged tone curve", False),
        ({"transfer_tag": "pq"}, "tagged tone curve", False),
    ],
)
def test_one_difference_of_the_chain_fails_one_check(clip: dict[str, Any], check: str, withholds: bool) -> None:
    """A single difference of the recording chain fails the check of it, no other, and keeps noise out where it must."""
    checks = audited(made(), made(**clip))
    assert failed(checks) == [check]
    assert checks[check].then
    assert (set(checks[check].withholds) >= set(NOISE_MEASURES)) is withholds


def test_a_tag_of_a_usual_curve_is_as_good_as_none() -> None:
    """BT.709 said by one file and nothing by the other is no difference; HLG and PQ are one."""
    assert failed(audited(made(), made(transfer_tag="bt709"))) == []
    both = audited(made(transfer_tag="hlg"), made(transfer_tag="pq"))
    assert failed(both) == ["tagged tone curve"]
    detail = both["tagged tone curve"].detail
    assert detail == "HLG and PQ by the files' tags; the curves that the cameras have are not known"


@pytest.mark.parametrize(
    ("clip", "border_px", "same"),
    [
        ({"width": 640, "height": 360}, (0, 0, 0, 0), False),
        ({"width": 640, "height": 480}, (60, 0, 60, 0), False),
        ({"width": 1280, "height": 720}, (0, 160, 0, 160), True),
        ({"width": 720, "height": 576}, (0, 0, 0, 0), True),
        ({"width": 720, "height": 480}, (4, 0, 4, 0), True),
    ],
)
def test_pictures_of_other_shapes_are_not_compared_by_what_can_be_read(
    clip: dict[str, Any], border_px: tuple[int, int, int, int], same: bool
) -> None:
    """Against 4:3 a wide picture keeps readability out, one with bars beside it or with pixels that are not square does not."""
    other = made(**clip)
    record = replace(other.record, picture=replace(other.record.picture, border_px=border_px))
    shape = audited(made(width=640, height=480), replace(other, record=record))["picture shape"]
    assert shape.ok is same
    assert "1.33" in shape.detail and ("1.78" in shape.detail) is not same
    assert set(shape.withholds) == set(READABILITY_MEASURES)


def test_nearly_equal_frame_rates_are_the_same() -> None:
    """29.97 and 30 frames a second are one rate."""
    assert failed(audited(made(), made(frame_rate=29.97))) == []


def test_speed_is_compared_at_the_same_places() -> None:
    """A flight at half the speed fails the check with the ratio 2 in its detail; 20 % more does not."""
    slow = audited(made(), made(), 0.5)
    assert failed(slow) == ["speed"]
    assert "2.00 times" in slow["speed"].detail
    assert failed(audited(made(), made(), 1.2)) == []
    assert audited(made(), made())["speed"].detail.startswith("both flights were equally fast at the same places")


def test_overlap_under_the_limit_fails() -> None:
    """Half of the shorter flight matched is too little."""
    checks = audited(made(), made(), overlap_share=0.5)
    assert failed(checks) == ["overlap of the routes"]
    assert "50 %" in checks["overlap of the routes"].detail


def test_another_light_level_fails() -> None:
    """Bright parts 20 % of level apart fail; the detail says that another exposure looks the same."""
    checks = audited(made(), flight(WAY, {"p95_percent": 60.0}, bit_rate=RATE))
    assert failed(checks) == ["light level"]
    assert "60" in checks["light level"].detail
    assert "another exposure" in checks["light level"].detail


def test_only_the_shared_route_counts_for_the_light() -> None:
    """A flight that goes on into a floodlit place does not fail the check of the light on the part that both flew."""
    longer = steady(80.0)
    beyond = flight(longer, {"p95_percent": lambda m: np.where(m > WAY[-1], 100.0, 80.0)}, bit_rate=RATE)
    found = PairAlignment(0, 1, alignment_of(WAY, longer))
    checks = {one.check: one for one in audit([made(), beyond], (0, 1), [found], CRITERIA)}
    assert failed(checks) == []
    assert "at 80 %" in checks["light level"].detail


def test_a_lossy_link_fails() -> None:
    """A link lost for a tenth of the airtime fails, with the share."""
    lossy = score_flight(record_of(timeline_of(len(WAY), (300, 420, SNOW)), bit_rate=RATE), CRITERIA)
    checks = audited(made(), lossy)
    assert failed(checks) == ["link"]
    assert "10.0" in checks["link"].detail


def test_other_criteria_keep_readability_out() -> None:
    """Flights measured with other criteria fail the check, which names them and forbids to judge readability."""
    other = made()
    other = replace(other, criteria=replace(CRITERIA, rose_k=4.0))
    checks = audited(made(), other)
    assert failed(checks) == ["criteria"]
    assert "rose_k" in checks["criteria"].detail
    assert {"usable", "zone_readable_percent"} <= set(checks["criteria"].withholds)


@pytest.mark.parametrize("size", [(352, 288), (352, 240), (720, 576), (720, 288), (960, 576)])
def test_frames_of_analogue_recorders_are_four_by_three(size: tuple[int, int]) -> None:
    """What they make of a frame of ITU-R BT.601 has pixels that are not square, and is shown as 4:3."""
    first, second = made(), made()
    first, second = (
        replace(one, record=replace(one.record, clip=replace(one.record.clip, width=width, height=height)))
        for one, (width, height) in ((first, (640, 480)), (second, size))
    )
    assert audited(first, second)["picture shape"].ok


def test_maps_told_more_often_are_no_other_criteria() -> None:
    """Results of another interval of the map, on which no figure rests, are compared with all that they hold."""
    other = replace(made(), criteria=replace(CRITERIA, tile_interval_s=0.25))
    assert failed(audited(made(), other)) == []


def test_many_flights_are_audited_together() -> None:
    """Of four flights the worst pair decides, and the detail names the range."""
    scores = [made(), made(), made(), flight(WAY, {"p95_percent": 40.0}, bit_rate=RATE)]
    found = {one.check: one for one in audit(scores, range(4), [], CRITERIA)}
    assert "overlap of the routes" not in found
    assert not found["light level"].ok
    assert "40 to 80" in found["light level"].detail
    assert np.all([one.ok for name, one in found.items() if name != "light level"])
