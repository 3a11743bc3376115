"""A PostgreSQL server of the tests' own, from the system's binaries, on a socket alone."""

import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import psycopg

NOT_INSTALLED = "PostgreSQL's server is not installed (Debian: apt-get install postgresql)"


def binaries() -> Path | None:
    """Return the folder of the newest server's binaries, if there is one."""
    found = [path.parent for path in Path("/usr/lib/postgresql").glob("*/bin/initdb")]
    on_path = shutil.which("initdb")
    if on_path and not found:
        found = [Path(on_path).resolve().parent]
    return max(
        found,
        key=lambda path: int("0" + "".join(filter(str.isdigit, path.parent.name))),
        default=None,
    )


@contextmanager
def running_server() -> Iterator[str]:
    """Run a server and give the URL of its databases, without a name at the end."""
    place = binaries()
    assert place is not None, NOT_INSTALLED
    # The server refuses to run as root; its package brings a user for it.
    user = "postgres" if os.geteuid() == 0 else None
    folder = Path(tempfile.mkdtemp(prefix="pg-"))
    try:
        folder.chmod(0o755)
        if user:
            shutil.chown(folder, user)
        data = folder / "data"
        make: list[str | Path] = [
            place / "initdb",
            "-D",
            data,
            "-U",
            "tester",
            "-A",
            "trust",
            "-E",
            "UTF8",
            "-N",
        ]
        made = subprocess.run(
            [*make, "--no-locale"], user=user, cwd=folder, capture_output=True, check=False
        )
        assert made.returncode == 0, made.stderr.decode()
        options = ("listen_addresses=", "fsync=off", "max_connections=20", "shared_buffers=16MB")
        settings: list[str | Path] = [part for option in options for part in ("-c", option)]
        with (folder / "log").open("wb") as log:
            server = subprocess.Popen(
                [place / "postgres", "-D", data, "-k", folder, *settings],
                user=user,
                cwd=folder,
                stdout=log,
                stderr=log,
            )
        try:
            _wait(folder, server)
            yield f"postgresql://tester@/{{name}}?host={folder}"
        finally:
            server.send_signal(signal.SIGQUIT)  # at once: nothing of it is kept
            server.wait(60)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def create_database(url: str, name: str) -> str:
    """Make an empty database and return its URL."""
    with psycopg.connect(url.format(name="postgres"), autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}".encode())
    return url.format(name=name)


def _wait(folder: Path, server: "subprocess.Popen[bytes]") -> None:
    until = time.monotonic() + 60
    while True:
        try:
            psycopg.connect(host=str(folder), user="tester", dbname="postgres").close()
        except psycopg.OperationalError:
            log = (folder / "log").read_text()
            assert server.poll() is None and time.monotonic() < until, log  # noqa: PT018
            time.sleep(0.05)
        else:
            return
