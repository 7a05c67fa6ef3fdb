"""Errors: what is wrong, where, and how to mend it.

All derive from :class:`OutcomeError`, which is a ``ValueError``, so a caller
can catch one thing.
"""

from collections.abc import Iterable, Sequence


class OutcomeError(ValueError):
    """Base of every error the library raises on purpose."""


class DataError(OutcomeError):
    """The data cannot be used as they are (missing, doubled, out of range)."""


class ChoiceError(OutcomeError):
    """An argument is not one of the values the function understands."""


class RefusedError(OutcomeError):
    """The question has no honest answer here (wrong threshold, changed protocol, nothing but error)."""


class MissingPartError(OutcomeError):
    """An optional library or program is not on this machine."""


def listed(items: Iterable[object], most: int = 5) -> str:
    """Name at most `most` items: ``"P004, P017 and 3 more"``."""
    names = [str(item) for item in items]
    if len(names) <= most:
        return ", ".join(names)
    return f"{', '.join(names[:most])} and {len(names) - most} more"


def check_choice(name: str, got: object, allowed: Sequence[object]) -> None:
    """Raise :class:`ChoiceError` unless `got` is one of `allowed`.

    Raises
    ------
    ChoiceError
        Names the argument, the value it got and every allowed value.
    """
    if got not in allowed:
        raise ChoiceError(f"{name}={got!r} is not available; choose one of {', '.join(map(repr, allowed))}.")


def check_confidence(confidence: float) -> None:
    """Raise :class:`ChoiceError` unless `confidence` is a fraction strictly between 0 and 1."""
    if not 0 < confidence < 1:
        raise ChoiceError(f"confidence={confidence!r} must be a fraction between 0 and 1, such as 0.95 for 95%.")


FEWEST_RESAMPLES = 100


def check_resamples(n_boot: int) -> None:
    """Raise :class:`ChoiceError` for fewer resamples than an interval can be read from."""
    if n_boot < FEWEST_RESAMPLES:
        raise ChoiceError(f"n_boot={n_boot!r}: at least {FEWEST_RESAMPLES} resamples are needed for an interval.")


def needs(part: str, extra: str) -> MissingPartError:
    """Return the error that says which extra to install for `part`."""
    return MissingPartError(
        f"{part} is not installed on this machine. Install it with: python -m pip install 'truechange[{extra}]'."
    )
