"""The exceptions of holo.

::

    HoloError                 anything holo refuses or cannot do; ``exit_code`` is what a command returns
    ├── InputError            a file, key, option or argument is wrong           (also ValueError)
    │   └── OutputExistsError an output is there already and may not be replaced (also FileExistsError)
    ├── RetrievalError        no phase could be found for the wanted light       (also ArithmeticError)
    ├── CalibrationError      frames do not tell what was to be measured         (also RuntimeError)
    ├── RearrangementError    atoms cannot be brought where they are wanted      (also RuntimeError)
    ├── ScreenError           the panel's screen is not there or cannot be used  (also RuntimeError)
    ├── ClusterError          the cluster that worked at a batch is gone         (also ConnectionError)
    └── LinkError             no frame came from the panel and camera            (also ConnectionError)

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


class CalibrationError(HoloError, RuntimeError):
    """Frames do not tell for sure what was to be measured; the message says why and what to change."""


class RearrangementError(HoloError, RuntimeError):
    """Atoms cannot be brought where they are wanted; the message says what stands in the way."""


class ClusterError(HoloError, ConnectionError):
    """The cluster that worked at a batch is gone; what it has done is kept."""


class LinkError(HoloError, ConnectionError):
    """No frame, or no usable one, came from the panel and camera; the message says what was waited for."""


class ScreenError(HoloError, RuntimeError):
    """The panel's screen is not there or cannot be used; the message says which screens there are."""


@contextmanager
def naming(whose: object) -> Iterator[None]:
    """Put the name of a file or key before what the block refuses, for functions that know neither.

    Parameters
    ----------
    whose : object
        Its text is put in front, with a colon.

    Yields
    ------
    None

    Raises
    ------
    InputError, CalibrationError
        Those of the block, with the name before their message.

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
    except (InputError, CalibrationError) as error:
        kind = InputError if isinstance(error, InputError) else CalibrationError
        raise kind(f"{whose}: {error}") from error
