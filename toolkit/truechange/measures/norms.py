"""Norms by age and sex, and cut-offs: how one score compares, with the source, as a prompt and never a diagnosis."""

from dataclasses import dataclass, field

from truechange.foundation.errors import check_choice
from truechange.foundation.numbers import decimals_of, fixed
from truechange.foundation.origin import Origin
from truechange.measures.catalogue import measure as find_measure
from truechange.measures.published import published_rows

_KINDS = {
    "norm_low": "lower end of the usual range",
    "norm_mean": "average",
    "norm_high": "upper end of the usual range",
    "cutoff": "cut-off",
    "power_cutoff": "power cut-off",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """One published value that a single score can be held against.

    Parameters
    ----------
    measure : str
        Key of the test.
    quantity : str
        norm_low, norm_mean, norm_high, cutoff or power_cutoff.
    value : float
        In `unit`.
    unit : str
        Unit of the value.
    meaning : str
        What the value marks, in the words of the table of published values.
    origin : Origin
        Publication, population and how the number was verified.
    """

    measure: str
    quantity: str
    value: float
    unit: str
    meaning: str
    origin: Origin = field(repr=False)

    def sentence(self, score: float) -> str:
        """Say how `score` (same unit) lies to this value, with the source."""
        places = decimals_of(find_measure(self.measure).resolution)
        side = "at" if score == self.value else "above" if score > self.value else "below"
        return (
            f"{fixed(score, places)} is {side} the {_KINDS[self.quantity]} of {self.value:g} {self.unit} "
            f"({self.meaning}; {self.origin.sentence()}). This compares; it does not diagnose."
        )


def references(measure: str, *, age: float | None = None, sex: str | None = None) -> tuple[Reference, ...]:
    """Return the norms and cut-offs that apply to a person of this age and sex.

    Parameters
    ----------
    measure : str
        Key of the test.
    age : float, optional
        Age in years; without it only values for all ages apply.
    sex : {"female", "male"}, optional
        Without it only values for all people apply.

    Returns
    -------
    tuple of Reference
        In the unit of the test; empty where nothing fits. Implausible values are left out.

    Raises
    ------
    ChoiceError
        The test is unknown, or `sex` is neither ``"female"`` nor ``"male"``.

    Examples
    --------
    >>> from truechange.measures import references
    >>> low = references("chair_stand_30s", age=67, sex="female")[0]
    >>> low.quantity, low.value, low.origin.citation
    ('norm_low', 11.0, 'Rikli & Jones 1999 J Aging Phys Act 7:162-181')
    """
    test = find_measure(measure)
    check_choice("sex", sex, (None, "female", "male"))
    return tuple(
        Reference(
            measure=test.key,
            quantity=row["quantity"],
            value=float(row["value"]),
            unit=row["unit"],
            meaning=row["method"] or row["population"],
            origin=Origin(
                kind="published",
                citation=row["citation"],
                doi=row["doi"],
                population=row["population"],
                n=int(row["n"]) if row["n"] else None,
                status=row["status"],
                note=row["note"],
            ),
        )
        for row in published_rows()
        if row["measure"] == test.key
        and row["quantity"] in _KINDS
        and row["unit"] == test.unit
        and row["usable"] == "yes"
        and row["sex"] in ("all", sex)
        and _covers(row, age)
    )


def _covers(row: dict[str, str], age: float | None) -> bool:
    banded = bool(row["age_low"] or row["age_high"])
    if not banded:
        return not row["quantity"].startswith("norm")  # the mean of one study's people is no norm
    if age is None:
        return False
    return float(row["age_low"] or 0) <= age < float(row["age_high"] or 200) + 1
