"""Write a report's PDF in a process of its own, which loads what that takes during measurement.

Loading the PDF library takes longer than writing a PDF with it, and beside the measuring it would
hold up the interpreter.
"""

import gc
import os
import pickle
import subprocess
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from defectscan.report.assemble import PdfWriter
    from defectscan.report.page import Page

_CODE = "from defectscan.cli.pdf_process import serve; serve()"


@contextmanager
def pdf_process(*, wanted: bool) -> Iterator["PdfWriter | None"]:
    """Start a process that can write one report, and give what has it written there.

    That takes a report and returns what waits for the file's bytes, as long as this lasts. It is
    ``None`` where no process is started; where the process fails, the report is written in this
    one.

    Parameters
    ----------
    wanted
        Whether there will be a report.
    """
    if not wanted or not sys.executable or (os.cpu_count() or 1) < 2:
        yield None
        return
    command = [sys.executable, "-P", "-c", _CODE]
    pipe = subprocess.PIPE
    with (
        subprocess.Popen(  # noqa: S603 - this same program
            command, stdin=pipe, stdout=pipe, stderr=subprocess.DEVNULL
        ) as process,
        ThreadPoolExecutor(1) as pool,
    ):

        def begin(page: "Page") -> Callable[[], bytes]:
            told = pool.submit(process.communicate, pickle.dumps(page))

            def written() -> bytes:
                data, _ = told.result()
                if process.returncode == 0:
                    return data
                from defectscan.report.pdf import page_pdf  # noqa: PLC0415 - slow

                return page_pdf(page)

            return written

        try:
            yield begin
        finally:
            process.kill()


def serve() -> None:
    """Write the report that comes in on standard input to standard output."""
    gc.disable()  # it ends before there is any to speak of
    # The PDF library takes it where it is, for kinds of picture that no report holds: loading it
    # would take as long as the writing.
    sys.modules["numpy"] = None  # type: ignore[assignment]
    from defectscan.report.pdf import page_pdf  # noqa: PLC0415 - slow
    from defectscan.report.sheet import Sheet  # noqa: PLC0415

    sheet = Sheet()  # reads the fonts
    page = pickle.load(sys.stdin.buffer)  # noqa: S301 - from the process that started this one
    sys.stdout.buffer.write(page_pdf(page, sheet))
    sys.stdout.flush()
    os._exit(0)  # taking all down in order would take as long as the writing
