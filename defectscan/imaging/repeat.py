"""Tell how to stand to repeat an earlier photo of the same panel."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from defectscan.imaging.highlight import Highlight
from defectscan.imaging.landmarks import Landmarks, ShotPair, find_landmarks
from defectscan.imaging.panel_motion import project
from defectscan.imaging.photo import Photo
from defectscan.imaging.registration import Registration, register_landmarks

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

IGNORED_BLOOMS = 2.5
# Up to these the same grooves glint in both photos, and hands do no better.
MOST_DISTANCE_PERCENT = 4.0
MOST_SHIFT_PERCENT = 4.0
MOST_TURN_DEG = 2.0
QUARTER_DEG = 45.0
MOST_SLANT_PERCENT = 5.0
MOST_SIZE_PERCENT = 15.0
MOST_LENS_PERCENT = 3.0
MOST_BRIGHTNESS_RATIO = 1.5
ONLY_IF_LIKE = "as long as the lamp and the exposure are those of the before photo"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class View:
    """A photo with what another can be laid over it by.

    Attributes
    ----------
    photo, highlights
        As read, and what was found in it.
    landmarks
        What is fixed to the panel.
    """

    photo: Photo
    highlights: tuple[Highlight, ...]
    landmarks: Landmarks

    @classmethod
    def of(cls, photo: Photo, highlights: tuple[Highlight, ...]) -> "View":
        """Find what is fixed to the panel in a photo."""
        height, width = photo.luminance.shape
        y, x = np.ogrid[:height, :width]
        ignored = np.zeros((height, width), dtype=bool)
        for spot in highlights:
            reach = IGNORED_BLOOMS * spot.bloom_px
            ignored |= (x - spot.x_px) ** 2 + (y - spot.y_px) ** 2 <= reach**2
        landmarks = find_landmarks(photo.luminance, ignored=ignored)
        return cls(photo=photo, highlights=highlights, landmarks=landmarks)

    @property
    def size_px(self) -> Floats:
        """Give width and height in working pixels, shape (2,)."""
        return np.array(self.photo.luminance.shape[::-1], dtype=np.float64)

    @property
    def highlight_xy(self) -> Floats | None:
        """Give the place of a single highlight in parts of width and height, shape (2,)."""
        if len(self.highlights) != 1:
            return None
        spot = self.highlights[0]
        return np.array([spot.x_px, spot.y_px]) / (self.size_px - 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One thing to change to repeat a photo.

    Attributes
    ----------
    name
        What differs.
    value
        By how much this photo differs from the one before.
    limit
        How much of that does not matter.
    unit
        Of both.
    ok
        Whether it is within the limit.
    advice
        What to do, in plain words; empty where nothing needs doing.
    """

    name: str
    value: float
    limit: float
    unit: str
    ok: bool
    advice: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeat:
    """How a photo stands to the one that it is to repeat.

    Attributes
    ----------
    registered
        Whether the two could be laid over each other.
    reason
        What that rests on, or why it cannot be done.
    covered_percent
        Share of the ground in the photo before that this one shows too; ``None`` if unknown.
    text
        The same in plain words.
    steps
        What differs, those that need a change first.
    frame_px, highlight_px
        The corners and the highlight of the photo before, in pixels of the new one; empty and
        ``None`` if unknown.
    """

    registered: bool
    reason: str
    covered_percent: float | None
    text: str
    steps: tuple[Step, ...]
    frame_px: tuple[tuple[float, float], ...]
    highlight_px: tuple[float, float] | None

    @property
    def advice(self) -> tuple[str, ...]:
        """What to do, the most needed first."""
        return tuple(step.advice for step in self.steps if not step.ok)


def repeat_photo(before: View, now: View, *, mm_per_px: float | None) -> Repeat:
    """Tell how to stand to repeat a photo.

    Where the two can be laid over each other by what is fixed to the panel, the map between
    them says it. Where they cannot, only the highlights' place and size are compared, and nothing
    is said of the ground.

    Parameters
    ----------
    before
        The photo to repeat.
    now
        The new one.
    mm_per_px
        Millimetres per pixel of the new photo itself, if known.
    """
    if before.photo.sha256 == now.photo.sha256:
        found = Registration.same()
    else:
        found = register_landmarks(ShotPair(before=before.landmarks, after=now.landmarks))
    lens = _lens(before.photo, now.photo)
    if found.registered:
        working_mm = None if mm_per_px is None else mm_per_px / now.photo.scale
        steps = _by_map(found, before, now, has_lens=lens is None, mm_per_px=working_mm)
        covered = 100 * found.overlap
        places = _places(found, before, now)
        text = f"{covered:.0f} % of the ground in the before photo is in this picture."
        if lens is None and all(step.ok for step in steps):
            text += " You stand as before."
    else:
        steps = _by_highlight(before, now)
        covered, places = None, ()
        text = (
            "How much of the same ground this picture shows cannot be told, as it could not be "
            f"laid over the before photo: {found.reason}."
        )
    steps.sort(key=lambda step: step.ok)
    return Repeat(
        registered=found.registered,
        reason=found.reason,
        covered_percent=covered,
        text=text,
        steps=(*([] if lens is None else [lens]), *steps),
        frame_px=places[:4],
        highlight_px=places[4] if len(places) > 4 else None,
    )


def _places(found: Registration, before: View, now: View) -> tuple[tuple[float, float], ...]:
    """Return where the corners of before and its highlight lie, pixels of the photo now itself."""
    size, spot = before.size_px - 1, before.highlight_xy
    parts = [(0, 0), (1, 0), (1, 1), (0, 1), *([] if spot is None else [tuple(spot)])]
    to_now = _inverse(found.homography_after_to_before)
    there = project(to_now, np.array(parts) * size)
    return tuple((float(x), float(y)) for x, y in (there + 0.5) / now.photo.scale - 0.5)


def _step(name: str, value: float, limit: float, unit: str, advice: str) -> Step:
    ok = abs(value) <= limit
    return Step(
        name=name, value=value, limit=limit, unit=unit, ok=ok, advice="" if ok else advice
    )  # fmt: skip


def _lens(before: Photo, now: Photo) -> Step | None:
    """Return what to change where EXIF tells that the lens or the zoom is another."""
    old, new = (photo.exposure.zoomed_focal_length_35mm_mm for photo in (before, now))
    if old is None or new is None:
        return None
    step = _step(
        "lens",
        100 * (new / old - 1),
        MOST_LENS_PERCENT,
        "%",
        f"Use the lens and zoom of the before photo first: {old:.0f} mm then, {new:.0f} mm now "
        "(as on 35 mm film).",
    )
    return None if step.ok else step


def _by_map(
    found: Registration, before: View, now: View, *, has_lens: bool, mm_per_px: float | None
) -> list[Step]:
    """Return what the map from now to before tells, read where the middle of before lies."""
    to_before = found.homography_after_to_before
    to_now = _inverse(to_before)
    middle = project(to_now, (before.size_px[None] - 1) / 2)
    steps = []
    linear = _jacobian(to_before, middle)
    if has_lens:
        long_now, long_before = now.size_px.max(), before.size_px.max()
        nearness = np.sqrt(abs(np.linalg.det(linear))) * long_now / long_before
        percent = 100 * (float(nearness) - 1)
        way = (
            f"Go nearer: you stand {percent:.0f} % further off than before."
            if percent > 0
            else f"Step back: you stand {-percent:.0f} % nearer than before."
        )
        steps.append(_step("distance", percent, MOST_DISTANCE_PERCENT, "%", way))
    turn = float(np.rad2deg(np.arctan2(linear[1, 0] - linear[0, 1], linear[0, 0] + linear[1, 1])))
    steps.append(_step("turn", turn, MOST_TURN_DEG, "degrees", _turn(turn)))
    if abs(turn) > QUARTER_DEG:
        # Left and right are others once the phone is turned.
        return sorted(steps, key=_urgency)
    shift = middle[0] - (now.size_px - 1) / 2
    steps.append(
        _shift_step("place", shift, now, mm_per_px=mm_per_px, advice="Move the camera {way}.")
    )
    # Along this row of a homography depth in before grows over depth now.
    depth = float(np.append(middle[0], 1) @ to_before[2])
    slant = -100 * to_before[2, :2] * now.size_px / depth
    for name, value, sides in (
        ("slant_across", float(slant[0]), ("right", "left")),
        ("slant_down", float(slant[1]), ("lower", "upper")),
    ):
        steps.append(_step(name, value, MOST_SLANT_PERCENT, "%", _slant(value, sides)))
    steps.sort(key=_urgency)
    here, there = now.highlight_xy, before.highlight_xy
    if here is not None and there is not None:
        wanted = project(to_now, (there * (before.size_px - 1))[None])[0]
        off = wanted - here * (now.size_px - 1)
        # A camera that moves takes the highlight with it: then only its place in the end holds.
        advice = "Move the lamp until its highlight lies further {way}."
        if not all(step.ok for step in steps):
            advice = (
                "With the camera there, move the lamp until its highlight lies "
                f"{100 * there[0]:.0f} % of the picture's width from the left and "
                f"{100 * there[1]:.0f} % of its height from the top."
            )
        steps.append(_shift_step("highlight", off, now, mm_per_px=mm_per_px, advice=advice))
    return steps


def _urgency(step: Step) -> tuple[bool, float]:
    return step.ok, -abs(step.value) / step.limit


def _inverse(homography: Floats) -> Floats:
    return np.asarray(np.linalg.inv(homography), dtype=np.float64)


def _jacobian(homography: Floats, xy_px: Floats) -> Floats:
    """Return how a map stretches and turns at a point (1, 2), shape (2, 2)."""
    ends = project(homography, xy_px + np.array([[1.0, 0], [-1, 0], [0, 1], [0, -1]]))
    return np.stack([(ends[0] - ends[1]) / 2, (ends[2] - ends[3]) / 2], axis=-1)


def _turn(deg: float) -> str:
    """Say how to turn: what must turn clockwise in the picture needs the camera to turn back."""
    if abs(deg) > 135:
        return "Stand on the other side, as before: the picture is upside down."
    way = "anticlockwise" if deg > 0 else "clockwise"
    if abs(deg) > QUARTER_DEG:
        return f"Turn the phone a quarter turn {way}, as before."
    return f"Turn the camera {abs(deg):.0f} degrees {way}."


def _shift_step(
    name: str, shift_px: Floats, view: View, *, mm_per_px: float | None, advice: str
) -> Step:
    percent = 100 * shift_px / view.size_px
    ways = []
    for value, px, words, side in (
        (percent[0], shift_px[0], ("to the right", "to the left"), "width"),
        (percent[1], shift_px[1], ("down", "up"), "height"),
    ):
        if abs(value) > MOST_SHIFT_PERCENT / 2:
            size = "" if mm_per_px is None else f" ({abs(px) * mm_per_px:.0f} mm)"
            way = words[0] if value > 0 else words[1]
            ways.append(f"{way} by {abs(value):.0f} % of the picture's {side}{size}")
    largest = float(np.linalg.norm(percent))
    return _step(name, largest, MOST_SHIFT_PERCENT, "%", advice.format(way=" and ".join(ways)))


def _slant(percent: float, sides: tuple[str, str]) -> str:
    further, nearer = sides if percent > 0 else sides[::-1]
    return (
        f"Swing round towards the picture's {further} side, aiming at the same spot: that side is "
        f"{abs(percent):.0f} % further off than the {nearer} one, compared with before."
    )


def _by_highlight(before: View, now: View) -> list[Step]:
    """Return what place and size of the highlights tell, which is little."""
    there, here = before.highlight_xy, now.highlight_xy
    if there is None or here is None:
        return []
    off = (there - here) * (now.size_px - 1)
    advice = "The highlight lay elsewhere: move camera or lamp until it lies {way}."
    steps = [_shift_step("highlight", off, now, mm_per_px=None, advice=advice)]
    levels = [float(np.median(view.photo.luminance[::8, ::8])) for view in (before, now)]
    if max(levels) <= MOST_BRIGHTNESS_RATIO * min(levels):
        radii = [view.highlights[0].radius_px / view.size_px.max() for view in (before, now)]
        percent = 100 * (radii[1] / radii[0] - 1)
        size, way = ("larger", "Step back") if percent > 0 else ("smaller", "Go nearer")
        advice = f"{way}: the highlight is {abs(percent):.0f} % {size} than before; {ONLY_IF_LIKE}."
        steps.append(_step("highlight_size", percent, MOST_SIZE_PERCENT, "%", advice))
    return steps
