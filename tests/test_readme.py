"""What the README tells to type works, and does what it says."""

import json
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from PIL import Image

from tests.conftest import Run

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
PROGRAM = ".venv/bin/defectscan"


def words_of(command: str) -> list[str]:
    """Return what one of the README's commands tells the program."""
    program, *words = shlex.split(command)
    assert program == PROGRAM
    return words


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Lay out a folder as the README's examples take it for granted."""
    folder = tmp_path_factory.mktemp("readme")
    shutil.copytree(ROOT / "sample_images", folder / "sample_images")
    first = json.loads((folder / "sample_images/job.json").read_text())["panels"][0]
    for state in ("before", "after"):
        # A third of the size, for speed.
        with Image.open(folder / "sample_images" / first[state]) as photo:
            photo.reduce(3).save(folder / f"{state}.jpg", quality=95)
    (folder / "shots_of_the_door").mkdir()
    shutil.copy(folder / "before.jpg", folder / "shots_of_the_door")
    shutil.copy(folder / "before.jpg", folder / "PHOTO")
    return folder


def test_the_report_of_the_sample_job(bench: Path) -> None:
    found = re.search(r"<!-- report -->\n```bash\n(.+)\n```", README)
    assert found
    words = words_of(found[1].split(" && ")[-1])
    program = [sys.executable, "-m", "defectscan", *words]
    done = subprocess.run(program, cwd=bench, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert {"report.html", "report.pdf", "result.json"} <= {
        path.name for path in (bench / "report").iterdir()
    }
    panels = json.loads((bench / "report/result.json").read_text())["panels"]
    assert len(panels) == len(json.loads((bench / "sample_images/job.json").read_text())["panels"])


def examples() -> list[str]:
    """Find the indented commands and those within sentences."""
    indented = re.findall(rf"^    ({re.escape(PROGRAM)} .+)$", README, re.MULTILINE)
    return [*indented, *re.findall(rf"`({re.escape(PROGRAM)} [^`]+)`", README)]


@pytest.mark.parametrize("command", examples())
def test_an_example(command: str, bench: Path, run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    # In this process, which has loaded everything already.
    monkeypatch.chdir(bench)
    done = run(*words_of(command))
    assert (done.status, done.err) == (0, ""), done.err


def test_pictures_and_files_that_it_names_are_there() -> None:
    named = re.findall(r"!\[[^\]]*\]\(([^)]+)\)", README)
    named += re.findall(r"tests/benchmarks/\w+\.py", README)
    assert len(named) == 2
    for name in named:
        assert (ROOT / name).is_file(), name
