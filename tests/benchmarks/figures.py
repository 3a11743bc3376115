"""Every figure of the README's table in one run, or those that are named.

It takes some two and a half hours on two cores, most of them for rendering; what is rendered is
kept in the folder and used again. What the benchmarks print goes to `figures.txt` there, too.
"""

import argparse
import os
import subprocess
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

HERE = Path(__file__).parent
# Name, script, options; "{folder}" is the benchmark's own.
RUNS: tuple[tuple[str, str, str], ...] = (
    ("accuracy", "accuracy.py", "--folder {folder}"),
    (
        "five_shots",
        "accuracy.py",
        "--first 50000 --pairs 72 --shots 5 --over-panel --folder {folder}",
    ),
    ("shown_grooves", "shown_grooves.py", "--pairs 72 --over-panel"),
    ("five_shots_near", "accuracy.py", "--first 50000 --pairs 36 --shots 5 --folder {folder}"),
    ("shown_grooves_near", "shown_grooves.py", ""),
    ("ridge_filters", "ridge_filters.py", ""),
    ("groove_free", "groove_free.py", ""),
    ("speed", "speed.py", ""),
    ("scaling", "scaling.py", ""),
    ("card", "card.py", "--draws 200"),
    ("split", "split.py", "--photos 20 --folder {folder}"),
    ("check_rates", "check_rates.py", "--folder {folder}"),
    ("folders", "folders.py", ""),
    ("clips", "clips.py", "--work --folder {folder}"),
    ("metamorphic", "metamorphic.py", "--folder {folder}"),
    ("next_pass", "next_pass.py", ""),
    ("job_book", "job_book.py", ""),
    ("agreement", "agreement.py", ""),
    ("repeats", "repeats.py", "--folder {folder}"),
    ("fuzz", "fuzz.py", "--cases 20500"),
)


def run(name: str, script: str, options: str, *, folder: Path) -> str:
    """Run one benchmark and return what it prints, with how long it took."""
    own = folder / name
    own.mkdir(parents=True, exist_ok=True)
    words = [word.format(folder=own) for word in options.split()]
    start = time.monotonic()
    done = subprocess.run(
        [sys.executable, str(HERE / script), *words],
        env={**os.environ, "PYTHONPATH": str(HERE.parents[1])},
        capture_output=True,
        text=True,
        check=False,
    )
    minutes = (time.monotonic() - start) / 60
    told = done.stdout if done.returncode == 0 else f"{done.stdout}\n{done.stderr}\nFAILED\n"
    command = " ".join(("python", f"tests/benchmarks/{script}", *options.split()))
    return f"## {name}: {command} ({minutes:.0f} min)\n{told.rstrip()}\n\n"


def main() -> None:
    """Run the benchmarks from the command line."""
    names = [name for name, _, _ in RUNS]
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"of {', '.join(names)}")
    parser.add_argument("--folder", type=Path, default=Path("figures"))
    given = parser.parse_args()
    unknown = set(given.names) - set(names)
    if unknown:
        parser.error(f"there is no {', '.join(sorted(unknown))}; there are {', '.join(names)}")
    given.folder.mkdir(parents=True, exist_ok=True)
    with (given.folder / "figures.txt").open("a", encoding="utf-8") as file:
        for name, script, options in RUNS:
            if given.names and name not in given.names:
                continue
            told = run(name, script, options, folder=given.folder.absolute())
            print(f"{datetime.now(UTC):%Y-%m-%d %H:%M} {told}", end="", flush=True)
            file.write(f"{datetime.now(UTC):%Y-%m-%d %H:%M} {told}")
            file.flush()


if __name__ == "__main__":
    main()
