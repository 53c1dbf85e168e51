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
    radius, exposure = np.zeros(n), np.zeros(n)
    for at, largest, stops in peaks:
        grow = np.clip(1 - (at - time) / 1.5, 0, 1) * (time <= at) + np.clip(1 - (time - at) / 0.2, 0, 1) * (time > at)
        radius = np.maximum(radius, largest * grow)
        exposure += stops * np.clip(1 - np.abs(time - at) / 1.0, 0, 1)
    values = {
        "bloom_radius_percent": np.where(radius > 0, radius, np.nan),
        "lamps": (radius > 0).astype(float),
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


def test_a_lamp_that_is_not_told_for_a_look_is_one_pass() -> None:
    """Missed for a tenth of a second twice on its way a lamp is one pass; in view for a quarter of a second it is one, too."""
    timeline = passing([(4.0, 3.0, -1.0)])
    radius = timeline["bloom_radius_percent"].copy()
    radius[[95, 96, 97, 110, 111, 112]] = np.nan
    gaps = passing([(4.0, 3.0, -1.0)], bloom_radius_percent=radius)
    assert len(lamp_passes(gaps, everywhere(gaps))) == 1
    radius[:] = np.nan
    radius[300:308] = 3.0
    short = passing([(4.0, 3.0, -1.0)], bloom_radius_percent=radius)
    assert len(lamp_passes(short, everywhere(short))) == 1


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
