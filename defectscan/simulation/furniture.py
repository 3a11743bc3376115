"""What is stuck on a panel or bounds it: trim, masking tape, an emblem, an edge with its gap."""

import numpy as np

from defectscan.simulation.panel import Patch

BLACK_PLASTIC = (0.015, 0.015, 0.016)
MASKING_TAPE = (0.62, 0.55, 0.30)
BRIGHT_METAL = (0.55, 0.55, 0.56)
SHADOW = (0.001, 0.001, 0.001)


def strip(
    *,
    offset_mm: float,
    angle_deg: float,
    width_mm: float,
    length_mm: float = 700.0,
    albedo: tuple[float, float, float] = BLACK_PLASTIC,
    what: str = "trim",
) -> Patch:
    """Return a straight strip.

    Parameters
    ----------
    offset_mm
        Distance of its middle line from the panel's middle.
    angle_deg
        Direction of its length.
    width_mm, length_mm
        Its size.
    albedo, what
        As in `Patch`.
    """
    angle = np.deg2rad(angle_deg)
    along = np.array([np.cos(angle), np.sin(angle)])
    across = np.array([-along[1], along[0]])
    corners = [(-1, -1), (1, -1), (1, 1), (-1, 1)]
    outline = [
        (offset_mm + b * width_mm / 2) * across + a * length_mm / 2 * along for a, b in corners
    ]
    return Patch(outline_mm=np.array(outline), albedo=albedo, what=what)


def tape_piece(
    *, middle_mm: tuple[float, float], angle_deg: float, length_mm: float = 30.0
) -> Patch:
    """Return a piece of masking tape, 18 mm wide, with torn ends."""
    angle = np.deg2rad(angle_deg)
    along = np.array([np.cos(angle), np.sin(angle)])
    across = np.array([-along[1], along[0]])
    half = length_mm / 2
    tear = np.array([0.6, -1.1, 0.9, -0.4, 1.3, -0.8, 0.2])
    side = np.linspace(-9, 9, len(tear))
    right = [(half + t) * along + s * across for t, s in zip(tear, side, strict=True)]
    left = [(-half + t) * along + s * across for t, s in zip(tear, side, strict=True)]
    outline = np.array(right + left[::-1]) + np.asarray(middle_mm)
    return Patch(outline_mm=outline, albedo=MASKING_TAPE, what="tape")


def emblem(*, middle_mm: tuple[float, float], size_mm: float = 24.0) -> tuple[Patch, ...]:
    """Return a plain invented emblem: a bright hexagon, a dark one and a bright bar in it."""
    turn = np.deg2rad(np.arange(6) * 60 + 12)
    ring = np.stack([np.cos(turn), 0.7 * np.sin(turn)], axis=-1)
    bar = np.array([[-0.5, -0.08], [0.55, -0.14], [0.5, 0.1], [-0.55, 0.12]])
    parts = (
        (ring, 0.5, BRIGHT_METAL), (ring, 0.4, BLACK_PLASTIC), (bar, 0.5, BRIGHT_METAL),
    )  # fmt: skip
    return tuple(
        Patch(
            outline_mm=shape * size_mm * scale + np.asarray(middle_mm), albedo=albedo, what="emblem"
        )
        for shape, scale, albedo in parts
    )


def edge(*, offset_mm: float, angle_deg: float, gap_mm: float = 4.0) -> tuple[Patch, ...]:
    """Return the gap along a panel's edge and the neighbouring part's matt rim beyond it."""
    gap = strip(
        offset_mm=offset_mm + gap_mm / 2, angle_deg=angle_deg, width_mm=gap_mm,
        albedo=SHADOW, what="gap",
    )  # fmt: skip
    beyond = strip(
        offset_mm=offset_mm + gap_mm + 150, angle_deg=angle_deg, width_mm=300,
        albedo=(0.08, 0.08, 0.085), what="gap",
    )  # fmt: skip
    return beyond, gap


def draw_furniture(
    rng: np.random.Generator, *, extent_mm: tuple[float, float]
) -> tuple[Patch, ...]:
    """Draw what a panel may have in the picture: an edge, trim, tape, an emblem, or several."""
    half_u, half_v = extent_mm[0] / 2, extent_mm[1] / 2
    parts: list[Patch] = []
    chosen = rng.random(4) < (0.5, 0.5, 0.5, 0.35)
    if not chosen.any():
        chosen[rng.integers(4)] = True
    side = rng.choice([-1, 1])
    if chosen[0]:
        angle = rng.uniform(-6, 6) + (180 if side < 0 else 0)
        parts += edge(offset_mm=half_v * rng.uniform(0.78, 0.9), angle_deg=angle)
    if chosen[1]:
        angle = 90 + rng.uniform(-5, 5) + rng.choice([0, 180])
        parts.append(
            strip(
                offset_mm=half_u * rng.uniform(0.75, 0.88), angle_deg=angle,
                width_mm=rng.uniform(6, 14),
            )
        )  # fmt: skip
    if chosen[2]:
        for _ in range(rng.integers(1, 4)):
            middle = (
                half_u * rng.uniform(0.5, 0.85) * rng.choice([-1, 1]),
                half_v * rng.uniform(0.5, 0.85) * rng.choice([-1, 1]),
            )
            parts.append(
                tape_piece(
                    middle_mm=middle, angle_deg=rng.uniform(0, 180), length_mm=rng.uniform(18, 40)
                )
            )
    if chosen[3]:
        middle = (half_u * rng.uniform(-0.7, 0.7), -side * half_v * rng.uniform(0.55, 0.8))
        parts += emblem(middle_mm=middle, size_mm=rng.uniform(18, 32))
    return tuple(parts)
