"""The fuzz campaign: bad input by the thousand, each to end in a right answer or one clear line.

python tests/benchmarks/fuzz.py --cases 20000 --seconds 1800 --keep finds
python tests/benchmarks/fuzz.py --cases 500 --kinds "photo png" clip --seed 7

Cases run in worker processes, a batch each, so that a crash of a decoder, a hang or a blow-up of
memory is noticed and told of the case that it belongs to. The same seed draws the same cases.
"""

import argparse
import faulthandler
import json
import math
import os
import re
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any

from hypothesis import HealthCheck, Phase, given, seed, settings

from tests import fuzz_cases
from tests.fuzz_cases import ANSWER, REFUSAL, Case, Ending, end_of
from tests.fuzz_kinds import KINDS

ROOT = Path(__file__).parents[2]
BATCH = 200  # cases of a kind, of which a process runs one batch each
# How many of a campaign's cases, against one of the quick kinds.
SHARES = {
    "bombs": 0.04, "photo by command": 0.2, "options": 0.3, "clip": 0.3,
    "key and grades bytes": 0.3, "key and grades values": 0.3, "sheet of grades": 0.3,
    "archive bytes": 0.3, "archive values": 0.3, "job book bytes": 0.3, "job book values": 0.3,
}  # fmt: skip
HANG_S = int(os.environ.get("FUZZ_HANG_S", "60"))
MOST_VIRTUAL_BYTES = 6_000_000_000
_KEPT_PER_FIND = 2
_STRIDE = 1000  # between the numbers that batches are drawn by
_SWOLLEN = 7  # the status of a worker that used too much memory


def _alarm(_: Path, name: str) -> None:
    """Do on purpose what the campaign must notice."""
    if name == "crash":
        os.abort()
    elif name == "hang":
        time.sleep(1000)
    elif name == "memory":
        assert len(b"x" * (fuzz_cases.MOST_BYTES + 200_000_000)) > 0
    elif name == "noise":
        os.write(2, b"a decoder's own words\n")
    elif name == "traceback":
        raise KeyError(name)


ALARMS = ("traceback", "hang", "crash", "memory", "noise")


@dataclass(slots=True)
class Tally:
    """What the cases of one kind ended in."""

    endings: Counter[str] = field(default_factory=Counter)
    finds: dict[str, list[Ending]] = field(default_factory=dict)
    seconds: float = 0.0
    peak_mb: float = 0.0

    @property
    def n_cases(self) -> int:
        return sum(self.endings.values())


def work(plan: list[tuple[str, int, int]], folder: Path, until: float) -> None:
    """Run batches of cases, and write a line for each case into the folder."""
    resource.setrlimit(resource.RLIMIT_AS, (MOST_VIRTUAL_BYTES, MOST_VIRTUAL_BYTES))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    fuzz_cases.READERS["alarm"] = _alarm
    with (folder / "endings").open("a") as endings, (folder / "trace").open("w") as trace:
        for at, (kind, n_cases, number) in enumerate(plan):
            endings.write(json.dumps({"at": at, "what": "drawn"}) + "\n")
            endings.flush()
            for ending, told in _endings(kind, n_cases, number, folder / "case", trace, until):
                if ending is not None and ending.is_find:
                    _keep(folder / "case", folder, kind, ending)
                endings.write(json.dumps({"at": at, **told}) + "\n")
                endings.flush()
                if ending is not None and ending.what == "memory":
                    os._exit(_SWOLLEN)  # the peak stays with the process


def _endings(
    kind: str, n_cases: int, number: int, place: Path, trace: IO[str], until: float
) -> Iterator[tuple[Ending | None, dict[str, Any]]]:
    """Run one batch; give, before each case, nothing, and after it what it ended in."""
    for case in drawn(kind, n_cases, number):
        if time.time() > until:
            return
        shutil.rmtree(place, ignore_errors=True)
        place.mkdir()
        yield None, {"what": "begun"}
        faulthandler.dump_traceback_later(HANG_S, exit=True, file=trace)
        start = time.perf_counter()
        ending = end_of(case, place)
        faulthandler.cancel_dump_traceback_later()
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000
        told = {"what": ending.what, "s": time.perf_counter() - start, "peak_mb": peak}
        if ending.is_find:
            told["told"] = f"{case.reader} {case.name} {case.commands}\n{ending.told}"[-8000:]
        yield ending, told


def drawn(kind: str, n_cases: int, number: int) -> list[Case]:
    """Draw the cases of a batch: the same ones for the same number."""
    if kind == "alarm":
        names = [ALARMS[(number + at) % len(ALARMS)] for at in range(n_cases)]
        return [Case(files={}, reader="alarm", name=name) for name in names]
    cases: list[Case] = []

    @seed(number)
    @settings(
        max_examples=n_cases, database=None, deadline=None, phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(KINDS[kind]())
    def draw(case: Case) -> None:
        cases.append(case)

    draw()
    return cases


def _keep(place: Path, folder: Path, kind: str, ending: Ending) -> None:
    home = folder / "kept" / kind.replace(" ", "_") / signature(ending)
    number = len(list(home.iterdir())) if home.is_dir() else 0
    if number < _KEPT_PER_FIND:
        shutil.copytree(place, home / str(number))
        (home / f"{number}" / "told.txt").write_text(ending.told, errors="backslashreplace")


def signature(ending: Ending) -> str:
    """Name a find, the same for all that come from one place."""
    lines = [line for line in ending.told.strip().splitlines() if line.strip()] or [""]
    where = ""
    if ending.what in ("traceback", "crash"):
        frames = re.findall(r'File ".*?/defectscan/(.*?)", line (\d+)', ending.told)
        where = "{} {}".format(*frames[-1]) if frames else ""
        if ending.what == "traceback":
            where += (
                " " + next((line for line in reversed(lines) if line[:1].strip()), "").split(":")[0]
            )
    elif ending.what in ("noise", "line"):
        where = re.sub(r"[^A-Za-z ]+", " ", lines[0])[:50]
    return re.sub(r"[^\w.]+", "_", f"{ending.what} {where}").strip("_")


def run_plan(
    plan: list[tuple[str, int, int]], tallies: dict[str, Tally], *, keep: Path | None, until: float
) -> list[tuple[str, int, int]]:
    """Run batches in a process of its own until one makes it die; return what is left of them."""
    with tempfile.TemporaryDirectory(prefix="fuzz") as temporary:
        folder = Path(temporary)
        words = [sys.executable, __file__, "--work", json.dumps(plan)]
        words += ["--folder", str(folder), "--until", str(until)]
        with (folder / "err").open("wb") as err:
            done = subprocess.run(words, stderr=err, stdout=err, env=_environment(), check=False)
        file, at, begun, n_begun = folder / "endings", 0, False, Counter[int]()
        for line in file.read_text().splitlines() if file.exists() else []:
            told = json.loads(line)
            at, begun = told["at"], told["what"] == "begun"
            n_begun[at] += begun
            if not begun and told["what"] != "drawn":
                _count(tallies[plan[at][0]], told)
        if done.returncode not in (0, _SWOLLEN):
            (folder / "trace").touch()
            texts = [(folder / name).read_text(errors="replace") for name in ("err", "trace")]
            what = (
                "hang" if "Timeout" in texts[1] else "crash" if done.returncode < 0 else "harness"
            )
            ending = Ending(
                what=what, told=f"status {done.returncode}\n" + "\n".join(texts)[-6000:]
            )
            if begun:
                _keep(folder / "case", folder, plan[at][0], ending)
            _count(tallies[plan[at][0]], {"what": what, "told": ending.told})
        if keep is not None and (folder / "kept").is_dir():
            shutil.copytree(folder / "kept", keep, dirs_exist_ok=True)
    if done.returncode == 0:
        return []
    kind, n_cases, number = plan[at]
    # Another number draws other cases; the one that the process died of is not met again.
    gone = n_begun[at] or n_cases
    rest = [(kind, n_cases - gone, number + gone)] if n_cases > gone else []
    return rest + plan[at + 1 :]


def _count(tally: Tally, told: dict[str, Any]) -> None:
    ending = Ending(what=told["what"], told=told.get("told", ""))
    tally.endings[ending.what] += 1
    tally.seconds += told.get("s", 0)
    tally.peak_mb = max(tally.peak_mb, told.get("peak_mb", 0))
    if ending.is_find:
        tally.finds.setdefault(signature(ending), []).append(ending)


def _environment() -> dict[str, str]:
    own = {name: value for name, value in os.environ.items() if not name.startswith("DEFECTSCAN_")}
    return own | {"DEFECTSCAN_WHO": "tester", "PYTHONPATH": str(ROOT), "PYTHONFAULTHANDLER": "1"}


def campaign(
    kinds: list[str], *, n_cases: int, seconds: float, number: int, keep: Path | None
) -> dict[str, Tally]:
    """Run cases of some kinds, in turn, until there are enough or the time is over."""
    until = time.time() + seconds
    total = sum(SHARES.get(kind, 1.0) for kind in kinds)
    wanted = {kind: max(1, round(n_cases * SHARES.get(kind, 1.0) / total)) for kind in kinds}
    tallies = {kind: Tally() for kind in kinds}
    rounds = max(math.ceil(most / BATCH) for most in wanted.values())
    for _ in range(rounds):
        plan = [
            (kind, math.ceil(wanted[kind] / rounds), number + _STRIDE * at)
            for at, kind in enumerate(kinds)
        ]
        number += _STRIDE * len(plan)
        while plan and time.time() < until:
            plan = run_plan(plan, tallies, keep=keep, until=until)
        print(report(tallies), flush=True)  # of each round, should it be stopped
    return tallies


def report(tallies: dict[str, Tally]) -> str:
    """Return the counts by kind and the finds."""
    head = f"{'kind':24}{'cases':>8}{'answers':>9}{'refusals':>9}{'finds':>7}{'peak MB':>9}{'s':>7}"
    rows = [head]
    for kind, tally in tallies.items():
        finds = tally.n_cases - tally.endings[ANSWER] - tally.endings[REFUSAL]
        rows.append(
            f"{kind:24}{tally.n_cases:8}{tally.endings[ANSWER]:9}{tally.endings[REFUSAL]:9}"
            f"{finds:7}{tally.peak_mb:9.0f}{tally.seconds:7.0f}"
        )
    rows.append(f"{'all':24}{sum(tally.n_cases for tally in tallies.values()):8}")
    for kind, tally in tallies.items():
        for name, endings in tally.finds.items():
            told = [line for line in endings[0].told.splitlines() if line.strip()]
            rows.append(f"{kind}: {len(endings)} x {name}: {' | '.join(told[-1:])[:300]}")
    return "\n".join(rows)


def main() -> None:
    """Run the campaign, or one batch of it."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--cases", type=int, default=20_000)
    asked.add_argument("--seconds", type=float, default=3600)
    asked.add_argument("--kinds", nargs="+", choices=[*KINDS, "alarm"], default=list(KINDS))
    asked.add_argument("--seed", type=int, default=0)
    asked.add_argument("--keep", type=Path, help="folder for the files of the finds")
    for hidden in ("--work", "--folder", "--until"):
        asked.add_argument(hidden, help=argparse.SUPPRESS)
    told = asked.parse_args()
    if told.work:
        work(json.loads(told.work), Path(told.folder), float(told.until))
        return
    tallies = campaign(
        told.kinds, n_cases=told.cases, seconds=told.seconds, number=told.seed, keep=told.keep
    )
    if any(tally.finds for tally in tallies.values()):
        sys.exit(1)


if __name__ == "__main__":
    main()
