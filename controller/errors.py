"""Errors that the controller raises. Each message is one line that a maker can act on."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any


class EvenwallError(Exception):
    """Base of all errors. The command line returns `exit_code`."""

    exit_code = 1

    def __reduce__(self) -> tuple[Callable[..., EvenwallError], tuple[object, ...]]:
        """Return a form that pickles whole to another process, whatever the constructor needs."""
        return _again, (type(self), self.args, self.__dict__)


SHOWN = 200  # characters of a wrong value that an error repeats: enough for a long path
LONGEST = 600  # characters of an error's text about it


def _short(value: object, most: int = SHOWN) -> str:
    """Return the value on one short line; characters that do not print are replaced by a mark."""
    try:
        said = str(value)[: most + 1]
    except (RecursionError, ValueError):  # nested endlessly; more than 4300 digits
        said = f"a {type(value).__name__} too large to show"
    said = "".join(letter if letter.isprintable() else "?" for letter in said)
    return said if len(said) <= most else f"{said[:most]}..."


class InputError(EvenwallError):
    """Error for bad input; its message names the file, the field, the value, the limit and the
    unit."""

    exit_code = 2

    def __init__(
        self,
        field: str,
        value: object,
        limit: str,
        *,
        unit: str = "",
        file: str = "",
        hint: str = "",
    ) -> None:
        super().__init__(field, value, limit)
        self.field, self.value, self.limit, self.unit = field, value, limit, unit
        self.file, self.hint = file, hint

    def __str__(self) -> str:
        where = f"{self.file}: " if self.file else ""
        shown = f"{_short(self.value)} {self.unit}".rstrip()
        hint = f"; {_short(self.hint, LONGEST)}" if self.hint else ""
        return f"{where}{_short(self.field)} is {shown}: {_short(self.limit, LONGEST)}{hint}"


class PlanError(InputError):
    """Error when no plan meets the wishes; its message names the figure that fails and the nearest
    that would work."""


class OutsideValidity(InputError):
    """Error when an equation is used outside the range in which its source holds."""


class NotConverged(EvenwallError):
    """Error when a numerical method does not reach its tolerance."""

    def __init__(self, what: str, residual: float, iterations: int) -> None:
        self.residual, self.iterations = residual, iterations
        super().__init__(
            f"{what} did not converge: residual {residual:.3g} after {iterations} iterations"
        )


class ProbeFault(EvenwallError):
    """Error when a probe gives no usable reading."""

    exit_code = 3

    def __init__(self, kind: str, detail: str) -> None:
        self.kind, self.why = kind, detail
        super().__init__(f"{kind}: {detail}")


class RecordError(EvenwallError):
    """Error when the record cannot be read or written."""


_A_PATH = re.compile(r"(?<![\w.])(?:/[^\s/:;,'\"()]+)+/([^\s/:;,'\"()]*)")


def said_outside(error: EvenwallError) -> str:
    """Return the text of an error for a request from outside, with only the file's name of each
    path on this machine."""
    said = str(error)
    if isinstance(error, InputError):
        for whole in (error.file, str(error.value)):
            if whole.startswith("/"):
                said = said.replace(whole, whole.rsplit("/", 1)[-1] or "a file")
    return _A_PATH.sub(r"\1", said)


@contextmanager
def naming(file: object = "", within: str = "") -> Iterator[None]:
    """Add this file's name to an InputError raised inside, unless it names a file already, and put
    `within` before its field."""
    try:
        yield
    except InputError as error:
        error.file = error.file or str(file)
        error.field = within + error.field
        raise


def _again(
    kind: type[EvenwallError], args: tuple[object, ...], fields: dict[str, Any]
) -> EvenwallError:
    error = kind.__new__(kind, *args)
    error.__dict__.update(fields)
    return error
