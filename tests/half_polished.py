"""A panel that is polished on one side of a strip of tape, rendered once for several tests."""

import io
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from defectscan.simulation.develop import Development
from defectscan.simulation.furniture import MASKING_TAPE, strip
from defectscan.simulation.specimen import Pass, Specimen, Stand, render_states

WIDTH_PX, HEIGHT_PX = 1000, 750
MM_PER_PX = 0.1
TAPE_PX = 60.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HalfPolished:
    """A photo of a panel, its right half polished, tape down the middle.

    Attributes
    ----------
    rgb
        The photo, shape (H, W, 3).
    true_percent
        The correction.
    """

    rgb: NDArray[np.uint8]
    true_percent: float

    @property
    def png(self) -> bytes:
        buffer = io.BytesIO()
        Image.fromarray(self.rgb).save(buffer, "PNG", compress_level=1)
        return buffer.getvalue()


@cache
def half_polished() -> HalfPolished:
    """Render it, the highlight on the untouched half."""
    tape = strip(
        offset_mm=0, angle_deg=90, width_mm=TAPE_PX * MM_PER_PX, albedo=MASKING_TAPE, what="tape"
    )
    before, after = render_states(
        Specimen(
            density_mm_per_cm2=250, across_mm=100, margin_mm=40, deep_scratches=1, dust=30,
            patches=(tape,), passes=(Pass(depth_um=0.9),),
        ),
        stand=Stand(
            width_px=WIDTH_PX, move_mm=0, lamp_mm=(-14, -6, 420), camera_mm=(-8, 6, 360)
        ),
        development=Development(),
        seed=5,
    )  # fmt: skip
    one, two = (state.shots[0].rgb for state in (before, after))
    rgb = np.where((np.arange(WIDTH_PX) < WIDTH_PX / 2)[None, :, None], one, two)
    densities = [state.panel.density_mm_per_cm2() for state in (before, after)]
    return HalfPolished(rgb=rgb, true_percent=100 * (1 - densities[1] / densities[0]))
