"""A column of texts kept once each: codes into the distinct ones, so that reading a text once reads it for all rows."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd


@dataclass(frozen=True, slots=True)
class Coded:
    """One column.

    Parameters
    ----------
    codes : array of int
        For each row the place of its text in `words`, -1 where it is empty.
    words : list of str
        The distinct texts.

    Examples
    --------
    >>> column = Coded.of([0, 1, 2, 0], [" a ", "", "a"])
    >>> column.words, column.codes.tolist()
    (['a'], [0, -1, 0, 0])
    """

    codes: Any
    words: list[str]

    @classmethod
    def of(cls, codes: Any, words: Sequence[str | None]) -> "Coded":
        """Return the column of `words` stripped, blank and None ones empty, equal ones merged."""
        tidy = [(word or "").strip() for word in words]
        if tidy == words and "" not in tidy and len(set(tidy)) == len(tidy):
            return cls(np.asarray(codes), tidy)
        places: dict[str, int] = {}
        new = [places.setdefault(word, len(places)) if word else -1 for word in tidy]
        return cls(np.array([*new, -1])[np.asarray(codes)], list(places))

    @classmethod
    def read(cls, texts: Sequence[str]) -> "Coded":
        """Return the column of one text a row."""
        codes, words = pd.factorize(np.asarray(texts, dtype=object))
        return cls.of(codes, list(words))

    def __len__(self) -> int:
        return len(self.codes)

    @property
    def empty(self) -> Any:
        """Which rows hold nothing."""
        return self.codes < 0

    def where(self, keep: Any) -> "Coded":
        """Return the rows where `keep` is true."""
        return Coded(self.codes[keep], self.words)

    def spread(self, values: Sequence[Any], missing: Any, dtype: Any = None) -> Any:
        """Return one value a row: the one of its text, `missing` where there is none."""
        return np.array([*values, missing], dtype=dtype)[self.codes]

    def renamed(self, words: Sequence[str | None]) -> "Coded":
        """Return the column with `words` in place of its own, None ones empty."""
        return Coded.of(self.codes, words)

    def texts(self) -> Any:
        """Return the column as a pandas array of texts."""
        return pd.array(self.words, dtype="str").take(self.codes, allow_fill=True)


def combined(first: Coded, second: Coded) -> tuple[Any, list[tuple[int, int]]]:
    """Return codes of the distinct pairs of two columns, and the pairs of their codes."""
    size = len(second.words) + 1
    codes, distinct = pd.factorize(first.codes.astype(np.int64) * size + second.codes + 1)
    return codes, [(int(pair) // size, int(pair) % size - 1) for pair in distinct]
