"""The sample job: an invented motorcycle in an invented workshop, rendered with its truth.

`python -m defectscan.simulation.demo FOLDER` writes it anew, the same bytes each time.
"""

import argparse
import json
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from defectscan.errors import DefectscanError
from defectscan.output import check_free, to_json, write_whole
from defectscan.simulation.develop import Development
from defectscan.simulation.furniture import BRIGHT_METAL, edge, emblem, strip, tape_piece
from defectscan.simulation.specimen import Pass, RenderedState, Specimen, Stand, render_states
from defectscan.simulation.truth import TRUTH, file_names, write_pair

FORMAT = "defectscan.sample_job/1"
TITLE = "Touring motorcycle, rendered example"
SCENARIO = (
    "Invented for this demonstration, and rendered, not photographed: a touring motorcycle, put "
    "together from panels of four colours, comes into a workshop bay after some winters of "
    "washing with a dry sponge. One lamp on a stand, one phone on a tripod. No such motorcycle, "
    "owner or workshop exists."
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DemoPanel:
    """A panel of the sample job.

    Attributes
    ----------
    name, title, story
        Its folder, its name in reports, and what happened to it.
    specimen, stand, development, exposure_after, seed
        As in `render_states`.
    """

    name: str
    title: str
    story: str
    specimen: Specimen
    stand: Stand
    development: Development
    exposure_after: float
    seed: int


PANELS = (
    DemoPanel(
        name="side_case",
        title="Side case lid, black",
        story="Flat, solid black. Two passes, the second a fine one: a good correction.",
        specimen=Specimen(
            paint="black",
            density_mm_per_cm2=240,
            deep_scratches=6,
            orange_peel_slope=0.0006,
            dust=70,
            patches=(
                strip(offset_mm=-66, angle_deg=1.5, width_mm=7, albedo=BRIGHT_METAL),
                *emblem(middle_mm=(68.0, 50.0), size_mm=26),
                tape_piece(middle_mm=(-86.0, -40.0), angle_deg=98, length_mm=30),
            ),
            passes=(Pass(depth_um=1.6), Pass(depth_um=0.6)),
        ),
        stand=Stand(
            lamp_mm=(26.0, -30.0, 430.0), camera_mm=(-42.0, 20.0, 370.0), lamp_radius_mm=3.0
        ),
        development=Development(jpeg_quality=90, blur_px=0.8),
        exposure_after=0.92,
        seed=11,
    ),
    DemoPanel(
        name="fairing",
        title="Fairing, left, blue metallic",
        story="Slightly curved, blue metallic. One light pass: a partial correction.",
        specimen=Specimen(
            paint="blue metallic",
            density_mm_per_cm2=190,
            directed=0.25,
            direction_deg=20,
            deep_scratches=4,
            radius_mm=900,
            orange_peel_slope=0.0009,
            dust=90,
            patches=(
                *edge(offset_mm=64, angle_deg=-3),
                tape_piece(middle_mm=(-84.0, -30.0), angle_deg=80, length_mm=34),
                tape_piece(middle_mm=(78.0, -58.0), angle_deg=12, length_mm=38),
            ),
            passes=(Pass(depth_um=0.55),),
        ),
        stand=Stand(
            lamp_mm=(-44.0, -14.0, 390.0), camera_mm=(36.0, -22.0, 350.0), lamp_radius_mm=3.4
        ),
        development=Development(jpeg_quality=90, blur_px=0.85),
        exposure_after=1.1,
        seed=12,
    ),
    DemoPanel(
        name="mudguard",
        title="Front mudguard, white",
        story="Gently curved, solid white, where swirls are hard to see. One full pass.",
        specimen=Specimen(
            paint="white",
            density_mm_per_cm2=280,
            deep_scratches=3,
            radius_mm=1500,
            radius_across_mm=700,
            orange_peel_slope=0.0007,
            dust=110,
            patches=(
                strip(offset_mm=-84, angle_deg=93, width_mm=11),
                tape_piece(middle_mm=(70.0, 58.0), angle_deg=165, length_mm=36),
                tape_piece(middle_mm=(-84.0, -54.0), angle_deg=42, length_mm=32),
            ),
            passes=(Pass(depth_um=1.3),),
        ),
        stand=Stand(
            lamp_mm=(38.0, 24.0, 410.0), camera_mm=(-24.0, -28.0, 360.0), lamp_radius_mm=3.0
        ),
        development=Development(jpeg_quality=90, blur_px=0.75),
        exposure_after=1.0,
        seed=13,
    ),
    DemoPanel(
        name="tank",
        title="Tank, right, graphite metallic",
        story=(
            "Curved, graphite metallic. A coarse pass by machine: the swirls are gone, "
            "but it left trails and haze."
        ),
        specimen=Specimen(
            paint="graphite metallic",
            density_mm_per_cm2=230,
            deep_scratches=4,
            radius_mm=340,
            radius_across_mm=1100,
            orange_peel_slope=0.0008,
            dust=80,
            patches=(
                *emblem(middle_mm=(-58.0, 52.0), size_mm=30),
                tape_piece(middle_mm=(74.0, -54.0), angle_deg=35, length_mm=34),
                strip(offset_mm=-70, angle_deg=-2, width_mm=8),
            ),
            passes=(Pass(depth_um=2.2, haze=0.01, trails_mm_per_cm2=32, trail_direction_deg=28),),
        ),
        stand=Stand(
            lamp_mm=(-30.0, 26.0, 440.0), camera_mm=(28.0, -20.0, 360.0), lamp_radius_mm=3.6
        ),
        development=Development(jpeg_quality=90, blur_px=0.8),
        exposure_after=0.95,
        seed=14,
    ),
)


def write_demo(
    folder: Path,
    *,
    force: bool,
    width_px: int = 2000,
    panels: tuple[DemoPanel, ...] = PANELS,
    progress: Callable[[str], None] = lambda _: None,
) -> list[Path]:
    """Render the sample job into a folder.

    Parameters
    ----------
    folder
        Where to; it is made where it is missing.
    force
        Whether files that are there may be written over.
    width_px
        Width of the photos.
    panels
        The job's panels.
    progress
        Told the name of each photo before it is rendered.

    Returns
    -------
    list of Path
        The files.

    Raises
    ------
    OutputExistsError
        If one of the files is there already, and `force` is not given.
    DefectscanError
        If one of them cannot be written.
    """
    own = [folder / "README.md", folder / "job.json"]
    parts = [folder / panel.name / name for panel in panels for name in file_names(shots=1)]
    check_free([*own, *parts], force=force)
    written, records = [], []
    for panel in panels:
        pair = _render(panel, width_px=width_px, progress=progress)
        written += write_pair(pair, folder / panel.name, force=force)
        records.append(json.loads((folder / panel.name / TRUTH).read_text(encoding="utf-8")))
    write_whole(own[0], _readme(panels, records).encode(), force=force)
    write_whole(own[1], to_json(_job(panels, records)).encode(), force=force)
    return [*written, *own]


def _render(
    panel: DemoPanel, *, width_px: int, progress: Callable[[str], None]
) -> tuple[RenderedState, RenderedState]:
    return render_states(
        panel.specimen,
        stand=replace(panel.stand, width_px=width_px),
        development=panel.development,
        seed=panel.seed,
        exposure_after=panel.exposure_after,
        progress=lambda photo: progress(f"{panel.title}: {photo}"),
    )


def _job(panels: tuple[DemoPanel, ...], records: list[dict[str, Any]]) -> dict[str, Any]:
    return {
        "format": FORMAT,
        "invented": True,
        "title": TITLE,
        "scenario": SCENARIO,
        "panels": [
            {
                "name": panel.name,
                "title": panel.title,
                "story": panel.story,
                "paint": panel.specimen.paint,
                "before": f"{panel.name}/before.jpg",
                "after": f"{panel.name}/after.jpg",
                "mm_per_px": record["states"][0]["shots"][0]["mm_per_px"],
                "truth": f"{panel.name}/{TRUTH}",
            }
            for panel, record in zip(panels, records, strict=True)
        ],
    }


def _readme(panels: tuple[DemoPanel, ...], records: list[dict[str, Any]]) -> str:
    lines = [
        "# Sample job",
        "",
        f"**{SCENARIO}**",
        "",
        "| panel | what happened | true density before → after, mm/cm² | true correction |",
        "|---|---|---|---|",
    ]
    for panel, record in zip(panels, records, strict=True):
        before, after = (s["line_density_mm_per_cm2"]["all"] for s in record["states"])
        lines.append(
            f"| `{panel.name}`: {panel.title} | {panel.story} | {before:.0f} → {after:.0f} "
            f"| {record['correction_percent']['all']:.1f} % |"
        )
    return "\n".join([*lines, "", README_END])


README_END = """\
`job.json` lists the panels with their titles and their scale (mm per pixel of the photo before).
In each panel's folder:

| file | what |
|---|---|
| `before.jpg`, `after.jpg` | the photos |
| `truth/truth.json` | line density in all and by kind, correction, highlight, scale, lamp and \
camera, homography from after to before, and the reference floor: what perfect eyes with a known \
lamp would state from these photos |
| `truth/before_panel.json`, `truth/after_panel.json` | every groove: start, heading, curvature, \
length as cut and left, depth left, tip radius, wall slope, waviness, kind, and after which pass \
it was cut; outlines of trim, tape, emblem and edge |
| `truth/before_lit.png`, `truth/after_lit.png` | the middles of the lines that the photo shows: \
255 where they are at or above the contrast stated in `truth.json`, 128 where they are fainter |

Coordinates on the panel are in mm from its middle, u to the photo's right and v upwards. Pixels \
count from the centre of the first one, x to the right and y down.

`python -m defectscan.simulation.demo FOLDER` renders all of this anew.
"""


def main(arguments: list[str] | None = None) -> int:
    """Write the sample job from the command line, and return the exit status.

    Parameters
    ----------
    arguments
        Those of the command line where not given.
    """
    parser = argparse.ArgumentParser(
        prog="python -m defectscan.simulation.demo", description="Render the sample job."
    )
    parser.add_argument("folder", type=Path, help="where to write it")
    parser.add_argument("--force", action="store_true", help="write over files that are there")
    given = parser.parse_args(arguments)
    try:
        write_demo(given.folder, force=given.force)
    except DefectscanError as error:
        sys.stderr.write(f"{error}\n")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
