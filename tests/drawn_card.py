"""Photos of the printed scale card on a panel, through a pinhole camera, with their truth.

Own optics, from the printed PDF to the pixel, so that a mistake in the card's fit cannot cancel
itself.
"""

import functools
import math
from dataclasses import dataclass

import cv2
import numpy as np
import pypdfium2
from numpy.typing import NDArray

from defectscan.report.card_sheet import card_page
from defectscan.report.vector_page import to_pdf

Floats = NDArray[np.float64]

# The card's own figures, once more by hand.
CARD_MM, WINDOW_MM = (196.0, 262.0), (144.0, 210.0)
PAPER_MM = (210.0, 297.0)
_PRINT_PX_PER_MM = 8
_DARKEST_INK = 0.035
_BRIGHTEST_PAPER = 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """How a card is printed, lies and is photographed.

    Attributes
    ----------
    tilt_deg, tilt_towards_deg, turn_deg
        Of the panel against the line of sight, the direction it tips over, and the card's turn.
    px_per_mm
        At the card's middle, along the direction that is not foreshortened.
    radius_mm, axis_deg
        Of the cylinder that the panel is; infinite where flat; direction of its axis on the card.
    focal_per_diagonal, distortion
        Of the lens, the distortion at the picture's corner.
    off_middle
        Where the card's middle is in the picture, in shares of its size.
    off_axis
        Where the lens's axis is from the picture's middle, in shares of the diagonal.
    print_scale
        Printed over drawn size.
    blur_px, noise
        Standard deviations; noise in linear light, 1 being white.
    exposure
        What white paper comes to; over 1 it is blown out.
    paint
        Linear reflectance of the panel.
    hidden
        Marks that something covers, by their numbers, clockwise from the top left.
    """

    tilt_deg: float = 0.0
    tilt_towards_deg: float = 0.0
    turn_deg: float = 0.0
    px_per_mm: float = 3.2
    radius_mm: float = math.inf
    axis_deg: float = 0.0
    focal_per_diagonal: float = 0.7
    distortion: float = 0.0
    off_middle: tuple[float, float] = (0.0, 0.0)
    off_axis: tuple[float, float] = (0.0, 0.0)
    print_scale: float = 1.0
    blur_px: float = 0.8
    noise: float = 0.01
    exposure: float = 0.7
    paint: float = 0.03
    hidden: tuple[int, ...] = ()
    width_px: int = 1300
    height_px: int = 1000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CardPhoto:
    """A photo and what is true of it.

    Attributes
    ----------
    grey
        sRGB grey, uint8.
    mm_per_px
        At the card's middle.
    tilt_deg
        Between the panel's normal there and the line of sight.
    middle_px
        Where the card's middle is.
    on_card
        Share of each pixel that is card, shape (H, W).
    """

    grey: NDArray[np.uint8]
    mm_per_px: float
    tilt_deg: float
    middle_px: Floats
    on_card: NDArray[np.float32]


@functools.cache
def printed() -> Floats:
    """Print the card to PDF and rasterise it: brightness, 0 to 1, of the A4 sheet.

    It is done finely and averaged, as the library widens what it fills to whole pixels.
    """
    document = pypdfium2.PdfDocument(to_pdf(card_page("a4")))
    bitmap = document[0].render(scale=4 * _PRINT_PX_PER_MM * 25.4 / 72, grayscale=True)
    size = [round(side * _PRINT_PX_PER_MM) for side in PAPER_MM]
    # The whole of it: the library stretches the page to a whole number of pixels.
    sheet = cv2.resize(bitmap.to_numpy().squeeze(), size, interpolation=cv2.INTER_AREA)
    bitmap.close()
    document.close()
    return sheet.astype(np.float64) / 255


class Camera:
    """A pinhole camera that looks at a bent sheet, with everything in closed form."""

    def __init__(self, shot: Shot) -> None:
        self.shot = shot
        self.diagonal = math.hypot(shot.width_px, shot.height_px)
        self.focal = shot.focal_per_diagonal * self.diagonal
        self.principal = np.array([(shot.width_px - 1) / 2, (shot.height_px - 1) / 2])
        self.principal += np.array(shot.off_axis) * self.diagonal
        offset = np.array(shot.off_middle) * (shot.width_px, shot.height_px)
        sight = np.array([offset[0], offset[1], self.focal])
        sight /= np.linalg.norm(sight)
        self.place = sight * self.focal / shot.px_per_mm
        # The card's axes: facing the eye, then turned, then tipped over.
        to_eye = sight
        x_axis = np.array([1.0, 0, 0]) - sight[0] * sight
        x_axis /= np.linalg.norm(x_axis)
        facing = np.stack([x_axis, np.cross(to_eye, x_axis), to_eye], axis=1)
        towards = math.radians(shot.tilt_towards_deg)
        axis = np.array([-math.sin(towards), math.cos(towards), 0]) * math.radians(shot.tilt_deg)
        self.turn = facing @ cv2.Rodrigues(axis)[0] @ _about_z(shot.turn_deg)

    def sheet_to_space(self, xy_mm: Floats) -> Floats:
        """Lay places on the printed sheet onto the cylinder, in camera coordinates."""
        along, across = self._cylinder_axes()
        run, stay = xy_mm @ across, xy_mm @ along
        radius = self.shot.radius_mm
        if math.isinf(radius):
            bent, fall = run, np.zeros_like(run)
        else:
            bent, fall = radius * np.sin(run / radius), radius * (1 - np.cos(run / radius))
        flat = stay[..., None] * along + bent[..., None] * across
        return np.concatenate([flat, fall[..., None]], axis=-1) @ self.turn.T + self.place

    def to_px(self, xy_mm: Floats) -> Floats:
        """Photograph places on the sheet."""
        space = self.sheet_to_space(xy_mm)
        plane = self.focal * space[..., :2] / space[..., 2:]
        radius = (plane**2).sum(axis=-1, keepdims=True) / (self.diagonal / 2) ** 2
        return plane * (1 + self.shot.distortion * radius) + self.principal

    def to_sheet(self, xy_px: Floats) -> Floats:
        """Follow sight lines from pixels to the sheet; NaN where they miss it."""
        plane = xy_px - self.principal
        straight = plane
        for _ in range(6):
            radius = (straight**2).sum(axis=-1, keepdims=True) / (self.diagonal / 2) ** 2
            straight = plane / (1 + self.shot.distortion * radius)
        sight = np.concatenate([straight / self.focal, np.ones((*straight.shape[:-1], 1))], axis=-1)
        eye, sight = -self.place @ self.turn, sight @ self.turn
        along, across = self._cylinder_axes()
        radius = self.shot.radius_mm
        if math.isinf(radius):
            reach = -eye[2] / sight[..., 2]
        else:
            # On the cylinder whose axis lies at depth `radius`: the nearer of the two crossings.
            p, q = eye[:2] @ across, eye[2] - radius
            dp, dq = sight[..., :2] @ across, sight[..., 2]
            a, b, c = dp**2 + dq**2, p * dp + q * dq, p**2 + q**2 - radius**2
            reach = (-b - np.sqrt(np.where(b**2 > a * c, b**2 - a * c, np.nan))) / a
        at = eye + reach[..., None] * sight
        run, stay = at[..., :2] @ across, at[..., :2] @ along
        if not math.isinf(radius):
            run = radius * np.arctan2(run, radius - at[..., 2])
        return stay[..., None] * along + run[..., None] * across

    def mm_per_px(self, xy_mm: Floats) -> float:
        """Return the root of the sheet's area over the pixels' at a place."""
        step = 0.01
        slopes = [
            (self.to_px(xy_mm + d) - self.to_px(xy_mm - d)) / (2 * step)
            for d in np.diag([step, step])
        ]
        return float(1 / np.sqrt(abs(np.linalg.det(np.stack(slopes, axis=-1)))))

    def _cylinder_axes(self) -> tuple[Floats, Floats]:
        angle = math.radians(self.shot.axis_deg)
        return (
            np.array([math.cos(angle), math.sin(angle)]),
            np.array([-math.sin(angle), math.cos(angle)]),
        )


def take(shot: Shot, rng: np.random.Generator) -> CardPhoto:
    """Take the photo."""
    camera = Camera(shot)
    size = (shot.width_px, shot.height_px)
    fine, places = _places(camera, size, fine=2), _places(camera, size, fine=1)
    on_sheet = (
        fine / shot.print_scale + np.array(PAPER_MM, np.float32) / 2
    ) * _PRINT_PX_PER_MM - 0.5
    across, down = (np.ascontiguousarray(on_sheet[..., k]) for k in (0, 1))
    seen = cv2.remap(
        _laid(shot.hidden),
        across,
        down,
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=0,
    )
    reflected, card = cv2.split(cv2.resize(seen, size, interpolation=cv2.INTER_AREA))
    # The lamp stands near: its light falls off; its image and the glare lie in the window.
    away = (places[..., 0] - 15) ** 2 + (places[..., 1] + 20) ** 2
    light = (reflected + shot.paint * (1 - card)) / _BRIGHTEST_PAPER
    light *= shot.exposure / (1 + away / 300**2) ** np.float32(1.5)
    light += 4 * np.exp(-away / 81) * (1 - card)
    if shot.blur_px:
        light = np.asarray(cv2.GaussianBlur(light, (0, 0), shot.blur_px), dtype=light.dtype)
    noise = rng.standard_normal(light.shape, dtype=np.float32)
    linear = np.clip(light + shot.noise * noise, 0, 1).astype(np.float32)
    shown = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    ok, jpeg = cv2.imencode(
        ".jpg", np.round(255 * shown).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 90]
    )
    assert ok
    middle = np.zeros(2)
    return CardPhoto(
        grey=np.asarray(cv2.imdecode(jpeg, cv2.IMREAD_GRAYSCALE), dtype=np.uint8),
        mm_per_px=camera.mm_per_px(middle),
        tilt_deg=shot.tilt_deg,
        middle_px=camera.to_px(middle),
        on_card=np.asarray(card, dtype=np.float32),
    )


def _places(camera: Camera, size: tuple[int, int], *, fine: int) -> NDArray[np.float32]:
    """Return where on the sheet `fine` by `fine` places in each pixel look.

    They are worked out for every fourth pixel, as the map is smooth.
    """
    step = 4
    x, y = (np.arange(-step, side + 2 * step, step, dtype=np.float64) for side in size)
    coarse = camera.to_sheet(np.stack(np.meshgrid(x, y), axis=-1))
    coarse = np.nan_to_num(coarse, nan=1e4).astype(np.float32)
    u, v = (((np.arange(fine * side) + 0.5) / fine - 0.5 + step) / step for side in size)
    across, down = np.meshgrid(u.astype(np.float32), v.astype(np.float32))
    return np.asarray(cv2.remap(coarse, across, down, cv2.INTER_CUBIC), dtype=np.float32)


@functools.lru_cache(maxsize=1)
def _laid(hidden: tuple[int, ...]) -> NDArray[np.float32]:
    """Return the cut sheet: its reflectance, nought where there is none of it, and where it is."""
    sheet = printed()
    rows, columns = sheet.shape
    x = (np.arange(columns) + 0.5) / _PRINT_PX_PER_MM - PAPER_MM[0] / 2
    y = (np.arange(rows) + 0.5) / _PRINT_PX_PER_MM - PAPER_MM[1] / 2
    there = _inside(x, y, CARD_MM) & ~_inside(x, y, WINDOW_MM)
    reflectance = _DARKEST_INK + (_BRIGHTEST_PAPER - _DARKEST_INK) * sheet
    for number in hidden:
        u, v = _tag_middle(number)
        reflectance[np.hypot(x[None] - u, y[:, None] - v) < 14] = 0.12
    return np.stack([reflectance * there, there], axis=-1).astype(np.float32)


def draw_shot(rng: np.random.Generator) -> Shot:
    """Draw a shot: tilt to 45 degrees, flat or bent, blurred, noisy, part hidden."""
    bent = rng.random() < 0.5
    n_hidden = rng.choice([0, 0, 2, 4, 7, 9])
    zoom = rng.uniform(0.55, 0.95) if rng.random() < 0.8 else rng.uniform(0.95, 1.5)
    return Shot(
        tilt_deg=rng.uniform(0, 45),
        tilt_towards_deg=rng.uniform(0, 360),
        turn_deg=rng.choice([0, 90, 180, 270]) + rng.normal(0, 8),
        px_per_mm=rng.uniform(2.8, 3.6),
        radius_mm=rng.uniform(250, 900) if bent else math.inf,
        axis_deg=rng.uniform(0, 180),
        focal_per_diagonal=float(zoom),
        distortion=rng.normal(0, 0.008),
        off_middle=(rng.uniform(-0.06, 0.06), rng.uniform(-0.06, 0.06)),
        off_axis=(rng.normal(0, 0.01), rng.normal(0, 0.01)),
        print_scale=1 + rng.normal(0, 0.005),
        blur_px=rng.uniform(0.4, 2.0),
        noise=rng.uniform(0.003, 0.03),
        exposure=rng.uniform(0.25, 1.6),
        paint=float(np.exp(rng.uniform(np.log(0.01), np.log(0.8)))),
        hidden=tuple(int(n) for n in rng.choice(12, n_hidden, replace=False)),
    )


def _tag_middle(number: int) -> Floats:
    x, y = CARD_MM[0] / 2 - 14.5, CARD_MM[1] / 2 - 14.5
    corners = np.array([[-x, -y], [x, -y], [x, y], [-x, y], [-x, -y]])
    side, step = divmod(number, 3)
    return corners[side] + step / 3 * (corners[side + 1] - corners[side])


def _inside(x: Floats, y: Floats, size: tuple[float, float]) -> NDArray[np.bool_]:
    return (np.abs(y) <= size[1] / 2)[:, None] & (np.abs(x) <= size[0] / 2)[None]


def _about_z(turn_deg: float) -> Floats:
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    return np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])


def laid_on(rgb: NDArray[np.uint8], *, mm_per_px: float) -> NDArray[np.uint8]:
    """Lay the printed card, turned by a quarter, round the middle of a photo."""
    height, width = rgb.shape[:2]
    paper, covered = _on_photo(width, height, mm_per_px)
    mixed = covered[..., None] * paper[..., None] + (1 - covered[..., None]) * rgb
    return np.asarray(mixed, dtype=np.uint8)


@functools.cache
def _on_photo(
    width: int, height: int, mm_per_px: float
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return the paper's brightness under the lamp, and what it covers, in a photo's pixels."""
    sheet_px_per_mm = 8
    scale = 1 / (mm_per_px * sheet_px_per_mm)
    left, top = (PAPER_MM[k] / 2 * sheet_px_per_mm for k in (0, 1))
    to_photo = np.array(
        [[0, -scale, width / 2 + scale * top], [scale, 0, height / 2 - scale * left]]
    )
    sheet = printed().astype(np.float32)
    y, x = np.mgrid[: sheet.shape[0], : sheet.shape[1]] / sheet_px_per_mm
    off = np.abs(np.stack([x - PAPER_MM[0] / 2, y - PAPER_MM[1] / 2]))
    there = np.all(off < np.reshape(CARD_MM, (2, 1, 1)) / np.float64(2), axis=0)
    there &= ~np.all(off < np.reshape(WINDOW_MM, (2, 1, 1)) / np.float64(2), axis=0)
    lit, covered = (
        cv2.warpAffine(part, to_photo, (width, height), flags=cv2.INTER_AREA)
        for part in (cv2.GaussianBlur(sheet, (0, 0), 1.4), there.astype(np.float32))
    )
    # Brighter than the paint.
    paper = np.clip(255 * (0.2 + 0.55 * lit), 0, 255)
    return np.asarray(paper, dtype=np.float32), np.asarray(covered, dtype=np.float32)
