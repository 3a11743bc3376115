"""A clip of a panel: the lamp drawn over it, the camera held by hand."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from defectscan.errors import DefectscanError
from defectscan.simulation import light as lighting
from defectscan.simulation.develop import Development, develop, spread, to_bytes
from defectscan.simulation.panel import Panel
from defectscan.simulation.render import scene_light
from defectscan.simulation.scene import Scene

Floats = NDArray[np.float64]
Image = NDArray[np.uint8]

MARGIN_PX = 48
HELD_SHARE = 0.6
JOLT_S = 0.12
CLOSE_MM = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Filming:
    """How a clip is taken.

    Attributes
    ----------
    frames_per_s, duration_s
        Of the clip.
    exposure_time_s
        Of each frame: what moves meanwhile is blurred.
    readout_s
        From a frame's first row to its last, as a rolling shutter reads them.
    shake_px, tremor_px
        Standard deviation of the slow sway of the hand and of its tremor.
    jolt_px
        Size of the jolts that come about once a second.
    """

    frames_per_s: float = 30.0
    duration_s: float = 5.0
    exposure_time_s: float = 1 / 120
    readout_s: float = 0.02
    shake_px: float = 8.0
    tremor_px: float = 0.4
    jolt_px: float = 5.0

    @property
    def n_frames(self) -> int:
        """How many frames there are."""
        return max(round(self.frames_per_s * self.duration_s), 1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sway:
    """How a hand moves the picture: sines and jolts along x, y and round the middle.

    Attributes
    ----------
    size_px, rate_hz, phase_rad
        Shape (3, k): the sines; the turn is in pixels at 1000 px from the middle.
    jolt_at_s, jolt_px
        Shape (n,) and (n, 3).
    """

    size_px: Floats
    rate_hz: Floats
    phase_rad: Floats
    jolt_at_s: Floats
    jolt_px: Floats

    @classmethod
    def draw(cls, filming: Filming, rng: np.random.Generator) -> "Sway":
        """Draw one at random."""
        slow, fast = rng.uniform(0.15, 0.9, (3, 3)), rng.uniform(5, 11, (3, 2))
        n_jolts = rng.poisson(filming.duration_s)
        size = np.concatenate(
            [
                np.full((3, 3), filming.shake_px * np.sqrt(2 / 3)),
                np.full((3, 2), filming.tremor_px),
            ],
            axis=1,
        )
        return cls(
            size_px=size,
            rate_hz=np.concatenate([slow, fast], axis=1),
            phase_rad=rng.uniform(0, 2 * np.pi, size.shape),
            jolt_at_s=rng.uniform(0, filming.duration_s, n_jolts),
            jolt_px=filming.jolt_px * rng.standard_normal((n_jolts, 3)),
        )

    def at(self, time_s: float) -> Floats:
        """Return the move along x and y and the turn, shape (3,)."""
        sines = np.sin(2 * np.pi * self.rate_hz * time_s + self.phase_rad)
        since = (time_s - self.jolt_at_s) / JOLT_S
        jolts = np.exp(-(since**2)) * np.sin(2 * np.pi * since)
        return np.asarray(np.sum(self.size_px * sines, axis=1) + jolts @ self.jolt_px)

    def speed(self, time_s: float) -> Floats:
        """Return the change of `at` per second."""
        step = 1e-3
        return np.asarray((self.at(time_s + step) - self.at(time_s - step)) / (2 * step))


def lamp_over(scene: Scene, at_mm: Floats) -> Scene:
    """Return a scene with its lamp moved sideways until the panel mirrors it at a place.

    Parameters
    ----------
    scene
        Its lamp's height stays.
    at_mm
        Surface coordinates, shape (2,).
    """
    lamp = np.array(scene.lamp.position_mm, dtype=np.float64)
    camera_height = scene.camera.position_mm[2]
    here = scene.mirror_point()
    # On a flat panel exact; a curved one asks for more, as each step shows.
    gain = np.full(2, (lamp[2] + camera_height) / camera_height)
    for _ in range(8):
        miss = at_mm - here
        if np.abs(miss).max() < CLOSE_MM:
            break
        lamp[:2] += gain * miss
        moved = (float(lamp[0]), float(lamp[1]), float(lamp[2]))
        scene = replace(scene, lamp=replace(scene.lamp, position_mm=moved))
        before, here = here, scene.mirror_point()
        went = here - before
        tells = np.abs(went) > CLOSE_MM
        gain[tells] = (gain * miss)[tells] / went[tells]
    return scene


def render_clip(
    panel: Panel,
    scenes: Sequence[Scene],
    development: Development,
    rng: np.random.Generator,
    *,
    filming: Filming,
    ambient: float = 5e-6,
) -> Iterator[Image]:
    """Render the frames of a clip.

    The light of a scene is rendered once. The lamp rests at each scene's place for a part of
    the time, and in between the pictures of the two places are blended, which no frame that is
    to be measured should be: the lamp moves in steps, and its own motion while it is drawn on
    is not in the frames that can be measured. Hand shake moves each frame, blurs it while it is
    exposed and skews it while it is read. Noise is each frame's own.

    Parameters
    ----------
    panel
        What is seen.
    scenes
        One for each place of the lamp; the camera is the same in all.
    development
        What the camera makes of a frame; its JPEG quality plays no part.
    rng
        Source of the shake and of the sensor's noise.
    filming
        Frames, exposure and shake.
    ambient
        Radiance of the room relative to the lamp's.

    Yields
    ------
    ndarray
        uint8, shape (H, W, 3), in the order blue, green, red.
    """
    sway = Sway.draw(filming, rng)
    deviation = _noise_deviation(development)
    camera = scenes[0].camera
    shape = (camera.height_px + 256, camera.width_px + 256, 3)
    noise = cv2.GaussianBlur(rng.standard_normal(shape, np.float32), (0, 0), 0.45)
    gain: float | None = None
    pictures: dict[int, Image] = {}
    for number in range(filming.n_frames):
        place = number / filming.n_frames * len(scenes)
        first, rest = int(place), place - int(place)
        second = min(first + 1, len(scenes) - 1)
        share = max(rest - HELD_SHARE, 0) / (1 - HELD_SHARE)
        wanted = {first, second} if share else {first}
        for index in sorted(wanted - set(pictures)):
            # One exposure for the whole clip, as a locked camera has it.
            pictures[index], gain = _picture(
                panel, scenes[index], development, ambient=ambient, gain=gain
            )
        pictures = {index: pictures[index] for index in pictures if index >= first}
        seen = pictures[first]
        if share:
            seen = _mixed(seen, pictures[second], share)
        frame = _filmed(seen, sway, number / filming.frames_per_s, filming)
        row, column = rng.integers(0, 256, 2)
        own = noise[row : row + frame.shape[0], column : column + frame.shape[1]]
        noisy = frame + cv2.LUT(frame, deviation) * own
        yield np.clip(np.round(noisy), 0, 255).astype(np.uint8)


def _picture(
    panel: Panel, scene: Scene, development: Development, *, ambient: float, gain: float | None
) -> tuple[Image, float]:
    """Return a scene's picture without noise, with a margin all round, and its exposure."""
    camera = replace(
        scene.camera,
        width_px=scene.camera.width_px + 2 * MARGIN_PX,
        height_px=scene.camera.height_px + 2 * MARGIN_PX,
    )
    wide = replace(scene, camera=camera)
    seen = scene_light(panel, wide, ambient=ambient, grid_mm=lighting.ground_grid(wide))
    if gain is None:
        gain = seen.own_gain * development.exposure
    silent = replace(development, full_well_e=1e15, read_noise_e=0.0)
    through_lens = spread(seen.light, development)
    encoded = develop(through_lens, silent, np.random.default_rng(0), gain=gain)
    return np.ascontiguousarray(to_bytes(encoded)[..., ::-1]), gain


def _mixed(one: Image, other: Image, share: float) -> Image:
    return np.asarray(cv2.addWeighted(one, 1 - share, other, share, 0), dtype=np.uint8)


def _filmed(picture: Image, sway: Sway, time_s: float, filming: Filming) -> Image:
    """Return what a shaken camera with a rolling shutter makes of a picture with a margin."""
    at, speed = sway.at(time_s), sway.speed(time_s)
    # Two exposures at these moments blur as much as the even spread over all of it.
    apart = filming.exposure_time_s / np.sqrt(12)
    views = [
        _moved(picture, at + sign * apart * speed, speed * filming.readout_s) for sign in (-1, 1)
    ]
    return _mixed(views[0], views[1], 0.5)


def _moved(picture: Image, at: Floats, while_read: Floats) -> Image:
    """Return the picture moved by (x, y, turn), and more so from the first row to the last."""
    height, width = (side - 2 * MARGIN_PX for side in picture.shape[:2])
    middle = np.array([width - 1, height - 1]) / 2
    turn = at[2] / 1000
    linear = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    # Places in the frame to places in the picture: the move is taken off.
    linear[:, 1] -= while_read[:2] / height
    shift = middle + MARGIN_PX - at[:2] - linear @ middle
    matrix = np.column_stack([linear, shift])
    return np.asarray(
        cv2.warpAffine(
            picture, matrix, (width, height),
            flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE,
        ),
        dtype=np.uint8,
    )  # fmt: skip


def _noise_deviation(development: Development) -> NDArray[np.float32]:
    """Return the noise in steps of 8 bits for each of the 256 values, shape (256,)."""
    value = np.arange(256) / 255
    linear = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    well = development.full_well_e
    deviation = np.sqrt(linear / well + (development.read_noise_e / well) ** 2)
    slope = np.where(
        linear <= 0.0031308, 12.92, 1.055 / 2.4 * np.maximum(linear, 1e-6) ** (1 / 2.4 - 1)
    )
    deviation = np.where(value < 1, deviation * slope, 0)
    return (255 * deviation).astype(np.float32)


def write_clip(path: Path, frames: Iterator[Image], *, frames_per_s: float) -> int:
    """Write frames as a clip, MPEG-4 in an MP4 file, and return how many there were.

    Parameters
    ----------
    path
        Ends in .mp4.
    frames
        From `render_clip`, at least one.
    frames_per_s
        Of the clip.

    Raises
    ------
    DefectscanError
        If the clip cannot be written.
    """
    writer: cv2.VideoWriter | None = None
    count = 0
    for frame in frames:
        if writer is None:
            size = (frame.shape[1], frame.shape[0])
            code = cv2.VideoWriter.fourcc(*"mp4v")
            writer = cv2.VideoWriter(str(path), code, frames_per_s, size)
            if not writer.isOpened():
                raise DefectscanError(
                    f"{path} cannot be written",
                    allowed="a folder that can be written to, and a name that ends in .mp4",
                    remedy="choose another place",
                )
        writer.write(frame)
        count += 1
    if writer is not None:
        writer.release()
    return count
