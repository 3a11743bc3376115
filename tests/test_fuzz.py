"""Bad input of every kind: each case ends in a right answer or one clear line.

The same few cases in every run; FUZZ_CASES=2000 draws that many of each kind. The campaign is
tests/benchmarks/fuzz.py, which notices crashes, hangs and memory, too.
"""

import itertools
import os
import resource
import shutil
import subprocess
import sys
import warnings
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, settings

from defectscan.errors import DefectscanError
from tests.fuzz_bombs import TEXT_BOMBS
from tests.fuzz_cases import ANSWER, REFUSAL, Case, end_of, judged
from tests.fuzz_kinds import KINDS, text_bomb

N_CASES = int(os.environ.get("FUZZ_CASES", "0"))
# Of the kinds whose cases take long; the others have FEW.
FEW = 12
FEWER = {
    "photo by command": 2, "options": 6, "clip": 3, "archive values": 4, "archive bytes": 4,
    "job book values": 4, "job book bytes": 3, "key and grades values": 6, "bombs": 0,
}  # fmt: skip
HEAVY = ("archive of spaces", "many grades", "many sheets", "many panels")


@pytest.fixture(autouse=True)
def _nobodys_settings(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("DEFECTSCAN_DATABASE_URL", "DEFECTSCAN_BOOK"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("DEFECTSCAN_WHO", "tester")


@pytest.fixture(autouse=True)
def _bounded_memory() -> Iterator[None]:
    """Let a case that would take the whole machine's memory fail by itself."""
    own = resource.getrlimit(resource.RLIMIT_AS)
    now = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (now + 3_000_000_000, own[1]))
    yield
    resource.setrlimit(resource.RLIMIT_AS, own)


@pytest.mark.parametrize("kind", [kind for kind in KINDS if N_CASES or FEWER.get(kind, FEW)])
def test_bad_input_ends_in_an_answer_or_one_line(kind: str, tmp_path: Path) -> None:
    numbers = itertools.count()

    @settings(
        max_examples=N_CASES or FEWER.get(kind, FEW),
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(KINDS[kind]())
    def run(case: Case) -> None:
        folder = tmp_path / str(next(numbers))
        folder.mkdir()
        ending = end_of(case, folder)
        assert not ending.is_find, f"{ending.what}: {case.name} {case.commands}\n{ending.told}"
        shutil.rmtree(folder)

    run()


@pytest.mark.parametrize("name", [name for name in TEXT_BOMBS if name not in HEAVY])
def test_text_without_end_is_refused(name: str, tmp_path: Path) -> None:
    ending = end_of(text_bomb(name), tmp_path)
    assert ending.what == REFUSAL, ending.told


def refused(text: str) -> None:
    raise DefectscanError(text, allowed="a", remedy="b")


def test_what_the_campaign_takes_for_a_find(tmp_path: Path) -> None:
    def leave_behind() -> None:
        (tmp_path / ".x.part").touch()

    assert judged(lambda: None, tmp_path).what == ANSWER
    assert judged(lambda: refused("one line"), tmp_path).what == REFUSAL
    assert judged(lambda: refused("two\nlines"), tmp_path).what == "line"
    assert judged(lambda: refused("x" * 4000), tmp_path).what == "line"
    assert judged(lambda: refused("\x1b[31m"), tmp_path).what == "line"
    assert judged(lambda: refused("MemoryError"), tmp_path).what == "memory"
    assert judged(lambda: int("x"), tmp_path).what == "traceback"
    assert judged(lambda: os.write(2, b"a decoder's own words\n"), tmp_path).what == "noise"
    assert judged(lambda: warnings.warn("odd", stacklevel=1), tmp_path).what == "noise"
    assert judged(leave_behind, tmp_path).what == "left behind"


def test_the_campaign_notices_what_ends_its_workers(tmp_path: Path) -> None:
    root = Path(__file__).parents[1]
    script = root / "tests" / "benchmarks" / "fuzz.py"
    words = [
        sys.executable,
        script,
        "--cases",
        "3",
        "--kinds",
        "alarm",
        "--keep",
        tmp_path / "kept",
    ]
    done = subprocess.run(
        [str(word) for word in words], capture_output=True, text=True, check=False, cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(root), "FUZZ_HANG_S": "2"},
    )  # fmt: skip
    assert done.returncode == 1, done.stderr
    for what in ("traceback", "hang", "crash"):
        assert f"x {what}" in done.stdout, done.stdout
    assert len(list((tmp_path / "kept" / "alarm").iterdir())) == 3
