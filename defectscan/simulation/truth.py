"""Everything that is true of rendered photos, written beside them."""

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from defectscan.output import check_free, to_json, write_whole
from defectscan.simulation.grooves import KINDS
from defectscan.simulation.panel import Panel
from defectscan.simulation.render import (
    LIT_CONTRAST,
    LIT_NOISE,
    RING_TILT,
    RenderedShot,
    homography_misfit_px,
    reference_floor_density,
    true_homography,
)
from defectscan.simulation.specimen import RenderedState

FORMAT = "defectscan.truth/1"
PANEL_FORMAT = "defectscan.truth_panel/1"
FOLDER = "truth"
TRUTH = f"{FOLDER}/truth.json"
STATES = ("before", "after")


def photo_names(state: str, *, shots: int) -> list[str]:
    """Return the photos' names: one file for one shot, a folder of them for several.

    Parameters
    ----------
    state
        "before" or "after".
    shots
        How many photos of it there are.

    Examples
    --------
    >>> photo_names("before", shots=1)
    ['before.jpg']
    >>> photo_names("after", shots=2)
    ['after/1.jpg', 'after/2.jpg']
    """
    if shots == 1:
        return [f"{state}.jpg"]
    return [f"{state}/{number + 1}.jpg" for number in range(shots)]


def lit_names(state: str, *, shots: int) -> list[str]:
    """Return the names of the lit-lines masks, one a photo.

    Parameters
    ----------
    state
        "before" or "after".
    shots
        How many photos of it there are.

    Examples
    --------
    >>> lit_names("after", shots=2)
    ['truth/after_1_lit.png', 'truth/after_2_lit.png']
    """
    stems = [
        name.removesuffix(".jpg").replace("/", "_") for name in photo_names(state, shots=shots)
    ]
    return [f"{FOLDER}/{stem}_lit.png" for stem in stems]


def panel_name(state: str) -> str:
    """Return the name of the file that lists a state's grooves.

    Parameters
    ----------
    state
        "before" or "after".
    """
    return f"{FOLDER}/{state}_panel.json"


def file_names(*, shots: int) -> list[str]:
    """Return the names of all files of a rendered pair of states.

    Parameters
    ----------
    shots
        How many photos of each state there are.
    """
    names = [TRUTH]
    for state in STATES:
        names += [*photo_names(state, shots=shots), *lit_names(state, shots=shots)]
        names.append(panel_name(state))
    return names


def write_pair(
    pair: tuple[RenderedState, RenderedState], folder: Path, *, force: bool
) -> list[Path]:
    """Write a rendered pair's photos and its truth.

    Parameters
    ----------
    pair
        The states before and after, with the same number of shots.
    folder
        Where to; it is made where it is missing.
    force
        Whether files that are there may be written over.

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
    check_free([folder / name for name in file_names(shots=len(pair[0].shots))], force=force)
    written = []

    def write(name: str, data: bytes) -> None:
        write_whole(folder / name, data, force=force)
        written.append(folder / name)

    for state in pair:
        shots = len(state.shots)
        for shot, photo, lit in zip(
            state.shots,
            photo_names(state.name, shots=shots),
            lit_names(state.name, shots=shots),
            strict=True,
        ):
            write(photo, shot.jpeg)
            write(lit, _png(shot))
        write(panel_name(state.name), _compact(panel_record(state.panel)))
    # Last, so that the truth is there only where all that it names is.
    write(TRUTH, to_json(pair_record(pair)).encode())
    return written


def pair_record(pair: tuple[RenderedState, RenderedState]) -> dict[str, Any]:
    """Return what is true of a rendered pair, apart from its single grooves.

    Parameters
    ----------
    pair
        The states before and after, with the same number of shots.
    """
    states = [_state_record(state) for state in pair]
    before, after = (record["line_density_mm_per_cm2"] for record in states)
    floors = [record["reference_floor_mm_per_cm2"] for record in states]
    panel = pair[0].panel
    return {
        "format": FORMAT,
        "rendered": True,
        "correction_percent": {name: _correction(before[name], after[name]) for name in before},
        "reference_floor_correction_percent": _correction(*floors),
        "panel": {
            "extent_mm": panel.extent_mm,
            "ground_mm": panel.ground_mm,
            "curvature_u_per_mm": 1 / panel.surface.radius_u_mm,
            "curvature_v_per_mm": 1 / panel.surface.radius_v_mm,
            "paint": asdict(panel.paint),
            "dust": 0 if panel.dust is None else len(panel.dust.radius_mm),
        },
        "lit": {"contrast": LIT_CONTRAST, "noise": LIT_NOISE, "shown": 255, "fainter": 128},
        "reference_ring_tilt": RING_TILT,
        "states": states,
        "registration": [
            {
                "before": before_name,
                "after": after_name,
                "homography_after_to_before": true_homography(late, early),
                "misfit_px": homography_misfit_px(late, early),
            }
            for early, late, before_name, after_name in zip(
                pair[0].shots,
                pair[1].shots,
                photo_names(pair[0].name, shots=len(pair[0].shots)),
                photo_names(pair[1].name, shots=len(pair[1].shots)),
                strict=True,
            )
        ],
    }


def panel_record(panel: Panel) -> dict[str, Any]:
    """Return a panel's grooves and what is stuck on it, rounded well below what a photo shows.

    Grooves that a pass has taken off are listed with a length left of 0.

    Parameters
    ----------
    panel
        The panel in one state.
    """
    grooves = panel.grooves
    points, depth_um = panel.samples(0.5)
    length = np.where(depth_um > 0, points.length_mm, 0.0)
    left_mm = np.bincount(points.groove, weights=length, minlength=len(grooves))
    volume = np.bincount(points.groove, weights=length * depth_um, minlength=len(grooves))
    left_um = np.divide(volume, left_mm, out=np.zeros(len(grooves)), where=left_mm > 0)
    return {
        "format": PANEL_FORMAT,
        "kinds": KINDS,
        "grooves": {
            "start_mm": grooves.start_mm.round(3).tolist(),
            "heading_rad": grooves.heading_rad.round(5).tolist(),
            "curvature_per_mm": grooves.curvature_per_mm.round(7).tolist(),
            "length_mm": grooves.length_mm.round(2).tolist(),
            "length_left_mm": left_mm.round(2).tolist(),
            "depth_left_um": left_um.round(3).tolist(),
            "tip_radius_um": grooves.tip_radius_um.round(2).tolist(),
            "wall_slope": grooves.wall_slope.round(3).tolist(),
            "waviness": grooves.waviness.round(4).tolist(),
            "kind": grooves.kind.tolist(),
            "born": grooves.born.tolist(),
        },
        "patches": [
            {"what": patch.what, "outline_mm": np.round(patch.outline_mm, 2).tolist()}
            for patch in panel.patches
        ],
    }


def _state_record(state: RenderedState) -> dict[str, Any]:
    panel = state.panel
    shots = len(state.shots)
    densities = {"all": panel.density_mm_per_cm2()}
    densities |= {name: panel.density_mm_per_cm2(kind) for kind, name in enumerate(KINDS)}
    return {
        "state": state.name,
        "line_density_mm_per_cm2": densities,
        "reference_floor_mm_per_cm2": reference_floor_density(state.shots),
        "haze": panel.haze,
        "removed_um": [done.depth_um for done in panel.passes],
        "grooves": panel_name(state.name),
        "shots": [
            _shot_record(shot, photo, lit)
            for shot, photo, lit in zip(
                state.shots,
                photo_names(state.name, shots=shots),
                lit_names(state.name, shots=shots),
                strict=True,
            )
        ],
    }


def _shot_record(shot: RenderedShot, photo: str, lit: str) -> dict[str, Any]:
    x, y = shot.highlight_xy_px
    height, width = shot.lit.shape
    return {
        "file": photo,
        "lit": lit,
        "width_px": width,
        "height_px": height,
        "mm_per_px": shot.mm_per_px,
        "highlight": {"x_px": x, "y_px": y},
        "lamp": shot.scene.lamp,
        "camera": shot.scene.camera,
        "development": shot.development,
        "reference_length_mm": shot.reference_length_mm,
        "reference_exposure_cm2": shot.reference_exposure_cm2,
    }


def _correction(before: float, after: float) -> float | None:
    return 100 * (1 - after / before) if before > 0 else None


def _png(shot: RenderedShot) -> bytes:
    return cv2.imencode(".png", shot.lit, [cv2.IMWRITE_PNG_COMPRESSION, 9])[1].tobytes()


def _compact(record: dict[str, Any]) -> bytes:
    return (json.dumps(record, separators=(",", ":")) + "\n").encode()
