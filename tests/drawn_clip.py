"""Clips drawn by hand: plain paint with a lamp's image that moves over it."""

import struct
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
from numpy.typing import NDArray

Rgb = NDArray[np.uint8]

WIDTH_PX, HEIGHT_PX = 480, 270


def painted(*, marks: int = 250, seed: int = 0) -> NDArray[np.float32]:
    """Draw dark paint with fine marks on it, grey levels, shape (H, W)."""
    rng = np.random.default_rng(seed)
    paint: NDArray[np.float32] = np.full((HEIGHT_PX, WIDTH_PX), 40, np.float32)
    for _ in range(marks):
        x, y, angle = rng.uniform(0, WIDTH_PX), rng.uniform(0, HEIGHT_PX), rng.uniform(0, np.pi)
        dx, dy = 9 * np.cos(angle), 9 * np.sin(angle)
        start, end = (round(x - dx), round(y - dy)), (round(x + dx), round(y + dy))
        cv2.line(paint, start, end, color=70.0, thickness=1, lineType=cv2.LINE_AA)
    return paint


def with_lamps(paint: NDArray[np.float32], *at_px: Sequence[float], blur_px: float = 0) -> Rgb:
    """Return a frame of the paint with the images of lamps in it, shape (H, W, 3)."""
    picture: NDArray[Any] = paint.copy()
    y, x = np.mgrid[:HEIGHT_PX, :WIDTH_PX]
    for at in at_px:
        away = np.hypot(x - at[0], y - at[1])
        picture += 400 / (1 + np.exp((away - 14) / 1.2)) + 60 / (1 + (away / 22) ** 2)
    if blur_px:
        picture = cv2.GaussianBlur(picture, (0, 0), blur_px)
    grey = np.clip(np.round(picture), 0, 255).astype(np.uint8)
    return np.repeat(grey[..., None], 3, axis=-1)


def written(path: Path, frames: Iterable[Rgb], *, code: str = "mp4v") -> Path:
    """Write a clip at 30 frames a second."""
    writer: cv2.VideoWriter | None = None
    for frame in frames:
        if writer is None:
            size = frame.shape[1], frame.shape[0]
            writer = cv2.VideoWriter(str(path), cv2.VideoWriter.fourcc(*code), 30.0, size)
            assert writer.isOpened()
        writer.write(frame)
    assert writer is not None
    writer.release()
    return path


def encoded(path: Path, frames: Iterable[Rgb], *, codec: str, turned: bool = False) -> Path:
    """Write a clip as phones do: in H.264 or HEVC, upright by a note in the file where turned."""
    options = {"crf": "16", "x265-params": "log-level=none"}
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=30, options=options)
        assert isinstance(stream, av.VideoStream)
        stream.width, stream.height, stream.pix_fmt = WIDTH_PX, HEIGHT_PX, "yuv420p"
        for frame in frames:
            container.mux(stream.encode(av.VideoFrame.from_ndarray(frame, format="bgr24")))
        container.mux(stream.encode())
    if turned:
        content = bytearray(path.read_bytes())
        # The track header's matrix (ISO/IEC 14496-12, 8.3.2), 16.16 and 2.30 fixed point.
        at = content.index(b"tkhd") + 4 + 40
        quarter = (0, 0x10000, 0, -0x10000, 0, 0, 0, 0, 0x40000000)
        content[at : at + 36] = struct.pack(">9i", *quarter)
        path.write_bytes(content)
    return path
