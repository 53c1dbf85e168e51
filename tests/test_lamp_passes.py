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


def test_a_lamp_that_shrinks_on_its_way_is_one_pass() -> None:
    """A lamp that hides behind another thing on its way, and shows again as the same one, is one pass; as another one it is two."""
    timeline = passing([(4.0, 3.0, -1.0)])
    radius = timeline["bloom_radius_percent"].copy()
    radius[100:110] = np.nan
    same = passing([(4.0, 3.0, -1.0)], bloom_radius_percent=radius)
    assert [round(one.largest_s, 1) for one in lamp_passes(same, everywhere(same))] == [4.0]
    number = np.where(np.arange(600) < 105, 1.0, 2.0)
    other = passing([(4.0, 3.0, -1.0)], bloom_radius_percent=radius, lamp_number=number)
    assert len(lamp_passes(other, everywhere(other))) == 2


def test_a_lamp_beside_a_larger_one_is_no_pass_of_its_own() -> None:
    """Of two lamps that are the largest in turn, with no trough between them, the larger one is the pass."""
    number = np.where(np.arange(600) < 100, 1.0, 2.0)
    timeline = passing([(4.0, 3.0, -1.0)], lamp_number=number)
    assert [round(one.largest_s, 1) for one in lamp_passes(timeline, everywhere(timeline))] == [4.0]


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
