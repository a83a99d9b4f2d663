"""The command line: parse, call one function, show. Heavy libraries are imported inside the commands.

Exit status: 0 done; 1 the input is wrong or not to be had; 2 wrong usage; 3 done, but something needs a person.
"""

from __future__ import annotations

import os
import sys

import typer

from schemas.errors import FairtankError
from trials.cli import (
    backup,
    collect,
    display,
    draft,
    history,
    kits,
    mend,
    plan,
    pool,
    prepare,
    publish,
    results,
    sheets,
    waiting,
    watch,
    water,
)
from trials.cli.options import VersionOption  # noqa: TC001 - typer reads it at run time

INTERRUPTED = 130
"""Exit status after Ctrl-C, as shells have it."""

app = typer.Typer(
    name="fairtank",
    help=(
        "Plan, register, run and report controlled trials in aquaria.\n\n"
        "Start with `fairtank demo`, which does the whole job on invented data."
    ),
    epilog=(
        "Exit status: 0 done; 1 the input is wrong or not to be had; 2 wrong usage; "
        "3 done, but something needs a person (rows held, a stop rule met, a check failed)."
    ),
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["--help", "-h"], "max_content_width": 100},
)


@app.callback()
def _fairtank(*, version: VersionOption = False) -> None:
    del version


app.command()(results.demo)
app.command()(draft.draft)
app.command()(plan.plan)
app.command()(prepare.register)
app.command()(prepare.allocate)
app.command()(sheets.sheets)
app.command()(collect.intake)
app.command()(waiting.held)
app.command()(mend.amend)
app.command()(history.history)
app.command()(watch.watch)
app.command()(kits.kits)
app.command()(results.analyse)
app.command()(results.report)
app.command()(backup.backup)
app.command()(publish.pack)
app.command()(publish.verify)
app.command()(pool.pool)
app.add_typer(water.app)


def main(arguments: list[str] | None = None) -> int:
    """Run one command and return its exit status; the one place that turns errors into a sentence."""
    try:
        app(args=arguments, prog_name="fairtank")
    except SystemExit as stop:
        if stop.code == INTERRUPTED:  # typer turns Ctrl-C into this
            display.complain("stopped; nothing half-written was kept.")
        return stop.code if isinstance(stop.code, int) else 1
    except FairtankError as error:
        display.complain(str(error))
        return error.exit_status
    except KeyboardInterrupt:
        display.complain("stopped; nothing half-written was kept.")
        return INTERRUPTED
    except BrokenPipeError:
        # The reader went away (`fairtank ... | head`): say nothing more, also at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    return 0


def run() -> None:
    """Entry point of the installed command."""
    sys.exit(main())
