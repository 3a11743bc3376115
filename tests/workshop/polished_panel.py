"""An invented panel in a job book, with figures as a measurement would have left them."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from defectscan.workshop.book import Book
from defectscan.workshop.book_entries import (
    Entry,
    FilmReading,
    Job,
    Material,
    Panel,
    Pass,
    Result,
    Shot,
    State,
    TestSpot,
)
from defectscan.workshop.book_view import PanelView, view_job

VERSION = "1.0"
SETTINGS = {"mm_per_px": 0.1, "as_seen": False, "seed": 0}
PLACES_UM = {"left": -4.0, "right": -1.0, "middle": 0.0, "top": 2.0, "rear": 3.0}


def told(value: float, sd: float = 0.08) -> dict[str, float]:
    low, high = (value * math.exp(z * sd) for z in (-1.96, 1.96))
    return {"value": value, "low": low, "high": high}


def score_record(
    density: float, *, scratch: float = 0.0, scale: bool = True, **more: Any
) -> dict[str, Any]:
    total = {name: value + scratch for name, value in told(density).items()}
    deep = {"value": scratch, "low": scratch / 2, "high": 2 * scratch}
    kinds = {"swirl": told(0.9 * density), "deep_scratch": deep, "machine_trail": None}
    return {
        "format": "defectscan.score/1",
        "line_density_mm_per_cm2": total if scale else None,
        "line_density_per_px": total,
        "kinds": kinds if scale else dict.fromkeys(kinds),
        "haze": None,
        "flags": [],
        **more,
    }


class Bench:
    """Enters an invented job with one panel."""

    def __init__(self, book: Book, *, material: Material = Material.PAINTED_METAL) -> None:
        self.book = book
        self.job = book.add(Job(title="Grey saloon, invented"))
        self.panel_id = self.add(Panel(name="bonnet", material=material))
        self.shots = 0

    def add(self, content: Any) -> int:
        return self.book.add(content, job_id=self.job.id).id

    def polish(self, *, spot: int | None = None, section: str = "", pad: str = "foam") -> int:
        return self.add(
            Pass(
                panel_id=self.panel_id,
                test_spot_id=spot,
                machine="rotary",
                pad=pad,
                polish="medium",
                section=section,
            )
        )

    def state(self, after: int | None = None, *, spot: int | None = None) -> Entry[State]:
        content = State(panel_id=self.panel_id, test_spot_id=spot, after_pass_id=after)
        return self.book.add(content, job_id=self.job.id)

    def score(
        self, state: Entry[State], record: Mapping[str, Any], *, version: str = VERSION
    ) -> Entry[Result]:
        sha256 = f"{self.shots:064x}"
        self.shots += 1
        sha256 = self.book.keep_photo(sha256.encode())
        self.add(Shot(state_id=state.id, sha256=sha256, mm_per_px=0.1))
        result = Result(
            state_id=state.id,
            version=version,
            settings=SETTINGS,
            sha256s=(sha256,),
            record=dict(record),
        )
        return self.book.add(result, job_id=self.job.id)

    def compare(
        self, before: Entry[Result], after: Entry[Result], percent: Any, *, at_least: bool = False
    ) -> None:
        self.add(
            Result(
                state_id=after.content.state_id,
                before_state_id=before.content.state_id,
                version=VERSION,
                settings=SETTINGS,
                sha256s=(*before.content.sha256s, *after.content.sha256s),
                record={
                    "format": "defectscan.comparison/1",
                    "correction_percent": percent,
                    "correction_is_at_least": at_least,
                },
            )
        )

    def withdrawn_since(self, score: Entry[Result]) -> None:
        """Say that a state was measured from one more photo, which was withdrawn since."""
        self.shots += 1
        sha256 = self.book.keep_photo(f"{self.shots} withdrawn".encode())
        shot = self.add(Shot(state_id=score.content.state_id, sha256=sha256, mm_per_px=0.1))
        sha256s = (*score.content.sha256s, sha256)
        self.book.correct(score.id, replace(score.content, sha256s=sha256s))
        self.book.withdraw(shot)

    def film(self, mean_um: float, after: int | None = None, *, spot: int | None = None) -> None:
        self.readings(
            {
                place: [mean_um + off + wobble for wobble in (-0.2, 0.0, 0.2)]
                for place, off in PLACES_UM.items()
            },
            after,
            spot=spot,
        )

    def readings(
        self,
        by_place_um: Mapping[str, Sequence[float]],
        after: int | None = None,
        *,
        spot: int | None = None,
    ) -> None:
        contents = [
            FilmReading(
                panel_id=self.panel_id,
                test_spot_id=spot,
                after_pass_id=after,
                film_um=value,
                spot=place,
            )
            for place, values in by_place_um.items()
            for value in values
        ]
        self.book.add_all(contents, job_id=self.job.id)

    def course(
        self, densities: Sequence[float | None], film_um: Sequence[float | None] | None = None
    ) -> list[Entry[Result] | None]:
        """Enter a state after no pass, one pass and so on; `None` where nobody measured."""
        after: int | None = None
        scores: list[Entry[Result] | None] = []
        for number, density in enumerate(densities):
            if number:
                after = self.polish()
            scores.append(
                None if density is None else self.score(self.state(after), score_record(density))
            )
            if film_um is not None and (film := film_um[number]) is not None:
                self.film(film, after)
        return scores

    def spot(
        self,
        name: str,
        correction: float | None,
        *,
        film_um: float | None = None,
        gentleness: int | None = None,
        at_least: bool = False,
    ) -> int:
        """Enter a test spot, polished and compared; a correction of `None` is undefined."""
        entered = TestSpot(panel_id=self.panel_id, name=name, gentleness=gentleness)
        spot = self.add(entered)
        before = self.score(self.state(spot=spot), score_record(200.0))
        one = self.polish(spot=spot, pad=name)
        left = 100.0 if correction is None else 100 - correction
        after = self.score(self.state(one, spot=spot), score_record(2 * left))
        share = told(left / 100, 0.1)
        percent = {
            "value": 100 * (1 - share["value"]),
            "low": 100 * (1 - share["high"]),
            "high": 100 * (1 - share["low"]),
        }
        self.compare(before, after, None if correction is None else percent, at_least=at_least)
        if film_um is not None:
            self.film(110.0, spot=spot)
            self.film(110.0 - film_um, one, spot=spot)
        return spot

    def view(self) -> PanelView:
        return view_job(self.book, self.book.job(1)).panels[0]
