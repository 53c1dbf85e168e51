"""The exposure trace: from made links, and from made pictures whose exposure and motion are known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from flight_material import write_flight
from frame_material import area_of, texture
from hypothesis import given, settings
from hypothesis import strategies as st

import fieldscore.exposure_trace as bounds
from fieldscore import analyse, links, measure_flight
from fieldscore.criteria import Criteria
from fieldscore.exposure_trace import exposure_trace
from fieldscore.following import sample_places
from fieldscore.frame import Frame
from fieldscore.link_fit import (
    BLACK_OF_SHADING,
    EFFECTS,
    GLOW,
    HALFWAY,
    NO_EFFECTS,
    OUTER,
    SHADING,
    SHARED,
    SHOULDER,
    SHOULDER_OF_SHADING,
    ExposureLink,
    Surfaces,
    effects_of,
    fit,
    packed_effects,
)
from fieldscore.link_key import PATCH, means
from fieldscore.links import Linker
from fieldscore.units import from_linear, to_linear

RATE = 30.0
CURVE = Criteria().transfer_curve


def links_of(
    exposure: np.ndarray, veil: np.ndarray, light: float = 0.05, noise: float = 0.0, seed: int = 0
) -> list[ExposureLink]:
    """Links between rows three apart, as surfaces of `light` would give them under that exposure and veil."""
    rng = np.random.default_rng(seed)
    rows = np.arange(0, len(exposure), 3)
    return [
        ExposureLink(
            int(a), int(b),
            float(exposure[b] - exposure[a] + noise * rng.normal()),
            float(1.4427 * (veil[b] - veil[a]) / light),
            (1e4, 0.0, 1e4),
            float(light * np.exp2(exposure[a])),
        )
        for a, b in zip(rows[:-1], rows[1:], strict=True)
    ]  # fmt: skip


def test_links_add_up_to_the_exposure() -> None:
    """Changes without error give the exposure back, every row of it, and no veil."""
    time = np.arange(301) / RATE
    exposure = 0.4 * np.sin(2 * np.pi * time / 4.0)
    trace = exposure_trace(links_of(exposure, np.zeros(301)), np.full(301, np.nan))
    assert trace.stops == pytest.approx(exposure, abs=0.01)
    assert trace.veil == pytest.approx(np.zeros(301), abs=1e-4)


def test_a_lamp_is_veil_and_not_exposure() -> None:
    """A veil that comes and goes is found as veil; the exposure stays."""
    time = np.arange(301) / RATE
    veil = np.where((time > 3.0) & (time < 3.5), 0.0005, 0.0)
    trace = exposure_trace(links_of(np.zeros(301), veil), np.full(301, np.nan))
    assert np.ptp(trace.stops) < 0.02
    assert trace.veil.max() - np.median(trace.veil) == pytest.approx(0.0005, rel=0.25)


def test_veil_that_grows_slowly_is_no_exposure_where_a_source_shines() -> None:
    """With a source in view that is found to glow, a veil that grows over 6 s moves the exposure by less than 0.05 stop."""
    veil = 0.01 * np.clip((np.arange(301) / RATE - 2.0) / 6.0, 0.0, 1.0)
    found = [replace(one, precision=(5e3, 4e3, 5e3)) for one in links_of(np.zeros(301), veil)]
    glows = np.zeros((EFFECTS, 3 + EFFECTS))
    glows[GLOW, 2] = glows[GLOW, 3 + GLOW] = 200.0  # a strength of 1, for certain
    shining = [replace(one, shine=0.1, effects=packed_effects(glows)) for one in found]
    without, with_source = (np.ptp(exposure_trace(one, np.full(301, np.nan)).stops) for one in (found, shining))
    assert with_source < 0.05 < 0.2 < without


def test_a_swift_change_keeps_its_shape() -> None:
    """Between linked rows a fast change follows the coarse steps."""
    exposure = np.zeros(31)
    exposure[16:] = -2.0  # between rows 15 and 16: the link from 15 to 18 sees it
    steps = np.zeros(31)
    steps[16] = -2.2  # coarse steps have their scale wrong
    trace = exposure_trace(links_of(exposure, np.zeros(31)), steps)
    assert trace.stops[15] == pytest.approx(0.0, abs=0.05)
    assert trace.stops[16:19] == pytest.approx([-2.0] * 3, abs=0.25)


def test_a_lit_gate_flown_through_shapes_nothing() -> None:
    """Brightness that goes there and back between two linked rows is the scene's: the exposure's change is drawn smooth."""
    exposure = np.interp(np.arange(31), (15, 18), (0.0, -0.4))
    for bump, smooth in ((0.5, True), (0.05, False)):
        steps = np.zeros(31)
        steps[16], steps[17] = bump, -0.4 - bump
        found = exposure_trace(links_of(exposure, np.zeros(31)), steps).stops
        assert (np.abs(found[16] - exposure[16]) < 0.05) == smooth


def test_brightness_that_moves_with_the_scene_gives_no_shape() -> None:
    """Steps that disagree with the exposure by more than half of its change leave a smooth line between linked rows."""
    exposure = np.zeros(31)
    exposure[16:18], exposure[18:] = (-0.2, -0.4), -0.6
    steps = np.zeros(31)
    steps[17] = 0.5
    trace = exposure_trace(links_of(exposure, np.zeros(31)), steps)
    assert trace.stops[15:19] == pytest.approx([0.0, -0.2, -0.4, -0.6], abs=0.06)


@pytest.mark.parametrize(("stops", "scene"), [(0.125, 0.01), (1.0 / 3.0, -0.05)])
def test_gain_that_moves_by_eighths_or_thirds_of_a_stop_keeps_its_steps(stops: float, scene: float) -> None:
    """A change by a step of the gain that brightness shows on one row is taken there, though the scene moves it a little."""
    exposure = np.zeros(31)
    exposure[16:] = stops
    steps = np.full(31, scene)
    steps[16] = stops - abs(scene)
    trace = exposure_trace(links_of(exposure, np.zeros(31)), steps)
    assert np.diff(trace.stops)[13:19] == pytest.approx(np.diff(exposure)[13:19], abs=0.04)


@pytest.mark.parametrize(
    ("steps", "why"), [((0.065, 0.06, 0.0), "two rows"), ((0.2, 0.0, 0.0), "more"), ((0.12, -0.1, 0.1), "others")]
)
def test_brightness_that_is_no_single_step_of_the_gain_shapes_nothing(steps: tuple[float, ...], why: str) -> None:
    """An eighth of a stop goes up evenly where brightness shows it on two rows, more than it, or others that move as much."""
    exposure = np.interp(np.arange(31), (15, 18), (0.0, 0.125))
    coarse = np.zeros(31)
    coarse[16:19] = steps
    trace = exposure_trace(links_of(exposure, np.zeros(31)), coarse)
    assert trace.stops[15:19] == pytest.approx(exposure[15:19], abs=0.02), why


def test_a_third_of_a_stop_that_brightness_goes_along_with_is_no_step() -> None:
    """Exposure that falls evenly while brightness falls mostly on the last row, and some on the row before, is drawn evenly."""
    exposure = np.interp(np.arange(31), (15, 18), (0.0, -0.36))
    coarse = np.zeros(31)
    coarse[16:19] = (0.0, -0.11, -0.4)
    trace = exposure_trace(links_of(exposure, np.zeros(31)), coarse)
    assert trace.stops[15:19] == pytest.approx(exposure[15:19], abs=0.06)


@pytest.mark.parametrize("stops", [-1.0, 0.5])
def test_a_swift_change_overshoots_nothing(stops: float) -> None:
    """A change within one link that brightness shows nothing of leaves the exposure before and after it where they are."""
    exposure = np.where(np.arange(61) > 30, stops, 0.0)
    trace = exposure_trace(links_of(exposure, np.zeros(61)), np.full(61, np.nan))
    assert np.ptp(trace.stops) == pytest.approx(abs(stops), abs=0.01)


def test_a_swing_as_fast_as_a_camera_hunts_keeps_its_size() -> None:
    """Between links a tenth of a second apart a swing of 2.5 Hz keeps nine tenths of its size; straight lines leave eight."""
    time = np.arange(301) / RATE
    exposure = 0.1 * np.sin(2 * np.pi * 2.5 * time)
    trace = exposure_trace(links_of(exposure, np.zeros(301)), np.full(301, np.nan))
    wave = np.exp(2j * np.pi * 2.5 * time[:-1])
    assert 2.0 * np.abs(np.mean(trace.stops[:-1] * wave)) > 0.09


def test_after_a_break_the_trace_goes_on_from_where_it_was() -> None:
    """Rows in a break have no exposure; those after it begin with the last one known."""
    exposure = np.linspace(0.0, 1.0, 61)
    links = [one for one in links_of(exposure, np.zeros(61)) if one.before != 30]
    trace = exposure_trace(links, np.full(61, np.nan))
    assert np.isnan(trace.stops[31:33]).all()
    assert trace.stops[33] == pytest.approx(trace.stops[30], abs=1e-6)


@pytest.mark.parametrize("drift", [-0.01, 0.0, 0.01])
def test_an_hour_of_links_has_a_trace(drift: float) -> None:
    """36 000 links that drift by a hundredth of a stop each add up to what they say within 3 %, with no more veil than white."""
    count = 36_000
    exposure = drift * np.arange(count + 1)
    found = links_of(np.repeat(exposure, 3), np.zeros(3 * count + 3), noise=0.005)
    assert len(found) == count
    found = [replace(one, light=0.05) for one in found]
    trace = exposure_trace(found, np.full(3 * count + 3, np.nan))
    said = sum(one.change for one in found)
    assert trace.stops[3 * count] == pytest.approx(said, rel=0.03, abs=0.3)
    assert np.nanmin(trace.veil) >= 0.0 and np.nanmax(trace.veil) <= 1.0


def test_equations_that_rounding_spoils_have_a_trace(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the equations cannot be solved, what links say adds up."""

    def spoilt(*_: object, **__: object) -> np.ndarray:
        raise np.linalg.LinAlgError("not positive definite")

    monkeypatch.setattr("scipy.linalg.solveh_banded", spoilt)
    exposure = 0.4 * np.sin(2 * np.pi * np.arange(301) / RATE / 4.0)
    trace = exposure_trace(links_of(exposure, np.zeros(301)), np.full(301, np.nan))
    assert trace.stops == pytest.approx(exposure, abs=0.01)
    assert trace.veil == pytest.approx(np.zeros(301), abs=1e-9)
    assert trace.summed
    monkeypatch.undo()
    assert not exposure_trace(links_of(exposure, np.zeros(301)), np.full(301, np.nan)).summed


def test_a_result_says_that_its_trace_was_added_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A flight whose equations could not be solved has a note that says so; another has none."""
    path = write_flight(tmp_path / "a.mp4", 20)
    usual = measure_flight([path]).notes
    monkeypatch.setattr(
        analyse, "exposure_trace", lambda links, steps: replace(exposure_trace(links, steps), summed=True)
    )
    rough = measure_flight([path]).notes
    assert rough[:-1] == usual
    assert rough[-1].startswith("the exposure trace is rough")


def test_no_links_no_trace() -> None:
    """Without a link nothing is known on any row."""
    trace = exposure_trace([], np.full(5, np.nan))
    assert np.isnan(trace.stops).all() and len(trace.stops) == 5


@settings(deadline=None)  # the first one brings in SciPy
@given(st.integers(0, 1000))
def test_errors_of_links_stay_as_small_as_their_sum(seed: int) -> None:
    """With an error of 0.01 stop a link the trace strays over 5 s by no more than a random walk does (4 sigma)."""
    trace = exposure_trace(links_of(np.zeros(151), np.zeros(151), noise=0.01, seed=seed), np.full(151, np.nan))
    assert np.ptp(trace.stops) < 4 * 0.01 * np.sqrt(50)


def flown(
    exposure: np.ndarray,
    *,
    pixels_a_frame: float = 3.0,
    sigma: float = 1.5,
    veil: np.ndarray | None = None,
    set_down: float = 0.0,
) -> Linker:
    """Fly over a textured surface with that exposure, as pictures of 640 x 480 under the named curve, and link them.

    `set_down`: share of the range by which the camera sets black down.
    """
    rng = np.random.default_rng(4)
    wide = texture(480, 1400, seed=9, low=0.0, high=1.0)
    light = 0.01 + 0.25 * wide**2
    area = area_of()
    linker, previous = Linker(), None
    for number, stops in enumerate(exposure):
        left = round(number * pixels_a_frame)
        seen = light[:, left : left + 640] + (0.0 if veil is None else veil[number])
        level = (from_linear(seen * np.exp2(stops), CURVE) - set_down) / (1.0 - set_down)
        codes = 16.0 + 219.0 * level + sigma * rng.normal(size=seen.shape)
        frame = Frame(np.clip(np.round(codes), 16, 235).astype(np.uint8), area, number / RATE, previous=previous)
        linker.add(frame)
        if previous is not None:
            previous.previous = None
        previous = frame
    return linker


def test_exposure_of_pictures_is_found() -> None:
    """On pictures that move and are noisy, an exposure that swings by half a stop is found within 0.03 stop."""
    exposure = 0.25 * np.sin(2 * np.pi * np.arange(91) / RATE / 1.5)
    found = exposure_trace(*flown(exposure).results()).stops
    assert found == pytest.approx(exposure, abs=0.03)


def test_a_steady_camera_stays_steady_whatever_it_looks_at() -> None:
    """Flying from bright ground to dark does not move the trace of a camera whose exposure does not move."""
    found = exposure_trace(*flown(np.zeros(91), pixels_a_frame=6.0).results()).stops
    assert np.ptp(found) < 0.05


def test_veil_of_pictures_is_told_from_exposure() -> None:
    """Light laid over the whole picture lifts the veil, and the exposure by little."""
    veil = np.where((np.arange(91) > 40) & (np.arange(91) < 60), 0.01, 0.0)
    trace = exposure_trace(*flown(np.zeros(91), veil=veil).results())
    assert np.ptp(trace.stops) < 0.08
    assert 100 * (trace.veil[45:55].mean() - trace.veil[:35].mean()) == pytest.approx(1.0, rel=0.35)


def test_another_scene_breaks_the_chain() -> None:
    """Pictures of noise between two scenes link to nothing."""
    rng = np.random.default_rng(0)
    area, linker = area_of(), Linker()
    for number in range(20):
        linker.add(Frame(rng.integers(16, 235, (480, 640)).astype(np.uint8), area, number / RATE))
    assert linker.results()[0] == ()


def test_a_picture_that_is_mostly_snow_links_to_nothing() -> None:
    """Pictures of which a tenth is the scene, and the rest a smeared snow, are not linked: too little looks alike."""
    rng = np.random.default_rng(6)
    place = texture(480, 1200, seed=5, low=60.0, high=160.0)
    area, linker = area_of(), Linker()
    for number in range(30):
        picture = place[:, 4 * number : 4 * number + 640] + rng.normal(size=(480, 640))
        if 11 <= number <= 19:
            picture[48:] = 110.0 + 160.0 * cv2.GaussianBlur(rng.normal(size=(432, 640)), (0, 0), 4.0)
        linker.add(Frame(np.clip(np.rint(picture), 16, 235).astype(np.uint8), area, number / RATE))
    assert not [one for one in linker.results()[0] if 11 <= one.before <= 19 or 11 <= one.after <= 19]


@pytest.mark.parametrize(("alike", "links"), [(0.2, 0), (0.4, 10)])
def test_pictures_that_are_mostly_unlike_are_not_linked(alike: float, links: int) -> None:
    """Where less than three tenths of what has structure look alike there is no link, however well these agree; else there is."""

    class Torn(Linker):
        def _followed(self, *arguments: Any) -> Any:
            was, motion, unlike = super()._followed(*arguments)
            unlike[round(alike * len(unlike)) :] = 1.0
            return was, motion, unlike

    place, area, linker = texture(480, 1200, seed=5, low=60.0, high=160.0), area_of(), Torn()
    for number in range(31):
        linker.add(Frame(np.rint(place[:, 4 * number : 4 * number + 640]).astype(np.uint8), area, number / RATE))
    assert len(linker.results()[0]) == links


def test_linear_light_of_the_curve_is_what_links_compare() -> None:
    """A surface under twice the light is one stop brighter under the named curve."""
    level = from_linear(np.array([0.1, 0.2]), CURVE)
    assert np.diff(np.log2(to_linear(level, CURVE))) == pytest.approx([1.0])


def test_the_trace_ends_with_the_flight() -> None:
    """Every row has an exposure, also those after the last whole tenth of a second."""
    exposure = 0.25 * np.sin(2 * np.pi * np.arange(93) / RATE / 1.5)
    found = exposure_trace(*flown(exposure).results()).stops
    assert len(found) == 93 and found == pytest.approx(exposure, abs=0.03)


@pytest.mark.parametrize("set_down", [0.0, 0.08])
def test_black_set_down_is_found_where_exposure_moves(set_down: float) -> None:
    """Black set down by 8 % of the range is found within 3 %, and the swing of the exposure keeps its size within a tenth."""
    exposure = 0.5 * np.sin(2 * np.pi * np.arange(151) / RATE / 1.5)
    links, steps = flown(exposure, set_down=set_down).results()
    found = exposure_trace(links, steps)
    assert found.black_set_down == pytest.approx(set_down, abs=0.03)
    assert np.ptp(found.stops) == pytest.approx(np.ptp(exposure), rel=0.1)


def test_ground_that_moves_by_most_of_a_stripe_stays_as_it_is() -> None:
    """Stripes that pass three quarters of a stripe a link, the light falling along them: no drift over 0.05 stop/s.

    Taken for the next stripe, the ground would change by 0.7 stop a second.
    """
    stripe_px, a_frame_px, frames = 24, 6, 31
    place = np.arange(640 + a_frame_px * frames)
    texture_px = np.repeat(np.random.default_rng(3).normal(size=(60, len(place) // 8 + 1)), 8, axis=0).repeat(8, axis=1)
    light = 0.3 * 2.0 ** (-3.0 * place / 1000.0) * (1.0 + 0.5 * np.sign(np.sin(2.0 * np.pi * place / stripe_px)))
    light = light[None, :] * (1.0 + 0.08 * texture_px[:, : len(place)])
    area = area_of()
    linker = Linker()
    for number in range(frames):
        seen = light[:, a_frame_px * number : a_frame_px * number + 640]
        linker.add(Frame(np.rint(16.0 + 219.0 * from_linear(seen, CURVE)).astype(np.uint8), area, number / RATE))
    changes = [link.change for link in linker.results()[0]]
    assert len(changes) == 10
    assert abs(float(np.mean(changes))) * 10.0 < 0.05


def test_a_frame_of_something_else_leads_no_link_after_it_astray() -> None:
    """One frame of another place, too bright to compare, is passed over: the next links to the one before, as steady as ever."""
    place, other = texture(480, 1200, seed=5, low=0.05, high=0.4), texture(480, 1200, seed=6, low=0.65, high=0.95)
    area, linker = area_of(), Linker()
    for number in range(31):
        seen = (other if number == 15 else place)[:, 5 * number : 5 * number + 640]
        linker.add(Frame(np.rint(16.0 + 219.0 * from_linear(seen, CURVE)).astype(np.uint8), area, number / RATE))
    found = linker.results()[0]
    assert [(one.before, one.after) for one in found if one.before <= 15 <= one.after] == [(12, 17)]
    assert max(abs(one.change) for one in found) < 0.03


def test_the_trace_of_fields_ends_with_the_last_field() -> None:
    """Fields are linked to those of their own lines, and the last one of all to whatever was linked last."""
    place, area = texture(480, 900, seed=5, low=0.05, high=0.4), area_of().for_fields()
    linker = Linker()
    for number in range(32):
        seen = place[number % 2 :: 2, 2 * number : 2 * number + 640]
        linker.add(Frame(np.rint(16.0 + 219.0 * from_linear(seen, CURVE)).astype(np.uint8), area, number / 50.0))
    links, steps = linker.results()
    assert links[-1].after == 31 and not any((one.after - one.before) % 2 for one in links[:-1])
    found = exposure_trace(links, steps).stops
    assert np.isfinite(found).all() and np.ptp(found) < 0.05


def lamp_ahead(strength: float, seed: int = 4) -> Linker:
    """Steady pictures flown toward a clipped lamp whose light, so many times white, the lens spreads by 1 / angle squared.

    The spread is put in pixel by pixel over the whole picture; the ground streams away from the lamp.
    """
    rng = np.random.default_rng(seed)
    ground = 0.03 + 0.05 * texture(960, 1280, seed=9, low=0.0, high=1.0)
    down, right = np.mgrid[-200.0:280.0, -320.0:320.0]
    away = np.hypot(down, right)
    shine = strength * (np.pi * 24.0**2) / (np.pi * np.log1p(144.0)) / (away**2 + 40.0**2)
    area, linker = area_of(), Linker()
    for number in range(46):
        zoom = 2.0 * 1.01**-number
        from_here = np.array([[zoom, 0.0, 640.0 - 320.0 * zoom], [0.0, zoom, 480.0 - 200.0 * zoom]])
        seen = cv2.warpAffine(ground, from_here, (640, 480), flags=cv2.INTER_AREA | cv2.WARP_INVERSE_MAP) + shine
        codes = 16.0 + 219.0 * from_linear(np.where(away < 24.0, 1.0, seen), CURVE) + rng.normal(size=seen.shape)
        linker.add(Frame(np.clip(np.rint(codes), 16, 235).astype(np.uint8), area, number / RATE))
    return linker


def test_glow_about_a_lamp_is_no_exposure() -> None:
    """Ground that streams away from a lamp loses its glow, and the trace of a steady camera stays within 0.1 stop.

    Without the glow it drifts by more than twice as much.
    """
    links, steps = lamp_ahead(1.0).results()
    found = exposure_trace(links, steps)
    assert found.glow == pytest.approx(1.0, rel=0.35)
    assert np.ptp(found.stops) < 0.1
    without = exposure_trace(saying_nothing_of((GLOW,), links), steps)
    assert np.ptp(without.stops) > 2.0 * np.ptp(found.stops)


def shaded(stops: float, seed: int = 4) -> Linker:
    """Steady pictures flown straight ahead through a lens that leaves so many stops less in the corners; natural falloff."""
    rng = np.random.default_rng(seed)
    ground = 0.05 + 0.15 * texture(960, 1280, seed=9, low=0.0, high=1.0)
    down, right = np.mgrid[-239.5:240.0, -319.5:320.0]
    falloff = (
        1.0 + (2.0 ** (stops / 2.0) - 1.0) * (down**2 + right**2) / 400.0**2
    ) ** -2.0  # cos^4; 1 - 1.2 r^2 and more in stops
    area, linker = area_of(), Linker()
    for number in range(46):
        zoom = 2.0 * 1.01**-number
        from_here = np.array([[zoom, 0.0, 640.0 - 320.0 * zoom], [0.0, zoom, 480.0 - 240.0 * zoom]])
        seen = cv2.warpAffine(ground, from_here, (640, 480), flags=cv2.INTER_AREA | cv2.WARP_INVERSE_MAP) * falloff
        codes = 16.0 + 219.0 * from_linear(seen, CURVE) + rng.normal(size=seen.shape)
        linker.add(Frame(np.clip(np.rint(codes), 16, 235).astype(np.uint8), area, number / RATE))
    return linker


def saying_nothing_of(shared: Sequence[int], links: Sequence[ExposureLink]) -> list[ExposureLink]:
    """The same links without what they say of things that the flight shares."""
    effects = effects_of(links)
    for one in shared:
        effects[:, one], effects[:, :, 3 + one] = 0.0, 0.0
    return [replace(link, effects=packed_effects(one)) for link, one in zip(links, effects, strict=True)]


@pytest.mark.parametrize("stops", [0.0, 1.2])
def test_ground_that_streams_out_of_the_light_is_no_exposure(stops: float) -> None:
    """Under a lens that shades its corners the trace of a steady camera stays within 0.1 stop, and the shading is found.

    Not asked for, it drifts by 0.2 stop a second.
    """
    links, steps = shaded(stops).results()
    found = exposure_trace(links, steps)
    assert found.shading == pytest.approx(stops, abs=0.2)
    assert np.ptp(found.stops) < 0.1
    without = exposure_trace(saying_nothing_of((SHADING, HALFWAY, OUTER), links), steps)
    assert without.shading == 0.0 and (stops == 0.0 or np.ptp(without.stops) > 0.2)


def made_links(
    changes: np.ndarray, slopes: np.ndarray, *, black: float = 0.0, noise: float = 0.02, seed: int = 3
) -> list[ExposureLink]:
    """Links of 400 surfaces whose light changes by `changes` stops, and by `slopes` times how far out they move.

    `black`: level fraction by which the camera sets it down.
    """
    rng = np.random.default_rng(seed)
    links = []
    for number, (change, slope) in enumerate(zip(changes, slopes, strict=True)):
        outward, old = rng.uniform(-0.02, 0.15, 400), 2.0 ** rng.uniform(-5.0, -1.5, 400)
        new = old * 2.0 ** (change + slope * outward + noise * rng.normal(size=400))
        shown = [to_linear(np.maximum(from_linear(one, CURVE) - black, 1e-3), CURVE) for one in (old, new)]
        link = fit(3 * number, 3 * number + 3, Surfaces(*shown, outward=outward), CURVE)
        assert link is not None
        links.append(link)
    return links


def carried_out(stops: float, *, halfway: float = 0.0, outer: float = 0.0) -> list[ExposureLink]:
    """Thirty links of a steady camera, of 400 surfaces that move outward under a lens that shades its corners by `stops`.

    `halfway`: stops beside the square law; `outer`: veil, of the median surface's light, that is missing in the corners.
    """
    rng = np.random.default_rng(8)
    links = []
    for number in range(30):
        was = rng.uniform(0.0, 0.6, 400)
        now = np.minimum(was * 1.3, 1.0)
        light = 2.0 ** rng.uniform(-6.0, -2.0, 400)
        veil = outer * float(np.median(light))
        old, new = (light * 2.0 ** -(stops * at + halfway * (at - at**2)) + veil * (1.0 - at) for at in (was, now))
        out, beside = now - was, (now - now**2) - (was - was**2)
        noise = 2.0 ** (0.02 * rng.normal(size=400))
        link = fit(3 * number, 3 * number + 3, Surfaces(old, new * noise, outward=out, halfway=beside), CURVE)
        assert link is not None
        links.append(link)
    return links


@pytest.mark.parametrize(
    ("lens", "of"),
    [({"stops": 1.6, "halfway": 0.44}, HALFWAY), ({"stops": 0.0, "outer": 0.1}, OUTER)],
    ids=["cosine", "veil"],
)
def test_a_lens_that_shades_by_another_law_is_no_exposure(lens: dict[str, float], of: int) -> None:
    """A wide lens falls as a cosine's fourth power, not as a square (1.6 stops: 0.11 more at half the square); veil is
    strongest in the middle. A steady camera's trace keeps to 0.1 stop in 30 links, and drifts thrice as far if not asked.
    """
    links = carried_out(**lens)
    steps = np.full(91, np.nan)
    drift, without = (np.ptp(exposure_trace(one, steps).stops) for one in (links, saying_nothing_of((of,), links)))
    assert drift < 0.1 and without > 3.0 * drift


def test_a_fisheye_may_lose_six_stops_in_its_corners() -> None:
    """Five of them are found, and the trace of a steady camera drifts by less than a stop where it would by three and more."""
    links, steps = carried_out(6.0), np.full(91, np.nan)
    found = exposure_trace(links, steps)
    assert 5.0 < found.shading < 6.5 and np.ptp(found.stops) < 1.0
    assert np.ptp(exposure_trace(saying_nothing_of((SHADING, HALFWAY, OUTER), links), steps).stops) > 3.0


def test_black_further_down_than_any_camera_sets_it_is_none() -> None:
    """What the bound stops is a knee or another curve: nothing is said of black."""
    changes = 0.5 * np.sin(np.arange(60.0))
    far, near = (
        exposure_trace(made_links(changes, np.zeros(60), black=one), np.full(181, np.nan)) for one in (0.3, 0.08)
    )
    assert far.black_set_down == 0.0 and near.black_set_down == pytest.approx(0.08, abs=0.03)


def through_a_shoulder(share: float, seed: int = 6) -> tuple[list[ExposureLink], np.ndarray]:
    """Sixty links of a night through a curve that shows `share` less of a change at white than in the dark; and the exposure.

    What is seen is the named curve's light to a power that falls from 1 at a twentieth of the range to 1 - share at its top.
    """
    rng = np.random.default_rng(seed)
    exposure = np.sin(np.arange(61.0) / 6.0)
    axis = np.linspace(np.log2(1e-4), 1.0, 4000)
    hidden = np.clip(1.0 - np.log(np.clip(from_linear(2.0**axis, CURVE), 0.05, 1.0)) / np.log(0.05), 0.0, 1.0)
    shown = np.concatenate([[axis[0]], axis[0] + np.cumsum(np.diff(axis) * (1.0 - share * hidden[1:]))])
    links = []
    for number in range(60):
        ground = 2.0 ** rng.uniform(-9.0, -2.0, 400)
        noise = 0.02 * rng.normal(size=400)
        old, new = (
            2.0 ** np.interp(np.log2(ground) + exposure[number + one] + one * noise, axis, shown) for one in (0, 1)
        )
        link = fit(3 * number, 3 * number + 3, Surfaces(old, new), CURVE)
        assert link is not None
        links.append(link)
    return links, exposure


@pytest.mark.parametrize("share", [0.3, 0.6])
def test_a_curve_that_flattens_bends_no_exposure(share: float) -> None:
    """Where white shows so much less of a change, the trace follows the exposure, but for its scale, within 0.025 stop.

    Not asked for, it is off by more than half as much again; how far the dark itself follows, no flight can tell.
    """
    links, exposure = through_a_shoulder(share)
    errors, blacks = [], []
    for told in (links, saying_nothing_of((SHOULDER, SHOULDER_OF_SHADING), links)):
        found = exposure_trace(told, np.full(181, np.nan))
        scale, offset = np.polyfit(exposure, found.stops[::3], 1)
        errors.append(float(np.std((found.stops[::3] - offset) / scale - exposure)))
        blacks.append(found.black_set_down)
    assert errors[0] < 0.025 and errors[1] > 1.6 * errors[0]
    assert blacks[0] < 0.6 * blacks[1] or blacks == [0.0, 0.0]


def test_bright_surfaces_that_change_more_are_no_shoulder() -> None:
    """A curve that is steeper at the top than the named one leaves the trace as it is without a shoulder."""
    links, _ = through_a_shoulder(-0.3)
    without = saying_nothing_of((SHOULDER, SHOULDER_OF_SHADING), links)
    traces = [exposure_trace(one, np.full(181, np.nan)).stops for one in (links, without)]
    np.testing.assert_allclose(*traces, atol=1e-9)


def test_what_is_mixed_with_its_neighbours_the_more_the_farther_it_moves_is_no_exposure() -> None:
    """Dark surfaces that moved far are lighter in the older picture, where they were followed a little beside their place."""
    rng = np.random.default_rng(9)
    light = 2.0 ** rng.uniform(-6.0, -2.0, 400)
    moved = np.where(light < np.median(light), 3.0, 0.5)
    detail = np.log2(light / np.median(light)) / 2.0 + 0.2 * rng.normal(size=400)
    new = light * 2.0 ** (0.1 * moved * detail + 0.02 * rng.normal(size=400))
    told, not_told = (fit(0, 3, Surfaces(light, new, detail=detail, moved=one), CURVE) for one in (moved, None))
    assert told is not None and not_told is not None
    assert abs(told.change) < 0.01 < 0.015 < abs(not_told.change)


@pytest.mark.parametrize("between", [0.0, 0.1, 0.3, 0.5, 0.8])
def test_both_pictures_of_a_link_are_as_soft(between: float) -> None:
    """What is fetched from between samples gets softer; the picture it is compared with is made so by as much."""
    rng = np.random.default_rng(3)
    wide = cv2.GaussianBlur(600.0 * rng.normal(size=(195, 2560)), (0, 0), sigmaX=20.0, sigmaY=2.0).astype(np.float32)
    old, new = (
        np.roll(wide, -round(10 * share), axis=1)[:, :2550:10] for share in (0.0, between)
    )  # ten fine to a sample
    was = sample_places(*new.shape) + np.array([between, 0.0], dtype=np.float32)
    size = (new.shape[1] // PATCH, new.shape[0] // PATCH)
    fetched = means(cv2.remap(old, was, None, cv2.INTER_LINEAR), size)
    apart, soft = (one[:, 1:-1] for one in (fetched - means(new, size), links._soft(new, was, size)))
    assert np.std(apart - soft) <= 0.2 * np.std(apart)


def test_noise_of_pictures_that_stand_still_is_no_exposure() -> None:
    """Dim ground in noise of 8 codes a pixel: ten links a second fall by less than 0.13 stop a second.

    With detail told from the newer picture alone, whose noise is in the ratio, too, it would be 0.2.
    """
    rng = np.random.default_rng(5)
    ground = 0.02 * 2.0 ** cv2.resize(rng.normal(size=(48, 64)), (640, 480), interpolation=cv2.INTER_CUBIC)
    codes = 16.0 + 219.0 * from_linear(ground, CURVE)
    area = area_of()
    linker = Linker()
    for number in range(31):
        seen = np.clip(np.rint(codes + 8.0 * rng.normal(size=codes.shape)), 16, 235).astype(np.uint8)
        linker.add(Frame(seen, area, number / RATE))
    changes = [link.change for link in linker.results()[0]]
    assert abs(float(np.mean(changes))) * 10.0 < 0.13


def test_shading_tells_where_black_lies() -> None:
    """Under a steady exposure what streams out of the light shows black set down by 6 % within 3 %, and the shading.

    Not asked for, black is that of exposure alone, and the trace drifts more than twice as far.
    """
    links = made_links(np.zeros(60), np.full(60, -1.2), black=0.06)
    found = exposure_trace(links, np.full(181, np.nan))
    assert found.black_set_down == pytest.approx(0.06, abs=0.03)
    assert found.shading == pytest.approx(1.2, abs=0.2)
    without = exposure_trace(saying_nothing_of((BLACK_OF_SHADING,), links), np.full(181, np.nan))
    assert np.ptp(without.stops) > 2.0 * np.ptp(found.stops)


def test_slopes_that_come_and_go_are_no_black() -> None:
    """Slopes over the picture that change sign from link to link are no shading, and say nothing of black."""
    slopes = 0.3 * np.random.default_rng(1).choice([-1.0, 1.0], 60)
    found = exposure_trace(made_links(np.zeros(60), slopes), np.full(181, np.nan))
    assert found.black_set_down < 0.01 and found.shading < 0.15


def test_black_is_not_lifted() -> None:
    """Surfaces that move as if black were lifted leave it where it is."""
    changes = 0.3 * np.sin(np.arange(60.0))
    found = exposure_trace(made_links(changes, np.zeros(60), black=-0.05), np.full(181, np.nan))
    assert found.black_set_down == 0.0


@pytest.mark.parametrize("seed", range(20))
def test_what_a_flight_shares_is_the_bounded_least_squares_solution(seed: int) -> None:
    """Against scipy.optimize.lsq_linear, also where two of the things are all but the same, and one may be below 0."""
    from scipy.optimize import lsq_linear

    rng = np.random.default_rng(seed)
    root = rng.normal(size=(8, SHARED))
    root[:, 2] = root[:, 0] + 0.05 * rng.normal(size=8)
    aim = rng.normal(size=8)
    right = root.T @ aim
    reference = lsq_linear(root, aim, (np.array(bounds._LEAST), np.array(bounds._MOST)), tol=1e-12).x
    assert bounds._bounded(root.T @ root, right) == pytest.approx(reference, abs=1e-4)


def test_a_link_without_effects_says_nothing() -> None:
    """What is given by default is nothing of anything."""
    assert effects_of([ExposureLink(0, 3, 0.0, 0.0, (1.0, 0.0, 1.0), 0.1)]).shape == (1, EFFECTS, 3 + EFFECTS)
    assert not any(NO_EFFECTS)


def test_without_a_lamp_there_is_no_glow() -> None:
    """Pictures without a clipped source say nothing of glow, and none is made up."""
    links, steps = flown(np.zeros(46)).results()
    assert not effects_of(links)[:, GLOW].any()
    assert exposure_trace(links, steps).glow == 0.0


@pytest.mark.parametrize("gain", [-0.05, 0.0, 0.05])
def test_light_patches_that_gain_are_no_exposure(gain: float) -> None:
    """Patches that gain for each stop that they are lighter than their neighbours leave the exposure right within 0.01 stop.

    Here most are lighter, as where what is dark around them is cut off; without asking, the exposure is off by over 0.02 stop.
    """
    rng = np.random.default_rng(2)
    old = 2.0 ** rng.uniform(-5.0, -1.0, 400)
    detail = 0.6 + 0.5 * rng.normal(size=400)
    new = old * 2.0 ** (0.1 + gain * detail + 0.03 * rng.normal(size=400))
    found, without = fit(0, 3, Surfaces(old, new, detail)), fit(0, 3, Surfaces(old, new))
    assert found is not None and found.change == pytest.approx(0.1, abs=0.01)
    assert without is not None and abs(without.change - 0.1) > 0.02 * np.sign(abs(gain))
