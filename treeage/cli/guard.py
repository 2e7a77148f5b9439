"""Around every command: faults, a stop by the user, a reader that is gone, streams that are closed or full.

Loads nothing large, so that a stop while the package loads finds words too.
"""

from __future__ import annotations

import argparse
import os
import re
import signal
import sys
import textwrap
from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from treeage.errors import Fault

WIDTH = 100  # choice: characters of a line on the screen
QUIET_SECONDS = 1.5  # choice: a shorter run shows no progress bar
DONE, NOTHING_USABLE, BAD_INPUT, STOPPED, NO_READER = 0, 1, 2, 130, 141
OPTIONS = {  # of the commands, by the call and the argument that they stand for
    "plan_coring": {"diameter_cm": "--diameter", "core_height_m": "--height", "borer_mm": "--borer"}
    | {"wanted_years": "--width", "tilt": "--slope, --lean", "seed": "--seed"},
    "aim_second_core": {"tree": "TREE", "core_width_mm": "--core-width"},
    "next_steps": {"goal": "--goal", "event": "--event", "pulse": "--pulse", "minutes": "--minutes", "seed": "--seed"}
    | {"minutes_of": "--cost"},
    "write_outputs": {"figures": "--figures", "formats": "--formats"},
    "stand_history": {"ages": "FOLDER"},
    "validate_field": {"prob": "--prob", "seed": "--seed"},
}
MORE = {"stand_history": " The dates alone: treeage estimate."}
# 130 and 141 are what a shell states of programs that the signals SIGINT (2) and SIGPIPE (13) ended (POSIX)


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line.

    Parameters
    ----------
    argv : sequence of str, optional
        Arguments; those of the process by default.

    Returns
    -------
    int
        Exit code: 0 done, 1 ran but nothing usable or the words could not be shown, 2 bad input, 130 stopped by the
        user, 141 nobody reads the words any more.

    Raises
    ------
    SystemExit
        From the argument parser, with code 2 for wrong arguments and 0 for --help and --version.

    Examples
    --------
    >>> main(["check", "no/such/folder"])
    2
    """
    arguments = argparse.Namespace()
    stops = _hear_stops() if argv is None else []

    def run() -> int:
        _open_streams()
        commands = import_module("treeage.cli.commands")  # here, so that a stop while it loads is met
        commands.command_parser().parse_args(argv, arguments)
        code: int = arguments.run(arguments)
        return code

    code = _guarded(run, arguments, stops)
    if argv is None:
        _ignore_stops()  # nothing is left to stop but the end of the process
    return code


def answers_go_to(arguments: argparse.Namespace, target: Path) -> None:
    """Note where a command will put its answers, so that a stop can say what became of them."""
    arguments.answers, arguments.before = target, _state(target)


def _state(target: Path) -> tuple[int, int] | None:
    """What tells one record of a run from another."""
    try:
        found = (target / "run.json").stat()
    except OSError:
        return None
    return found.st_ino, found.st_mtime_ns


def _guarded(run: Callable[[], int], arguments: argparse.Namespace, stops: Sequence[int]) -> int:
    """Run, and say in plain words what stopped it; after a stop any other error is a library's answer to it."""
    try:
        try:
            return run()
        finally:
            if sys.stdout is not None:
                sys.stdout.flush()
    except KeyboardInterrupt:
        return _stopped(arguments)
    except BrokenPipeError:
        _drop_output()
        return NO_READER
    except MemoryError:
        say(
            f"treeage: got tables or draws beyond the memory of this machine, need less of them; {_outcome(arguments)}."
        )
        return BAD_INPUT
    except Exception as error:
        return _stopped(arguments) if stops else _said(error, arguments)


def _stopped(arguments: argparse.Namespace) -> int:
    _ignore_stops()  # a second one must not break into the words
    say(f"Stopped; {_outcome(arguments)}.")
    return STOPPED


def _said(error: Exception, arguments: argparse.Namespace) -> int:
    from treeage.errors import InputError, ModelError, place_fault

    if isinstance(error, (InputError, ModelError)):
        command = getattr(arguments, "command", "")
        say(str(type(error)([_of_command(row, command) for row in error.faults.to_dict("records")])))
        return BAD_INPUT
    if not isinstance(error, OSError):
        raise error
    if error.filename is None:  # files that are read or written have a name
        _drop_output()
        say(f"{place_fault(error, 'treeage', 'what it prints').line()} {_outcome(arguments).capitalize()}.")
        return NOTHING_USABLE
    say(place_fault(error, str(error.filename or "treeage")).line())
    return BAD_INPUT


def _of_command(row: Mapping[Hashable, Any], command: str) -> Fault:
    """A fault, of an argument of a call as one of the option that was written."""
    from treeage.errors import Fault

    fault = Fault(**{str(name): value for name, value in row.items()})
    option = OPTIONS.get(fault.file, {}).get(fault.column, "")
    if fault.file == "ring_table" and command:
        return replace(fault, file=f"treeage {command}", do=fault.do.replace("site_letters", "--site-letters"))
    if not option or not command:
        return fault
    do = fault.do.replace("pulse=(1926, 1960)", "--pulse 1926 1960").replace(f"{fault.column}=", f"{option} ")
    do = re.sub(rf"^Correct {fault.column}, or", f"Correct {option}, or", do)
    return replace(fault, file=f"treeage {command}", column=option, do=do + MORE.get(fault.file, ""))


def _outcome(arguments: argparse.Namespace) -> str:
    """What a command that was cut short has left behind."""
    target = getattr(arguments, "answers", None)
    if target is not None and _state(target) != arguments.before:
        return f"the new answers in {target} are complete"
    if getattr(arguments, "goes_on", None) is not None:
        return f"the stands that are done stay in {arguments.goes_on}; the same command goes on with the others"
    made = getattr(arguments, "makes", None)
    if made is not None and Path(made).exists():
        return f"{made} may be incomplete: remove it before the next try"
    return "no output was changed"


def _drop_output() -> None:
    """Let what is still held for the output go nowhere, or Python would complain of it at its end."""
    with suppress(OSError, ValueError, AttributeError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _hear_stops() -> list[int]:
    """Keep the signals of a stop: extension modules that load turn the interrupt into errors of import."""
    heard: list[int] = []

    def hear(number: int, _frame: object) -> None:
        heard.append(number)
        raise KeyboardInterrupt

    with suppress(ValueError):  # not the main thread
        signal.signal(signal.SIGINT, hear)
    return heard


def _ignore_stops() -> None:
    with suppress(ValueError):  # not the main thread
        signal.signal(signal.SIGINT, signal.SIG_IGN)


def _open_streams() -> None:
    """Names in any script must not stop a run on a plain terminal; nor may a file get the number of a closed stream."""
    for number in (0, 1, 2):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")


def say(text: str) -> None:
    """Print on the error stream, where there is one."""
    if sys.stderr is not None:
        with suppress(OSError, ValueError):
            print(text, file=sys.stderr, flush=True)


def place(text: str) -> Path:
    """A folder as an argument of the command line, which has a name that can be shown."""
    from treeage.errors import plain, unprintable

    if not text.strip():
        raise argparse.ArgumentTypeError("got an empty name, need that of a folder. Write it, or leave the option out.")
    if bad := unprintable(text):
        got = "got control characters"
        raise argparse.ArgumentTypeError(f"{got} ({plain(bad)}), need the name of a folder. Write it without them.")
    return Path(text)


def filled(text: str, first: str = "", rest: str = "", width: int = WIDTH) -> str:
    """Words broken into lines of the screen; `first` and `rest` begin the first and the other lines."""
    return textwrap.fill(text, width, initial_indent=first, subsequent_indent=rest)


@contextmanager
def progress(total: int) -> Iterator[Callable[[int], object]]:
    """A bar on a terminal when the run takes longer than a moment; nothing elsewhere."""
    if sys.stderr is None or not sys.stderr.isatty():
        yield lambda _steps: None
        return
    from tqdm import tqdm

    with tqdm(
        total=total, desc="treeage", delay=QUIET_SECONDS, leave=False, bar_format="{desc} {bar} {percentage:3.0f} %"
    ) as bar:
        yield bar.update
