"""Parts that the pages of a judging report share."""

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from defectscan.judging import figures, wording
from defectscan.judging.key import KeyedPhoto
from defectscan.judging.results import GroupResult
from defectscan.judging.scale import WORDS
from defectscan.rater_statistics.estimate import (
    DISTINCT_LIMITS,
    GAUGE_LIMITS_PERCENT,
    Limits,
    Result,
    Undefined,
)
from defectscan.rater_statistics.gauge import GaugeStudy
from defectscan.rater_statistics.reliability import LimitsOfAgreement
from defectscan.report.content import Estimate
from defectscan.report.marks import Photo
from defectscan.report.page import Block, Plate, Table, Text
from defectscan.report.wording import number, percent

Floats = NDArray[Any]
NOTHING = "\N{EN DASH}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """What all pages share."""

    group: GroupResult
    quantity: bool
    unit: str


def gauge_blocks(
    study: GaugeStudy, *, unit: str, who: str, what: str = "photos"
) -> tuple[Block, ...]:
    """Put a gauge study into a table and its verdict.

    Parameters
    ----------
    study
        The study.
    unit
        Of the readings.
    who, what
        What reads, and what is read, in the plural.
    """
    rows = (
        ("Repeatability", cell(study.repeatability_sd, 1), "one reading after the other"),
        ("Reproducibility", cell(study.reproducibility_sd, 1), f"between {who}"),
        ("Both together", cell(study.gauge_sd, 1), "the gauge"),
        (f"Between {what}", cell(study.panel_sd, 1), "what is to be told apart"),
    )
    return (
        Table(head=("Source", f"Standard deviation, {unit}", "What it is"), rows=rows),
        Text(
            paragraphs=(
                (
                    "Share of the gauge in the whole spread: "
                    f"{_judged(study.gauge_percent, GAUGE_LIMITS_PERCENT, 0, unit=' %')} "
                    f"({GAUGE_LIMITS_PERCENT.source}). Steps that can be told apart: "
                    f"{_judged(study.distinct_categories, DISTINCT_LIMITS, 1)}."
                ),
                (
                    f"From {study.n_panels} {what} read {study.n_repeats} times by each of "
                    f"{study.n_appraisers} {who}; few {who} leave their spread wide open."
                ),
            )
        ),
    )


def _judged(result: Result, limits: Limits, places: int, *, unit: str = "") -> str:
    """Write a statistic with its unit, its interval, and the word for it."""
    told = wording.both(result, places, unit=unit)
    return told if isinstance(result, Undefined) else f"{told}: {wording.phrase(result, limits)}"


def plate_of(photo: KeyedPhoto, title: str) -> Plate:
    """Return a photo, or a pair beside each other, with its title."""
    return Plate(title=title, photo=beside(photo.pictures))


def beside(pictures: Sequence[bytes]) -> Photo:
    """Put small pictures beside each other."""
    whole = [_bgr(data) for data in pictures]
    height = min(image.shape[0] for image in whole)
    parts = []
    for image in whole:
        width = round(image.shape[1] * height / image.shape[0])
        parts += [cv2.resize(image, (width, height)), np.full((height, 6, 3), 255, np.uint8)]
    joined = np.hstack(parts[:-1])
    data = bytes(cv2.imencode(".jpg", joined, [cv2.IMWRITE_JPEG_QUALITY, 84])[1])
    return Photo(jpeg=data, width_px=joined.shape[1], height_px=height, veil=0.5)


def _bgr(jpeg: bytes) -> NDArray[np.uint8]:
    try:
        # OpenCV would have libjpeg write to standard error what it thinks of a damaged one.
        with warnings.catch_warnings(), Image.open(BytesIO(jpeg), formats=("JPEG",)) as image:
            warnings.simplefilter("ignore")
            return np.ascontiguousarray(np.asarray(image.convert("RGB"))[..., ::-1])
    except Exception:  # noqa: BLE001 - damaged bytes make a decoder raise anything
        # A damaged picture in a key is left black: the words still tell.
        return np.zeros((360, 480, 3), np.uint8)


def value_told(photo: KeyedPhoto) -> str:
    """Say what a photo is worth; nothing where that is not known."""
    reference = photo.reference
    if reference is None:
        return ""
    what = "truly" if reference.source == "true" else "measured"
    if reference.bound is not None:
        return f"; {what} {percent(Estimate(at_least=reference.bound))}"
    if reference.value in range(6) and len(photo.pictures) == 1:
        return f"; {what} {number(reference.value)}, {WORDS[int(reference.value)]}"
    return f"; {what} {number(reference.value)}"


def cell(result: Result, places: int = 2) -> str:
    """Write a statistic for a table: value and interval, a dash where it is undefined."""
    if isinstance(result, Undefined):
        return NOTHING
    if result.low is None or result.high is None:
        return wording.figure(result, places)
    return f"{wording.figure(result, places)} ({wording.interval(result, places)})"


def limits_told(limits: LimitsOfAgreement | Undefined) -> str:
    """Write limits of agreement for a table."""
    if isinstance(limits, Undefined):
        return NOTHING
    return f"{wording.fixed(limits.lower.value, 0)} to {wording.fixed(limits.upper.value, 0)}"


def arrows_told(rows: Sequence[figures.Row], least_reach: float) -> str:
    """Say in the caption of a chart of errors what its arrow heads mean, where it has any."""
    if not figures.goes_beyond(rows, least_reach=least_reach):
        return ""
    return " An arrow head: the interval goes on beyond the chart."


def short(text: str) -> str:
    """Keep a tile's detail to a few words; the whole reason stands in the JSON."""
    return text if len(text) <= 26 else "no interval yet" if "spread" in text else "not known yet"


def counted(number_of: int, what: str) -> str:
    """Write a number of things."""
    return f"{number_of} {what}{'s' * (number_of != 1)}"
