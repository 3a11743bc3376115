"""How near the truth: density, correction, lines, groove-free panels, registration.

Run `python tests/benchmarks/accuracy.py`; it prints the table of the README. Renders go to a
folder that is kept when `--folder` names it, so that a second run only measures.
"""

import argparse
import json
import tempfile
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path

import cv2
import numpy as np
import scenes
from numpy.typing import NDArray

from defectscan import pipeline
from defectscan.errors import DefectscanError
from defectscan.simulation.render import RenderedShot, reference_floor_density, true_homography

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One pair: truth, what was measured, and what the reference floor says of the same shots."""

    seed: int
    paint: str
    curved: bool
    furnished: bool
    true: tuple[float, float]
    measured: tuple[float, float]
    low: tuple[float, float]
    high: tuple[float, float]
    floor: tuple[float, float]
    correction: float | None
    correction_low: float | None
    correction_high: float | None
    registered: bool
    registration_px: float | None
    f1_terms: tuple[tuple[float, ...], ...]

    @property
    def true_correction(self) -> float:
        """Percent."""
        return 100 * (1 - self.true[1] / self.true[0])

    @property
    def floor_correction(self) -> float:
        """Percent, by perfect eyes."""
        return 100 * (1 - self.floor[1] / self.floor[0])


def prepare(seed: int, folder: Path, *, shots: int = 1, over_panel: bool = False) -> Path:
    """Render a pair into a folder of its own, unless it is there, and return that."""
    home = folder / f"{seed:05d}_{shots}{'_over_panel' if over_panel else ''}"
    if (home / "truth.json").exists():
        return home
    case = scenes.draw_case(seed, shots=shots, over_panel=over_panel)
    for state, rendered in (("before", case.before), ("after", case.after)):
        (home / state).mkdir(parents=True, exist_ok=True)
        for number, shot in enumerate(rendered):
            (home / state / f"{number}.jpg").write_bytes(shot.jpeg)
            cv2.imencode(".png", shot.lit)[1].tofile(home / f"lit_{state}_{number}.png")
    points = _ground_points()
    truth = {
        "seed": seed,
        "paint": case.paint,
        "curved": case.curved,
        "furnished": case.furnished,
        "mm_per_px": case.before[0].mm_per_px,
        "density": [case.before[0].density_mm_per_cm2, case.after[0].density_mm_per_cm2],
        "floor": [reference_floor_density(case.before), reference_floor_density(case.after)],
        "homography": true_homography(case.after[0], case.before[0]).tolist(),
        "points_before": _pixels(case.before[0], points),
        "points_after": _pixels(case.after[0], points),
    }
    (home / "truth.json").write_text(json.dumps(truth))
    return home


def _ground_points() -> Floats:
    u, v = (np.linspace(-0.4, 0.4, 9) * extent for extent in scenes.EXTENT_MM)
    return np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2)


def _pixels(shot: RenderedShot, points: Floats) -> list[list[float]]:
    return [[float(x), float(y)] for x, y in shot.scene.project(points)]


def measure(home: Path) -> Row:
    """Measure a rendered pair and set it beside its truth."""
    truth = json.loads((home / "truth.json").read_text())
    result = pipeline.compare(home / "before", home / "after", mm_per_px=truth["mm_per_px"])
    states = (result.before, result.after)
    densities = [state.line_density for state in states]
    percent = result.correction.percent
    error = None
    registration = result.registration
    if registration.registered:
        here = np.array(truth["points_after"])[None]
        found = cv2.perspectiveTransform(here, registration.homography_after_to_before)[0]
        there = np.array(truth["points_before"])
        height, width = scenes.HEIGHT_PX, scenes.WIDTH_PX
        seen = np.all((there > 0) & (there < (width, height)), axis=-1)
        seen &= np.all((here[0] > 0) & (here[0] < (width, height)), axis=-1)
        error = float(np.mean(np.linalg.norm(found - there, axis=-1)[seen]))
    terms = []
    for state, name in zip(states, ("before", "after"), strict=True):
        lit = cv2.imdecode(np.fromfile(home / f"lit_{name}_0.png", np.uint8), 0)
        terms.append(f1_terms(pipeline.lines_mask(state.shots[0]), lit, state.shots[0].shot.zone))
    return Row(
        seed=truth["seed"],
        paint=truth["paint"],
        curved=truth["curved"],
        furnished=truth["furnished"],
        true=tuple(truth["density"]),
        measured=tuple(d.value for d in densities),
        low=tuple(d.low for d in densities),
        high=tuple(d.high for d in densities),
        floor=tuple(truth["floor"]),
        correction=None if percent is None else percent.value,
        correction_low=None if percent is None else percent.low,
        correction_high=None if percent is None else percent.high,
        registered=registration.registered,
        registration_px=error,
        f1_terms=tuple(terms),
    )


def f1_terms(
    found: NDArray[np.bool_], lit: NDArray[np.uint8], zone: NDArray[np.bool_]
) -> tuple[float, float, float, float]:
    """Return right and all found pixels, found and all lit pixels, within 2 px, in the zone.

    Lines fainter than the renderer's stated contrast are neither asked nor punished.
    """
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5))
    near_lit = cv2.dilate((lit > 0).astype(np.uint8), disc) > 0
    near_found = cv2.dilate(found.astype(np.uint8), disc) > 0
    inner = cv2.erode(zone.astype(np.uint8), disc) > 0
    found, asked = found & inner, (lit == 255) & inner
    return (
        float((found & near_lit).sum()),
        float(found.sum()),
        float((asked & near_found).sum()),
        float(asked.sum()),
    )


def f1(terms: Floats) -> float:
    """Return the F1 of summed terms."""
    right, found, seen, asked = terms
    precision, recall = right / max(found, 1), seen / max(asked, 1)
    return float(2 * precision * recall / max(precision + recall, 1e-9))


def report(rows: list[Row]) -> str:
    """Return the table of figures."""
    out = [f"pairs: {len(rows)}"]
    true = np.array([r.true for r in rows])
    measured = np.array([r.measured for r in rows])
    inside = (np.array([r.low for r in rows]) <= true) & (np.array([r.high for r in rows]) >= true)
    error = measured / true - 1
    curved = np.array([r.curved for r in rows])
    # Density is stated for 50 mm/cm² and more, whether before or after polishing.
    dense = true >= 50
    for name, which in (("all", curved | True), ("flat", ~curved), ("curved", curved)):
        chosen = dense & which[:, None]
        if not chosen.any():
            continue
        e = error[chosen]
        out.append(
            f"density, {name}: median error {100 * np.median(np.abs(e)):.1f} %, "
            f"bias {100 * np.median(e):+.1f} % (mean {100 * e.mean():+.1f} %), "
            f"interval holds {100 * inside[chosen].mean():.0f} % of {chosen.sum()}"
        )
    for paint in dict.fromkeys(r.paint for r in rows):
        chosen = dense & np.array([r.paint == paint for r in rows])[:, None]
        if not chosen.any():
            continue
        e = error[chosen]
        terms = np.sum([t for r in rows if r.paint == paint for t in r.f1_terms], axis=0)
        out.append(
            f"  {paint}: density bias {100 * np.median(e):+.1f} %, error "
            f"{100 * np.median(np.abs(e)):.1f} %, lines F1 {f1(terms):.3f} "
            f"(precision {terms[0] / terms[1]:.3f}, recall {terms[2] / terms[3]:.3f})"
        )
    usable = [r for r in rows if r.correction is not None]
    off = np.array([r.correction - r.true_correction for r in usable])
    floor = np.array([r.floor_correction - r.true_correction for r in usable])
    held = np.array([r.correction_low <= r.true_correction <= r.correction_high for r in usable])
    ratio = np.sqrt(np.mean(off**2) / np.mean(floor**2))
    width = np.median([r.correction_high - r.correction_low for r in usable])
    out.append(
        f"correction: rms {np.sqrt(np.mean(off**2)):.2f} points = {ratio:.2f} of the floor "
        f"({np.sqrt(np.mean(floor**2)):.2f}), median {np.median(np.abs(off)):.2f} "
        f"(floor {np.median(np.abs(floor)):.2f}), bias {off.mean():+.2f}, interval holds "
        f"{100 * held.mean():.0f} % (median width {width:.1f}); undefined {len(rows) - len(usable)}"
    )
    for name, which in (("furnished, flat", lambda r: r.furnished and not r.curved),
                        ("furnished, curved", lambda r: r.furnished and r.curved),
                        ("bare", lambda r: not r.furnished)):  # fmt: skip
        group = [r for r in rows if which(r)]
        errors = [r.registration_px for r in group if r.registration_px is not None]
        if errors:
            out.append(
                f"registration, {name}: {len(errors)} of {len(group)} registered, median "
                f"{np.median(errors):.2f} px, 95th percentile {np.quantile(errors, 0.95):.2f} px"
            )
        else:
            out.append(f"registration, {name}: 0 of {len(group)} registered")
    return "\n".join(out)


def one(task: tuple[int, str, int, bool]) -> Row | str:
    """Render (where needed) and measure one pair; where it is refused, return why."""
    cv2.setNumThreads(1)
    seed, folder, shots, over_panel = task
    try:
        return measure(prepare(seed, Path(folder), shots=shots, over_panel=over_panel))
    except DefectscanError as error:
        return f"seed {seed}: {error}"


def main() -> None:
    """Run the benchmark from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pairs", type=int, default=200)
    parser.add_argument("--first", type=int, default=10_000)
    parser.add_argument("--shots", type=int, default=1)
    parser.add_argument(
        "--over-panel", action="store_true", help="take the shots as the capture guide says"
    )
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--rows", type=Path, help="write every pair's figures to this JSON file")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary, ProcessPoolExecutor(given.jobs) as pool:
        folder = str(given.folder or temporary)
        tasks = [
            (given.first + k, folder, given.shots, given.over_panel) for k in range(given.pairs)
        ]
        rows: list[Row] = []
        refused: list[str] = []
        for row in pool.map(one, tasks):
            if isinstance(row, str):
                refused.append(row)
            else:
                rows.append(row)
            print(f"\r{len(rows) + len(refused)} of {given.pairs}", end="", flush=True)
    print()
    if given.rows:
        given.rows.write_text(json.dumps([asdict(row) for row in rows]))
    print(report(rows))
    for reason in refused:
        print(f"refused: {reason}")


if __name__ == "__main__":
    main()
