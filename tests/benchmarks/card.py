"""The scale card's figures over drawn photos: scale, tilt, and how true their uncertainty is.

Each draw prints the card, lays it on a flat or bent panel, and photographs it with a lens, a blur,
a noise and an exposure of its own, part of it hidden. The ruler is read with an error, to half a
millimetre, as a user would. From the repository: python -m tests.benchmarks.card
"""

import argparse
import math
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import cv2
import numpy as np

from defectscan.imaging.card import find_card
from tests.drawn_card import Shot, draw_shot, take

READING_SD_MM = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """What one photo gave: errors with their standard errors, shares of the scale or degrees."""

    scale: tuple[float, float]
    scale_print_known: tuple[float, float]
    tilt_deg: tuple[float, float]
    n_tags: int
    flat: bool
    seconds: float


def measure(seed: int) -> tuple[Shot, Row | None]:
    """Draw and measure one photo."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng(seed)
    shot = draw_shot(rng)
    photo = take(shot, rng)
    read_mm = round(2 * (200 * shot.print_scale + rng.normal(0, READING_SD_MM))) / 2
    start = time.process_time()
    card = find_card(photo.grey, card_mm=read_mm)
    seconds = time.process_time() - start
    if card is None:
        return shot, None
    misread = read_mm / (200 * shot.print_scale)
    row = Row(
        scale=(
            card.mm_per_px / photo.mm_per_px - 1,
            card.mm_per_px_standard_error / card.mm_per_px,
        ),
        scale_print_known=(
            card.mm_per_px / misread / photo.mm_per_px - 1,
            card.fit_standard_error / card.mm_per_px,
        ),
        tilt_deg=(card.tilt_deg - shot.tilt_deg, card.tilt_standard_error_deg),
        n_tags=len(card.tag_numbers),
        flat=math.isinf(shot.radius_mm),
        seconds=seconds,
    )
    return shot, row


def report(rows: Sequence[Row]) -> list[str]:
    """Return the figures, a line each."""
    n_tags = [row.n_tags for row in rows]
    lines = [f"marks found: {np.median(n_tags):.0f} (median), {min(n_tags)} (fewest)"]
    parts = (
        ("all", rows),
        ("flat", [row for row in rows if row.flat]),
        ("bent", [row for row in rows if not row.flat]),
        ("four marks or more", [row for row in rows if row.n_tags >= 4]),
    )
    for name, factor, unit in (
        ("scale", 100, "%"),
        ("scale_print_known", 100, "%"),
        ("tilt_deg", 1, "deg"),
    ):
        for part, of in parts:
            if not of:
                continue
            error, se = np.array([getattr(row, name) for row in of]).T
            sizes, ratios = factor * np.abs(error), error / se
            lines.append(
                f"{name}, {part} ({len(of)}): error {np.median(sizes):.3f} {unit} (median), "
                f"{np.quantile(sizes, 0.95):.3f} (95 %), {sizes.max():.3f} (worst); within 1.96 "
                f"standard errors {100 * np.mean(np.abs(ratios) < 1.96):.0f} %, "
                f"rms ratio {np.sqrt(np.mean(ratios**2)):.2f}"
            )
    lines.append(f"time: {np.median([row.seconds for row in rows]):.2f} s (median, one thread)")
    return lines


def main() -> None:
    """Run the benchmark from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--draws", type=int, default=100)
    parser.add_argument("--first", type=int, default=2000)
    parser.add_argument("--rows", action="store_true", help="print every photo's row too")
    parser.add_argument("--jobs", type=int, default=2)
    options = parser.parse_args()
    rows = []
    seeds = range(options.first, options.first + options.draws)
    with ProcessPoolExecutor(options.jobs) as pool:
        for seed, (shot, row) in zip(seeds, pool.map(measure, seeds), strict=True):
            if row is None:
                print(f"{seed}: not found, {len(shot.hidden)} marks hidden, {shot}")
            else:
                rows.append(row)
            if options.rows:
                print(seed, row, shot, flush=True)
    print(f"photos: {options.draws}, card found in {len(rows)}")
    print("\n".join(report(rows)))


if __name__ == "__main__":
    main()
