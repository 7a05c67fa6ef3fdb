"""What every result object can do: say itself in words, show a table, carry its cautions into any export."""

from html import escape
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd


class Result:
    """Base of the frozen result objects.

    A subclass is ``@dataclass(frozen=True)``, has a field or property
    ``cautions`` (tuple of sentences) and defines :meth:`table` (tidy,
    unrounded) and :meth:`sentences` (plain words). Where a picture helps it
    adds ``plot(self, *, ax=None)``.
    """

    __slots__ = ()

    cautions: tuple[str, ...]
    sources: tuple[str, ...] = ()  # keys of the bibliography for what was really computed

    def table(self) -> "pd.DataFrame":
        """Return the numbers, tidy and unrounded."""
        raise NotImplementedError

    def sentences(self) -> tuple[str, ...]:
        """Return the result in plain words, one sentence an item."""
        raise NotImplementedError

    def sentence(self) -> str:
        """Return the first sentence: the answer."""
        return self.sentences()[0]

    def __str__(self) -> str:
        return "\n".join((*self.sentences(), *(f"Caution: {caution}" for caution in self.cautions)))

    def _repr_html_(self) -> str:
        from truechange.foundation.html import frame_table

        said = "".join(f"<p>{escape(text)}</p>" for text in self.sentences())
        held = "".join(f"<li>{escape(text)}</li>" for text in self.cautions)
        cautions = f"<p><strong>Cautions</strong></p><ul>{held}</ul>" if held else ""
        return f"{said}{frame_table(self.table())}{cautions}"
