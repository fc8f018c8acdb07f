"""The command line: words to calls of :mod:`turfeye.survey`, records to tables. Glue only.

What was asked for goes to standard output, everything else to standard error. A mistake of the user's ends
with one plain message and exit code 2.
"""

from __future__ import annotations

import signal
import sys
from importlib.metadata import version

import click

from turfeye.cli.add import add
from turfeye.cli.card import card
from turfeye.cli.demo import demo
from turfeye.cli.lawn import lawn
from turfeye.cli.look import look
from turfeye.cli.plan import plan
from turfeye.cli.round import round_
from turfeye.cli.season import season
from turfeye.cli.sheet import sheet
from turfeye.cli.teach import teach
from turfeye.errors import PlaceError, TurfeyeError

STOPPED = 130
"""Exit code of a program that Ctrl-C ended: 128 and the signal's number, as shells have it."""


class Ordered(click.Group):
    """Commands in the order in which the work goes; our own errors as plain messages."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """In the order of adding, not of the alphabet."""
        return list(self.commands)

    def invoke(self, ctx: click.Context) -> object:
        """Run a command; what turfeye raises on purpose becomes a message and exit code 2."""
        try:
            return super().invoke(ctx)
        except TurfeyeError as error:
            click.echo(f"turfeye: {error}", err=True)
            ctx.exit(2)
        except OSError as error:
            click.echo(f"turfeye: {PlaceError.of(error)}", err=True)
            ctx.exit(2)
        except KeyboardInterrupt:
            click.echo(
                "turfeye: stopped; no file is left half written, so just run the same command again", err=True
            )
            ctx.exit(STOPPED)


@click.group(cls=Ordered, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(version("turfeye"), prog_name="turfeye")
def root() -> None:
    """From dated phone photos of a lawn to green cover, a forecast and a reseeding plan.

    Print the card, lay it on the grass and take a photo. look measures single photos; lawn, add and season
    follow one lawn for weeks; plan says what to do; sheet makes the page for the client.
    """


for command in (card, look, lawn, add, season, plan, sheet, teach, round_, demo):
    root.add_command(command)


def main() -> None:
    """Entry point of the ``turfeye`` program."""
    for stream in (sys.stdout, sys.stderr):
        # A terminal that can't show "m²" gets a question mark, not a traceback.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    for ended in ("SIGTERM", "SIGHUP"):  # as when its terminal is closed: tidied up as after Ctrl-C
        number = getattr(signal, ended, None)
        if number is not None and signal.getsignal(number) is signal.SIG_DFL:
            signal.signal(number, signal.default_int_handler)
    root()
