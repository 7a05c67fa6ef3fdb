"""Which intraclass correlation: the design answers, not taste."""

from dataclasses import dataclass

import pandas as pd

from truechange.foundation.errors import check_choice
from truechange.foundation.result import Result


@dataclass(frozen=True)
class IccChoice(Result):
    """The form that follows from four answers.

    Parameters
    ----------
    form : str
        To pass to ``icc(..., form=)``.
    reasons : tuple of str
        One a question.
    missing : str
        To pass to ``icc(..., missing=)``.
    """

    form: str
    reasons: tuple[str, ...]
    missing: str = "refuse"
    cautions: tuple[str, ...] = ()
    sources: tuple[str, ...] = ("mcgraw1996", "tenhove2024")

    @property
    def reason(self) -> str:
        """All reasons as one text."""
        return " ".join(self.reasons)

    def sentences(self) -> tuple[str, ...]:
        """Name the form, then the reasons."""
        return (f"Use {self.form}.", *self.reasons)

    def table(self) -> pd.DataFrame:
        """Return one row a question."""
        questions = ("others in use", "shifts matter", "scores averaged", "complete")
        return pd.DataFrame({"question": questions, "reason": self.reasons})


def choose_icc(
    *,
    others_in_use: bool = True,
    shifts_matter: bool = True,
    scores_averaged: bool = False,
    complete: bool = True,
    trials_linked: bool = True,
) -> IccChoice:
    """Turn the four questions about a design into the form of the ICC.

    Parameters
    ----------
    others_in_use : bool, optional
        Will the testers or occasions in practice be others than those of the study? Almost always yes.
    shifts_matter : bool, optional
        Would a shift of everybody's level mislead the decision? Yes for change over time and for cut-offs.
    scores_averaged : bool, optional
        Is the score in use the mean of all k trials of the study? Not for a single score, not for a best-of score.
    complete : bool, optional
        Does everybody have every trial (or tester)? If not, fit by REML.
    trials_linked : bool, optional
        Do all people share the same trials in the same order (or the same testers)? If each person
        had others and nothing is known of which, only the one-way form is left.

    Returns
    -------
    IccChoice
        `.form`, `.missing` and a `.reasons` sentence a question.

    Raises
    ------
    ChoiceError
        An answer is neither True nor False.

    Notes
    -----
    After McGraw & Wong 1996 and ten Hove, Jorgensen & van der Ark 2024 (testers are seldom a fixed set).

    Examples
    --------
    >>> choose_icc().form, choose_icc(shifts_matter=False, scores_averaged=True).form
    ('ICC(A,1)', 'ICC(C,k)')
    """
    questions = {"others_in_use": others_in_use, "shifts_matter": shifts_matter, "scores_averaged": scores_averaged}
    for name, answer in {**questions, "complete": complete, "trials_linked": trials_linked}.items():
        check_choice(name, answer, (True, False))
    kind = "" if not trials_linked else "A" if shifts_matter else "C"
    count = "k" if scores_averaged else "1"
    form = f"ICC({kind},{count})" if kind else f"ICC({count})"
    reasons = (
        "Other testers or occasions will be in use, so those of the study are a sample: random effects."
        if others_in_use
        else "Only the testers or occasions of the study count: a fixed set, so the result holds for them alone.",
        "Nothing links one person's trials with another's, so only a one-way model is left; it cannot separate shifts."
        if not trials_linked
        else "A shift of level between tests would mislead, so it counts as error: absolute agreement."
        if shifts_matter
        else "A shift of level is reported and corrected apart, so it does not count as error: consistency.",
        "The score in use is the mean of the study's trials: average form."
        if scores_averaged
        else "The score in use is a single one: single form.",
        "Everybody has every trial: mean squares."
        if complete
        else "Scores are missing or testers differ between people: fit the variances by REML.",
    )
    cautions: tuple[str, ...] = ()
    if not others_in_use and shifts_matter:
        cautions = ("With a fixed set of testers the same formula serves, but do not carry it over to other testers.",)
    return IccChoice(form, reasons, "refuse" if complete else "reml", cautions)
