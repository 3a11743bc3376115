"""How the process is set up: what it is told, and what that saves."""

import os
import platform
import subprocess
import sys
from pathlib import Path

import pytest

PAGES_OF_FIFTY_ARRAYS = """
import resource, numpy
def pages(): return resource.getrusage(resource.RUSAGE_SELF).ru_minflt
numpy.ones(10_000_000, numpy.float32)
before = pages()
for _ in range(50): numpy.ones(10_000_000, numpy.float32)
print(pages() - before)
"""
SET_UP = "from defectscan.cli.process import set_up\nset_up()\n"


def told(code: str) -> str:
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return done.stdout


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="a setting of glibc's")
def test_freed_memory_is_used_again() -> None:
    kept, fresh = (int(told(code + PAGES_OF_FIFTY_ARRAYS)) for code in (SET_UP, ""))
    # Of 2 MB each, where the system gives large ones.
    assert kept < 100
    assert fresh > 900


def test_matrix_products_have_one_thread_unless_told_otherwise() -> None:
    ask = SET_UP + "import os; print(os.environ['OPENBLAS_NUM_THREADS'])\n"
    assert told(f"import os; os.environ.pop('OPENBLAS_NUM_THREADS', None)\n{ask}") == "1\n"
    assert told(f"import os; os.environ['OPENBLAS_NUM_THREADS'] = '3'\n{ask}") == "3\n"


LEAVE = "from defectscan.cli.process import leave\n"


@pytest.mark.parametrize(
    ("status", "code", "err"), [("0", 0, ""), ("None", 0, ""), ("3", 3, ""), ("'no'", 1, "no\n")]
)
def test_leaving_gives_the_status_and_what_was_said(status: str, code: int, err: str) -> None:
    program = f"{LEAVE}import atexit; atexit.register(print, 'late'); print('a'); leave({status})"
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout, done.stderr) == (code, "a\n", err)


@pytest.mark.skipif(sys.platform == "win32", reason="pipes end otherwise there")
def test_leaving_with_nobody_listening_is_no_traceback() -> None:
    code = f"{LEAVE}import sys; sys.stdin.readline(); print('said'); leave(0)"
    pipe = subprocess.PIPE
    # Held back until the end, as by default.
    held_back = {**os.environ, "PYTHONUNBUFFERED": ""}
    with subprocess.Popen(
        [sys.executable, "-c", code], stdin=pipe, stdout=pipe, stderr=pipe, env=held_back
    ) as process:
        assert process.stdout is not None
        process.stdout.close()
        process.stdout = None
        _, err = process.communicate(b"\n")
        assert (process.returncode, err) == (1, b"")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
@pytest.mark.parametrize("say", ["print('said')", "import os; os.write(1, b'said')"])
def test_a_full_disk_is_told_in_one_line(say: str) -> None:
    code = (
        "from defectscan.cli import main, process\n"
        "def app():\n"
        f"    {say}\n"
        "main.app = app\n"
        "main.program()\n"
    )
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-c", code], stdout=full, stderr=subprocess.PIPE, text=True,
            check=False,
        )  # fmt: skip
    assert done.returncode == 1
    assert done.stderr.startswith("No space left on device; ")
    assert done.stderr.count("\n") == 1


@pytest.mark.parametrize(
    ("encoding", "expected"),
    [
        ("cp1252", "-12 %, 86\xa0%, Gr\xf6\xdfe \\U0001f3cd\n"),
        ("ascii", "-12 %, 86\\xa0%, Gr\\xf6\\xdfe \\U0001f3cd\n"),
        ("utf-8", "\N{MINUS SIGN}12 %, 86\xa0%, Größe \U0001f3cd\n"),
    ],
)
def test_any_text_can_be_said_in_any_encoding(encoding: str, expected: str) -> None:
    code = SET_UP + r"print('\u221212 %, 86\xa0%, Gr\xf6\xdfe \U0001f3cd')"
    done = subprocess.run(
        [sys.executable, "-c", code],
        env={**os.environ, "PYTHONIOENCODING": encoding},
        capture_output=True,
        check=True,
    )
    assert done.stdout.decode(encoding).replace("\r", "") == expected


@pytest.mark.skipif(sys.platform == "win32", reason="a shell's word for it")
def test_standard_output_may_be_closed() -> None:
    code = SET_UP + "import sys; print('said'); print(sys.stdout.isatty(), file=sys.stderr)"
    done = subprocess.run(
        ["sh", "-c", '"$0" -c "$1" >&-', sys.executable, code],
        stderr=subprocess.PIPE, text=True, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "False\n")
