"""The command line: a thin skin over the service. Verbs load only when they are asked for."""

from __future__ import annotations

import atexit
import codecs
import errno
import gc
import importlib
import io
import os
import sys
from collections.abc import Sequence
from contextlib import suppress
from typing import NoReturn

from sidekeep import __version__
from sidekeep.cli.terminal.output import say
from sidekeep.cli.terminal.parser import Parser, add_described, parsed
from sidekeep.cli.terminal.stopping import how_far, stopped_as_by_ctrl_c, was_asked_to_stop
from sidekeep.cli.texts import errors as error_words
from sidekeep.cli.texts.answers import error_answer, stop_answer
from sidekeep.errors import SidekeepError
from sidekeep.units import NARROW_SPACE
from sidekeep.wording.errors.sentences import learn

VERBS = {
    "demo": "press an invented record, run the whole job on it, show the result",
    "open": "open the local page: shelf, sleeve, turntable, sides and copies",
    "inputs": "list sound inputs with their true format",
    "gauge": "watch the level live, with advice",
    "take": "record the sides of a record, unattended",
    "survey": "measure a take and find what is on it",
    "mend": "write a copy of a take with ticks, pops, crackle and thumps mended",
    "transfer": "the whole job from files: recordings and a sleeve text in, finished copies out",
    "copies": "write copies of a record on the shelf",
    "compare": "say what has changed between an old and a new take of one side",
    "combine": "make one better take out of several of one side",
    "verify": "check takes, copies and bags against their checksums",
    "adopt": "bring existing recordings onto the shelf",
    "shelf": "list and search the shelf, plan records, undo choices, keep the stylus log",
}
"""Every verb and what a person gets from it, in the order of a record's life."""

_PRINTED = "sidekeep-printed"
EXIT_DONE, EXIT_LOOK, EXIT_COULD_NOT = 0, 1, 2

learn(error_words.WORDS)
# At its end a process looks through all that it has loaded for garbage, twice, which takes a tenth of a second; all of that goes
# with the process anyhow.
atexit.register(gc.freeze)


def build_parser(verb: str | None) -> Parser:
    """The parser; only the asked verb's module is imported."""
    parser = Parser(
        prog="sidekeep",
        description="Move vinyl records into a digital archive.",
        epilog="Exit codes: 0 done, 1 done but findings need a look, 2 could not. "
        "'sidekeep VERB --help' tells more.",
    )
    parser.add_argument("--version", action="version", version=f"sidekeep {__version__}")
    verbs = parser.add_subparsers(dest="verb", metavar="VERB", required=True)
    for name, what in VERBS.items():
        sub = add_described(verbs, name, what)
        sub.add_argument("--debug", action="store_true", help="show the full trace of an error")
        if name == verb:
            importlib.import_module(f"sidekeep.cli.verbs.{name}").add_arguments(sub)
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one verb; returns the exit code."""
    words = list(sys.argv[1:] if arguments is None else arguments)
    verb = next((word for word in words if not word.startswith("-")), None)
    _open_streams()
    _print_anything()
    options = parsed(build_parser(verb), words)
    try:
        with stopped_as_by_ctrl_c():
            return int(importlib.import_module(f"sidekeep.cli.verbs.{options.verb}").run(options))
    except KeyboardInterrupt:
        return _give_up(_stopped(options.verb), options.debug)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return EXIT_COULD_NOT
    except (SidekeepError, OSError, MemoryError) as error:
        return _give_up(_one_line(error) + error_answer(error), options.debug)
    except Exception as error:
        if was_asked_to_stop():
            return _give_up(_stopped(options.verb), options.debug)
        what = f"{type(error).__name__}: {_one_line(error)}" if str(error) else type(error).__name__
        return _give_up(
            f"something went wrong whose cause is not known ({what}); --debug shows where", options.debug
        )


def program() -> NoReturn:
    """Run one verb and end with its exit code.

    What was asked to stop does not wait for threads that were at work for it: a kernel that is being compiled cannot be stopped.
    """
    _read_names_as_utf_8()
    code = main()
    if was_asked_to_stop() and not _has_children():
        with suppress(OSError):
            sys.stdout.flush()
            sys.stderr.flush()
        os._exit(code)
    sys.exit(code)


def _read_names_as_utf_8() -> None:
    """Begin again where the surroundings make Python read names of files in another encoding than UTF-8 (an old locale): names on
    a shelf are UTF-8 wherever it is used. What is printed keeps the encoding of the locale."""
    if os.name == "posix" and sys.getfilesystemencoding() != "utf-8" and not sys.flags.utf8_mode:
        printed = sys.stdout.encoding if sys.stdout else "utf-8"
        os.environ.setdefault("PYTHONIOENCODING", printed)
        os.execv(sys.executable, [sys.executable, "-X", "utf8", *sys.orig_argv[1:]])


def _has_children() -> bool:
    """Whether processes of ours are left, which the interpreter ends as it ends."""
    processes = sys.modules.get("multiprocessing")
    return processes is not None and bool(processes.active_children())


def _stopped(verb: str) -> str:
    return f"stopped{how_far()}; no half-written file was left behind{stop_answer(verb)}"


def _open_streams() -> None:
    """A stream that was closed from outside (``>&-``) leads nowhere, instead of into the first file that is opened."""
    for number, name, mode in ((0, "stdin", "r"), (1, "stdout", "w"), (2, "stderr", "w")):
        if getattr(sys, name) is None:
            with suppress(OSError):
                os.fstat(number)
                continue
            os.open(os.devnull, os.O_RDWR)  # the lowest number that is free, so this one
            setattr(sys, name, open(number, mode, encoding="utf-8", closefd=False))  # noqa: SIM115


def _print_anything() -> None:
    """A file name need not be text in this encoding: what cannot be printed as it is, is printed escaped, the space in a long
    number as a plain one."""
    codecs.register_error(_PRINTED, _printed_otherwise)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors=_PRINTED)


def _printed_otherwise(error: UnicodeError) -> tuple[str | bytes, int]:
    if isinstance(error, UnicodeEncodeError) and error.object[error.start] == NARROW_SPACE:
        return " ", error.start + 1
    if isinstance(error, UnicodeEncodeError):  # one letter at a time: a narrow space may follow
        error = UnicodeEncodeError(error.encoding, error.object, error.start, error.start + 1, error.reason)
    return codecs.backslashreplace_errors(error)


def _one_line(error: BaseException) -> str:
    if isinstance(error, OSError) and error.errno == errno.ENOSPC and not error.filename:
        # Files of ours that meet a full disk say so themselves: what is left is what was printed.
        return (
            f"what this command has to say could not be written to where its output goes ({error.strerror})"
        )
    if isinstance(error, OSError) and error.strerror:
        return f"{error.strerror}: {error.filename}" if error.filename else error.strerror
    if isinstance(error, MemoryError):
        return "out of memory; close other programs and try again"
    return " ".join(str(error).split()) or type(error).__name__


def _give_up(message: str, debug: bool) -> int:
    if debug:
        raise
    with suppress(OSError):  # the terminal was closed
        say(f"sidekeep: {message}", to=sys.stderr)
    return EXIT_COULD_NOT


if __name__ == "__main__":
    program()
