"""Lamps flown past, from made columns of known exposure and size."""

from __future__ import annotations

import numpy as np
import pytest
from flight_material import timeline_of

from fieldscore.lamp_passes import lamp_passes, toward_light
from fieldscore.timeline import Timeline

RATE = 30.0


def passing(peaks: list[tuple[float, float, float]], seconds: float = 20.0, **columns: np.ndarray) -> Timeline:
    """A Timeline on which lamps (when, radius in %, stops) grow over 1.5 s, go within 0.2 s and pull the exposure down."""
    n = int(seconds * RATE)
    time = np.arange(n) / RATE
    radius, exposure, number = np.zeros(n), np.zeros(n), np.full(n, np.nan)
    for lamp, (at, largest, stops) in enumerate(peaks, 1):
        grow = np.clip(1 - (at - time) / 1.5, 0, 1) * (time <= at) + np.clip(1 - (time - at) / 0.2, 0, 1) * (time > at)
        number[largest * grow > radius] = lamp
        radius = np.maximum(radius, largest * grow)
        exposure += stops * np.clip(1 - np.abs(time - at) / 1.0, 0, 1)
    values = {
        "bloom_radius_percent": np.where(radius > 0, radius, np.nan),
        "lamps": (radius > 0).astype(float),
        "lamp_number": number,
        "exposure_stops": exposure,
        "veil_percent": 0.5 * radius,
        **columns,
    }
    return timeline_of(n, rate=RATE, **values)


def everywhere(timeline: Timeline) -> np.ndarray:
    return np.ones(len(timeline), dtype=np.bool_)


@pytest.mark.parametrize("stops", [-0.3, -1.0, -2.5])
def test_each_pass_gives_its_pulldown(stops: float) -> None:
    """Three lamps far apart are three passes, each with the exposure change put in, within 7 % (the mean over 0.2 s)."""
    timeline = passing([(4.0, 3.0, stops), (9.0, 2.0, stops / 2), (15.0, 4.0, stops)])
    found = lamp_passes(timeline, everywhere(timeline))
    assert [round(one.largest_s) for one in found] == [4, 9, 15]
    assert [one.pulldown_stops for one in found] == pytest.approx([stops, stops / 2, stops], rel=0.07, abs=0.05)
    assert [one.veil_percent for one in found] == pytest.approx([1.5, 1.0, 2.0], abs=0.3)


@pytest.mark.parametrize(("least", "passes"), [(0.65, 1), (0.4, 2)])
def test_a_lamp_that_shrinks_on_its_way_is_one_pass(least: float, passes: int) -> None:
    """A lamp that shrinks by a third and grows again is one pass; one that shrinks to under half came near twice."""
    time = np.arange(600) / RATE
    radius = 3.0 * np.interp(time, [2.0, 5.0, 7.0, 9.0, 12.0], [0.1, 1.0, least, 1.0, 0.1])
    timeline = passing([], bloom_radius_percent=radius, lamp_number=np.ones(600))
    assert len(lamp_passes(timeline, everywhere(timeline))) == passes


def test_each_time_around_a_lamp_is_a_pass() -> None:
    """Of a lamp that stays in view and comes near four times in twenty seconds each time is a pass."""
    radius = 2.0 + 1.5 * np.sin(2.0 * np.pi * np.arange(600) / RATE / 5.0)
    timeline = passing([], bloom_radius_percent=radius, lamp_number=np.ones(600))
    found = [one.largest_s for one in lamp_passes(timeline, everywhere(timeline))]
    assert found == pytest.approx([1.25, 6.25, 11.25, 16.25], abs=0.1)


@pytest.mark.parametrize(("trough", "passes"), [(0.7, [8.0]), (0.5, [5.0, 8.0])])
def test_of_lamps_that_no_trough_parts_the_larger_one_is_the_pass(trough: float, passes: list[float]) -> None:
    """Two lamps, one after the other the largest: with a trough of four tenths between them two passes, else the larger one."""
    time = np.arange(600) / RATE
    radius = np.interp(time, [3.0, 5.0, 6.0, 8.0, 9.0], [0.1, 2.0, 2.0 * trough, 3.0, 0.1])
    timeline = passing([], bloom_radius_percent=radius, lamp_number=1.0 + (time > 6.0))
    found = [one.largest_s for one in lamp_passes(timeline, everywhere(timeline))]
    assert found == pytest.approx(passes, abs=0.1)


@pytest.mark.parametrize("order", [(0, 1, 2), (2, 1, 0), (1, 2, 0)])
def test_many_lamps_without_troughs_are_the_largest_one(order: tuple[int, ...]) -> None:
    """Three lamps in a row, with nothing but small dips between them, are one pass, at the largest, whichever that is."""
    time = np.arange(600) / RATE
    tops = [2.0 + 0.5 * one for one in order]
    radius = np.interp(time, [3.0, 5.0, 6.0, 7.0, 8.0, 9.0, 11.0], [0.1, tops[0], 1.8, tops[1], 1.8, tops[2], 0.1])
    timeline = passing([], bloom_radius_percent=radius, lamp_number=1.0 + (time > 6.0) + (time > 8.0))
    found = [one.largest_s for one in lamp_passes(timeline, everywhere(timeline))]
    assert found == pytest.approx([5.0 + 2.0 * order.index(2)], abs=0.1)


@pytest.mark.parametrize("gap", [1, 3, 6])
def test_a_moment_between_two_lamps_hides_no_other(gap: int) -> None:
    """A small lamp that is the largest for a look between two others is a pass all the same where it comes near later."""
    row = np.arange(600)
    one = np.interp(row / RATE, [1.0, 3.9, 4.0], [0.5, 3.0, 0.0]) * (row < 120)
    two = np.interp(row / RATE, [4.0, 5.0, 5.1], [2.5, 3.0, 0.0]) * (row >= 120 + gap)
    far = np.interp(row / RATE, [0.0, 10.0, 14.0, 14.3], [0.7, 0.7, 4.0, 0.0])
    all_of_them = np.stack([far, one, two])
    timeline = passing([], bloom_radius_percent=all_of_them.max(axis=0), lamp_number=1.0 + all_of_them.argmax(axis=0))
    assert 14 in [round(each.largest_s) for each in lamp_passes(timeline, everywhere(timeline))]


def test_a_lamp_in_view_for_a_moment_is_a_pass() -> None:
    """In view for a quarter of a second a lamp is one pass; one that stays as large as it is, is none."""
    radius = np.full(600, np.nan)
    radius[300:308] = 3.0
    short = passing([(4.0, 3.0, -1.0)], bloom_radius_percent=radius, lamp_number=np.ones(600))
    assert len(lamp_passes(short, everywhere(short))) == 1
    steady = passing([], bloom_radius_percent=np.full(600, 3.0), lamp_number=np.ones(600))
    assert lamp_passes(steady, everywhere(steady)) == ()


def test_no_lamp_no_pass() -> None:
    """Without a lamp there is no pass, and nothing was flown toward."""
    timeline = passing([])
    assert lamp_passes(timeline, everywhere(timeline)) == ()
    assert toward_light(timeline, everywhere(timeline), 60.0) is None


def test_a_lamp_on_the_ground_does_not_count() -> None:
    """What is outside the airtime is left out."""
    timeline = passing([(4.0, 3.0, -1.0), (15.0, 3.0, -1.0)])
    found = lamp_passes(timeline, timeline.between(8.0, 20.0))
    assert [round(one.largest_s) for one in found] == [15]


def test_an_exposure_on_its_way_back_is_no_pull_down_of_the_next_lamp() -> None:
    """A lamp during which the exposure only opens pulls nothing down; one that stops it on its way pulls it down from there."""
    time = np.arange(600) / RATE
    opening = np.interp(time, [2.0, 5.0], [-2.0, 0.0])
    (one,) = lamp_passes(still := passing([(4.0, 3.0, 0.0)], exposure_stops=opening), everywhere(still))
    assert one.pulldown_stops == pytest.approx(0.0, abs=0.01)
    stopped = np.interp(time, [2.0, 3.2, 3.5, 4.0, 4.3, 6.0], [-2.0, -0.5, -0.5, -1.1, -1.1, 0.0])
    (one,) = lamp_passes(again := passing([(4.0, 3.0, 0.0)], exposure_stops=stopped), everywhere(again))
    assert one.pulldown_stops == pytest.approx(-0.6, abs=0.02)


def test_without_an_exposure_trace_no_pulldown_is_made_up() -> None:
    """A pass whose exposure is not known is left out."""
    timeline = passing([(4.0, 3.0, -1.0)], exposure_stops=np.full(600, np.nan))
    assert lamp_passes(timeline, everywhere(timeline)) == ()


def test_toward_the_light() -> None:
    """Time in view, share lost, and the longest stretch without the zone are those put in."""
    n = 600
    time = np.arange(n) / RATE
    seen = (time >= 5.0) & (time < 9.0)
    zone = np.where((time >= 6.0) & (time < 7.5), 40.0, 90.0)
    timeline = timeline_of(
        n, rate=RATE, lamps=seen.astype(float), bloom_radius_percent=np.where(seen, 2.0, np.nan),
        readable_percent=np.full(n, 80.0), zone_readable_percent=zone, exposure_stops=np.zeros(n), veil_percent=np.zeros(n),
    )  # fmt: skip
    found = toward_light(timeline, np.ones(n, dtype=np.bool_), 60.0)
    assert found is not None
    assert found.in_view_s == pytest.approx(4.0, abs=0.05)
    assert found.lost_percent == pytest.approx(20.0)
    assert found.zone_readable_percent == pytest.approx(90.0)
    assert found.zone_lost_s == pytest.approx(1.5, abs=0.05)
