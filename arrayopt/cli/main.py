"""The ``arrayopt`` command: finds the subcommand, prints errors as sentences, sets exit codes."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from types import FrameType

import click

from arrayopt import __version__
from arrayopt.base.errors import ArrayoptError, nearest_name
from arrayopt.base.files import shown
from arrayopt.cli.say import say

COMMANDS = {
    "check": "Check a study file and say what a run would do.",
    "run": "Search every strategy of a study and store the fronts.",
    "status": "How a run is doing, while it runs and after it died.",
    "report": "One page about a run: answer, pictures, an explorer of the fronts.",
    "compare": "Which strategy wins, by how much, and whether that is real.",
    "show": "Print stored fronts, or one design, as tables.",
    "verify": "Compute chosen designs anew at the highest fidelity.",
    "evaluate": "Merits and responses of one hand-written design.",
    "export": "Hand a design to mask shop and test lab: layout, tables, drawing, test plan.",
    "calibrate": "Fit the model to lab measurements, or judge a chip by its prediction.",
    "environment": "Print versions and processor, for a report of trouble.",
}
"""Name -> one line for the overview; the rest is in the module of that name."""


class LazyGroup(click.Group):
    """Loads a subcommand's module when it is asked for, so that ``--help`` is immediate."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order of the work."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command of that name, or None."""
        if cmd_name not in COMMANDS:
            return None
        return import_module(f"arrayopt.cli.{cmd_name}").command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """As click does, with the nearest name for an unknown one."""
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            nearest = nearest_name(args[0], COMMANDS)
            hint = f"did you mean {nearest}?" if nearest else f"known: {', '.join(COMMANDS)}"
            ctx.fail(f"there is no command {args[0]!r}; {hint}")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The overview without loading any command."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(
    cls=LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Example: arrayopt run studies/duct-flow-meter --out results/duct",
)
@click.version_option(__version__, message="%(prog)s %(version)s")
def group() -> None:
    """Design studies for wide-band arrays of air-coupled piezoelectric ultrasonic cells.

    Exit codes: 0 done (or stopped on request, everything saved), 2 wrong input, 1 anything else.
    """
    if os.environ.get("ARRAYOPT_DEVICE"):
        _check_device()


def _check_device() -> None:
    """Say before any work that the device asked for is unknown or missing."""
    from arrayopt.physics.intime.card import GpuUnavailableError, chosen_device, require_card

    try:
        if chosen_device() != "cpu":
            require_card()
    except (GpuUnavailableError, ValueError) as error:
        raise ArrayoptError(str(error)) from error


class _Ended(SystemExit):
    """By a signal."""


def _ended(number: int, frame: FrameType | None) -> None:
    raise _Ended(128 + number)


def _swallowed(lost: sys.UnraisableHookArgs) -> None:
    """Give a signal again that came in a destructor or callback, where Python drops exceptions."""
    if not isinstance(lost.exc_value, _Ended | KeyboardInterrupt):
        sys.__unraisablehook__(lost)
        return
    number = getattr(lost.exc_value, "code", 128 + signal.SIGINT) - 128
    signal.signal(signal.SIGALRM, lambda *_: signal.raise_signal(number))
    signal.setitimer(signal.ITIMER_REAL, 0.01)


@contextmanager
def _tidied() -> Iterator[None]:
    """SIGTERM and a lost terminal end a command as an exception does, so that it tidies up."""
    numbers = [n for n in (signal.SIGTERM, signal.SIGHUP) if signal.getsignal(n) == signal.SIG_DFL]
    hook, sys.unraisablehook = sys.unraisablehook, _swallowed
    try:
        for number in numbers:
            signal.signal(number, _ended)
        yield
    finally:
        for number in numbers:
            signal.signal(number, signal.SIG_DFL)
        sys.unraisablehook = hook


def main() -> None:
    """Entry point of the installed command."""
    with _tidied():
        status = _status()
    sys.exit(status)


def _status() -> int:
    """Do what the command line asks for; the exit code."""
    try:
        status = group(prog_name="arrayopt", standalone_mode=False)
    except click.ClickException as error:
        error.show()
        status = error.exit_code
    except (click.Abort, KeyboardInterrupt):
        saved = "the last saved generation stands"
        left = saved if "run" in sys.argv[1:2] else "no file is left half-written"
        say(f"Stopped at once; {left}.", err=True)
        status = 130
    except ArrayoptError as error:
        say(str(error), err=True)
        status = error.exit_code
    except BrokenPipeError:
        # The reader of a pipe left; nothing more can be printed, not even at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        status = 1
    except OSError as error:  # whatever no command foresaw: a name too long, a disk taken away
        if error.errno is None:
            raise
        place = "" if error.filename is None else f"{shown(error.filename)}: "
        say(f"{place}{error.strerror}", err=True)
        status = ArrayoptError.exit_code
    return status if isinstance(status, int) else 0
