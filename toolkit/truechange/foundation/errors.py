"""Errors: what is wrong, where, and how to mend it.

All derive from :class:`OutcomeError`, which is a ``ValueError``, so a caller
can catch one thing.
"""

from collections.abc import Callable, Iterable, Sequence
from functools import wraps
from inspect import signature
from math import inf
from numbers import Integral, Real
from typing import Any, TypeVar

Function = TypeVar("Function", bound=Callable[..., Any])


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
    try:
        known = got in allowed
    except (TypeError, ValueError):  # tables and arrays compare cell by cell
        known = False
    if not known:
        raise ChoiceError(f"{name}={in_short(got)} is not available; choose one of {', '.join(map(repr, allowed))}.")


def in_short(given: object) -> str:
    """Write what was given as it was typed, or its kind alone where that would fill the page."""
    text = repr(given)
    return text if len(text) <= 60 and "\n" not in text else f"<{type(given).__name__}>"


def stated(**arguments: object) -> dict[str, object]:
    """Return the arguments that were given at all: those that are not None."""
    return {name: given for name, given in arguments.items() if given is not None}


def check_numbers(**arguments: object) -> None:
    """Raise :class:`ChoiceError` unless each argument is one number.

    NaN and infinity are numbers here: the range a function names afterwards, or :func:`check_finite`, is for them.
    """
    for name, given in arguments.items():
        if not isinstance(given, Real):
            raise ChoiceError(
                f"{name}={in_short(given)} is not a number; give one number without quotes, such as 2.5 "
                "(the .value of an estimate)."
            )


def check_finite(**arguments: object) -> None:
    """Raise :class:`ChoiceError` unless each argument is one number, neither missing nor infinite."""
    check_range("finite", **arguments)


def check_whole(**arguments: object) -> None:
    """Raise :class:`ChoiceError` unless each argument is a whole number of at least 0 (a count, a seed)."""
    for name, given in arguments.items():
        if not isinstance(given, Integral) or given < 0:
            raise ChoiceError(
                f"{name}={in_short(given)} is not a whole number of at least 0; give one without a decimal point."
            )


def check_kind(
    name: str, given: object, kind: type | tuple[type, ...], remedy: str, error: type[OutcomeError] = ChoiceError
) -> None:
    """Raise `error` unless `given` is of the `kind` an argument needs (a table, a name, a group).

    Parameters
    ----------
    name : str
        Name of the argument.
    given : object
        What it got.
    kind : type or tuple of type
        What would do.
    remedy : str
        What to give instead, as the end of a sentence.
    error : type of OutcomeError, optional
        :class:`DataError` where the data themselves are missing.

    Raises
    ------
    OutcomeError
        Names the argument, what it got and what to give.
    """
    if not isinstance(given, kind):
        raise error(f"{name}={in_short(given)} cannot be used; give {remedy}.")


def check_same_index(**columns: object) -> None:
    """Raise :class:`DataError` where two columns carry different indexes: people could be mixed up.

    Plain arrays and lists have none and pair by position.
    """
    first = ""
    for name, column in columns.items():
        index: Any = getattr(column, "index", None)
        if not hasattr(index, "equals"):
            continue
        first = first or name
        other = columns[first].index  # type: ignore[attr-defined]
        if len(index) == len(other) and not index.equals(other):
            raise DataError(
                f"{first} and {name} have different indexes, so people could be mixed up. Give both in the same order "
                "with the same index (one row a person), or as plain arrays to pair them by position."
            )


def check_confidence(confidence: float) -> None:
    """Raise :class:`ChoiceError` unless `confidence` is a fraction from 0.5 to below 1."""
    check_range("level", confidence=confidence)


FEWEST_RESAMPLES = 100


def check_resamples(n_boot: int, seed: int = 0) -> None:
    """Raise :class:`ChoiceError` for fewer resamples than an interval can be read from, or an unusable seed."""
    check_whole(n_boot=n_boot, **stated(seed=seed))
    if n_boot < FEWEST_RESAMPLES:
        raise ChoiceError(f"n_boot={n_boot!r}: at least {FEWEST_RESAMPLES} resamples are needed for an interval.")


def needs(part: str, extra: str) -> MissingPartError:
    """Return the error that says which extra to install for `part`."""
    return MissingPartError(
        f"{part} is not installed on this machine. Install it with: python -m pip install 'truechange[{extra}]'."
    )


KINDS: dict[str, tuple[Callable[[Any], bool], str]] = {
    "share": (lambda v: 0 < v < 1, "must be a fraction between 0 and 1, such as 0.9 for 90%"),
    "level": (lambda v: 0.5 <= v < 1, ("must be a fraction between 0 and 1, at least 0.5: 0.95 for 95% (not 95, nor "
                                       "the 0.05 that is left)")),
    "rest": (lambda v: 0 <= v < 1, "must be a share from 0 to below 1, such as 0.15 for 15%"),
    "part": (lambda v: 0 <= v <= 1, "must lie between 0 and 1"),
    "half": (lambda v: 0 < v < 0.5, "must lie between 0 and 0.5"),
    "correlation": (lambda v: -1 < v < 1, "must lie between -1 and 1"),
    "positive": (lambda v: 0 < v < inf, "must be a positive number"),
    "finite": (lambda v: -inf < v < inf, "is missing or infinite; give one finite number"),
    "one up": (lambda v: 1 <= v < inf, "must be at least 1"),
    "several": (lambda v: 2 <= v < inf and v == int(v), "must be a whole number of at least 2"),
    "whole": (lambda v: isinstance(v, Integral) and int(v) >= 0, "is not a whole number of at least 0"),
}  # fmt: skip


def check_range(kind: str, **arguments: object) -> None:
    """Raise :class:`ChoiceError` unless each argument is one number of a `kind`, a key of ``KINDS``."""
    check_numbers(**arguments)
    fits, words = KINDS[kind]
    for name, given in arguments.items():
        if not fits(given):
            raise ChoiceError(f"{name}={given!r} {words}.")


def checked(**kinds: str) -> Callable[[Function], Function]:
    """Say once what each argument of a function may be; anything else is refused by name, in one wording.

    Parameters
    ----------
    **kinds : str
        Argument: its kind, a key of ``KINDS``. None passes where it is the default: it means "not given".

    Raises
    ------
    ChoiceError
        At the call: names the argument, what it got and what would do.
    """

    def around(function: Function) -> Function:
        form = signature(function)
        optional = {name for name in kinds if form.parameters[name].default is None}

        @wraps(function)
        def call(*args: Any, **given: Any) -> Any:
            bound = form.bind(*args, **given)
            for name in kinds.keys() & bound.arguments.keys():
                if not (bound.arguments[name] is None and name in optional):
                    check_range(kinds[name], **{name: bound.arguments[name]})
            return function(*args, **given)

        return call  # type: ignore[return-value]

    return around
