"""How alike the instrument reads a panel again: repeated shots, lamp and camera moved meanwhile.

Four panels, each photographed under the lamp at two heights, three times at each; then what
`judge result --instrument` makes of them.
"""

import argparse
import tempfile
from pathlib import Path

import numpy as np

from defectscan.judging.instrument import measure, repeats_in, study_instrument
from defectscan.rater_statistics.estimate import Estimate
from defectscan.simulation.develop import Development
from defectscan.simulation.render import render_shot
from defectscan.simulation.specimen import Specimen, Stand, _moved, draw_panel

DENSITIES_MM_PER_CM2 = {"black": 60.0, "blue metallic": 120.0, "red": 180.0, "white": 260.0}
LAMP_HEIGHTS_MM = (360.0, 520.0)
SHOTS = 3
MOVE_MM = 25.0
WIDTH_PX = 1400


def prepare(folder: Path) -> float:
    """Render the shots, unless they are there, and return the first one's scale, mm per px."""
    known = folder / "mm_per_px.txt"
    if known.exists():
        return float(known.read_text())
    scales = []
    for number, (paint, density) in enumerate(DENSITIES_MM_PER_CM2.items()):
        specimen = Specimen(paint=paint, density_mm_per_cm2=density, across_mm=160, margin_mm=50)
        panel = draw_panel(specimen, np.random.default_rng(700 + number), flake_seed=number)
        for height_mm in LAMP_HEIGHTS_MM:
            home = folder / paint.replace(" ", "_") / f"lamp at {height_mm:.0f} mm"
            home.mkdir(parents=True, exist_ok=True)
            for index in range(SHOTS):
                rng = np.random.default_rng([number, int(height_mm), index])
                stand = Stand(width_px=WIDTH_PX, lamp_mm=(30.0, -20.0, height_mm), move_mm=MOVE_MM)
                scene = _moved(panel, stand, rng, tries=50)
                shot = render_shot(panel, scene, Development(), rng)
                (home / f"{index + 1}.jpg").write_bytes(shot.jpeg)
                scales.append(shot.mm_per_px)
    known.write_text(repr(scales[0]))
    return scales[0]


def report(folder: Path, *, mm_per_px: float) -> str:
    """Measure the shots and return what they say of the instrument."""
    readings, in_mm = measure(
        repeats_in(folder), mm_per_px=mm_per_px, card_mm=None, seed=0, progress=lambda _: None
    )
    found = study_instrument(readings, np.random.default_rng(0), in_mm=in_mm)
    figures: dict[str, object] = {
        "repeatability of one shot, % of the density": getattr(found.relative_percent, "sd", None),
        "intraclass correlation": getattr(found.icc, "one_way", None),
        "reproducibility, mm/cm²": getattr(found.gauge, "reproducibility_sd", None),
    }
    measured = sum(one.density is not None for one in readings)
    lines = [f"shots: {len(readings)}, measured {measured}"]
    for name, one in figures.items():
        told = "undefined"
        if isinstance(one, Estimate):
            told = f"{one.value:.4g}"
            if one.low is not None and one.high is not None:
                told += f" ({one.low:.4g} to {one.high:.4g})"
        lines.append(f"{name}: {told}")
    return "\n".join(lines)


def main() -> None:
    """Run the benchmark from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", type=Path)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = given.folder or Path(temporary)
        print(report(folder, mm_per_px=prepare(folder)))


if __name__ == "__main__":
    main()
