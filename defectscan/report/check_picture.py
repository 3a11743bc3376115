"""Draw what `check` found over the photo, to be read on a phone beside the car."""

import io
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from defectscan.imaging.capture import CaptureCheck
from defectscan.imaging.conditions import Condition, frame_room_px, largest_radius_percent
from defectscan.imaging.highlight import Highlight
from defectscan.imaging.photo import Photo
from defectscan.imaging.repeat import Repeat
from defectscan.report.palette import INKS, SKY_BLUE, VERMILION, YELLOW
from defectscan.shots import ZONE_FROM_BLOOM

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Path = list[tuple[float, float]]
Font = ImageFont.FreeTypeFont | ImageFont.ImageFont

WIDTH_PX = 1080
FINE = 2
MARGIN_PX = 40
TEXT_PX, HEADING_PX = 40, 58
LINE_PX = 52
BADGE_PX = 34
QUALITY = 88
WHITE, BLACK = "#ffffff", "#000000"
LEFT_OUT_SHADE = 0.55
STRIPES_PX = 26
DASH_PX = 22
LEAST_OUTLINE_PX = 60
READY, NOT_READY = "Can be measured", "Cannot be measured as it is"
KEY = {
    "zone": "measuring zone",
    "bloom": "bloom and glare: nothing to see inside",
    "left_out": "left out: not bare paint",
    "wrong": "what is wrong, by number",
    "before": "frame of the before photo",
    "place": "where its highlight was",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Canvas:
    """The photo, enlarged to be drawn on smoothly, and how its pixels map to it."""

    image: Image.Image
    draw: ImageDraw.ImageDraw
    scale: float

    @classmethod
    def of(cls, pixels: NDArray[np.uint8]) -> "_Canvas":
        scale = FINE * WIDTH_PX / pixels.shape[1]
        size = FINE * WIDTH_PX, max(round(pixels.shape[0] * scale), 1)
        image = Image.fromarray(pixels).resize(size, Image.Resampling.BILINEAR)
        return cls(image=image, draw=ImageDraw.Draw(image), scale=scale)

    def at(self, points_px: Iterable[tuple[float, float]]) -> Path:
        return [((x + 0.5) * self.scale, (y + 0.5) * self.scale) for x, y in points_px]

    def line(self, path: Path, *, colour: str, width_px: float, dashed: bool = False) -> None:
        """Draw a line with a dark rim, so that it shows on any paint."""
        for ink, width in ((BLACK, width_px + 3), (colour, width_px)):
            for part in _dashes(path) if dashed else [path]:
                self.draw.line(part, fill=ink, width=round(FINE * width), joint="curve")

    def circle(
        self, spot: Highlight, *, radius_px: float, colour: str, width_px: float, dashed: bool
    ) -> None:
        angle = np.linspace(0, 2 * np.pi, 181)
        ring = np.stack([np.cos(angle), np.sin(angle)], axis=-1) * radius_px
        path = self.at((ring + np.array([spot.x_px, spot.y_px])).tolist())
        self.line(path, colour=colour, width_px=width_px, dashed=dashed)

    def stripes(self, where: Mask, *, colour: str, shade: float) -> None:
        """Darken a part of the picture and lay stripes over it."""
        size = self.image.size
        grown = cv2.resize(where.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
        y, x = np.ogrid[: size[1], : size[0]]
        stripe = grown & ((x + y) % (FINE * STRIPES_PX) < FINE * 3)
        pixels = np.asarray(self.image).copy()
        pixels[grown] = (pixels[grown] * shade).astype(np.uint8)
        pixels[stripe] = _rgb(colour)
        self.image.paste(Image.fromarray(pixels))


def draw_check(
    photo: Photo,
    check: CaptureCheck,
    *,
    repeat: Repeat | None,
    faults: Sequence[Condition],
    others: Sequence[str],
) -> bytes:
    """Draw a photo with its measuring zone, its bloom and what is wrong with it.

    Parameters
    ----------
    photo, check
        As read, and as judged.
    repeat
        How it stands to the photo that it is to repeat, if that was asked.
    faults
        Conditions that are not met, to be marked and written by number.
    others
        Further advice, to be written after them.

    Returns
    -------
    bytes
        A JPEG of `WIDTH_PX` pixels across.
    """
    canvas = _Canvas.of(photo.rgb)
    shown = _draw_zone(canvas, check)
    if repeat is not None:
        shown += _draw_before(canvas, photo, repeat)
    used: Path = []
    aside = FINE * (2 * BADGE_PX + 8)
    for number, condition in enumerate(faults, start=1):
        at = _draw_fault(canvas, photo, check, condition)
        places = [(x + aside * used.count((x, y)), y) for x, y in at] or [_corner(number)]
        used += at
        for place in places:
            _badge(canvas.draw, number, place, scale=FINE)
    if faults:
        shown.append("wrong")
    picture = canvas.image.resize(
        (WIDTH_PX, round(canvas.image.height / FINE)), Image.Resampling.BOX
    )
    advice = [f"{condition.text} {condition.advice}" for condition in faults]
    plain = [*([] if repeat is None else [repeat.text]), *others]
    page = _page(picture, ready=check.measurable, advice=advice, others=plain, shown=shown)
    buffer = io.BytesIO()
    page.save(buffer, "JPEG", quality=QUALITY, subsampling="4:4:4")
    return buffer.getvalue()


def _draw_zone(canvas: _Canvas, check: CaptureCheck) -> list[str]:
    shown = []
    zone = check.paint.copy()
    y, x = np.ogrid[: zone.shape[0], : zone.shape[1]]
    for spot in check.highlights:
        reach = ZONE_FROM_BLOOM * spot.bloom_px
        inside = (x - spot.x_px) ** 2 + (y - spot.y_px) ** 2 <= reach**2
        zone &= ~inside
    if not check.paint.all():
        canvas.stripes(~check.paint, colour="#9aa3ad", shade=LEFT_OUT_SHADE)
        shown.append("left_out")
    if zone.any():
        outlines, _ = cv2.findContours(
            check.paint.astype(np.uint8), cv2.RETR_CCOMP, cv2.CHAIN_APPROX_SIMPLE
        )
        for outline in outlines:
            if cv2.arcLength(outline, closed=True) > LEAST_OUTLINE_PX:
                path = canvas.at(outline[:, 0].tolist())
                canvas.line([*path, path[0]], colour=SKY_BLUE, width_px=4)
        shown.insert(0, "zone")
    for spot in check.highlights:
        canvas.circle(
            spot,
            radius_px=ZONE_FROM_BLOOM * spot.bloom_px,
            colour=YELLOW,
            width_px=4,
            dashed=True,
        )
    return shown + (["bloom"] if check.highlights else [])


def _draw_before(canvas: _Canvas, photo: Photo, repeat: Repeat) -> list[str]:
    if not repeat.registered:
        return []
    corners, *spot = (
        canvas.at((np.array(points) + 0.5) * photo.scale - 0.5)
        for points in (repeat.frame_px, [repeat.highlight_px] if repeat.highlight_px else [])
        if points
    )
    canvas.line([*corners, corners[0]], colour=WHITE, width_px=4, dashed=True)
    if not spot:
        return ["before"]
    (x, y), arm = spot[0][0], FINE * 26
    for path in ([(x - arm, y), (x + arm, y)], [(x, y - arm), (x, y + arm)]):
        canvas.line(path, colour=WHITE, width_px=5)
    return ["before", "place"]


def _draw_fault(
    canvas: _Canvas,
    photo: Photo,
    check: CaptureCheck,
    condition: Condition,
) -> Path:
    """Mark one fault; return where its number belongs, nowhere for the whole picture."""
    spot = check.highlights[0] if check.highlights else None
    match condition.name:
        case "highlights" if check.highlights:
            for other in check.highlights:
                _ring(canvas, other, radius_px=1.4 * other.radius_px + 8)
            return [_beside(canvas, other) for other in check.highlights]
        case "highlight_radius" if spot is not None:
            _ring(canvas, spot, radius_px=spot.radius_px)
            limit = largest_radius_percent(photo, mm_per_px=check.mm_per_px) / 100
            good_px = limit * max(photo.luminance.shape)
            canvas.circle(spot, radius_px=good_px, colour=BLACK, width_px=4, dashed=True)
            return [_beside(canvas, spot)]
        case "halo" if spot is not None:
            _ring(canvas, spot, radius_px=spot.bloom_px)
            return [_beside(canvas, spot)]
        case "frame" if spot is not None:
            _ring(canvas, spot, radius_px=spot.radius_px + 6)
            _side(canvas, spot, photo)
            return [_beside(canvas, spot)]
        case "clipping":
            canvas.stripes(photo.clipped & check.paint, colour=VERMILION, shade=1.0)
    width, height = canvas.image.size
    edge = FINE * 6
    frame = [
        (edge, edge),
        (width - edge, edge),
        (width - edge, height - edge),
        (edge, height - edge),
    ]
    canvas.line([*frame, frame[0], frame[1]], colour=VERMILION, width_px=10)
    return []


def _ring(canvas: _Canvas, spot: Highlight, *, radius_px: float) -> None:
    canvas.circle(spot, radius_px=radius_px, colour=VERMILION, width_px=7, dashed=False)


def _side(canvas: _Canvas, spot: Highlight, photo: Photo) -> None:
    """Draw a bar along the side of the frame that cuts the highlight."""
    room = frame_room_px(spot, photo.luminance.shape)
    width, height = canvas.image.size
    edge = FINE * 6
    x, y = canvas.at([(spot.x_px, spot.y_px)])[0]
    half = 3 * spot.radius_px * canvas.scale + FINE * 60
    ends: dict[str, Path] = {
        "left": [(edge, y - half), (edge, y + half)],
        "right": [(width - edge, y - half), (width - edge, y + half)],
        "upper": [(x - half, edge), (x + half, edge)],
        "lower": [(x - half, height - edge), (x + half, height - edge)],
    }
    canvas.line(ends[min(room, key=lambda side: room[side])], colour=VERMILION, width_px=12)


def _beside(canvas: _Canvas, spot: Highlight) -> tuple[float, float]:
    """Return where a number stands beside a highlight, inside the picture."""
    away = (1.4 * spot.radius_px + 8) * canvas.scale * 0.75 + FINE * BADGE_PX
    x, y = canvas.at([(spot.x_px, spot.y_px)])[0]
    width, height = canvas.image.size
    edge = FINE * (BADGE_PX + 8)
    right = x + away if x + away < width - edge else x - away
    upper = y - away if y - away > edge else y + away
    return min(max(right, edge), width - edge), min(max(upper, edge), height - edge)


def _corner(number: int) -> tuple[float, float]:
    step = FINE * (2 * BADGE_PX + 12)
    return FINE * (BADGE_PX + 24) + (number - 1) * step, FINE * (BADGE_PX + 24)


def _badge(
    draw: ImageDraw.ImageDraw, number: int, at: tuple[float, float], *, scale: int = 1
) -> None:
    x, y = at
    half = scale * BADGE_PX
    draw.ellipse((x - half, y - half, x + half, y + half), fill=BLACK)
    half -= scale * 3
    draw.ellipse((x - half, y - half, x + half, y + half), fill=VERMILION)
    font = _font(scale * TEXT_PX)
    draw.text((x, y), str(number), font=font, fill=WHITE, anchor="mm", stroke_width=scale)


def _page(
    picture: Image.Image, *, ready: bool, advice: list[str], others: list[str], shown: list[str]
) -> Image.Image:
    """Put verdict and advice over the picture, and its key under it."""
    font, heading = _font(TEXT_PX), _font(HEADING_PX)
    indent = MARGIN_PX + 2 * BADGE_PX + 20
    numbered = [list(_wrapped(text, font, WIDTH_PX - MARGIN_PX - indent)) for text in advice]
    plain = [list(_wrapped(text, font, WIDTH_PX - 2 * MARGIN_PX)) for text in others]
    n_lines = sum(map(len, numbered + plain))
    top = MARGIN_PX + HEADING_PX + 30 + n_lines * LINE_PX + 18 * len(numbered + plain) + 12
    bottom = MARGIN_PX // 2 + len(shown) * (LINE_PX + 8) + MARGIN_PX // 2
    page = Image.new("RGB", (WIDTH_PX, top + picture.height + bottom), WHITE)
    draw = ImageDraw.Draw(page)
    draw.rectangle((0, 0, 18, top), fill=INKS["after"] if ready else VERMILION)
    draw.text(
        (MARGIN_PX, MARGIN_PX - 8), READY if ready else NOT_READY, font=heading, fill=INKS["ink"],
        stroke_width=1,
    )  # fmt: skip
    y = MARGIN_PX + HEADING_PX + 30
    for number, lines in enumerate(numbered, start=1):
        _badge(draw, number, (MARGIN_PX + BADGE_PX, y + LINE_PX / 2))
        y = _write(draw, lines, (indent, y), font)
    for lines in plain:
        y = _write(draw, lines, (MARGIN_PX, y), font)
    page.paste(picture, (0, top))
    y = top + picture.height + MARGIN_PX // 2
    for name in shown:
        _swatch(draw, name, (MARGIN_PX, y))
        draw.text((MARGIN_PX + 110, y + 4), KEY[name], font=font, fill=INKS["ink"])
        y += LINE_PX + 8
    return page


def _write(draw: ImageDraw.ImageDraw, lines: list[str], at: tuple[int, int], font: Font) -> int:
    x, y = at
    for line in lines:
        draw.text((x, y + 4), line, font=font, fill=INKS["ink"])
        y += LINE_PX
    return y + 18


def _swatch(draw: ImageDraw.ImageDraw, name: str, at: tuple[int, int]) -> None:
    """Draw the key's sample of a mark, as it looks on the picture."""
    x, y = at
    box = (x, y, x + 90, y + LINE_PX - 2)
    draw.rectangle(box, fill="#5b6470")
    middle = (box[1] + box[3]) / 2
    match name:
        case "left_out":
            for offset in range(-20, 90, 18):
                ends = [(max(x + offset, x), middle + 24), (min(x + offset + 40, x + 90), box[1])]
                draw.line(ends, fill="#9aa3ad", width=3)
        case "wrong":
            draw.line([(x + 6, middle), (x + 84, middle)], fill=BLACK, width=14)
            draw.line([(x + 8, middle), (x + 82, middle)], fill=VERMILION, width=9)
        case "place":
            draw.line([(x + 25, middle), (x + 65, middle)], fill=WHITE, width=5)
            draw.line([(x + 45, middle - 20), (x + 45, middle + 20)], fill=WHITE, width=5)
        case _:
            colour = {"zone": SKY_BLUE, "bloom": YELLOW, "before": WHITE}[name]
            whole = [(x + 6.0, middle), (x + 84.0, middle)]
            parts = [whole] if name == "zone" else _dashes(whole, dash_px=DASH_PX)
            for part in parts:
                draw.line(part, fill=colour, width=6)


def _dashes(path: Path, *, dash_px: float = FINE * DASH_PX) -> Iterator[Path]:
    """Cut a line into dashes, with gaps of two thirds their length."""
    points = np.asarray(path, dtype=np.float64)
    far = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    for start in np.arange(0, far[-1], dash_px * 5 / 3):
        stop = min(start + dash_px, far[-1])
        inner = far[(far > start) & (far < stop)]
        along = np.concatenate([[start], inner, [stop]])
        x, y = (np.interp(along, far, points[:, axis]) for axis in (0, 1))
        yield list(zip(x.tolist(), y.tolist(), strict=True))


def _wrapped(text: str, font: Font, width_px: float) -> Iterator[str]:
    line = ""
    for word in text.split():
        longer = f"{line} {word}".strip()
        if line and font.getlength(longer) > width_px:
            yield line
            longer = word
        line = longer
    yield line


def _font(size_px: int) -> Font:
    return ImageFont.load_default(size_px)


def _rgb(colour: str) -> tuple[int, ...]:
    return tuple(int(colour[i : i + 2], 16) for i in (1, 3, 5))
