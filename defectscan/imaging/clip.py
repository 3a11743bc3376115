"""Choose the frames of a clip that are worth measuring, and read them as photos."""

import hashlib
import io
import math
import mmap
import os
import re
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any, Self

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image

from defectscan.errors import NotMeasurableError
from defectscan.imaging.decoding import not_opened, unreadable
from defectscan.imaging.frame_choice import Glimpse, choose
from defectscan.imaging.highlight import find_highlights
from defectscan.imaging.linear_light import srgb_to_linear, to_linear_light
from defectscan.imaging.photo import Exposure, Frame, Photo
from defectscan.imaging.quiet_codecs import codecs_quiet

Floats = npt.NDArray[np.float64]
Bgr = npt.NDArray[np.uint8]

# FFmpeg would write to standard error by itself; it reads this when first used.
os.environ.setdefault("OPENCV_FFMPEG_LOGLEVEL", "-8")

SUFFIXES = frozenset((".mp4", ".m4v", ".mov", ".avi", ".mkv", ".webm", ".3gp"))
SCAN_STEPS = 10
MOST_SECONDS = 60.0
LEAST_SIDE_PX = 200

_NEEDED = "a clip in an MP4, MOV, AVI, MKV or WebM file is needed"
_SCANNED_PER_S = 15.0
_SCANNED_SIDE_PX = 960
_FULL = 250
# Frame counts in headers are off by a few where a phone drops frames.
_LEAST_SHARE_READ = 0.9
_DETAIL_SIDE_SHARE = 1 / 7
_DETAIL_BLOOMS = 3.0
_DETAIL_SD_PX = 1.9
_HDR_TRANSFER = re.compile(rb"colrnclx..\0[\x10\x12]", re.DOTALL)  # PQ and HLG in ITU-T H.273
_STILL = ("JPEG", "PNG", "TIFF", "WEBP", "AVIF", "GIF", "BMP")


def is_clip(path: str | os.PathLike[str]) -> bool:
    """Tell by its suffix whether a file is given as a clip."""
    return Path(path).suffix.lower() in SUFFIXES


def read_clip(
    path: str | os.PathLike[str],
    *,
    max_side_px: int | None = None,
    needs_highlight: bool = True,
    progress: Callable[[str], None] = lambda _: None,
) -> list[Photo]:
    """Read the frames of a clip that are worth measuring.

    The clip is read twice, frame by frame. First the highlight's place, its speed and the
    sharpness round it are found in some `_SCANNED_PER_S` frames a second. Then the sharpest
    frames with the highlight in different places are read in full, at most `MOST_FRAMES`.

    Parameters
    ----------
    path
        The clip.
    max_side_px
        The longer side is reduced to this where it is longer.
    needs_highlight
        Whether only frames with the highlight of one lamp will do.
    progress
        Called `SCAN_STEPS` times while the clip is scanned.

    Returns
    -------
    list of Photo
        At least one, in the order of time, each with its `frame`.

    Raises
    ------
    UnreadablePhotoError
        If the file is missing, empty, no clip, cut off, or an HDR clip.
    NotMeasurableError
        If the clip is too small or too long, or no frame shows the highlight of one lamp.
    """
    path = Path(path)
    sha256 = _checked(path)
    glimpses = _scan(path, needs_highlight=needs_highlight, progress=progress)
    with _Reader(path) as reader:
        size = reader.width_px, reader.height_px
        chosen = choose(glimpses, size_px=size)
        return [
            _photo(path, sha256, frame, Frame(index=index, time_s=time_s), max_side_px)
            for index, time_s, frame in reader.frames([one.index for one in chosen])
        ]


def read_frame(
    path: str | os.PathLike[str], index: int, *, max_side_px: int | None = None
) -> Photo:
    """Read one frame of a clip.

    Parameters
    ----------
    path
        The clip.
    index
        Which frame, counted from 0.
    max_side_px
        The longer side is reduced to this where it is longer.

    Raises
    ------
    UnreadablePhotoError
        If the file is missing, empty, no clip, cut off before that frame, or an HDR clip.
    """
    path = Path(path)
    sha256 = _checked(path)
    with _Reader(path) as reader:
        for _, time_s, frame in reader.frames([index]):
            return _photo(path, sha256, frame, Frame(index=index, time_s=time_s), max_side_px)
    raise unreadable(
        path, f"has no frame {index}", allowed=_NEEDED, remedy="copy it from the camera again"
    )


def check_clip(path: str | os.PathLike[str]) -> None:
    """Make sure that a clip can be read whole.

    Parameters
    ----------
    path
        The clip.

    Raises
    ------
    UnreadablePhotoError, NotMeasurableError
        As `read_clip`, whatever the frames show.
    """
    path = Path(path)
    _checked(path)
    _scan(path, needs_highlight=False, progress=lambda _: None)


class _Reader:
    """Frames of a clip, one after the other."""

    def __init__(self, path: Path) -> None:
        with codecs_quiet():
            self._capture = cv2.VideoCapture(str(path), cv2.CAP_FFMPEG)
        if not self._capture.isOpened():
            raise unreadable(
                path, "is no clip, or is cut off", allowed=_NEEDED,
                remedy="check or copy it again",
            )  # fmt: skip
        get = self._capture.get
        self.frames_per_s = get(cv2.CAP_PROP_FPS)
        if not 1 <= self.frames_per_s <= 1000:
            self.frames_per_s = 30.0
        self.n_stated = max(int(get(cv2.CAP_PROP_FRAME_COUNT)), 0)
        self.width_px = int(get(cv2.CAP_PROP_FRAME_WIDTH))
        self.height_px = int(get(cv2.CAP_PROP_FRAME_HEIGHT))
        self.n_read = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._capture.release()

    def frames(
        self, wanted: Sequence[int] | None, *, every: int = 1
    ) -> Iterator[tuple[int, float, Bgr]]:
        """Yield the wanted frames, or all of some, with index and time."""
        last = None if wanted is None else max(wanted, default=-1)
        chosen = None if wanted is None else set(wanted)
        while last is None or self.n_read <= last:
            if not self._capture.grab():
                return
            index = self.n_read
            self.n_read += 1
            if (index % every) if chosen is None else (index not in chosen):
                continue
            ok, frame = self._capture.retrieve()
            if ok:
                time_s = self._capture.get(cv2.CAP_PROP_POS_MSEC) / 1000
                yield index, time_s if time_s > 0 else index / self.frames_per_s, _bgr(frame)


def _bgr(frame: Any) -> Bgr:  # noqa: ANN401 - as OpenCV gives it
    values = np.asarray(frame, dtype=np.uint8)
    return values if values.ndim == 3 else cv2.cvtColor(values, cv2.COLOR_GRAY2BGR)  # type: ignore[return-value]


def _checked(path: Path) -> str:
    """Return a file's SHA-256, or raise where it cannot be a clip that is measured."""
    try:
        with path.open("rb") as file:
            if not os.fstat(file.fileno()).st_size:
                raise unreadable(
                    path, "is empty (0 bytes)", allowed=_NEEDED,
                    remedy="copy it from the camera again",
                )  # fmt: skip
            still = _still_format(file.read(1 << 16))
            with mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as content:
                is_hdr = _HDR_TRANSFER.search(content) is not None
            file.seek(0)
            sha256 = hashlib.file_digest(file, "sha256").hexdigest()
    except IsADirectoryError:
        raise unreadable(
            path, "is a folder", allowed=_NEEDED, remedy="name the clip itself"
        ) from None
    except (OSError, ValueError) as error:
        raise not_opened(path, error) from error
    if still is not None:
        raise unreadable(
            path, f"is a still picture ({still}), not a clip", allowed=_NEEDED,
            remedy=f"name the clip, or give the picture its own suffix ({still.lower()})",
        )  # fmt: skip
    if is_hdr:
        raise unreadable(
            path, "is an HDR clip (PQ or HLG)", allowed="a clip in standard range is needed",
            remedy="switch HDR video off in the camera",
        )  # fmt: skip
    return sha256


def _still_format(head: bytes) -> str | None:
    try:
        with codecs_quiet():
            return Image.open(io.BytesIO(head), formats=_STILL).format
    except Exception:  # noqa: BLE001 - a clip's bytes may raise anything here
        return None


def _scan(path: Path, *, needs_highlight: bool, progress: Callable[[str], None]) -> list[Glimpse]:
    """Look at some frames of the whole clip."""
    glimpses: list[Glimpse] = []
    n_lamps: list[int] = []
    with _Reader(path) as reader:
        seconds = reader.n_stated / reader.frames_per_s
        if seconds > MOST_SECONDS:
            raise NotMeasurableError(
                f"{path.name} lasts {seconds:.0f} s",
                allowed=f"at most {MOST_SECONDS:.0f} s are read; 5 to 15 s are enough",
                remedy="cut it, or film again",
            )
        every = max(round(reader.frames_per_s / _SCANNED_PER_S), 1)
        done = 0
        for index, time_s, frame in reader.frames(None, every=every):
            side_px = max(frame.shape[:2])
            if side_px < LEAST_SIDE_PX:
                raise NotMeasurableError(
                    f"{path.name} has {frame.shape[1]} x {frame.shape[0]} px",
                    allowed=f"the longer side needs at least {LEAST_SIDE_PX} px",
                    remedy="use the clip as the camera wrote it",
                )
            found, n = _glimpse(frame, index, time_s, needs_highlight=needs_highlight)
            glimpses += found
            n_lamps.append(n)
            while done < SCAN_STEPS * min(reader.n_read / max(reader.n_stated, 1), 1) - 1e-9:
                progress(path.name)
                done += 1
        n_read = reader.n_read
        if n_read < _LEAST_SHARE_READ * reader.n_stated:
            raise unreadable(
                path, f"is cut off: {n_read} of its {reader.n_stated} frames can be read",
                allowed=_NEEDED, remedy="copy it from the camera again",
            )  # fmt: skip
    if not n_lamps:
        raise unreadable(
            path, "holds no frame", allowed=_NEEDED, remedy="copy it from the camera again"
        )
    if not glimpses:
        what = "no highlight of a lamp lies whole in any"
        if max(n_lamps) > 1:
            what = "no highlight, or several highlights, in every one"
        raise NotMeasurableError(
            f"{path.name}: {what} of {len(n_lamps)} frames looked at",
            allowed="frames with the highlight of one lamp are needed",
            remedy="draw one small lamp over the panel so that it mirrors in the paint",
        )
    return glimpses


def _glimpse(
    frame: Bgr, index: int, time_s: float, *, needs_highlight: bool
) -> tuple[list[Glimpse], int]:
    """Return what a frame shows, if it may be measured, and its number of highlights."""
    height, width = frame.shape[:2]
    shrink = max(math.ceil(max(height, width) / _SCANNED_SIDE_PX), 1)
    small = cv2.resize(frame, (width // shrink, height // shrink), interpolation=cv2.INTER_AREA)
    luminance = cv2.LUT(cv2.cvtColor(small, cv2.COLOR_BGR2GRAY), _LINEAR)
    spots = find_highlights(luminance.astype(np.float32, copy=False), small.max(axis=2) >= _FULL)
    x, y, radius, bloom = width / 2, height / 2, 0.01 * width, 0.0
    if len(spots) == 1 and not spots[0].cut:
        spot = spots[0]
        x, y = ((at + 0.5) * shrink - 0.5 for at in (spot.x_px, spot.y_px))
        radius, bloom = spot.radius_px * shrink, spot.bloom_px * shrink
    elif needs_highlight:
        return [], len(spots)
    else:
        # Without a highlight nothing tells frames apart but their time.
        x = 4 * radius * time_s
    # A wide bloom hides all that is near: what is beyond it tells how sharp the frame is.
    half = max(int(_DETAIL_SIDE_SHARE * width), int(_DETAIL_BLOOMS * bloom), 32)
    at_x, at_y = (int(np.clip(v, 0, side)) for v, side in ((x, width), (y, height)))
    left, top = max(at_x - half, 0), max(at_y - half, 0)
    part = cv2.cvtColor(frame[top : at_y + half, left : at_x + half], cv2.COLOR_BGR2GRAY)
    detail = _detail(part.astype(np.float32), (x - left, y - top), 2 * bloom)
    one = Glimpse(index=index, time_s=time_s, x_px=x, y_px=y, radius_px=radius, detail=detail)
    return [one], len(spots)


def _detail(grey: npt.NDArray[np.float32], at: tuple[float, float], bloom_px: float) -> float:
    yy, xx = np.ogrid[: grey.shape[0], : grey.shape[1]]
    outside = ((xx - at[0]) ** 2 + (yy - at[1]) ** 2 > bloom_px**2).astype(np.uint8)
    coarse = cv2.GaussianBlur(grey, (0, 0), _DETAIL_SD_PX)
    ratios = []
    for way in ((1, 0), (0, 1)):
        fine, middle = (
            cv2.mean(cv2.Sobel(image, cv2.CV_32F, *way) ** 2, mask=outside)[0]
            for image in (grey, coarse)
        )
        ratios.append(fine / max(middle, 1e-6))
    return min(ratios)


def _photo(path: Path, sha256: str, frame: Bgr, at: Frame, max_side_px: int | None) -> Photo:
    height, width = frame.shape[:2]
    scale = min(1.0, (max_side_px or math.inf) / max(width, height))
    picture = Image.fromarray(np.ascontiguousarray(frame[..., ::-1]))
    light = to_linear_light(picture, icc_profile=None, scale=scale)
    return Photo(
        path=path,
        sha256=sha256,
        format="clip",
        bit_depth=light.bit_depth,
        exposure=Exposure(),
        width_px=width,
        height_px=height,
        scale=scale,
        luminance=light.luminance,
        clipped=light.unclipped < 255,
        rgb=light.rgb,
        frame=at,
    )


_LINEAR = srgb_to_linear(np.arange(256) / 255).astype(np.float32)
