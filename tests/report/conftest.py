"""Invented report contents: dark panels with a lamp's highlight and short arcs round it."""

from dataclasses import replace
from datetime import date

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from defectscan.report.content import (
    DensityMap,
    Estimate,
    Flag,
    Highlight,
    Line,
    Panel,
    PhotoConditions,
    Picture,
    Registration,
    ReportContent,
    State,
    Status,
)

BEFORE_SHA256 = "0123456789abcdef" * 4
AFTER_SHA256 = "fedcba9876543210" * 4


def draw_arcs(
    rng: np.random.Generator, n_lines: int, *, size_px: tuple[int, int], highlight: Highlight
) -> list[NDArray[np.float64]]:
    """Draw short arcs round the highlight, as polylines (n, 2)."""
    width, height = size_px
    arcs: list[NDArray[np.float64]] = []
    while len(arcs) < n_lines:
        radius = highlight.radius_px * rng.uniform(1.6, 7.5)
        start = rng.uniform(0, 2 * np.pi)
        angle = start + np.linspace(0, rng.uniform(0.02, 0.09), 12)
        drift = 1 + np.linspace(0, rng.normal(0, 0.01), 12)
        x = highlight.x_px + radius * drift * np.cos(angle)
        y = highlight.y_px + radius * drift * np.sin(angle)
        if x.min() > 0 and y.min() > 0 and x.max() < width - 1 and y.max() < height - 1:
            arcs.append(np.column_stack([x, y]))
    return arcs


def draw_panel(
    rng: np.random.Generator,
    arcs: list[NDArray[np.float64]],
    *,
    size_px: tuple[int, int],
    highlight: Highlight,
    paint: tuple[int, int, int] = (26, 33, 46),
) -> NDArray[np.uint8]:
    """Paint a panel with its highlight, glow, noise and the arcs on it."""
    width, height = size_px
    y, x = np.mgrid[:height, :width]
    distance = np.hypot(x - highlight.x_px, y - highlight.y_px) / highlight.radius_px
    light = np.where(distance < 1, 255.0, 255 * np.exp(-(distance - 1) / 0.35))
    glow = 60 / (1 + distance**2)
    picture: NDArray[np.float64] = np.asarray(paint) + (light + glow)[..., None]
    lines = np.zeros((height, width), np.uint8)
    courses = [np.round(arc * 16).astype(np.int32) for arc in arcs]
    cv2.polylines(
        lines, courses, isClosed=False, color=200, thickness=1, lineType=cv2.LINE_AA, shift=4
    )
    picture = picture + cv2.GaussianBlur(lines, (0, 0), 0.8)[..., None] * 0.7
    noise = rng.standard_normal((height, width), np.float32)[..., None]
    return np.clip(picture + 2.0 * noise, 0, 255).astype(np.uint8)


def make_panel(
    *,
    size_px: tuple[int, int] = (400, 300),
    n_lines: int = 60,
    paint: tuple[int, int, int] = (26, 33, 46),
    title: str = "Bonnet, left half",
) -> Panel:
    """Make a registered pair in which about one line in six is left."""
    rng = np.random.default_rng(5)
    width, height = size_px
    highlight = Highlight(x_px=0.46 * width, y_px=0.47 * height, radius_px=0.055 * width)
    arcs = draw_arcs(rng, n_lines, size_px=size_px, highlight=highlight)
    n_left, n_new = n_lines // 6, max(1, n_lines // 40)
    new = draw_arcs(rng, n_new, size_px=size_px, highlight=highlight)
    before = draw_panel(rng, arcs, size_px=size_px, highlight=highlight, paint=paint)
    after = draw_panel(rng, arcs[:n_left] + new, size_px=size_px, highlight=highlight, paint=paint)
    m = 0.04 * width
    zone = np.array([[m, m], [width - m, m], [width - m, height - m], [m, height - m]])
    angle = np.linspace(0, 2 * np.pi, 50, endpoint=False)
    hole = 1.5 * highlight.radius_px * np.column_stack([np.cos(angle), np.sin(angle)])
    hole = hole + np.array([highlight.x_px, highlight.y_px])

    def lines(courses: list[NDArray[np.float64]], status: Status) -> tuple[Line, ...]:
        return tuple(
            Line(
                points_px=course,
                status=status,
                kind="deep_scratch" if i % 19 == 3 else "machine_trail" if i % 11 == 5 else "swirl",
            )
            for i, course in enumerate(courses)
        )

    def deep(courses: list[NDArray[np.float64]], status: Status) -> tuple[Line, ...]:
        return tuple(Line(points_px=c, status=status, kind="deep_scratch") for c in courses)

    def picture(image: NDArray[np.uint8], courses: list[NDArray[np.float64]]) -> Picture:
        return Picture(
            image=image, lines=lines(courses, "line"), zone_px=(zone, hole), highlight=highlight
        )

    sector = np.arange(12) * np.pi / 12
    directions = 12 + 3 * np.cos(2 * (sector - 0.6)) + rng.normal(0, 0.8, 12)
    values = rng.gamma(2.0, 12.0, (6, 8))
    values[2:4, 3:5] = np.nan
    values[0, 0] = np.nan
    return Panel(
        title=title,
        before=State(
            picture=picture(before, arcs),
            line_density=Estimate(value=143.4, low=128.2, high=160.1),
            detection_limit=6.2,
            grade=4,
            kinds={
                "swirl": Estimate(value=121.3, low=107.0, high=136.9),
                "deep_scratch": Estimate(value=6.4, low=3.1, high=10.8),
                "machine_trail": Estimate(value=15.7, low=9.8, high=22.4),
            },
            haze=Estimate(value=0.42, low=0.36, high=0.48),
            directions=directions,
            photos=(make_conditions("before-1.jpg", BEFORE_SHA256, highlight, n_lines),),
        ),
        after=State(
            picture=picture(after, arcs[:n_left] + new),
            line_density=Estimate(value=24.1, low=18.3, high=31.6),
            detection_limit=6.2,
            grade=1,
            kinds={
                "swirl": Estimate(value=14.2, low=9.9, high=19.6),
                "deep_scratch": Estimate(value=5.8, low=2.7, high=10.1),
                "machine_trail": Estimate(value=4.1, low=1.6, high=7.9),
            },
            haze=Estimate(value=0.31, low=0.25, high=0.37),
            directions=directions / 6 + rng.normal(0, 0.4, 12),
            photos=(
                replace(
                    make_conditions("after-1.jpg", AFTER_SHA256, highlight, n_left + n_new),
                    flags=(
                        Flag(
                            name="Exposure",
                            text="The photo after is 0.8 stops darker than the one before.",
                            advice="Lock the exposure and take both photos with the same setting.",
                        ),
                    ),
                ),
            ),
        ),
        correction=Estimate(value=83.2, low=76.4, high=88.1),
        kind_corrections={
            "swirl": Estimate(value=88.3, low=83.0, high=92.6),
            "deep_scratch": Estimate(value=9.4, low=-41.0, high=52.0),
            "machine_trail": Estimate(value=73.9, low=48.0, high=90.5),
        },
        registration=Registration(
            after_on_before=after,
            lines=lines(arcs[:n_left], "remaining")
            + lines(arcs[n_left:], "removed")
            + lines(new, "new")
            + deep(arcs[3:42:19], "scratch_before")
            + deep(arcs[3:4], "scratch_after"),
            residual_px=0.62,
            overlap=0.943,
        ),
        density_map=DensityMap(values=values, extent_px=(m, m, width - m, height - m)),
    )


def make_conditions(file: str, sha256: str, highlight: Highlight, n_lines: int) -> PhotoConditions:
    """Make the conditions of one photo."""
    return PhotoConditions(
        file=file,
        sha256=sha256,
        width_px=4000,
        height_px=3000,
        mm_per_px=0.0521,
        exposure_time_s=1 / 120,
        f_number=1.8,
        iso=64,
        focal_length_mm=6.86,
        highlight=highlight,
        glint_radius_px=16.4,
        zone_area_cm2=241.7,
        n_lines=n_lines,
    )


def make_content(*panels: Panel) -> ReportContent:
    """Make a report of these panels."""
    return ReportContent(
        title="Paint correction, blue saloon",
        subtitle="Invented example: the car, the shop and the photos do not exist.",
        date=date(2026, 3, 14),
        version="0.1.0",
        panels=panels,
        grade_limits_mm_per_cm2=(2, 30, 60, 120, 240),
    )


@pytest.fixture
def panel() -> Panel:
    return make_panel()


@pytest.fixture
def content(panel: Panel) -> ReportContent:
    return make_content(panel)


@pytest.fixture
def unregistered(panel: Panel) -> Panel:
    return replace(panel, registration=Registration(reason="too few fixed points on the panel"))


@pytest.fixture
def one_state(panel: Panel) -> Panel:
    return replace(
        panel,
        after=None,
        correction=Estimate(),
        kind_corrections={},
        registration=None,
    )
