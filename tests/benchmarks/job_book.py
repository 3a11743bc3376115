"""The job book under stress: kills at random moments, and a book of 2,000 jobs.

The large book is timed on SQLite, and on a PostgreSQL server of its own where that is installed.

python tests/benchmarks/job_book.py --kills 200 --jobs 2000
"""

import argparse
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from defectscan.workshop.book import Book, open_book
from defectscan.workshop.book_database import URL_VARIABLE
from defectscan.workshop.book_entries import (
    Content,
    FilmReading,
    Job,
    Panel,
    Pass,
    Result,
    Shot,
    State,
)
from defectscan.workshop.book_view import view_job
from tests.workshop.killed_writer import what_is_wrong, write
from tests.workshop.polished_panel import SETTINGS, score_record
from tests.workshop.postgresql_server import (
    NOT_INSTALLED,
    binaries,
    create_database,
    running_server,
)

LONGEST_S = 0.4
OF_ONE_JOB = ("next --job 1", "report --job 1 --no-pictures --force --out")


def kill_writers(folder: Path, n_kills: int, rng: np.random.Generator) -> None:
    """Kill writers of one book at random moments, and look at it after each."""
    confirmed: list[str] = []
    found: Counter[str] = Counter()
    at_work = 0
    for _ in range(n_kills):
        fresh = _killed(folder, float(rng.uniform(0, LONGEST_S)))
        confirmed += fresh
        at_work += bool(fresh)
        found.update(what_is_wrong(folder, confirmed))
    parts = len(list((folder / "photos").rglob(".*.part")))
    print(f"{n_kills} kills, {at_work} after entries had been confirmed")
    print(f"entries confirmed {len(confirmed)}; lost or damaged: {dict(found) or 'none'}")
    print(f"half-written files set aside under a hidden name: {parts}")


def _killed(folder: Path, after_s: float) -> list[str]:
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reader)
        try:
            write(folder, lambda uid: _tell(writer, uid), rounds=1_000)
        finally:
            os._exit(1)
    os.close(writer)
    time.sleep(after_s)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    with os.fdopen(reader) as told:
        return [line for line in told.read().split("\n")[:-1] if line]


def _tell(out: int, uid: str) -> None:
    os.write(out, uid.encode() + b"\n")


def time_a_large_book(folder: Path, n_jobs: int, *, server: str | None = None) -> None:
    """Fill a book with jobs of twenty shots each, and time what is asked of it most."""
    urls = {}
    if server is not None:
        urls = {part: create_database(server, part) for part in ("small", "large")}

    def place(part: str) -> Path:
        if urls:
            os.environ[URL_VARIABLE] = urls[part]
        return folder / part

    with open_book(place("small"), create=True) as book:
        _fill(book, 1)
        print(f"one job of a book with 1 job:        {_seconds(lambda: _one_job(book))}")
    started = time.perf_counter()
    with open_book(place("large"), create=True, who="benchmark") as book:
        _fill(book, n_jobs)
        print(f"entered in {time.perf_counter() - started:.0f} s")
        n_shots = sum(job.n_shots for job in book.jobs())
        print(f"list of {n_jobs} jobs and {n_shots} shots: {_seconds(book.jobs)}")
        print(f"one job of that book:                {_seconds(lambda: _one_job(book))}")
    # What a command says of one job takes as long in a large book as in a small one.
    for part in ("small", "large"):
        _time_commands(place(part), OF_ONE_JOB)
    _time_commands(place("large"), ("list", "list --all", "report --all --force --out"))


def _time_commands(book: Path, commands: Sequence[str]) -> None:
    code = "from defectscan.cli.main import run; run()"
    for words in commands:
        options = words.split()
        out = [str(book.with_name("out"))] if options[-1] == "--out" else []
        call = [sys.executable, "-c", code, "job", *options, *out, "--book", book]
        told = _seconds(
            lambda call=call: subprocess.run(call, check=True, stdout=subprocess.DEVNULL)
        )
        command = words.removesuffix(" --force --out")
        print(f"defectscan job {command}, {book.name} book, whole process: {told}", flush=True)


def _fill(book: Book, n_jobs: int) -> None:
    rng = np.random.default_rng(0)
    sha256s = [book.keep_photo(f"photo {number}".encode()) for number in range(20)]
    jobs = book.add_all([Job(title=f"Vehicle {number}, invented") for number in range(n_jobs)])
    for job in jobs:
        panels = book.add_all([Panel(name="bonnet"), Panel(name="roof")], job_id=job.id)
        pads = ("foam", "wool", "microfibre")
        passes = [
            Pass(panel_id=panel.id, machine="rotary", pad=pads[rng.integers(3)], time_min=8.0)
            for panel in panels
        ]
        made = book.add_all(
            [*passes, *(FilmReading(panel_id=panel.id, film_um=110) for panel in panels)],
            job_id=job.id,
        )
        states = book.add_all(
            [State(panel_id=panel.id) for panel in panels]
            + [
                State(panel_id=panel.id, after_pass_id=entry.id)
                for panel, entry in zip(panels, made[:2], strict=True)
            ],
            job_id=job.id,
        )
        entries: list[Content] = []
        for place, state in enumerate(states):
            entries += [
                Shot(state_id=state.id, sha256=sha256, mm_per_px=0.1)
                for sha256 in sha256s[5 * place : 5 * place + 5]
            ]
        for place in (0, 1):
            ids = states[place].id, states[place + 2].id
            photos = [sha256s[5 * k : 5 * k + 5] for k in (place, place + 2)]
            entries += _results(*ids, *photos, left=float(rng.uniform(0.1, 0.6)))
        book.add_all(entries, job_id=job.id)


def _results(
    before: int, after: int, photos_before: list[str], photos_after: list[str], *, left: float
) -> list[Content]:
    """Return what two measurements and their comparison would have left, all invented."""
    percent = {"value": 100 * (1 - left), "low": 100 * (1 - 1.3 * left), "high": 100 - 75 * left}
    comparison = {
        "format": "defectscan.comparison/1",
        "correction_percent": percent,
        "correction_is_at_least": False,
    }

    def result(state: int, photos: list[str], record: dict[str, Any], **more: int) -> Result:
        of = tuple(photos)
        return Result(
            state_id=state, version="1.0", settings=SETTINGS, sha256s=of, record=record, **more
        )

    return [
        result(before, photos_before, score_record(200.0)),
        result(after, photos_after, score_record(200 * left)),
        result(after, [*photos_before, *photos_after], comparison, before_state_id=before),
    ]


def _one_job(book: Book) -> None:
    view_job(book, book.job(1))


def _seconds(work: Callable[[], object], *, times: int = 3) -> str:
    """Time the quickest of some runs, by the clock and of the processors' time."""
    taken = []
    for _ in range(times):
        before, started = os.times(), time.perf_counter()
        work()
        wall, after = time.perf_counter() - started, os.times()
        taken.append((wall, sum(after[:4]) - sum(before[:4])))
    wall, busy = (min(each) for each in zip(*taken, strict=True))
    return f"{wall:.2f} s ({busy:.2f} s of processor)"


def main() -> None:
    """Read the options and run both."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--jobs", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=0)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        rng = np.random.default_rng(options.seed)
        kill_writers(Path(folder) / "killed", options.kills, rng)
        time_a_large_book(Path(folder) / "sqlite", options.jobs)
        if binaries() is None:
            print(NOT_INSTALLED)
            return
        print("the same on PostgreSQL:")
        with running_server() as url:
            time_a_large_book(Path(folder) / "postgresql", options.jobs, server=url)


if __name__ == "__main__":
    main()
