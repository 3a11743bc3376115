"""Panels with no groove at all: how often the density reads under its own detection limit."""

import argparse
import tempfile
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import cv2
import scenes

from defectscan import pipeline


def reading(seed: int) -> tuple[str, float, float]:
    """Return paint, density and detection limit of one groove-free photo, mm/cm²."""
    cv2.setNumThreads(1)
    shot = scenes.without_grooves(seed)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "photo.jpg"
        path.write_bytes(shot.jpeg)
        score = pipeline.score(path, mm_per_px=shot.mm_per_px)
    paint = list(scenes.PAINTS)[seed % len(scenes.PAINTS)]
    return paint, score.line_density.value, score.detection_limit


def main() -> None:
    """Run the benchmark from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=int, default=120)
    parser.add_argument("--first", type=int, default=20_000)
    parser.add_argument("--jobs", type=int, default=2)
    given = parser.parse_args()
    by_paint = defaultdict(list)
    with ProcessPoolExecutor(given.jobs) as pool:
        for paint, value, limit in pool.map(
            reading, range(given.first, given.first + given.photos)
        ):
            by_paint[paint].append((value, limit))
    for paint, rows in by_paint.items():
        under = sum(value <= limit for value, limit in rows)
        worst = max(value for value, _ in rows)
        limits = sorted(limit for _, limit in rows)
        print(
            f"{paint}: {under} of {len(rows)} under the limit; highest reading {worst:.2f}, "
            f"median limit {limits[len(limits) // 2]:.2f} mm/cm²"
        )


if __name__ == "__main__":
    main()
