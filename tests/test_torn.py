"""Torn pictures: unlike the one before however it turned and shifted, several in a row."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from flight_material import BLUE, SNOW, timeline_of
from frame_material import HEIGHT, WIDTH, Luma, chain, coded, middle, moved, texture

from fieldscore.criteria import Criteria
from fieldscore.events import link_lost
from fieldscore.farther import farther_motion
from fieldscore.measures.movement import movement
from fieldscore.motion import registration
from fieldscore.timeline import Timeline
from fieldscore.torn import TORN_AT_LEAST, TORN_CHANGE, TORN_LIKENESS, torn

BEFORE = 20


def _likeness(pictures: list[Luma]) -> list[float]:
    found = (frame.view(registration) for frame in chain(pictures))
    return [float("nan") if one is None else one.likeness for one in found]


def _motion(pictures: list[Luma]) -> Timeline:
    """What the registration of pictures says of them, as a Timeline."""
    frames = chain(pictures)
    moved_by = np.array([movement(frame) for frame in frames])
    return timeline_of(
        len(frames),
        likeness=np.array(_likeness(pictures)),
        motion_percent=moved_by[:, 0],
        motion_change_percent=moved_by[:, 1],
    )


def _flown(count: int) -> list[np.ndarray]:
    scene = texture(720, 960)
    return [middle(moved(scene, right=3.0 * number, down=1.0 * number)) for number in range(count)]


def _slid(picture: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """The picture with its lines slid sideways in bands, as without sync."""
    out = picture.copy()
    edges = [0, *np.sort(rng.integers(40, HEIGHT - 40, 5)).tolist(), HEIGHT]
    for top, bottom in zip(edges, edges[1:], strict=False):
        out[top:bottom] = np.roll(picture[top:bottom], int(rng.integers(-WIDTH // 3, WIDTH // 3)), axis=1)
    return out


def _rolled(picture: np.ndarray, bands: int, rng: np.random.Generator) -> np.ndarray:
    """The picture with bands of it slid up or down."""
    out, height = picture.copy(), HEIGHT // bands
    for top in range(0, HEIGHT, height):
        out[top : top + height] = np.roll(picture, int(rng.integers(60, 400)), axis=0)[top : top + height]
    return out


@pytest.mark.parametrize("kind", ["sideways", "up and down"])
def test_torn_pictures_are_found(kind: str) -> None:
    """Of a third of a second of pictures in bands from elsewhere at least eight in ten are lost link, and no other is."""
    rng = np.random.default_rng(4)
    pictures = _flown(50)
    for number in range(BEFORE, BEFORE + 12):
        one = pictures[number]
        pictures[number] = _slid(one, rng) if kind == "sideways" else _rolled(one, 5, rng)
    found = torn(_motion([coded(one) for one in pictures]))
    assert found[BEFORE : BEFORE + 12].mean() >= 0.8
    assert not found[:BEFORE].any()
    assert not found[BEFORE + 12 :].any()


def _low(count: int, metres: float) -> list[Luma]:
    """A wide camera flown straight ahead, one height over level ground of clumps, by so many heights a picture; sky is even."""
    ground = texture(2048, 2048)
    rows, columns = np.mgrid[0:HEIGHT, 0:WIDTH].astype(np.float32)
    down = np.maximum(rows - 0.4 * HEIGHT, 0.5) / (0.5 * WIDTH)  # tangent of the angle below the horizon
    across, away = (columns - WIDTH / 2) / (0.5 * WIDTH) / down, 1.0 / down
    seen = []
    for number in range(count):
        where = [(np.float32(180.0) * one % 2048).astype(np.float32) for one in (across, away + metres * number)]
        plane = cv2.remap(ground.astype(np.float32), *where, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)
        fog = np.clip(away / 12.0, 0.0, 1.0)
        seen.append(coded(plane * (1.0 - fog) + 120.0 * fog))
    return seen


def test_a_fast_flight_low_over_ground_is_not_torn() -> None:
    """Pictures that no turn, shift or zoom takes into each other, but whose motion goes on, are the camera's."""
    timeline = _motion(_low(40, 0.55))
    assert np.count_nonzero(timeline["likeness"] < TORN_LIKENESS) > 20  # unlike in a row, as torn ones are
    assert not torn(timeline).any()


def test_a_picture_half_of_which_breaks_up_in_a_turn_is_torn() -> None:
    """The sound half says how the picture moves, and goes on; sound pictures before and after are wholly alike."""
    rng = np.random.default_rng(6)
    scene = texture(720, 1600)
    pictures = [coded(middle(moved(scene, right=8.0 * number - 240.0))) for number in range(60)]
    for picture in pictures[BEFORE : BEFORE + 20]:
        for top in range(HEIGHT * 3 // 5, HEIGHT - 47, 48):
            for left in range(0, WIDTH - 47, 48):
                y, x = int(rng.integers(0, HEIGHT - 48)), int(rng.integers(0, WIDTH - 48))
                picture[top : top + 48, left : left + 48] = picture[y : y + 48, x : x + 48].copy()
    timeline = _motion(pictures)
    broken = slice(BEFORE + 1, BEFORE + 20)
    change, motion = (np.median(timeline[one][broken]) for one in ("motion_change_percent", "motion_percent"))
    assert change < TORN_CHANGE * motion
    assert torn(timeline)[broken].mean() > 0.8


@pytest.mark.parametrize("turn_deg", [8.0, 16.0, 24.0])
def test_a_flip_is_not_torn(turn_deg: float) -> None:
    """A camera that rolls over by 8, 16 and 24 degrees a frame sees whole pictures."""
    scene = texture(960, 1280)
    pictures = []
    for number in range(24):
        matrix = cv2.getRotationMatrix2D((640, 480), turn_deg * number, 1.0)
        pictures.append(coded(middle(cv2.warpAffine(scene, matrix, (1280, 960), borderMode=cv2.BORDER_REFLECT))))
    likeness = np.array(_likeness(pictures))
    assert np.nanmin(likeness) > 0.9
    assert not torn(timeline_of(24, likeness=likeness)).any()


def test_a_cut_is_not_torn() -> None:
    """Another scene from one frame to the next is unlike once, and no lost link."""
    pictures = [*_flown(20), *(middle(texture(720, 960, seed=9)) for _ in range(20))]
    likeness = np.array(_likeness([coded(one) for one in pictures]))
    assert likeness[20] < 0.9
    assert not torn(timeline_of(40, likeness=likeness)).any()


def test_a_blinking_lamp_is_not_torn() -> None:
    """Pictures that are unlike at every third frame, as by a lamp that blinks, are no tear however long it goes on."""
    likeness = np.full(120, 0.99)
    likeness[20:80:3] = 0.6
    assert not torn(timeline_of(120, likeness=likeness)).any()


@pytest.mark.parametrize(
    ("period", "beside", "found"), [(3, True, False), (5, True, False), (0, True, True), (3, False, True)]
)
def test_pictures_under_bands_of_light_are_not_torn(period: int, beside: bool, found: bool) -> None:
    """Bands that roll over a flight leave its pictures unlike, but are back after a beat, beside them too; torn ones are not."""
    generator = np.random.default_rng(4)
    rows = np.arange(120)
    beat = np.array([19.4, 16.4, 13.2, 15.0, 18.0])[rows % period if period else generator.integers(0, 5, 120)]
    likeness = np.full(120, 0.98)
    likeness[30:90] = 0.85
    if not beside:
        beat[likeness > TORN_LIKENESS] = 15.0
    timeline = timeline_of(
        120,
        likeness=likeness,
        motion_change_percent=120.0,
        brightened_percent=beat + generator.normal(0.0, 0.5, 120),
        dimmed_percent=36.0 - beat + generator.normal(0.0, 0.5, 120),
    )
    assert torn(timeline).any() == found


def _shares(beats: np.ndarray, other: dict[str, float], noise: float = 0.5) -> Timeline:
    """A flight unlike in rows 30 to 90 whose share of brightened blocks is `beats` [120], and of dimmed ones the rest of 36."""
    generator = np.random.default_rng(4)
    likeness = np.full(120, 0.98)
    likeness[30:90] = 0.85
    return timeline_of(
        120,
        likeness=likeness,
        motion_change_percent=120.0,
        brightened_percent=beats + generator.normal(0.0, noise, 120),
        dimmed_percent=36.0 - beats + generator.normal(0.0, noise, 120),
        **other,
    )


BANDS = np.array([19.4, 16.4, 13.2])[np.arange(120) % 3]


@pytest.mark.parametrize(
    ("sound", "found"), [(slice(0, 0), False), (slice(0, 30), False), (slice(90, 120), False), (slice(36, 90), True)]
)
def test_bands_of_light_beat_in_most_of_it_and_on_one_side(sound: slice, found: bool) -> None:
    """A lamp may come into sight or go out of it with the unlike pictures; bands beside a tear are no excuse for it."""
    beats = BANDS.copy()
    beats[sound] = np.random.default_rng(5).uniform(13.0, 19.5, 120)[sound]
    assert torn(_shares(beats, {})).any() == found


@pytest.mark.parametrize(
    ("beats", "found"), [(BANDS, False), (np.random.default_rng(5).uniform(13.0, 19.5, 120), True)]
)
def test_bands_of_light_over_the_whole_clip_are_bands(beats: np.ndarray, found: bool) -> None:
    """Where a clip is unlike from its first picture to its last nothing is beside it to beat, too."""
    timeline = _shares(beats, {})
    timeline.values["likeness"][:] = 0.5
    assert torn(timeline).any() == found


def test_bands_that_show_in_the_dimmed_blocks_alone_are_bands() -> None:
    """On a picture half blown out they show where it dims."""
    timeline = _shares(BANDS, {})
    timeline.values["brightened_percent"][:] = np.random.default_rng(6).uniform(15.0, 15.5, 120)
    assert not torn(timeline).any()


@pytest.mark.parametrize("repeat", [{"repeated": 1.0}, {"frozen_percent": 100.0, "motion_percent": 0.0}])
def test_torn_pictures_of_which_some_are_repeated_are_torn(repeat: dict[str, float]) -> None:
    """A receiver that shows 24 pictures a second in a recording of 30 repeats every fifth, which is no beat of lamps."""
    timeline = _shares(np.random.default_rng(7).uniform(10.0, 26.0, 120), {})
    for name, value in {"brightened_percent": 0.0, "dimmed_percent": 0.0, "likeness": 1.0, **repeat}.items():
        timeline.values[name][::5] = value
    assert np.count_nonzero(torn(timeline)[30:90]) >= 55


_LYING = {"motion_percent": 1.0, "likeness": 1.0, "frozen_percent": 40.0}


@pytest.mark.parametrize(
    ("flown", "after", "found"),
    [
        (70.0, _LYING, False),
        (70.0, _LYING | {"motion_percent": 12.0}, True),  # hovers, or is flown on slowly
        (1.0, _LYING, True),  # stood all the time
        (70.0, _LYING | {"repeated": 1.0}, True),  # the receiver froze
        (70.0, BLUE | {"motion_percent": 0.0}, True),
        (70.0, SNOW | {"motion_percent": np.nan}, True),
    ],
)
@pytest.mark.parametrize("rate", [25.0, 30.0, 60.0])
def test_a_crash_is_not_torn(flown: float, after: dict[str, float], found: bool, rate: float) -> None:
    """A drone that flew, tumbled and lay still for a second lost no link; flown on, stood before or frozen, it did."""
    crash, rest = round(1.0 * rate), round(1.5 * rate)
    timeline = timeline_of(
        4 * round(rate),
        (0, crash, {"motion_percent": flown}),
        (crash, rest, {"motion_percent": 500.0, "motion_change_percent": 700.0, "likeness": 0.5}),
        (rest, rest + 4, {"motion_percent": 400.0, "likeness": 0.97}),
        (rest + 4, 4 * round(rate), after),
        rate=rate,
    )
    assert torn(timeline)[crash:rest].any() == found


@pytest.mark.parametrize("rate", [25.0, 60.0])
@pytest.mark.parametrize(("torn_s", "found"), [(2.0, False), (4.0, True)])
def test_no_drone_tumbles_for_long(torn_s: float, found: bool, rate: float) -> None:
    """Four seconds of torn pictures are a link that failed, though the drone lay still after them."""
    first, last, end = (round(one * rate) for one in (2.0, 2.0 + torn_s, 6.0 + torn_s))
    timeline = timeline_of(
        end,
        (0, first, {"motion_percent": 70.0}),
        (first, last, {"motion_percent": 500.0, "motion_change_percent": 700.0, "likeness": 0.5}),
        (last, end, _LYING),
        rate=rate,
    )
    assert torn(timeline)[first : last - 4].all() == found


@pytest.mark.filterwarnings("error")
def test_a_tear_before_a_hole_in_the_recording_is_torn() -> None:
    """What lay still ten seconds later says nothing of a tumble; nor does what was torn from the first picture on."""
    for gap_s, flown in ((10.0, 20), (0.0, 0)):
        timeline = timeline_of(
            150,
            (0, flown, {"motion_percent": 70.0}),
            (flown, 35, {"motion_percent": 500.0, "motion_change_percent": 700.0, "likeness": 0.5}),
            (35, 110, _LYING),
            (110, 150, {"motion_percent": 70.0}),
        )
        timeline.time_s[40:] += gap_s
        assert torn(timeline)[flown:33].all()


def test_a_tear_that_the_recording_ends_with_is_torn() -> None:
    """Under a second of rest is no crash for certain: the link may have been lost for good."""
    timeline = timeline_of(
        60,
        (0, 20, {"motion_percent": 70.0}),
        (20, 35, {"motion_percent": 500.0, "motion_change_percent": 700.0, "likeness": 0.5}),
        (35, 60, _LYING),
    )
    assert torn(timeline)[20:34].all()


@pytest.mark.parametrize(("crushed", "found"), [(88.0, False), (82.0, False), (78.0, True), (55.0, True), (8.0, True)])
def test_a_turn_in_a_black_picture_is_not_torn(crushed: float, found: bool) -> None:
    """A few lamps in a picture that is black else say nothing of a tear; a night picture, half of it black, does."""
    likeness = np.full(120, 0.98)
    likeness[30:90] = 0.7
    assert torn(timeline_of(120, likeness=likeness, crushed_percent=crushed)).any() == found


SNOWED = {"likeness": 0.6, "patch_spread_codes": 22.0, "motion_percent": 100.0, "motion_change_percent": 150.0}


@pytest.mark.parametrize(("rate", "step"), [(30.0, 1), (50.0, 2)])
@pytest.mark.parametrize("screen", [BLUE, SNOW], ids=["blue", "snow"])
def test_a_few_unlike_pictures_beside_a_lost_link_are_lost(rate: float, step: int, screen: dict[str, float]) -> None:
    """Half snow that leads to a screen or follows it is lost though it is short; the first whole picture after it is not."""
    before, lost, after = (slice(start * step, stop * step) for start, stop in ((30, 34), (34, 60), (60, 66)))
    timeline = timeline_of(
        100 * step,
        (before.start, before.stop, SNOWED),
        (lost.start, lost.stop, screen),
        (after.start, after.stop + step, SNOWED),
        rate=rate,
    )
    found = link_lost(timeline, Criteria())
    assert found[before.start : after.stop].all()
    assert not found[: before.start].any()
    assert not found[after.stop :].any()


@pytest.mark.parametrize(("rate", "step"), [(30.0, 1), (50.0, 2)])
@pytest.mark.parametrize("again", [4, 6])
def test_pictures_between_short_dropouts_are_the_cameras(rate: float, step: int, again: int) -> None:
    """Of a link that drops for a picture at a time just these are lost: the next is unlike them, and whole."""
    rows = np.arange(120)
    drops = (rows >= 40) & (rows < 80) & (rows % (again * step) < step)
    after = np.roll(drops, step)
    timeline = timeline_of(120, rate=rate, likeness=np.where(drops | after, 0.1, 0.97), motion_change_percent=60.0)
    for name, value in SNOW.items():
        if name != "likeness":
            timeline.values[name][drops] = value
    assert np.array_equal(link_lost(timeline, Criteria()), drops)


def test_a_lamp_that_lights_is_no_far_shift() -> None:
    """A large lamp that lights over a ground of hardly any detail is not taken for a shift of half the picture."""
    rows = np.linspace(60.0, 140.0, HEIGHT)[:, None] * np.ones((1, WIDTH))
    scene = rows + 6.0 * (middle(texture(720, 960)) - 120.0) / 80.0
    lit = scene.copy()
    cv2.circle(lit, (420, 200), 90, 235.0, -1)
    found = chain([coded(scene), coded(lit)])[1].view(registration)
    assert found is not None
    assert np.hypot(*found.shift) < 10.0


@pytest.mark.parametrize(("rate", "step"), [(30.0, 1), (25.0, 1), (60.0, 2), (50.0, 2)])
def test_how_long_pictures_must_be_unlike(rate: float, step: int) -> None:
    """Nine measurements in a row, of which the last is of a picture whole again; one fewer is no tear."""
    for count, lost in ((TORN_AT_LEAST, TORN_AT_LEAST - 1), (TORN_AT_LEAST - 1, 0)):
        likeness = np.full(80, 0.99)
        likeness[20 : 20 + count * step] = 0.6
        timeline = timeline_of(80, rate=rate, likeness=likeness)
        assert np.count_nonzero(torn(timeline)) == lost * step
        assert np.count_nonzero(link_lost(timeline, Criteria())) == lost * step


@pytest.mark.parametrize(("right", "down", "turn"), [(9, -4, 0.0), (-14, 2, 0.0), (0, 0, 0.28), (5, 3, -0.14)])
def test_a_far_motion_is_found(right: int, down: int, turn: float) -> None:
    """A shift of 14 samples and a turn of 16 degrees come out to a sample and a degree, under the turns that are tried."""
    rng = np.random.default_rng(2)
    before = cv2.GaussianBlur(rng.uniform(0.0, 255.0, (60, 80)).astype(np.float32), (0, 0), 1.5) * 3
    matrix = cv2.getRotationMatrix2D((39.5, 29.5), -float(np.rad2deg(turn)), 1.0)
    matrix[:, 2] += (right, down)
    now = cv2.warpAffine(before, matrix, (80, 60), borderMode=cv2.BORDER_REFLECT)
    found = farther_motion(np.asarray(now), before, np.ones((60, 80), np.float32))
    assert found[:2] == pytest.approx((right, down), abs=1.0)
    assert found[3] == pytest.approx(np.sin(turn), abs=0.02)
