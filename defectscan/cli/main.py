"""The `defectscan` command. Only here errors turn into a line and an exit status."""

import sys
from typing import NoReturn

import typer

from defectscan.cli.card import card
from defectscan.cli.check import check
from defectscan.cli.compare import compare
from defectscan.cli.job_report import job
from defectscan.cli.judge_results import judge
from defectscan.cli.process import cannot_write, leave, set_up
from defectscan.cli.render import render
from defectscan.cli.report import report
from defectscan.cli.score import score
from defectscan.cli.split import split
from defectscan.errors import DefectscanError
from defectscan.version import __version__

app = typer.Typer(
    name="defectscan",
    help="Measure swirls and scratches in clear coat from photos under a point light.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
app.command()(check)
app.command()(score)
app.command()(compare)
app.command()(split)
app.command()(report)
app.command()(render)
app.command()(card)
app.add_typer(job, name="job")
app.add_typer(judge, name="judge")


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(__version__)
        raise typer.Exit


@app.callback()
def about(
    version: bool = typer.Option(
        False,
        "--version",
        help="Show the version and leave.",
        callback=_show_version,
        is_eager=True,
    ),
) -> None:
    """Measure swirls and scratches in clear coat from photos under a point light."""
    del version


def run() -> None:
    """Run the command; a photo that cannot be measured gives one line and exit status 1."""
    set_up()
    try:
        app()
    except DefectscanError as error:
        typer.echo(str(error), err=True)
        sys.exit(1)
    except OSError as error:
        typer.echo(cannot_write(error), err=True)
        sys.exit(1)


def program() -> NoReturn:
    """Run the command as a process of its own, which ends with it."""
    try:
        run()
    except SystemExit as leaving:
        leave(leaving.code)
    leave(0)
