"""What may not change the answer: the same panel shown otherwise, and what its score then says.

Run `python tests/benchmarks/metamorphic.py`; it prints one table. Photos go to a folder that is
kept when `--folder` names it, in the form of `accuracy.py`, so that its renders serve as well.
"""

import argparse
import json
import tempfile
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import accuracy
import cv2
import numpy as np
from numpy.typing import NDArray

from defectscan import pipeline, states
from defectscan.errors import DefectscanError
from defectscan.imaging.linear_light import srgb_to_linear
from defectscan.imaging.photo import Photo, read_photo
from defectscan.measurement.comparison import Correction
from defectscan.measurement.state import PanelScore
from defectscan.shots import Sighting

Rgb = NDArray[np.uint8]
CROP_SHARE = 0.8
CROP_MARGIN_SHARE = 0.2
ZOOM = 0.8
LINE_PX, PAINT_PX = 5, 6.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One change of one panel.

    Attributes
    ----------
    first, low, high
        Figure and interval before the change.
    changed
        The figure after it, where that is one.
    held
        Whether the changed figure is what the first one and its interval allow.
    width_ratio
        Interval after over interval before.
    refused
        Why there is no figure.
    """

    change: str
    seed: int
    first: float | None = None
    low: float | None = None
    high: float | None = None
    changed: float | None = None
    held: bool = False
    width_ratio: float | None = None
    refused: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Subject:
    """A panel whose first photo before is shown otherwise.

    Attributes
    ----------
    before, after
        Photos of both states, one at least.
    lit
        uint8, shape (H, W): not 0 on the true lines of the first photo before.
    folder
        Where changed photos go.
    """

    seed: int
    mm_per_px: float
    before: tuple[Path, ...]
    after: tuple[Path, ...]
    lit: Rgb
    rng: np.random.Generator
    folder: Path

    def save(self, name: str, rgb: Rgb, *, jpeg_quality: int | None = None) -> Path:
        """Write a changed photo, without loss unless a quality is named."""
        bgr = np.ascontiguousarray(rgb[..., ::-1])
        kind, settings = ".png", [cv2.IMWRITE_PNG_COMPRESSION, 1]
        if jpeg_quality is not None:
            kind, settings = ".jpg", [cv2.IMWRITE_JPEG_QUALITY, jpeg_quality]
        path = self.folder / (name + kind)
        path.write_bytes(cv2.imencode(kind, bgr, settings)[1].tobytes())
        return path


def subject(home: Path, folder: Path) -> Subject:
    """Take a panel from a folder of `accuracy.prepare`."""
    truth = json.loads((home / "truth.json").read_text())
    return Subject(
        seed=truth["seed"],
        mm_per_px=truth["mm_per_px"],
        before=tuple(sorted((home / "before").iterdir())),
        after=tuple(sorted((home / "after").iterdir())),
        lit=cv2.imdecode(np.fromfile(home / "lit_before_0.png", np.uint8), 0),
        rng=np.random.default_rng(truth["seed"]),
        folder=folder,
    )


@contextmanager
def looked_at_once() -> Iterator[None]:
    """Keep what a photo shows by itself, so that no photo is looked at twice."""
    look, known = states.look, {}

    def kept(photo: Photo, **settings: object) -> Sighting:
        key = photo.identity, *settings.items()
        if key not in known:
            known[key] = look(photo, **settings)
        return known[key]

    states.look = kept
    try:
        yield
    finally:
        states.look = look


# --- The photo shown otherwise: a new photo and its scale --------------------------------------


def exposed(rgb: Rgb, factor: float) -> Rgb:
    """Multiply the light of a photo."""
    return _encoded(np.asarray(srgb_to_linear(rgb / 255)) * factor)


def _encoded(light: NDArray[np.float64]) -> Rgb:
    """Give 8-bit sRGB values of linear light (IEC 61966-2-1)."""
    light = np.clip(light, 0, 1)
    value = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.round(255 * value).astype(np.uint8)


def cropped(rgb: Rgb, xy_px: tuple[float, float], rng: np.random.Generator) -> Rgb:
    """Cut out a part of a photo that holds the highlight well inside."""
    ranges = []
    for at, whole in zip(xy_px, rgb.shape[1::-1], strict=True):
        size = round(CROP_SHARE * whole)
        margin = CROP_MARGIN_SHARE * size
        low, high = max(0, at + margin - size), min(whole - size, at - margin)
        start = round(rng.uniform(low, high)) if low < high else round((low + high) / 2)
        start = min(max(start, 0), whole - size)
        ranges.append(slice(start, start + size))
    return np.ascontiguousarray(rgb[ranges[1], ranges[0]])


def more_grooves(rgb: Rgb, lit: Rgb, xy_px: tuple[float, float]) -> Rgb:
    """Draw the photo's own lines in once more, turned half round about the highlight.

    There the lamp would light the same grooves, whatever the panel's curvature: the needed tilt
    changes its sign and nothing else.
    """
    light = np.asarray(srgb_to_linear(rgb / 255), dtype=np.float32)
    on_line = cv2.dilate((lit > 0).astype(np.uint8), np.ones((LINE_PX, LINE_PX), np.uint8)) > 0
    off = (~on_line).astype(np.float32)
    luminance = light.mean(axis=-1)
    beside = cv2.GaussianBlur(luminance * off, (0, 0), PAINT_PX)
    beside /= np.maximum(cv2.GaussianBlur(off, (0, 0), PAINT_PX), 1e-3)
    brighter = np.where(on_line, np.clip(luminance / np.maximum(beside, 1e-4), 1, None), 1)
    x, y = xy_px
    turn = np.array([[-1, 0, 2 * x], [0, -1, 2 * y]])
    size = (rgb.shape[1], rgb.shape[0])
    turned = cv2.warpAffine(brighter.astype(np.float32), turn, size, borderValue=1)
    return _encoded(light * np.maximum(turned, 1)[..., None])


def changed_photo(one: Subject, change: str, first: PanelScore) -> tuple[Path, float]:
    """Show the first photo otherwise, and give its scale."""
    rgb = read_photo(one.before[0]).rgb
    highlight = first.shots[0].highlight
    xy = highlight.x_px, highlight.y_px
    match change.split():
        case ["exposure", factor]:
            rgb = exposed(rgb, float(factor))
        case ["turn", degrees]:
            rgb = np.rot90(rgb, int(degrees) // 90)
        case ["mirror"]:
            rgb = rgb[:, ::-1]
        case ["scale", factor]:
            size = [round(side * float(factor)) for side in rgb.shape[1::-1]]
            rgb = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
            return one.save("scale", rgb), one.mm_per_px / float(factor)
        case ["crop"]:
            rgb = cropped(rgb, xy, one.rng)
        case ["grooves", "added"]:
            rgb = more_grooves(rgb, one.lit, xy)
        case ["JPEG", _]:
            quality = int(one.rng.integers(75, 96))
            return one.save("jpeg", rgb, jpeg_quality=quality), one.mm_per_px
    return one.save(change.replace(" ", "_").replace(".", ""), rgb), one.mm_per_px


# --- Changes, each with what must hold ---------------------------------------------------------


def photo_change(one: Subject, change: str) -> Check:
    """Hold the density of the changed photo against the interval of the first."""
    first = pipeline.score(one.before[0], mm_per_px=one.mm_per_px)
    path, mm_per_px = changed_photo(one, change, first)
    after = pipeline.score(path, mm_per_px=mm_per_px)
    check = _densities(one, change, first, after)
    if change == "grooves added":
        return replace(check, held=after.line_density.value >= first.line_density.value)
    return check


def order(one: Subject, change: str) -> Check:
    """Hold the shots of a state in their order against the same the other way round."""
    first = pipeline.score(one.before, mm_per_px=one.mm_per_px)
    return _densities(one, change, first, pipeline.score(one.before[::-1], mm_per_px=one.mm_per_px))


def added_area(one: Subject, change: str) -> Check:
    """Hold one shot against the same with another, the lamp elsewhere."""
    first = pipeline.score(one.before[0], mm_per_px=one.mm_per_px)
    return _densities(one, change, first, pipeline.score(one.before[:2], mm_per_px=one.mm_per_px))


def same_photo(one: Subject, change: str) -> Check:
    """Compare a photo with itself: nothing is gone, with an interval round that."""
    path = one.before[0]
    return _itself(one, change, pipeline.compare(path, path, mm_per_px=one.mm_per_px).correction)


def copied_photo(one: Subject, change: str) -> Check:
    """Compare a photo with a copy of itself, saved once more as JPEG."""
    rgb = read_photo(one.before[0]).rgb
    copy = one.save("copy", rgb, jpeg_quality=85)
    found = pipeline.compare(one.before[0], copy, mm_per_px=one.mm_per_px)
    return _itself(one, change, found.correction)


def swapped(one: Subject, change: str) -> Check:
    """Compare after with before: what is left of one in the other turns over."""
    pair = one.before[0], one.after[0]
    there = pipeline.compare(*pair, mm_per_px=one.mm_per_px).correction
    back = pipeline.compare(*pair[::-1], mm_per_px=one.mm_per_px).correction
    if there.percent is None or back.percent is None:
        return Check(change=change, seed=one.seed, refused="under the detection limit")
    first, low, high = _left(there)
    share, low_back, high_back = _left(back)
    return Check(
        change=change,
        seed=one.seed,
        first=first,
        low=low,
        high=high,
        changed=1 / share,
        held=low <= 1 / share <= high and low_back <= 1 / first <= high_back,
        width_ratio=(high_back - low_back) / share / ((high - low) / first),
    )


def _left(correction: Correction) -> tuple[float, float, float]:
    """Return which share of the density is left, with its interval."""
    percent = correction.percent
    return 1 - percent.value / 100, 1 - percent.high / 100, 1 - percent.low / 100


def _itself(one: Subject, change: str, correction: Correction) -> Check:
    if correction.percent is None:
        return Check(change=change, seed=one.seed, refused="under the detection limit")
    share, low, high = _left(correction)
    return Check(
        change=change, seed=one.seed, first=1, low=low, high=high, changed=share,
        held=low < 1 < high,
    )  # fmt: skip


def _densities(one: Subject, change: str, first: PanelScore, after: PanelScore) -> Check:
    was, now = first.line_density, after.line_density
    return Check(
        change=change,
        seed=one.seed,
        first=was.value,
        low=was.low,
        high=was.high,
        changed=now.value,
        held=was.low <= now.value <= was.high,
        width_ratio=(now.high - now.low) / (was.high - was.low),
    )


PHOTO_CHANGES = (
    "exposure 0.7", "exposure 1.3", "turn 90", "turn 180", "turn 270", "mirror",
    f"scale {ZOOM}", "crop", "JPEG 75-95", "grooves added",
)  # fmt: skip
PAIR_CHANGES = {"same photo": same_photo, "copy of it": copied_photo, "swapped": swapped}
SHOT_CHANGES = {"order of shots": order, "shot added": added_area}
CHANGES: dict[str, Callable[[Subject, str], Check]] = {
    **dict.fromkeys(PHOTO_CHANGES, photo_change),
    **PAIR_CHANGES,
    **SHOT_CHANGES,
}


def checks(home: Path, changes: list[str]) -> list[Check]:
    """Change one panel in all named ways."""
    found = []
    with tempfile.TemporaryDirectory() as folder, looked_at_once():
        one = subject(home, Path(folder))
        for change in changes:
            if change in SHOT_CHANGES and len(one.before) < 2:
                continue
            try:
                found.append(CHANGES[change](one, change))
            except DefectscanError as error:
                found.append(Check(change=change, seed=one.seed, refused=str(error)))
    return found


def in_turn(number: int, photo_changes: int) -> list[str]:
    """Return the changes of one panel: so many of the photo's, in turn, and all others."""
    n = len(PHOTO_CHANGES)
    some = [PHOTO_CHANGES[(number * photo_changes + k) % n] for k in range(min(photo_changes, n))]
    return [*some, *PAIR_CHANGES, *SHOT_CHANGES]


def panel_checks(task: tuple[int, Path, int, list[str]]) -> list[Check]:
    """Render a panel, where needed, and change it in all named ways."""
    cv2.setNumThreads(1)
    seed, folder, shots, changes = task
    return checks(accuracy.prepare(seed, folder, shots=shots), changes)


def table(rows: list[Check]) -> str:
    """Return the table of figures."""
    out = [
        (
            "| change | panels | in the first interval | median change | median size of change "
            "| largest | interval's width | no figure |"
        ),
        "|---|---|---|---|---|---|---|---|",
    ]
    for change in CHANGES:
        asked = [row for row in rows if row.change == change]
        told = [row for row in asked if row.changed is not None]
        if not told:
            continue
        size = 100 * (np.array([row.changed / row.first for row in told]) - 1)
        ratios = [row.width_ratio for row in told if row.width_ratio is not None]
        out.append(
            f"| {change} | {len(told)} | {sum(row.held for row in told)} "
            f"| {np.median(size):+.2f} % | {np.median(np.abs(size)):.2f} % "
            f"| {size[np.abs(size).argmax()]:+.1f} % "
            f"| {f'x{np.median(ratios):.2f}' if ratios else ''} | {len(asked) - len(told)} |"
        )
    for row in rows:
        if row.refused:
            out.append(f"no figure: {row.change}, seed {row.seed}: {row.refused}")
        elif not row.held:
            out.append(
                f"not held: {row.change}, seed {row.seed}: {row.first:.4g} ({row.low:.4g} to "
                f"{row.high:.4g}) became {row.changed:.4g}"
            )
    return "\n".join(out)


def main() -> None:
    """Run the benchmark from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--panels", type=int, default=50)
    parser.add_argument("--first", type=int, default=10_000)
    parser.add_argument("--shots", type=int, default=2, help="of each state, where rendered")
    parser.add_argument(
        "--photo-changes",
        type=int,
        default=len(PHOTO_CHANGES),
        help="changes of the photo that each panel undergoes, in turn",
    )
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--folder", type=Path)
    parser.add_argument(
        "--rows", type=Path, help="add every check to this file; panels in it are not run again"
    )
    given = parser.parse_args()
    rows: list[Check] = []
    if given.rows and given.rows.exists():
        rows = [Check(**json.loads(line)) for line in given.rows.read_text().splitlines()]
    known = {row.seed for row in rows}
    with tempfile.TemporaryDirectory() as temporary, ProcessPoolExecutor(given.jobs) as pool:
        folder = given.folder or Path(temporary)
        tasks = [
            (given.first + k, folder, given.shots, in_turn(k, given.photo_changes))
            for k in range(given.panels)
            if given.first + k not in known
        ]
        for number, new in enumerate(pool.map(panel_checks, tasks), start=1):
            rows += new
            if given.rows:
                with given.rows.open("a") as file:
                    file.writelines(json.dumps(asdict(row)) + "\n" for row in new)
            print(f"\r{number} of {len(tasks)}", end="", flush=True)
    print()
    print(table(rows))


if __name__ == "__main__":
    main()
