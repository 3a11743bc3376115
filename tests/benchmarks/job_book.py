"""The job book under stress: kills at random moments, and a book of 2,000 jobs.

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
from collections.abc import Callable
from pathlib import Path

import numpy as np

from defectscan.workshop.book import open_book
from defectscan.workshop.book_entries import FilmReading, Job, Panel, Pass, Shot, State
from defectscan.workshop.book_view import view_job
from tests.workshop.killed_writer import what_is_wrong, write

LONGEST_S = 0.4


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


def time_a_large_book(folder: Path, n_jobs: int) -> None:
    """Fill a book with jobs of twenty shots each, and time the list and one job."""
    with open_book(folder / "small", create=True) as book:
        _fill(folder / "small", 1)
        print(f"one job of a book with 1 job:        {_seconds(lambda: _one_job(book))}")
    started = time.perf_counter()
    _fill(folder / "large", n_jobs)
    print(f"entered in {time.perf_counter() - started:.0f} s")
    with open_book(folder / "large") as book:
        n_shots = sum(job.n_shots for job in book.jobs())
        print(f"list of {n_jobs} jobs and {n_shots} shots: {_seconds(book.jobs)}")
        print(f"one job of that book:                {_seconds(lambda: _one_job(book))}")
    code = "from defectscan.cli.main import run; run()"
    for options in ((), ("--all",)):
        call = [sys.executable, "-c", code, "job", "list", *options, "--book", folder / "large"]
        told = _seconds(
            lambda call=call: subprocess.run(call, check=True, stdout=subprocess.DEVNULL)
        )
        print(f"{' '.join(('defectscan job list', *options))}, whole process: {told}")


def _fill(folder: Path, n_jobs: int) -> None:
    with open_book(folder, create=True, who="benchmark") as book:
        sha256s = [book.keep_photo(f"photo {number}".encode()) for number in range(20)]
        jobs = book.add_all([Job(title=f"Vehicle {number}, invented") for number in range(n_jobs)])
        for job in jobs:
            panels = book.add_all([Panel(name="bonnet"), Panel(name="roof")], job_id=job.id)
            states = [State(panel_id=panel.id) for panel in panels]
            before, after = book.add_all(states, job_id=job.id)
            entries = [Pass(panel_id=panel.id, machine="rotary") for panel in panels]
            entries += [FilmReading(panel_id=panel.id, film_um=110) for panel in panels]
            for state, hashes in ((before, sha256s[:10]), (after, sha256s[10:])):
                entries += [Shot(state_id=state.id, sha256=sha256) for sha256 in hashes]
            book.add_all(entries, job_id=job.id)


def _one_job(book: object) -> None:
    view_job(book, book.job(1))  # type: ignore[attr-defined, arg-type]


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
        time_a_large_book(Path(folder), options.jobs)


if __name__ == "__main__":
    main()
