"""Lines found, beside scikit-image's sato and frangi, each at its best threshold.

All three see the same photos in the same run. A filter's answer is thresholded and thinned to
one-pixel lines; the threshold is the best one for each paint, chosen with the truth in hand,
which the project's own lines do not get.
"""

import argparse
import tempfile
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import cv2
import numpy as np
import scenes
from accuracy import f1, f1_terms
from numpy.typing import NDArray
from skimage.filters import frangi, sato
from skimage.morphology import skeletonize

from defectscan import shots
from defectscan.imaging.photo import read_photo
from defectscan.measurement.state import lines_mask

Floats = NDArray[np.float64]

SIGMAS = (1.001, 1.6, 2.4)
THRESHOLDS = {
    "sato": np.geomspace(0.002, 0.2, 14),
    "frangi": np.geomspace(1e-4, 0.9, 14),
}


def terms_of(seed: int) -> tuple[str, dict[str, Floats]]:
    """Return the paint of a rendered shot and the F1 terms of each way of finding lines."""
    cv2.setNumThreads(1)
    case = scenes.draw_case(seed, states=1, furnished=False)
    shot = case.before[0]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "photo.jpg"
        path.write_bytes(shot.jpeg)
        photo = read_photo(path, max_side_px=shots.WORKING_SIDE_PX)
    measured = shots.measure_shot(photo, mm_per_px=shot.mm_per_px)
    zone = measured.shot.zone
    terms = {"defectscan": np.array([f1_terms(lines_mask(measured), shot.lit, zone)])}
    grey = cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY).astype(np.float64) / 255
    for name, filtered in (
        ("sato", sato(grey, sigmas=SIGMAS, black_ridges=False)),
        ("frangi", frangi(grey, sigmas=SIGMAS, black_ridges=False)),
    ):
        terms[name] = np.array(
            [
                f1_terms(skeletonize((filtered > level) & zone), shot.lit, zone)
                for level in THRESHOLDS[name]
            ]
        )
    return case.paint, terms


def main() -> None:
    """Run the benchmark from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=int, default=24)
    parser.add_argument("--first", type=int, default=30_000)
    parser.add_argument("--jobs", type=int, default=2)
    given = parser.parse_args()
    total: dict[str, dict[str, Floats]] = defaultdict(dict)
    with ProcessPoolExecutor(given.jobs) as pool:
        for paint, terms in pool.map(terms_of, range(given.first, given.first + given.photos)):
            for name, value in terms.items():
                total[paint][name] = total[paint].get(name, 0) + value
    for paint, by_name in total.items():
        best = {name: max(f1(row) for row in rows) for name, rows in by_name.items()}
        print(f"{paint}: " + ", ".join(f"{name} {value:.3f}" for name, value in best.items()))
    # One threshold for all paints, as ours has to do with one.
    every = {name: sum(by_name[name] for by_name in total.values()) for name in best}
    print(
        "all paints, one threshold: "
        + ", ".join(f"{name} {max(f1(row) for row in rows):.3f}" for name, rows in every.items())
    )


if __name__ == "__main__":
    main()
