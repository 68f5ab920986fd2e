"""The exceptions of holo.

::

    HoloError                 anything holo refuses or cannot do; ``exit_code`` is what a command returns
    ├── InputError            a file, key, option or argument is wrong           (also ValueError)
    │   └── OutputExistsError an output is there already and may not be replaced (also FileExistsError)
    └── RetrievalError        no phase could be found for the wanted light       (also ArithmeticError)

Every message names what was wrong, whose it is, what was found and what is allowed.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager


class HoloError(Exception):
    """Root of the exceptions that holo raises on purpose."""

    exit_code = 1


class InputError(HoloError, ValueError):
    """A file, key, option or argument is wrong; the message says which and what is allowed."""

    exit_code = 2


class OutputExistsError(InputError, FileExistsError):
    """An output is there already and may not be replaced."""


class RetrievalError(HoloError, ArithmeticError):
    """No phase could be found for the wanted light."""


@contextmanager
def naming(whose: object) -> Iterator[None]:
    """Put the name of a file or key before what the block refuses, for functions that know neither.

    Examples
    --------
    >>> with naming("mask.tiff"):
    ...     raise InputError("levels: found 300; allowed: 0 to 255")
    Traceback (most recent call last):
    ...
    holo.errors.InputError: mask.tiff: levels: found 300; allowed: 0 to 255
    """
    try:
        yield
    except InputError as error:
        raise InputError(f"{whose}: {error}") from error
